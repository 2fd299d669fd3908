"""The sky of a picture against another's, measured beside what the Moon model predicts of both."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.run import open_target, place_of, read_lights, taken_of_master
from blend.base.errors import InputError, RecipeError
from blend.base.master import Master
from blend.files.reader import read_picture
from blend.files.record import read_record
from blend.science.moon import ACCURACY_PERCENT, COLOURS_NM, Conditions, SkyPlace, sky_in_band
from blend.science.plane import sample_pixels, sky_mode

NARROW_NM = 25.0
"""Filters up to this width pass between the lines of airglow; broad bands are four times as wide."""


@dataclass(frozen=True, kw_only=True)
class SkySeen:
    """The sky that a file or a run saw: counts a second in the corners and the middle, a plane."""

    name: str
    taken: Mapping[str, Any]
    levels: Mapping[str, NDArray[np.float64]]


def against_lines(
    path: Path,
    other: Path,
    *,
    conditions: Conditions,
    bias: float,
    band_nm: float | None,
    own: Mapping[str, Any],
) -> list[str]:
    """Return the lines that compare the skies of two pictures, target files or records of runs, measured and predicted.

    ``own`` are facts of ``path`` that go before its header's; ``bias`` is not taken off records, which hold it no more.

    Raises
    ------
    InputError
        A file is not to be read, or has no plane in common with the other.
    """
    now, then = _seen(path, bias=bias), _seen(other, bias=bias)
    places = (place_of({**now.taken, **own}), place_of(then.taken))
    shared = [plane for plane in now.levels if plane in then.levels]
    if not shared:
        found = f"it has the planes {', '.join(then.levels)}, {path} has {', '.join(now.levels)}"
        raise InputError(str(other), found=found, expected="a plane in common")
    lines = [_heading(now, then, places)]
    for plane in shared:
        nm = COLOURS_NM.get(plane, band_nm)
        narrow = conditions.width_nm <= NARROW_NM and nm == band_nm
        ratios = now.levels[plane] / then.levels[plane]
        lines.append(_row(plane, nm, ratios, places, conditions, narrow))
    if any(places) and not all(places):
        lines.append("  predicted: needs date, site and position of both")
    lines.append(
        f"  Model good to {ACCURACY_PERCENT[0]} to {ACCURACY_PERCENT[1]} % of the moonlight, worse for a Moon near the "
        "horizon; dark skies alone change by 10 % and more within a night"
    )
    return lines


def _heading(now: SkySeen, then: SkySeen, places: tuple[SkyPlace | None, SkyPlace | None]) -> str:
    text = f"Sky of {now.name} over that of {then.name}"
    if places[0] is not None and places[1] is not None:
        hours = (places[0].time - places[1].time).total_seconds() / 3600.0
        text += (
            f", {abs(hours):.2f} h {'later' if hours >= 0 else 'earlier'}; the Moon at "
            f"{places[0].moon_altitude_deg:.1f}, then at {places[1].moon_altitude_deg:.1f} degrees"
        )
    return text


def _row(
    plane: str,
    nm: float | None,
    ratios: NDArray[np.float64],
    places: tuple[SkyPlace | None, SkyPlace | None],
    conditions: Conditions,
    narrow: bool,
) -> str:
    low, middle, high = (100.0 * (value - 1.0) for value in (ratios.min(), np.median(ratios), ratios.max()))
    text = f"  {plane:<8}measured {middle:+.1f} %"
    if ratios.size > 1:
        text += f" ({low:+.1f} to {high:+.1f} in corners and middle)"
    if nm is None:
        return f"{text}; predicted: give the filter's middle with --band-nm"
    if places[0] is None or places[1] is None:
        return text
    skies = [sky_in_band(place, conditions, nm, narrow=narrow) for place in places if place is not None]
    grown = 100.0 * (sum(skies[0]) / sum(skies[1]) - 1.0)
    moons = " and ".join(f"{100.0 * moon / (dark + moon):.0f}" for dark, moon in skies)
    return f"{text}; predicted {grown:+.1f} % at {nm:g} nm, {moons} % of it moonlight"


def _seen(path: Path, *, bias: float) -> SkySeen:
    if path.is_dir() or path.suffix.lower() == ".json":
        return _from_record(path / "record.json" if path.is_dir() else path)
    master = first_light(path)
    taken = taken_of_master(master)
    levels = {
        plane: (_levels(master, plane) - bias) / (taken.get("exposure_s") or 1.0) for plane in master.planes
    }
    for plane, values in levels.items():
        if not (values > 0).all():
            found = f"the sky of its {plane} is {values.min():.4g} counts a second where it is least"
            advice = "check --bias" if bias else "compare files whose sky was not taken off"
            raise InputError(str(path), found=found, expected="a sky above 0, not subtracted", advice=advice)
    return SkySeen(name=path.name, taken=taken, levels=levels)


def first_light(path: Path) -> Master:
    """Return a picture, or the first light of a target file's colour master, in the unit of its file."""
    if path.suffix.lower() != ".toml":
        return read_picture(path)
    return read_lights("rgb", open_target(path).masters["rgb"])[0]


def _levels(master: Master, plane: str) -> NDArray[np.float64]:
    """Return the sky in the four corners and the middle of a plane, fractions of full scale."""
    pixels, (rows, columns) = master.plane(plane), master.shape
    tall, wide = max(1, rows // 5), max(1, columns // 5)
    places = [(y, x) for y in (0, rows - tall) for x in (0, columns - wide)]
    places.append(((rows - tall) // 2, (columns - wide) // 2))
    return np.array([sky_mode(sample_pixels(pixels[y : y + tall, x : x + wide])) for y, x in places])


def _from_record(path: Path) -> SkySeen:
    record = read_record(path)
    try:
        taken = record["taken"]["rgb"]
        scale = (taken.get("full_scale") or 1.0) / (taken.get("exposure_s") or 1.0)
        planes = record["masters"]["rgb"]["planes"]
        levels = {plane: np.array([scale * float(entry["sky"])]) for plane, entry in planes.items()}
    except (KeyError, TypeError, ValueError, AttributeError):
        expected = "a record of this version or a later one"
        raise InputError(str(path), found="it states no sky of its masters", expected=expected) from None
    if not all(math.isfinite(value[0]) and value[0] > 0 for value in levels.values()):
        raise RecipeError(
            "--against", found=f"{path}: its sky is not above 0", expected="masters with their sky"
        )
    return SkySeen(name=str(record.get("target", path)), taken=taken, levels=levels)
