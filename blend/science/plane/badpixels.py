"""Hot and dead pixels: found by isolation, filled from good neighbours, never taken from a star.

One pixel that stands far above its surroundings is a fault of the sensor when it is sharper than any star can
be. The sharpest star worth the name, 1.6 pixels wide at half maximum and centred on its pixel, still puts a
third of its peak into each pixel that shares an edge with the brightest one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import AnyPlane, float_rows
from blend.base.robust import middles, sorted_finite
from blend.base.rowblocks import map_row_blocks
from blend.science.plane.badpixel_loops import hot_rows, isolated_rows, mark_rows
from blend.science.plane.noise import TILE, local_noise

HOT_SIGMA = 8.0
"""Usual limit in sigma of the local noise (common practice): of Gaussian noise one pixel in 10^15 passes it."""

_WIDE_STARS_PX = 3.0
"""Width of stars from which a pair of pixels is told from a faint one."""

_SHARPEST, _WIDEST_PX, _RING_SQUARE = 0.75, 5.0, 5.5
"""The sharpest star by the typical one; the widest, px, that the rings can tell (over a real frame widths lay from
0.90 of their median on, see `rays._SEEING`); and the mean square of the distances of the 5x5 ring's pixels."""

_REACHES = ((1, 3), (2, 6))
"""Neighbourhoods that fill a pixel, tried in turn, and the fewest good ones in each: a third and a quarter of them."""

_HALO = 4
"""Rows above and below one's own that the loops look at."""

_AT_ONCE = 65_536
"""Pixels filled together: 24 neighbours of each take 13 MB."""


def find_hot_in_dark(
    dark: AnyPlane, *, hot_sigma: float = HOT_SIGMA, noise: NDArray[np.float32] | None = None
) -> NDArray[np.bool_]:
    """Find the pixels of a dark that stand far above the median of the 5x5 around them.

    Parameters
    ----------
    dark : (rows, columns)
        One plane of a stacked dark.
    hot_sigma : float
        Limit in standard deviations of the local noise, above 0; infinity finds none.
    noise : optional
        `local_noise` of the dark, if it is at hand.

    Returns
    -------
    (rows, columns) bool

    Notes
    -----
    A median of 24 neighbours finds small groups as well: charge that leaks sideways, or one hot photosite
    that demosaicing has spread. Bright rows and columns are left to the subtraction of the dark.

    Examples
    --------
    >>> dark = np.random.default_rng(2).normal(100.0, 1.0, (40, 40)).astype(np.float32)
    >>> dark[7, 9] = 130.0
    >>> np.argwhere(find_hot_in_dark(dark)).tolist()
    [[7, 9]]
    """
    return _search(_hot_rows, dark, hot_sigma, noise)


def _hot_rows(pixels: Any, limits: Any, hot_sigma: Any, found: Any, start: int, stop: int, room: Any) -> None:
    floors = _floors(pixels[max(0, start - 2) : stop + 2])
    hot_rows(pixels, limits, hot_sigma, found, start, stop, room, floors)


def _floors(rows: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return, for every column of some rows, a level that a pixel above its 5x5's median stands above too.

    Half of 24 neighbours do not fit into two of their five columns. So what stands above the median stands above
    the third lowest of the five columns' least pixels, all rows about taken together. At the frame's sides and beside
    NaN it may be one column alone, and the lowest of the five counts.
    """
    least = np.minimum.reduce(rows, axis=0)
    whole = not np.isnan(least).any()
    padded = np.pad(least if whole else np.fmin.reduce(rows, axis=0), 2, constant_values=np.nan)
    a, b, c, d, e = (padded[step : step + rows.shape[1]] for step in range(5))
    lowest: NDArray[np.float32] = np.fmin.reduce((a, b, c, d, e))
    if whole:
        # the middle of five: of the fifth and of what is neither least nor greatest of the other four
        low = np.maximum(np.minimum(a, b), np.minimum(c, d))
        high = np.minimum(np.maximum(a, b), np.maximum(c, d))
        middle = np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), e))
        lowest[2:-2] = middle[2:-2]
    return lowest


def find_isolated(
    light: NDArray[np.floating],
    *,
    hot_sigma: float = HOT_SIGMA,
    noise: NDArray[np.float32] | None = None,
    fwhm_px: float | None = None,
) -> NDArray[np.bool_]:
    """Find pixels of a light frame that are sharper than a star: single ones, bright or dark, and small marks.

    Parameters
    ----------
    light : (rows, columns)
        One plane before any resampling.
    hot_sigma, noise
        As `find_hot_in_dark`, of the light.
    fwhm_px : float, optional
        Width of the frame's stars. From 3 pixels on, marks of two to four pixels (cosmic rays) are found too.

    Returns
    -------
    (rows, columns) bool

    Notes
    -----
    With h the height above the median of the ring 5x5 outside 3x3: h exceeds ``hot_sigma`` noise, the four
    edge neighbours hold on average less than 0.17 h (a star 1.6 px wide holds 0.34 h, at any brightness) by a
    margin for their own noise, and the step to the highest of the eight neighbours is larger than their own
    range, which guards bright regions where noise is higher than in the square around.

    A pair is told from a faint star only where stars are known to be wide. With h the height above the median of
    the ring 7x7 outside 5x5: h exceeds ``hot_sigma`` noise, the median of the ring 5x5 outside 3x3 stands less than
    half as high as in a star of 0.75 fwhm_px (no star of the frame is sharper), by a margin of one sigma, and the
    step to it is three times the range of the ring's inner twelve values. It is contrast against fine structure, so it
    holds at any brightness.

    References
    ----------
    van Dokkum (2001), PASP 113, 1420, for telling cosmic rays from stars by their contrast against the fine
    structure about them; the rings and their limits are derived here.

    Examples
    --------
    >>> light = np.random.default_rng(3).normal(10.0, 1.0, (40, 40)).astype(np.float32)
    >>> light[20, 5], light[9, 9] = 60.0, -60.0
    >>> np.argwhere(find_isolated(light)).tolist()
    [[9, 9], [20, 5]]
    """
    noise = local_noise(light) if noise is None else noise
    found = _search(isolated_rows, light, hot_sigma, noise)
    if fwhm_px is None or not fwhm_px >= _WIDE_STARS_PX:
        return found
    sharpest = min(_SHARPEST * fwhm_px, _WIDEST_PX)
    share = 0.5 * float(np.exp(-4.0 * np.log(2.0) * _RING_SQUARE / sharpest**2))
    found[places(_search(mark_rows, light, hot_sigma, noise, share))] = True
    return found


def _search(
    rows_kernel: Any,
    plane: AnyPlane,
    hot_sigma: float,
    noise: NDArray[np.float32] | None,
    *more: Any,
) -> NDArray[np.bool_]:
    """Run a loop over every row of squares, and the rows that it looks at above and below."""
    if not hot_sigma > 0.0:
        raise ValueError(f"hot_sigma must be above 0, not {hot_sigma}")
    found = np.zeros(plane.shape, dtype=np.bool_)
    if not np.isfinite(hot_sigma) or min(plane.shape) < 5:
        return found
    limits = (local_noise(plane) if noise is None else noise) * np.float32(hot_sigma)

    def fill_rows(block: slice) -> None:
        band = slice(max(0, block.start - _HALO), block.stop + _HALO)
        ends = (block.start - band.start, block.stop - band.start)
        limit = limits[block.start // TILE]
        room = np.empty(40 + TILE, dtype=np.float32)
        rows_kernel(float_rows(plane, band), limit, np.float32(hot_sigma), found[band], *ends, room, *more)

    map_row_blocks(fill_rows, plane.shape[0], height=TILE)
    return found


def repair(
    plane: NDArray[np.floating], bad: NDArray[np.bool_]
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Fill bad pixels with the median of the good ones around them.

    Parameters
    ----------
    plane : (rows, columns)
        NaN pixels are never used to fill others.
    bad : (rows, columns) bool
        Pixels to fill. Others keep their bits.

    Returns
    -------
    filled : (rows, columns) float32
        A new plane.
    repaired : (rows, columns) bool
        Bad pixels that had three good neighbours of eight, or else six good ones of the 24 in the 5x5. The
        rest of the bad pixels are NaN in ``filled``: the middle of a large hole is no data.

    Raises
    ------
    ValueError
        A mask of another shape.

    Examples
    --------
    >>> plane = np.arange(25, dtype=np.float32).reshape(5, 5)
    >>> bad = np.zeros((5, 5), dtype=bool)
    >>> bad[2, 2] = True
    >>> filled, repaired = repair(np.where(bad, 999.0, plane), bad)
    >>> float(filled[2, 2]), int(repaired.sum())
    (12.0, 1)
    """
    filled = np.array(plane, dtype=np.float32, order="C")
    if bad.shape != filled.shape:
        raise ValueError(f"bad of shape {bad.shape} does not cover a plane of shape {filled.shape}")
    repaired = np.zeros(filled.shape, dtype=np.bool_)
    y, x = places(bad)
    filled[y, x] = fill_values(filled, bad, y, x)
    repaired[y, x] = np.isfinite(filled[y, x])
    return filled, repaired


def places(mask: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of the True pixels, in the order of the rows."""

    def measure_rows(block: slice) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        part = mask[block]
        # few rows hold any, and a flat search is several times faster than one for pairs of numbers
        some = np.flatnonzero(part.any(axis=1))
        y, x = np.divmod(np.flatnonzero(part[some]), max(1, mask.shape[1]))
        return some[y] + block.start, x

    parts = map_row_blocks(measure_rows, mask.shape[0])
    return np.concatenate([y for y, _ in parts]), np.concatenate([x for _, x in parts])


def fill_values(
    plane: NDArray[np.floating], bad: NDArray[np.bool_] | None, y: NDArray[np.intp], x: NDArray[np.intp]
) -> NDArray[np.float32]:
    """Return what `repair` fills the bad pixels at (y, x) with; NaN where too few neighbours are good.

    Without ``bad`` the bad ones are those that are NaN.
    """
    new = np.full(y.size, np.nan, dtype=np.float32)
    for first in range(0, y.size, _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        new[part] = _fill_values(plane, bad, y[part], x[part])
    return new


def _fill_values(
    plane: NDArray[np.floating], bad: NDArray[np.bool_] | None, y: NDArray[np.intp], x: NDArray[np.intp]
) -> NDArray[np.float64]:
    (reach, least), (wider, more) = _REACHES
    near = _good_median(plane, bad, y, x, reach=reach, least=least)
    missing = np.isnan(near)
    if missing.any():
        near[missing] = _good_median(plane, bad, y[missing], x[missing], reach=wider, least=more)
    return near


def _good_median(
    plane: NDArray[np.floating],
    bad: NDArray[np.bool_] | None,
    y: NDArray[np.intp],
    x: NDArray[np.intp],
    *,
    reach: int,
    least: int,
) -> NDArray[np.float64]:
    offsets = np.arange(-reach, reach + 1)
    dy, dx = (grid.ravel() for grid in np.meshgrid(offsets, offsets, indexing="ij"))
    rows, columns = y[:, None] + dy, x[:, None] + dx
    inside = (rows >= 0) & (rows < plane.shape[0]) & (columns >= 0) & (columns < plane.shape[1])
    rows, columns = np.where(inside, rows, 0), np.where(inside, columns, 0)
    good = inside if bad is None else inside & ~bad[rows, columns]
    values = np.where(good, plane[rows, columns], np.nan).astype(np.float64)
    ordered, count = sorted_finite(values)
    return np.where(count >= least, middles(ordered, count), np.nan)
