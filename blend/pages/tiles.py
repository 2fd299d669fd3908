"""The strip of tiles: each a number with its error, its limit, a mark and a jump to the evidence."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from blend.pages.measured import measured

GOOD_RMS_PX, GOOD_SLOPE_SIGMA, GOOD_SCALE_ERROR = 0.3, 0.25, 0.10
GOOD_TINT, GOOD_CLIPPED = 1.0, 0.001
"""Limits: a third of a pixel, a quarter of a pixel's noise, 10 %, one CIEDE2000, a thousandth."""
BAD_SCALE_ERROR = 0.25
"""From which the emission on a disc tells nothing: it is a tenth to half of the light through the filter."""
ASSUMED = "assumed"
"""A word in the codes of warnings that say what was taken for granted: a filter's width, a full scale."""
DOUBLE_PX = 1.0
"""Alignment from which stars of the usual 2 to 4 px FWHM look double (common practice)."""
SEEN_LAB = 2.3
"""CIELAB difference that is just noticed (Mahy et al. 1994, Color Res. Appl. 19, 105; from memory)."""
PLAIN_LAB = 10.0
"""Over four just noticed: no gradient at the edge of seeing any more."""
WIDENING = 2.0
"""Line over colour star width up to which stars are protected as wide as the line's (`protect_stars`)."""
WORDS = {"fine": "fine", "look": "look", "wrong": "wrong", "": "not judged"}


@dataclass(frozen=True)
class Tile:
    """One tile; ``mark`` is fine, look, wrong, or empty where nothing could be measured.

    ``bars`` are names with a length in percent and their number.
    """

    what: str
    number: str
    limit: str
    mark: str
    jump: str
    more: str = ""
    bars: tuple[tuple[str, float, str], ...] = ()

    @property
    def word(self) -> str:
        """The mark in words."""
        return WORDS[self.mark]


def assumed(record: Mapping[str, Any]) -> list[str]:
    """Return what a run took for granted because no file told it, in sentences."""
    return [entry["text"] for entry in record["warnings"] if ASSUMED in entry["code"].split("-")]


def tiles(record: Mapping[str, Any]) -> list[Tile]:
    """Return the tiles of a run, from its record; a record of an older version has fewer."""
    found = [_alignment(record), _gradient(record), *_lines(record), _star_colour(record), _neutral(record)]
    return [*found, *_width(record), *_worth(record), _assumed(record)]


def _sky_tile(record: Mapping[str, Any], what: str, key: str, more: str) -> Tile:
    """Return the tile of a number of the sky, without a mark where the run says that it does not know the sky."""
    sky, limit = record.get("picture", {}).get("sky"), f"limit {SEEN_LAB:g} CIELAB"
    if not sky:
        return Tile(what, "-", limit, "", "sky", "too little sky free of target and stars")
    value, error = sky[key], sky[f"{key}_error"]
    number = measured(value, error, least=0.1)
    if any(entry["code"] == "sky-uncertain" for entry in record["warnings"]):
        return Tile(what, number, limit, "", "sky", "too little of the frame is surely sky to judge it")
    # what twice its error brings within its limit is no finding
    least = value - 2.0 * (error if math.isfinite(error) else 0.0)
    mark = "fine" if least <= SEEN_LAB else "look" if least <= PLAIN_LAB else "wrong"
    return Tile(what, number, limit, mark, "sky", more)


def _alignment(record: Mapping[str, Any]) -> Tile:
    fits, limit = record["register"], f"limit {GOOD_RMS_PX:g} px"
    matched = [entry for entry in fits.values() if entry["matched"]]
    unseen = [n for n, e in fits.items() if not e["matched"] and e.get("by") == "world coordinates"]
    if unseen:
        return Tile("Alignment", "no star checks it", limit, "look", "alignment", ", ".join(unseen))
    edges = [entry for entry in fits.values() if entry.get("by") == "structure"]
    if edges:
        error = max(entry["error_px"]["worst"] for entry in edges)
        mark = "look" if error <= DOUBLE_PX else "wrong"
        return Tile(
            "Alignment", f"+- {error:.2f} px", limit, mark, "alignment", "by edges, no star checks it"
        )
    if not matched:
        return Tile("Alignment", "one grid already", limit, "fine", "alignment")
    worst = max(entry["rms_px"] for entry in matched)
    errors = [entry["error_px"]["worst"] for entry in matched if entry.get("error_px")]
    error = max(errors, default=None)
    reach = max(worst, error or 0.0)
    stars = min(entry["matched"] for entry in matched)
    more = f"rms of {stars} stars; error: the map's greatest, 95 %"
    mark = "fine" if reach <= GOOD_RMS_PX else "look" if reach <= DOUBLE_PX else "wrong"
    return Tile("Alignment", measured(worst, error, "px"), limit, mark, "alignment", more)


def _gradient(record: Mapping[str, Any]) -> Tile:
    return _sky_tile(record, "Residual gradient", "gradient", "range across the picture; 2.3 is just noticed")


def _lines(record: Mapping[str, Any]) -> Iterator[Tile]:
    """Give what every line added: its light, its area, the share held back."""
    limit = f"limit: scale good to {100 * GOOD_SCALE_ERROR:.0f} %"
    for name, entry in record["continuum"].items():
        told, added = entry["line_light"], record.get("picture", {}).get("added", {}).get(name)
        what = f"{entry['light']} added"
        if not told["found"]:
            yield Tile(what, "no line light", limit, "look", "line-light")
            continue
        amount = _added_amount(record, name)
        number, more = "-", []
        if added:
            share = 100.0 * added["share"] * (amount or 1.0)
            error = 100.0 * added["error"] * (amount or 1.0)
            many = share > 300.0  # in a band without starlight the line outshines it by far
            number = (
                measured(share / 100.0, error / 100.0, "x", least=0.1)
                if many
                else measured(share, error, "%", least=0.1)
            )
            more.append(
                "of the broad plane's light in the brightest tenth of its area"
                + ("" if amount else ", before its blend")
            )
        if told.get("share") is not None:
            more.append(f"area {100 * told['share']:.1f} % of the frame")
        more.append(f"held back {100 * (told.get('held_back') or 0.0):.0f} %")
        off = entry["error"] / entry["scale"]
        mark = "fine" if off <= GOOD_SCALE_ERROR else "look" if off <= BAD_SCALE_ERROR else "wrong"
        yield Tile(what, number, limit, mark, "line-light", "; ".join(more))


def _added_amount(record: Mapping[str, Any], line: str) -> float:
    """Return how many times a line's light was added, in the plane that got most of it."""
    into: dict[str, float] = {}
    for blend in record["blend"].values():
        if blend["from"] == f"{line}.emission" and "line_contrast" in blend and blend["into"] != "luminance":
            into[blend["into"]] = into.get(blend["into"], 0.0) + blend["amount"]
    return max(into.values(), default=0.0)


def _star_colour(record: Mapping[str, Any]) -> Tile:
    shift, limit = record.get("star_tint"), f"limit {GOOD_TINT:g} CIEDE2000"
    if not shift or not shift["stars"]:
        return Tile("Star colour shift", "-", limit, "", "stars", "no stars to compare")
    number = measured(shift["median"], shift.get("error"))
    more = f"median of {shift['stars']} stars; 95 % below {shift['p95']:.2f}"
    mark = "fine" if shift["median"] <= GOOD_TINT else "look"
    return Tile("Star colour shift", number, limit, mark, "stars", more)


def _neutral(record: Mapping[str, Any]) -> Tile:
    tile = _sky_tile(record, "Sky neutral", "chroma", "chroma of the sky; bars: its display values")
    if not tile.mark:
        return tile
    levels = record["picture"]["sky"]["levels"]
    most = max(value for value, _ in levels.values()) or 1.0
    bars = tuple(
        (plane, 80.0 * max(levels[plane][0], 0.0) / most, measured(*levels[plane], least=0.0001))
        for plane in ("red", "green", "blue")
    )
    return replace(tile, bars=bars)


def _width(record: Mapping[str, Any]) -> Iterator[Tile]:
    """Give star widths on the reference's grid, where both are known."""
    scale = {n: _scale(e["matrix"]) for n, e in record["register"].items() if "matrix" in e}
    widths = {
        name: (e["fwhm_px"] * scale.get(name, 1.0), (e.get("fwhm_error_px") or 0.0) * scale.get(name, 1.0))
        for name, e in sorted(record["masters"].items(), key=lambda item: item[0] != "rgb")
        if e.get("fwhm_px") and math.isfinite(e["fwhm_px"])
    }
    if "rgb" not in widths:
        return
    number = ", ".join(f"{measured(*w)}" for w in widths.values()) + " px"
    names = ", ".join("colour" if name == "rgb" else name for name in widths)
    ratio = max(width for width, _ in widths.values()) / widths["rgb"][0]
    mark = "fine" if ratio <= WIDENING else "look"
    limit = f"limit: line {WIDENING:g} x colour"
    yield Tile("Star width", number, limit, mark, "stars", f"FWHM of {names} on the picture's grid")


def _scale(matrix: Any) -> float:
    (a, b, _), (c, d, _), _ = matrix
    return math.sqrt(abs(a * d - b * c))


def _worth(record: Mapping[str, Any]) -> Iterator[Tile]:
    for line, entry in record.get("worth", {}).items():
        factor = entry["exposure_factor"]
        if factor is not None:
            number = measured(factor, factor * entry["error"], "x", least=0.1)
            more = f"{line} in {entry['into']}: as colour exposed so much longer"
            yield Tile("Worth", number, "limit: above 1 x", "fine" if factor > 1 else "look", "worth", more)


def _assumed(record: Mapping[str, Any]) -> Tile:
    told = assumed(record)
    number = f"{len(told)} of the masters' facts" if told else "nothing"
    return Tile("Assumed", number, "limit: nothing", "look" if told else "fine", "warnings", "; ".join(told))
