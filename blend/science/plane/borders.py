"""Borders without data: what stacking, rotating and cropping leave round a picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.lazyplanes import AnyPlane

_ALONG = 9
"""A border is at least this long along its edge, in pixels: shorter runs of equal pixels happen by chance."""

_COMMON = 0.2
"""A value that this share of the inner pixels holds as well is a clipped sky, not a border: beside a border
none but chance holds it, beside a sky cut off at its median every second one does."""

_BESIDE = 16
"""So many pixels inside a border are looked at for its value: a clipped sky that is tilted has it all over one
corner, but fades out of it over many pixels, where a border ends within one or two."""

_SHARED, _MOST_VALUES = 200, 3
"""One in so many of the outermost pixels must share a value; and so many values are tried, since a border has one, and
NaN or 0 beside it at most."""


def border_mask(pixels: AnyPlane | Sequence[AnyPlane]) -> NDArray[np.bool_]:
    """Find pixels that hold no data and are connected to the edge of the frame.

    Parameters
    ----------
    pixels : (planes, rows, columns) or (rows, columns), or planes in a list
        Not changed.

    Returns
    -------
    (rows, columns) bool
        True where a plane is NaN, or exactly one constant, along an unbroken row or column up to the edge. A
        corner cut off by rotation is found; dark sky inside never is, however dark.

    Notes
    -----
    The length of the constant run at each point of an edge is opened (smallest, then largest, of 9
    neighbours), so that single equal pixels do not count. A plane that is one constant from edge to edge is
    left out unless all are. Interpolation leaves a rim of a few mixed pixels inside the border, which are not
    marked. Cost: the edge and the border only.

    Examples
    --------
    >>> sky = np.random.default_rng(4).normal(0.1, 0.01, (40, 50)).astype(np.float32)
    >>> sky[:, :3] = 0.0
    >>> sky[20, 30] = 0.0
    >>> mask = border_mask(sky)
    >>> int(mask.sum()), bool(mask[:, :3].all())
    (120, True)
    """
    planes: list[Any] = [pixels] if np.ndim(pixels[0]) == 1 else list(pixels)
    varied = [plane for plane in planes if not is_constant(plane)]
    if not varied:
        return np.ones(planes[0].shape, dtype=np.bool_)
    mask = np.zeros(planes[0].shape, dtype=np.bool_)
    for plane in varied:
        for value in _edge_values(plane):
            mask |= _border_of_value(plane, value)
    return mask


def is_constant(plane: AnyPlane) -> bool:
    """Tell whether all pixels of a plane are equal, or all are NaN.

    Examples
    --------
    >>> is_constant(np.full((3, 3), np.nan)), is_constant(np.eye(3))
    (True, False)
    """
    first = plane[:1][0, 0]
    # leaves at the first row that differs
    return all((np.isnan(row) if np.isnan(first) else row == first).all() for row in plane)


def cut_corners(border: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the part of a border that is not made of whole rows and columns: what a rotation cuts off.

    Examples
    --------
    >>> border = np.zeros((6, 6), dtype=bool)
    >>> border[:2] = True
    >>> int(cut_corners(border).sum())
    0
    >>> border[3, 0] = True
    >>> np.argwhere(cut_corners(border)).tolist()
    [[3, 0]]
    """
    whole_rows = np.flatnonzero(border.all(axis=1))
    whole_columns = np.flatnonzero(border.all(axis=0))
    rest = border.copy()
    rest[whole_rows] = False
    rest[:, whole_columns] = False
    return rest


def _edge_values(plane: AnyPlane) -> list[np.float32]:
    """Return the values, NaN among them, that many pixels of the outermost rows and columns share, some in a row."""
    sides = [np.asarray(side, np.float32) for side in (plane[0], plane[-1], plane[:, 0], plane[:, -1])]
    edge = np.concatenate(sides)
    values, counts = np.unique(edge, return_counts=True)
    enough = max(_ALONG, edge.size // _SHARED)
    order = np.argsort(-counts, kind="stable")[:_MOST_VALUES]
    shared = [values[i] for i in order if counts[i] >= enough]
    return [value for value in shared if any(_goes_along(side, value) for side in sides)]


def _goes_along(side: NDArray[np.float32], value: np.float32) -> bool:
    """Return whether so many pixels in a row hold a value as a border takes, or half as many before a corner."""
    same = np.pad(np.isnan(side) if np.isnan(value) else side == value, _ALONG // 2, mode="edge")
    ends = np.flatnonzero(np.diff(np.pad(same, 1).astype(np.int8)))
    return bool((ends[1::2] - ends[::2] >= min(_ALONG, side.size)).any())


def _border_of_value(plane: AnyPlane, value: np.float32) -> NDArray[np.bool_]:
    rows, columns = plane.shape
    pixels = np.ascontiguousarray(plane, dtype=np.float32)
    runs = [np.zeros(length, dtype=np.int64) for length in (rows, rows, columns, columns)]
    _measure_runs(pixels, value, *runs)
    left, right, top, bottom = (_open_runs(run) for run in runs)
    mask = np.zeros((rows, columns), dtype=np.bool_)
    _paint_runs(mask, left, right, top, bottom)
    if np.isnan(value) or not mask.any():
        return mask
    beside = np.zeros_like(mask)
    reach = [
        np.where(run > 0, np.minimum(run + _BESIDE, most), 0)
        for run, most in zip((left, right, top, bottom), (columns, columns, rows, rows), strict=True)
    ]
    _paint_runs(beside, *reach)
    for within in (beside & ~mask, ~mask):
        if within.any() and np.count_nonzero(pixels[within] == value) > _COMMON * np.count_nonzero(within):
            return np.zeros((rows, columns), dtype=np.bool_)
    return mask


def _open_runs(run: NDArray[np.int64]) -> NDArray[np.int64]:
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    size = min(_ALONG, run.size)
    opened: NDArray[np.int64] = maximum_filter1d(
        minimum_filter1d(run, size, mode="nearest"), size, mode="nearest"
    )
    return np.minimum(opened, run)


@kernel
def _measure_runs(
    pixels: Any, value: Any, left: Any, right: Any, top: Any, bottom: Any
) -> None:  # pragma: no cover - compiled
    rows, columns = pixels.shape
    for y in range(rows):
        n = 0
        while n < columns and (pixels[y, n] == value or (value != value and pixels[y, n] != pixels[y, n])):
            n += 1
        left[y] = n
        n = 0
        while n < columns:
            v = pixels[y, columns - 1 - n]
            if not (v == value or (value != value and v != v)):
                break
            n += 1
        right[y] = n
    for x in range(columns):
        n = 0
        while n < rows and (pixels[n, x] == value or (value != value and pixels[n, x] != pixels[n, x])):
            n += 1
        top[x] = n
        n = 0
        while n < rows:
            v = pixels[rows - 1 - n, x]
            if not (v == value or (value != value and v != v)):
                break
            n += 1
        bottom[x] = n


@kernel
def _paint_runs(
    mask: Any, left: Any, right: Any, top: Any, bottom: Any
) -> None:  # pragma: no cover - compiled
    rows, columns = mask.shape
    for y in range(rows):
        mask[y, : left[y]] = True
        mask[y, columns - right[y] :] = True
    for x in range(columns):
        for y in range(top[x]):
            mask[y, x] = True
        for y in range(rows - bottom[x], rows):
            mask[y, x] = True
