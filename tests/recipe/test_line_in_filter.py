"""Whether a target's filters pass its lines, in words and warnings; and the keys that ask for it."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.base.errors import FaultList
from blend.recipe.line_in_filter import filter_warnings, line_in_filter, passband_words
from blend.recipe.target import Target, load_target


def target_of(filter_keys: str = "", facts: str = "", *, line: str = "ha", rgb: str = "") -> Target:
    text = f'name = "t"\n[masters.rgb]\nlight = "rgb.fits"\n[masters.rgb.facts]\n{rgb}\n'
    text += f'[masters.{line}]\nlight = "l.fits"\n{filter_keys}\n[masters.{line}.facts]\n{facts}\n'
    return load_target(text, where="t.toml", folder=Path("/data"))


WIDE = "center_nm = 655.3\nwidth_nm = 9.8"


def test_a_line_at_the_filter_s_flank_passes_in_part() -> None:
    told = line_in_filter(target_of(WIDE, "velocity_km_s = 1050"), "ha")
    assert told["passes"] and told["at_nm"] == pytest.approx(658.58, abs=0.005)
    assert told["words"] == (
        "H-alpha lies at 658.58 nm (1,050 km/s); the filter 655.3/9.8 nm passes 73 to 100 % of it (Gaussian or "
        "top-hat), and of [N II] 91 to 100 % at 657.1 nm and 0 to 44 % at 660.7 nm. Across a disc that turns by "
        "+-150 km/s it differs by 0 to 12 %"
    )


def test_a_line_outside_its_filter_is_warned_of() -> None:
    target = target_of(WIDE, "velocity_km_s = 3500")
    (warning,) = filter_warnings(target, "ha")
    assert warning[0] == "line-outside-filter" and "0 to 12 % of it" in warning[1]
    assert passband_words(target)[0].startswith("doubt: ha: H-alpha lies at 663.94 nm")
    assert filter_warnings(target_of(WIDE, "velocity_km_s = 1050"), "ha") == []


def test_a_redshift_is_as_good_and_rgb_s_speaks_for_every_line() -> None:
    by_z = line_in_filter(target_of(WIDE, rgb="redshift = 0.003502423"), "ha")
    assert by_z["line"] == pytest.approx(
        line_in_filter(target_of(WIDE, "velocity_km_s = 1050"), "ha")["line"]
    )


def test_a_stated_shape_gives_one_number() -> None:
    told = line_in_filter(target_of(WIDE + '\npassband = "gaussian"', "velocity_km_s = 1050"), "ha")
    assert "passes 73 % of it (gaussian)" in told["words"]


def test_other_lines_have_no_nitrogen() -> None:
    told = line_in_filter(
        target_of("line_nm = 500.7\nwidth_nm = 3", "velocity_km_s = 2000", line="oiii"), "oiii"
    )
    assert told["nii"] == () and told["h_alpha"] is None and not told["passes"]
    assert "the line of 500.7 nm lies at 504.04 nm" in told["words"]
    assert "its centre taken at the line's own wavelength" in told["words"]


def test_nitrogen_s_share_is_told_where_its_ratio_is_given() -> None:
    told = line_in_filter(target_of("center_nm = 656.3\nwidth_nm = 12", "nii_ratio = 0.5"), "ha")
    assert "With [N II] / H-alpha = 0.5, 67 to" in told["words"]


@pytest.mark.parametrize(
    "target", [target_of(), target_of("width_nm = 7"), target_of("center_nm = 500.7", line="oiii")]
)
def test_nothing_is_said_where_nothing_is_known(target: Target) -> None:
    assert line_in_filter(target, target.lines[0]) == {} and passband_words(target) == []


@pytest.mark.parametrize(
    ("keys", "facts", "where"),
    [
        ("", "velocity_km_s = 100\nredshift = 0.1", "masters.ha.facts"),
        ('passband = "box"', "", "masters.ha.passband"),
        ("f_ratio = 0", "", "masters.ha.f_ratio"),
        ("center_nm = -1", "", "masters.ha.center_nm"),
        ("", "velocity_km_s = 1e9", "masters.ha.facts.velocity_km_s"),
        ("", "nii_ratio = -1", "masters.ha.facts.nii_ratio"),
    ],
)
def test_faults_name_the_key(keys: str, facts: str, where: str) -> None:
    with pytest.raises(FaultList) as caught:
        target_of(keys, facts)
    assert [fault.where for fault in caught.value.faults] == [where]


def test_the_colour_master_has_no_line_filter() -> None:
    with pytest.raises(FaultList) as caught:
        load_target(
            'name = "t"\n[masters.rgb]\nlight = "a.fits"\ncenter_nm = 656', where="t", folder=Path("/d")
        )
    assert caught.value.faults[0].where == "masters.rgb.center_nm"
