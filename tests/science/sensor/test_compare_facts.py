"""Facts of light and dark that should agree: what is said when they do not, and nothing when they do."""

from __future__ import annotations

import pytest

from blend.base.errors import InputError
from blend.base.master import Facts
from blend.science.sensor.compare_facts import dark_notes, exposure_note, temperature_note, unlike, wrong_size

LIGHT = Facts(exposure_s=300.0, temperature_c=-10.0, iso=800.0)


def codes(dark: Facts, *, factor: float = 1.0) -> list[str]:
    return [code for code, _ in dark_notes(LIGHT, dark, factor=factor, signal_e=None)]


def test_a_dark_like_its_light_is_not_spoken_of() -> None:
    assert codes(LIGHT) == [] and unlike(LIGHT, LIGHT) == []
    near = Facts(exposure_s=301.0, temperature_c=-10.3, iso=800.0)
    assert codes(near) == [] and unlike(LIGHT, near) == []


def test_each_difference_has_its_code_and_its_words() -> None:
    other = Facts(exposure_s=60.0, temperature_c=5.0, iso=1600.0)
    assert codes(other) == ["dark-exposure", "dark-temperature", "dark-iso"]
    assert len(unlike(LIGHT, other)) == 3
    assert "dark-exposure" not in codes(other, factor=5.0)
    assert not any("exposed" in words for words in unlike(LIGHT, other, scaled=True))


def test_what_nobody_stated_is_said_once() -> None:
    ((code, text),) = dark_notes(LIGHT, Facts(iso=800.0), factor=1.0, signal_e=None)
    assert code == "dark-unchecked" and "exposure and temperature" in text


def test_residuals_are_those_of_the_formula() -> None:
    note = exposure_note(300.0, 240.0, 1.0, signal_e=40.0)
    assert note is not None and "25 %" in note[1] and "(10 e a pixel)" in note[1]
    colder = temperature_note(-10.0, -2.0, signal_e=None)
    # 1 - 2^(-8/5) and 1 - 2^(-8/8)
    assert colder is not None and "8 degrees C colder" in colder[1] and "50 to 67 %" in colder[1]
    assert "taken out too much" in colder[1]


def test_a_wrong_size_names_both() -> None:
    fault = wrong_size("masters.ha.flat_dark", "flat_dark", found=(1, 4, 6), expected=(3, 4, 5))
    assert isinstance(fault, InputError)
    assert "6 x 4 pixels in 1 plane" in str(fault) and "5 x 4 pixels in 3 planes, as the light" in str(fault)
    with pytest.raises(InputError, match="give a flat dark of the same camera"):
        raise fault
