"""The page about the Moon: what it says, when it warns, and that a plot is the same twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.app.inspect.moon import SUN_CAUTION, moon_command
from blend.app.inspect.moon_input import read_angle, read_time
from blend.base.errors import InputError, RecipeError

SITE = (48.0, 11.0, 500.0)
NIGHT: dict[str, Any] = {"ra": "13:29:52.7", "dec": "+47:11:43", "time": "2024-03-22T22:00", "site": SITE}


def test_a_moonlit_night_is_told() -> None:
    lines = moon_command(**NIGHT).splitlines()
    assert lines[0] == (
        "2024-03-22 22:00 UTC, target at 202.4696 +47.1953 degrees, site +48.0000 +11.0000 degrees, 500 m"
    )
    assert lines[1] == (
        "Moon: altitude 53.4 degrees, 95.1 % lit (phase angle 25.6 degrees), 50.5 from the target"
    )
    assert lines[2] == "Target: altitude 62.7 degrees; Sun at -37.7"
    assert any(line.startswith("22:00 ") and line.endswith("20.91       18.58") for line in lines)
    assert any(line.startswith("Best hours: 02:30 to 03:00 UTC under the Moon") for line in lines)
    assert "good to 8 to 23 % (0.08 to 0.22 mag)" in lines[-1]
    assert "never subtracted" in lines[-1]
    assert SUN_CAUTION not in lines


def test_the_night_without_the_moon_is_told() -> None:
    text = moon_command(**{**NIGHT, "time": "2024-04-08T23:00"})
    assert "Moon: below the horizon" in text
    assert "brighter by 0.00 mag" in text
    assert "x 1.0 in colour, x 1.0 through 7 nm" in text
    assert "UTC without the Moon" in text


def test_by_day_the_caution_comes_first() -> None:
    lines = moon_command(**{**NIGHT, "time": "2024-03-22T11:00"}).splitlines()
    assert lines[1] == SUN_CAUTION
    assert "never point a telescope at it" in SUN_CAUTION
    assert "twilight or day" in lines[3]


def test_a_target_that_never_rises_is_told() -> None:
    text = moon_command(**{**NIGHT, "dec": -60.0})
    assert "Target: below the horizon" in text
    assert "Best hours: none, the target stays below 30 degrees in the dark." in text
    assert "nan" not in text
    assert "Gradient" not in text


def test_a_white_night_is_told() -> None:
    text = moon_command(**{**NIGHT, "time": "2024-06-21T22:00", "site": (68.0, 20.0, 400.0)})
    assert "The Sun stays less than 12 degrees below the horizon this night: there is no table." in text
    text = moon_command(**{**NIGHT, "time": "2024-06-21T22:00", "site": (51.0, 11.0, 400.0)})
    assert "Best hours: none, the twilight lasts all night." in text


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_a_plot_is_the_same_twice(tmp_path: Path, kind: str) -> None:
    paths = [tmp_path / f"{name}.{kind}" for name in "ab"]
    for path in paths:
        assert moon_command(**NIGHT, plot=path).endswith(f"Plot in {path}")
    one, other = (path.read_bytes() for path in paths)
    assert one == other
    assert one.startswith(b"\x89PNG" if kind == "png" else b"<?xml")
    assert b"dc:date" not in one


def test_a_plot_of_no_kind_or_no_place_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecipeError) as fault:
        moon_command(**NIGHT, plot=tmp_path / "night.jpg")
    assert str(fault.value) == (
        f"--plot: the name {tmp_path / 'night.jpg'}; expected one that ends in .png or .svg."
    )
    (tmp_path / "file").write_text("")
    with pytest.raises(RecipeError, match="in the way of a folder"):
        moon_command(**NIGHT, plot=tmp_path / "file" / "night.png")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"ra": "25:00:00"},
            "--ra: '25:00:00' is no such angle; expected degrees from 0 to 360, or like 13:29:52.7 (hours).",
        ),
        (
            {"dec": "north"},
            "--dec: 'north' is no such angle; expected degrees from -90 to 90, or like +47:11:43.",
        ),
        (
            {"dec": float("nan")},
            "--dec: nan is no such angle; expected degrees from -90 to 90, or like +47:11:43.",
        ),
        ({"time": "tonight"}, "--time: 'tonight' is no time; expected UTC, like 2024-03-22T23:10:00."),
        ({"time": "1850-01-01"}, "--time: the year 1850; expected 1901 to 2099."),
        (
            {"site": (95.0, 0.0, 0.0)},
            "--site: (95.0, 0.0, 0.0) is no site; expected latitude (degrees north, -90 to 90), longitude "
            "(degrees east), height (m).",
        ),
        ({"extinction": 0.0}, "--extinction: 0; expected 0.01 to 3 magnitudes per airmass."),
        ({"zenith": float("nan")}, "--zenith: nan; expected 10 to 24 V magnitudes per square arcsecond."),
        ({"width_nm": -7.0}, "--width-nm: -7; expected 0.01 to 1000 nanometres."),
    ],
)
def test_values_that_cannot_be_are_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(RecipeError) as fault:
        moon_command(**{**NIGHT, **changes})
    assert str(fault.value) == words


@pytest.mark.parametrize("text", ["13:29:52.7", "13 29 52.7", "13h29m52.7s", 202.469583])
def test_right_ascension_is_hours_unless_it_is_a_number(text: float | str) -> None:
    found = read_angle(text, where="--ra", hours=True, most=360.0)
    assert found == pytest.approx(202.469583, abs=1e-6)


@pytest.mark.parametrize(("text", "hour"), [("2024-03-22T22:00Z", 22), ("2024-03-22 22:00+02:00", 20)])
def test_times_go_to_utc(text: str, hour: int) -> None:
    assert read_time(text).hour == hour


def written(folder: Path, **cards: Any) -> Path:
    """Return a FITS picture whose header says what the cards say."""
    from blend.files.fits import write_fits

    write_fits(folder / "ha.fits", np.full((1, 30, 40), 0.1, np.float32), planes=("ha",), cards=cards)
    return folder / "ha.fits"


PLACE = {"SITELAT": 48.0, "SITELONG": 11.0, "SITEELEV": 500.0}
WHEN = {"DATE-OBS": "2024-03-22T22:00:00"}
SOLVED = {
    **{"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 202.4696, "CRVAL2": 47.1953},
    **{"CRPIX1": 20.5, "CRPIX2": 15.5, "CDELT1": -0.02, "CDELT2": 0.02},
}


def test_a_picture_says_where_and_when(tmp_path: Path) -> None:
    text = moon_command(written(tmp_path, **WHEN, **PLACE, **SOLVED))
    assert text.splitlines()[1:3] == moon_command(**NIGHT).splitlines()[1:3]
    # Rows count to the north and columns to the west: position angle 217 is (-sin 217, cos 217).
    (line,) = (line for line in text.splitlines() if line.startswith("  V "))
    assert "towards 217;" in line
    assert line.endswith("towards (+0.60 columns, -0.80 rows)")


def test_the_middle_of_a_stack_is_meant(tmp_path: Path) -> None:
    text = moon_command(written(tmp_path, **WHEN, **PLACE, **SOLVED, EXPTIME=300.0, NCOMBINE=24))
    assert text.startswith("2024-03-22 23:00 UTC")


def test_what_a_picture_does_not_say_is_named(tmp_path: Path) -> None:
    path = written(tmp_path, **WHEN)
    with pytest.raises(InputError) as fault:
        moon_command(path)
    assert str(fault.value) == (
        f"{path}: its header states no site and no position; expected date, site and position (world coordinates, "
        "or RA and DEC). Do this: give position, time and site on the command line."
    )


def test_a_picture_is_asked_and_options_go_before_its_header(tmp_path: Path) -> None:
    path = written(tmp_path, **WHEN, **PLACE)
    place = {"ra": NIGHT["ra"], "dec": NIGHT["dec"]}
    assert moon_command(path, **place) == moon_command(**NIGHT)
    other = {"time": "2024-03-25T21:00", "site": (-30.0, 20.0, 100.0)}
    assert moon_command(path, **place, **other) == moon_command(**place, **other)


def test_what_neither_header_nor_options_say_is_named(tmp_path: Path) -> None:
    path = written(tmp_path)
    with pytest.raises(InputError, match="states no date and no site and no position"):
        moon_command(path)
    with pytest.raises(InputError, match="states no date; expected"):
        moon_command(path, ra=10.0, dec=41.0, site=SITE)
    with pytest.raises(RecipeError, match="--ra: only one of --ra and --dec"):
        moon_command(path, dec=41.0, site=SITE)
