"""Registration as one can see it: what is left at every star, and line and colour by turns at corners and centre."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.shrink import STRIDE_PX, sampled_means
from blend.files.png import jpeg_bytes
from blend.pages.figures import arrows_svg
from blend.recipe.state import Work

Array = NDArray[np.float32]
Turn = Callable[[Array], Array]
CROP_PX = 144
MOST_ARROWS = 400
SHOWN_SIGMA = 4.0
"""Grey of the sky lies this many sigma above black, and the softening of bright light as many above the sky."""
PLACES = ("top left", "top right", "centre", "bottom left", "bottom right")


@dataclass(frozen=True)
class Pair:
    """One place: the colour and the line on one grid, as data URLs."""

    place: str
    colour: str
    line: str


@dataclass(frozen=True)
class Fit:
    """One registration: the arrows as SVG text and what to say of them."""

    name: str
    svg: str
    text: str


def residual_fits(work: Work) -> list[Fit]:
    """Return what is left at the stars of every registration that went by stars."""
    upward = work.rgb.facts.rows == "bottom-up"
    found = []
    for (name, index), fit in work.alignments.items():
        if fit.matched == 0:
            continue
        left = fit.forward(fit.moving_xy) - fit.reference_xy
        step = -(-len(left) // MOST_ARROWS)
        svg, arrow_px = arrows_svg(
            fit.reference_xy[::step], left[::step], work.rgb.shape, rms_px=fit.rms_px, upward=upward
        )
        label = name if index == 0 else f"{name}.{work.rgb.planes[index]}"
        text = (
            f"{len(left)} stars, {fit.rms_px:.3f} px rms, the longest {np.hypot(*left.T).max():.2f} px; "
            f"arrows point from the reference's star to where the fit puts the other's; the key is {arrow_px:g} px"
        )
        found.append(Fit(label, svg, text))
    return found


def corner_pairs(work: Work, turn: Turn, crop: Mapping[str, int] | None) -> dict[str, list[Pair]]:
    """Return, for every line, crops of colour and line at full size from the corners and the centre.

    Parameters
    ----------
    work : Work
        With balanced masters and lines.
    turn : callable
        Turns an array (planes, rows, columns) upright, as a view.
    crop : mapping of x, y, w, h, or None
        The part of the grid that results show; all of it where None.
    """
    down, across = _shown(work.rgb.shape, turn, crop)
    pairs = {}
    for name, line in work.lines.items():
        broad = work.rgb.plane(line.broad if line.broad in work.rgb.planes else work.rgb.planes[0])
        planes = [turn(plane[None])[0] for plane in (broad, line.scaled)]
        boxes = _boxes(down, across)
        pairs[name] = [
            Pair(place, *(_url(plane[box]) for plane in planes))
            for place, box in zip(PLACES, boxes, strict=True)
        ]
    return pairs


def _shown(
    shape: tuple[int, int], turn: Turn, crop: Mapping[str, int] | None
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and the columns (first, behind the last) of the turned grid that lie inside the crop."""
    rows, columns = shape
    box = crop or {"x": 0, "y": 0, "w": columns, "h": rows}
    # Views of one row and one column of numbers: they tell where a turned pixel comes from.
    x = turn(np.broadcast_to(np.arange(columns, dtype=np.float32)[None, None, :], (1, rows, columns)))[0]
    y = turn(np.broadcast_to(np.arange(rows, dtype=np.float32)[None, :, None], (1, rows, columns)))[0]
    centre = box["x"] + box["w"] // 2, box["y"] + box["h"] // 2
    row = int(np.argmin(np.abs(x[:, 0] - centre[0]) + np.abs(y[:, 0] - centre[1])))
    column = int(np.argmin(np.abs(x[row] - centre[0]) + np.abs(y[row] - centre[1])))
    spans = []
    for along_x, along_y in ((x[:, column], y[:, column]), (x[row], y[row])):
        inside = (along_x >= box["x"]) & (along_x < box["x"] + box["w"])
        inside &= (along_y >= box["y"]) & (along_y < box["y"] + box["h"])
        where = np.flatnonzero(inside)
        spans.append((int(where[0]), int(where[-1]) + 1))
    return spans[0], spans[1]


def _boxes(down: tuple[int, int], across: tuple[int, int]) -> list[tuple[slice, slice]]:
    high, wide = (min(CROP_PX, span[1] - span[0]) for span in (down, across))
    tops = {"top": down[0], "centre": (down[0] + down[1] - high) // 2, "bottom": down[1] - high}
    lefts = {"left": across[0], "centre": (across[0] + across[1] - wide) // 2, "right": across[1] - wide}
    places = [(place.split()[0], place.split()[-1]) for place in PLACES]
    return [(slice(tops[v], tops[v] + high), slice(lefts[h], lefts[h] + wide)) for v, h in places]


def _url(plane: Array) -> str:
    """Return a grey crop as a data URL; sky and noise of the crop set its own scale, so that stars compare."""
    known = plane[np.isfinite(plane)]
    if known.size == 0:
        shown = np.zeros(plane.shape, dtype=np.float32)
    else:
        sky = float(np.median(known))
        noise = max(1.4826 * float(np.median(np.abs(known - sky))), 1e-12)
        top = max(float(np.percentile(known, 99.8)) - sky, 20.0 * noise)
        soft = SHOWN_SIGMA * noise
        shown = np.arcsinh((plane - sky) / soft) / np.arcsinh(top / soft)
        shown = np.clip(0.12 + 0.88 * np.nan_to_num(shown, nan=-1.0), 0.0, 1.0)
    data = jpeg_bytes(np.asarray(shown, dtype=np.float32)[None], quality=85)
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def signal_rows(work: Work, record: Mapping[str, Any]) -> list[tuple[str, float, list[float]]]:
    """Return, for every plane, the bright light of its objects, and that over the noise of means of 1 to 64 px.

    The light is what a tenth of the area of objects exceeds, stars left out: the 90th percentile of means of 4 x 4
    pixels, one in each 16 x 16; of a line's emission, over those that stand above one sigma of a pixel. Sky is 0, the
    unit the master's own fraction of full scale.
    """
    if work.objects is None or min(work.rgb.shape) < STRIDE_PX:
        return []
    where = sampled_means(work.objects) == 1.0
    if work.star_mask is not None:
        where &= sampled_means(work.star_mask) < 0.1
    found = []
    for plane, gain in zip(work.rgb.planes, work.gains, strict=True):
        light = _bright(work.rgb.plane(plane), where) / gain
        found.append((f"rgb.{plane}", light, _ratios(light, record, "rgb", plane)))
    for name, line in work.lines.items():
        told = list(record["masters"][name]["planes"])
        one = record["masters"][name]["planes"][told[0]].get("noise", {}).get("1") if told else None
        if line.emission is not None and one:
            # Counts of the balanced plane to those of the line's master: the noise of one pixel is known in both.
            shines = where & (sampled_means(line.emission) > line.sigma)
            light = _bright(line.emission, shines) * one / line.scaled_sigma
            found.append((f"{name}.emission", light, _ratios(light, record, name, told[0])))
    return found


def _ratios(light: float, record: Mapping[str, Any], master: str, plane: str) -> list[float]:
    noise = record["masters"][master]["planes"].get(plane, {}).get("noise", {})
    values = [noise.get(size) for size in ("1", "4", "16", "64")]
    return [light / value if value else float("nan") for value in values]


def _bright(plane: Array, where: NDArray[np.bool_]) -> float:
    known = sampled_means(plane)[where]
    known = known[np.isfinite(known)]
    return float(np.percentile(known, 90)) if known.size else float("nan")
