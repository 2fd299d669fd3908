"""Is the sensor's offset still in a flat: what the flat's own shadows look like in the light, and what is lost by it.

A flat F that holds an offset o is too shallow: where the light falls to a share q of the typical, F falls to less. Dust
and vignetting are then s = F / (F - o) times as deep, in logarithms, in the light as in the flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import AnyPlane, AnyPlanes
from blend.base.robust import MAD_TO_SIGMA, median_and_sigma, second_differences

LEAST_ERROR = 0.005
"""Share of the light, over the frame, from which an error of the flat is worth a word: moonlight bends as much."""
LEAST_DOUBT = 3.0 * LEAST_ERROR
"""The same where it is not known whether there is an error: a doubt has to be worth more than a measurement."""
SURE_SIGMA = 3.0
"""From which a depth differs from 1, or from what a whole offset makes of it (common practice)."""
FLOOR = 0.01
"""Least error of a depth: on invented nights of 0.24 and 1 Mpx depths of known flats scattered by 0.01 to 0.02."""
CELL_PX, MOST_PIXELS = 8, 4_000_000
"""Side of a cell, in pixels of the picture as it is thinned out to so many: a median of 64 leaves no star of it and is
known to 0.16 of a pixel's noise, and dust is wider."""
_LAGS = (2, 3, 4, 6, 8)
"""Distances in cells over which shadows bend: rims of dust at the least, vignetting at the greatest."""
_CLEAR = 5.0
"""A shadow is used where it bends the flat by so many times the flat's usual scatter: noise would make it shallow."""
_FEWEST = 8
"""Cells, or bends, that tell a median or a slope (chosen, not measured)."""
_TURNS = 8
"""Of a slope without what lies beyond 3 sigma: no more is left out after a few (chosen, not measured)."""
_SPREAD = (1, 50, 99)
"""Percentiles that stand for the darkest, the typical and the brightest place of a flat."""


@dataclass(frozen=True)
class Depth:
    """How deep the flat's shadows are in the light, over how deep they are in the flat."""

    value: float
    error: float


@dataclass(frozen=True)
class FlatPlane:
    """What one plane of a flat tells: its level, the offset it may hold, the depth of its shadows, and the error."""

    level: float
    offset: float | None  # the dark's level, unit of the pixels; None where there is no dark
    depth: Depth | None  # None where the flat has no shadows to compare
    # largest minus smallest error of the correction over the frame, if the offset is in the flat
    loss: float


def look_at_flat(light: AnyPlanes, flat: AnyPlanes, *, dark: AnyPlanes | None) -> list[FlatPlane]:
    """Compare a flat, plane by plane, with the light it is to correct.

    Parameters
    ----------
    light, flat : (planes, rows, columns)
        As they came; the dark is taken off the light here.
    dark : (planes, rows, columns) or None
        It holds the offset.
    """
    darks: Sequence[Any] = [None] * len(light) if dark is None else list(dark)
    return [_look_at_plane(*planes) for planes in zip(light, flat, darks, strict=True)]


def _look_at_plane(light: AnyPlane, flat: AnyPlane, dark: AnyPlane | None) -> FlatPlane:
    step = max(1, int(np.ceil(np.sqrt(flat.size / MOST_PIXELS))))
    thin = np.s_[::step, ::step]
    cells = _cells(flat[thin])
    level = float(np.nanmedian(cells)) if np.isfinite(cells).any() else float("nan")
    seen = light[thin] if dark is None else light[thin] - dark[thin]
    depth = shadow_depth(_cells(seen), cells)
    if dark is not None:
        offset = float(np.nanmedian(dark[thin]))
        return FlatPlane(level, offset, depth, _loss(cells, offset))
    measured = 0.0 if depth is None else level * max(0.0, 1.0 - 1.0 / max(depth.value, 1e-3))
    return FlatPlane(level, None, depth, _loss(cells, measured))


def shadow_depth(light: NDArray[np.float64], flat: NDArray[np.float64]) -> Depth | None:
    """Return how many times deeper shadows are in a light than in its flat, from medians of small cells of both.

    Slope of second differences of log light against those of log flat, at five distances; objects are left out.

    Parameters
    ----------
    light, flat : (down, across)

    Returns
    -------
    Depth or None
        None without shadows. Its error is the larger of the formal one and the scatter of the five.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        seen, cast = np.log(light), np.log(flat)
    ratio = seen - cast
    middle = float(np.nanmedian(ratio)) if np.isfinite(ratio).any() else float("nan")
    below = middle - ratio[ratio < middle]
    if below.size < _FEWEST:
        return None
    seen[~(ratio < middle + 2.0 * MAD_TO_SIGMA * float(np.median(below)))] = np.nan
    found = [one for lag in _LAGS if (one := _slope(seen, cast, lag)) is not None]
    if not found:
        return None
    values, errors = np.array(found).T
    scatter = median_and_sigma(values)[1] if len(found) > 2 else 0.0
    return Depth(float(np.median(values)), float(np.hypot(max(np.median(errors), scatter), FLOOR)))


def offset_note(planes: Sequence[FlatPlane], *, stated: bool) -> str | None:
    """Say what an offset in a flat costs, or None where there is none, where it is too small or where nothing tells.

    Parameters
    ----------
    planes : sequence of FlatPlane
    stated : bool
        Whether somebody said that the offset is in.
    """
    worst = int(np.argmax([plane.loss for plane in planes]))
    one, size = planes[worst], f"{100.0 * planes[worst].loss:.1f} % over the frame"
    if len(planes) > 1:
        size += f" (plane {worst + 1})"
    if stated:
        told = f"is too weak by {size}" if one.offset is not None else "is too weak by an unknown amount"
        return f"the sensor's offset is in the flat, as the target says, and the correction {told}"
    inside, error = _inside(planes)
    if inside - SURE_SIGMA * error > 0.0 and one.loss >= LEAST_ERROR:
        assert one.depth is not None
        return (
            f"the flat's own shadows are {one.depth.value:.3f} +- {one.depth.error:.3f} times as deep in the light"
            " as in the flat: the sensor's offset may still be in it, which makes the correction too weak by"
            f" {size}. Give flat_dark or bias"
        )
    known = one.offset is not None and not inside + SURE_SIGMA * error < 1.0
    if known and one.loss >= LEAST_DOUBT:
        share = 100.0 * (one.offset or 0.0) / one.level
        return (
            f"the sensor's offset may still be in the flat (the dark's level is {share:.1f} % of the flat's);"
            f" the correction would be too weak by {size}. Say flat_calibrated = true where it is out"
        )
    return None


def _inside(planes: Sequence[FlatPlane]) -> tuple[float, float]:
    """Return the share of the possible offset that is in the flat, 0 or 1, as measured, and its error."""
    shares, errors = [], []
    for plane in planes:
        if plane.depth is None:
            continue
        span = 1.0 if plane.offset is None else plane.level / max(plane.level - plane.offset, 1e-30) - 1.0
        if span > 0.0:
            shares.append((plane.depth.value - 1.0) / span)
            errors.append(plane.depth.error / span)
    if not shares:
        return float("nan"), float("inf")
    # The planes show the same objects and the same dust, so three do not tell more than the best of them.
    weights = 1.0 / np.square(errors)
    return float(np.average(shares, weights=weights)), float(np.min(errors))


def _cells(plane: NDArray[np.floating]) -> NDArray[np.float64]:
    down, across = (size // CELL_PX for size in plane.shape)
    cut = plane[: down * CELL_PX, : across * CELL_PX].reshape(down, CELL_PX, across, CELL_PX)
    return np.asarray(np.median(cut.swapaxes(1, 2).reshape(down, across, -1), axis=2), dtype=np.float64)


def _slope(seen: NDArray[np.float64], cast: NDArray[np.float64], lag: int) -> tuple[float, float] | None:
    if min(seen.shape) <= 2 * lag:
        return None
    a, b = (second_differences(part, lag=lag).ravel() for part in (seen, cast))
    good = np.isfinite(a) & np.isfinite(b)
    a, b = a[good], b[good]
    if a.size < _FEWEST:
        return None
    noise = MAD_TO_SIGMA * float(np.median(np.abs(a - b)))
    clear = np.abs(b) > _CLEAR * MAD_TO_SIGMA * float(np.median(np.abs(b)))
    a, b = a[clear], b[clear]
    slope, used = 1.0, np.ones(a.size, dtype=np.bool_)
    for _ in range(_TURNS):
        used = np.abs(a - slope * b) < 3.0 * noise
        if used.sum() < _FEWEST:
            return None
        slope = float((a[used] * b[used]).sum() / np.square(b[used]).sum())
    return slope, noise / float(np.sqrt(np.square(b[used]).sum()))


def _loss(cells: NDArray[np.float64], offset: float) -> float:
    """Return how far (F - o) / F differs over the frame, from its 1st to its 99th percentile, over its median."""
    good = cells[np.isfinite(cells) & (cells > 2.0 * offset)]
    if good.size == 0 or offset <= 0.0:
        return 0.0
    low, middle, high = np.percentile(1.0 - offset / good, _SPREAD)
    return float((high - low) / middle)
