"""The lines that say whether a run may be trusted: five, and more where there is need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from blend.recipe.tone_words import tone_words

GOOD_RMS_PX, GOOD_SLOPE_SIGMA, GOOD_SCALE_ERROR = 0.3, 0.25, 0.03
GOOD_TINT, GOOD_CLIPPED = 1.0, 0.001
"""Bars of the verdict: a third of a pixel, a quarter of a pixel's noise, 3 %, one CIEDE2000, a thousandth."""


@dataclass(frozen=True)
class Line:
    """One line of the verdict."""

    what: str
    text: str
    good: bool


def verdict(record: Mapping[str, Any]) -> list[Line]:
    """Return registration, slope left, scale with its error, star tint and clipped share, each good or to look at."""
    lines = [_registration(record), _slope(record), _scale(record), _tint(record), _clipped(record)]
    return lines + _no_light(record) + _amounts(record) + _tone(record)


def _registration(record: Mapping[str, Any]) -> Line:
    fits = {name: entry for name, entry in record["register"].items() if entry["matched"]}
    if not fits:
        return Line("Registration", "masters taken as they lie, on one grid already", True)
    worst = max(entry["rms_px"] for entry in fits.values())
    fewest = min(entry["matched"] for entry in fits.values())
    return Line("Registration", f"{worst:.2f} px rms, from {fewest} stars or more", worst <= GOOD_RMS_PX)


def _slope(record: Mapping[str, Any]) -> Line:
    left = [
        (entry["slope_left_sigma"], f"{name}.{plane}")
        for name, planes in record["gradient"].items()
        for plane, entry in planes.items()
        if entry["slope_left_sigma"] is not None
    ]
    if not left:
        return Line("Slope left", "not measured; no sky was taken out", False)
    worst, where = max(left)
    text = f"{worst:.2f} sigma of a pixel from corner to corner at most, in {where}"
    return Line("Slope left", text, worst <= GOOD_SLOPE_SIGMA)


def _scale(record: Mapping[str, Any]) -> Line:
    entries = record["continuum"]
    if not entries:
        return Line("Continuum scale", "none: no linear line master", True)
    texts = [
        f"{name} ({entry['light']}) {entry['scale']:.4g} +- {entry['error']:.2g}"
        + (f" from {entry['stars']} stars" if entry["how"] == "stars" else ", given")
        for name, entry in entries.items()
    ]
    good = all(entry["error"] <= GOOD_SCALE_ERROR * entry["scale"] for entry in entries.values())
    return Line("Continuum scale", "; ".join(texts), good)


def _tint(record: Mapping[str, Any]) -> Line:
    tint = record["star_tint"]
    if not tint["stars"]:
        return Line("Star tint", "no stars to compare", True)
    text = (
        f"the blends moved the colours of {tint['stars']} stars by {tint['median']:.2f} (median) and "
        f"{tint['p95']:.2f} (95th percentile) CIEDE2000"
    )
    return Line("Star tint", text, bool(tint["median"] <= GOOD_TINT))


def _clipped(record: Mapping[str, Any]) -> Line:
    low, high = record["clipped"]["black"], record["clipped"]["white"]
    text = (
        f"{100 * low:.3f} % of the pixels are black in some plane, {100 * high:.3f} % are full in some plane"
    )
    return Line("Clipped", text, low <= GOOD_CLIPPED)


def _no_light(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on the masters in which no light of their line was found; nothing where all have some."""
    none = [name for name, entry in record["continuum"].items() if not entry["line_light"]["found"]]
    text = f"none found in {', '.join(none)}: nothing of it comes into the picture"
    return [Line("Line light", text, False)] if none else []


def _amounts(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on the amounts that the run chose itself; nothing where the recipe gave them all."""
    chosen = {name: entry for name, entry in record["blend"].items() if "auto" in entry}
    texts = [f"{name} {entry['amount']:.3g}: {entry['auto']['reason']}" for name, entry in chosen.items()]
    good = all(entry["amount"] > 0 for entry in chosen.values())
    return [Line("Amounts", "; ".join(texts), good)] if chosen else []


def _tone(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on the target's brightness; nothing where white was not set by it."""
    words = tone_words(record)
    bound = words and record["stretch"]["rgb"]["target"]["bound"]
    return [Line("Tone", words, bound != "noise")] if words else []
