"""Words of a stretch in a header, and denials of one."""

from __future__ import annotations

import pytest

from blend.science.sensor.header_words import declared_display, stretch_words


@pytest.mark.parametrize(
    "text", ["Histogram stretched", "arcsinh 50", "gamma-corrected", "tone mapping", "STRETCH"]
)
def test_words_of_a_stretch(text: str) -> None:
    assert stretch_words({"OBJECT": "M 51", "HISTORY": text})


@pytest.mark.parametrize(
    "text", ["unstretched", "not stretched", "non-stretched", "no stretch", "gamma ray burst", ""]
)
def test_denials_and_other_words(text: str) -> None:
    assert stretch_words({"HISTORY": text}) == ""


def test_the_display_domain_is_declared_by_its_own_card() -> None:
    assert declared_display({"BLENDDOMAIN": " Display "})
    assert not declared_display({"BLENDDOMAIN": "linear"}) and not declared_display({"COMMENT": "display"})
