"""Whether a run may be trusted: findings in sentences, and one word for terminal, page and batch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from blend.pages.measured import measured
from blend.pages.notes import warnings_of
from blend.pages.tiles import (
    BAD_SCALE_ERROR,
    GOOD_CLIPPED,
    GOOD_RMS_PX,
    GOOD_SCALE_ERROR,
    GOOD_SLOPE_SIGMA,
    GOOD_TINT,
    tiles,
)
from blend.recipe.auto_words import held_words
from blend.recipe.record_words import scale_words, tone_words

DIM = 0.5
"""Of the level asked for the target: below it the picture is plainly darker than meant (chosen, not measured)."""


@dataclass(frozen=True)
class Line:
    """One line of the verdict; ``bad`` where it is no longer to look at, but not to be trusted."""

    what: str
    text: str
    good: bool
    bad: bool = False


def verdict(record: Mapping[str, Any]) -> list[Line]:
    """Return five findings, and more where there is need, each good or to look at."""
    lines = [_registration(record), _slope(record), _scale(record), _tint(record), _clipped(record)]
    lines += _no_light(record) + _held(record) + _filters(record)
    return lines + _amounts(record) + _tone(record)


def _registration(record: Mapping[str, Any]) -> Line:
    fits = {name: entry for name, entry in record["register"].items() if entry["matched"]}
    alone = [name for name, entry in record["register"].items() if entry["by"] == "world coordinates"]
    unseen = ", ".join(name for name in alone if name not in fits)
    if unseen:
        return Line(
            "Registration", f"{unseen} by the headers' world coordinates alone, no star checks it", False
        )
    if not fits:
        return Line("Registration", "masters taken as they lie, on one grid already", True)
    worst = max(entry["rms_px"] for entry in fits.values())
    fewest = min(entry["matched"] for entry in fits.values())
    errors = [entry["error_px"]["worst"] for entry in fits.values() if entry["error_px"]]
    errs = f", the map good to {max(errors):.2f} px or better" if errors else ""
    good = max([worst, *errors]) <= GOOD_RMS_PX
    return Line("Registration", f"{worst:.2f} px rms, from {fewest} stars or more{errs}", good)


def _slope(record: Mapping[str, Any]) -> Line:
    left = [
        (entry["slope_left_sigma"], f"{name}.{plane}")
        for name, planes in record["gradient"].items()
        for plane, entry in planes.items()
        if entry["slope_left_sigma"] is not None
    ]
    if not left:
        return Line("Residual gradient", "not measured; no gradient was removed", False)
    worst, where = max(left)
    text = f"{measured(worst, None, 'sigma')} of a pixel across the frame at most, in {where}"
    return Line("Residual gradient", text, worst <= GOOD_SLOPE_SIGMA)


def _scale(record: Mapping[str, Any]) -> Line:
    entries = record["continuum"]
    if not entries:
        return Line("Continuum scale", "none: no linear line master", True)
    texts = [f"{name} ({entry['light']}) {scale_words(entry)}" for name, entry in entries.items()]
    worst = max(entry["error"] / entry["scale"] for entry in entries.values())
    return Line("Continuum scale", "; ".join(texts), worst <= GOOD_SCALE_ERROR, worst > BAD_SCALE_ERROR)


def _filters(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on what the filters pass of their lines; nothing where the target file does not tell."""
    told = {name: e["passband"] for name, e in record["continuum"].items() if "passband" in e}
    texts = [f"{name}: {entry['words']}" for name, entry in told.items()]
    good = all(entry["passes"] for entry in told.values())
    return [Line("Line in the filter", "; ".join(texts), good)] if told else []


def _tint(record: Mapping[str, Any]) -> Line:
    tint = record["star_tint"]
    if not tint or not tint["stars"]:
        return Line("Star colour shift", "no stars to compare", True)
    text = (
        f"the blends moved the colours of {tint['stars']} stars by {measured(tint['median'])} (median) and "
        f"{measured(tint['p95'])} (95th percentile) CIEDE2000"
    )
    return Line("Star colour shift", text, bool(tint["median"] <= GOOD_TINT))


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


def _held(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on the masters of whose light more than a tenth was held back."""
    told = {name: entry["line_light"] for name, entry in record["continuum"].items()}
    texts = [
        f"{name}: {words}" for name, light in told.items() if light["found"] and (words := held_words(light))
    ]
    doubt = "; it may be starlight of another colour, or light of the line too faint to be sure"
    return [Line("Light held back", "; ".join(texts) + doubt, True)] if texts else []


def _amounts(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on the amounts that the run chose itself; nothing where the recipe gave them all."""
    chosen = {name: entry for name, entry in record["blend"].items() if "auto" in entry}
    texts = [f"{name} {entry['amount']:.3g}: {entry['auto']['reason']}" for name, entry in chosen.items()]
    good = all(entry["amount"] > 0 for entry in chosen.values())
    return [Line("Amounts", "; ".join(texts), good)] if chosen else []


def _tone(record: Mapping[str, Any]) -> list[Line]:
    """Return a line on the target's brightness; nothing where white was not set by it."""
    words = tone_words(record)
    if not words:
        return []
    tone = record["stretch"]["rgb"]["target"]
    return [Line("Tone", words, tone["bound"] != "noise" or tone["level"] >= DIM * tone["wanted"])]


STATE_WORDS = {"fine": "done", "look": "done, look"}


def run_state(record: Mapping[str, Any]) -> str:
    """Return "look" where a run warns, took something for granted or shows a number beyond its limit, else "fine"."""
    beyond = any(not line.good for line in verdict(record)) or any(
        tile.mark in ("look", "wrong") for tile in tiles(record)
    )
    return "look" if warnings_of(record) or beyond else "fine"
