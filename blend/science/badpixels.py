"""Hot and dead pixels: found by isolation, filled from good neighbours, never taken from a star.

One pixel that stands far above its surroundings is a fault of the sensor when it is sharper than any star can
be. The sharpest star worth the name, 1.6 pixels wide at half maximum and centred on its pixel, still puts a
third of its peak into each pixel that shares an edge with the brightest one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA
from blend.base.rowblocks import map_row_blocks

TILE = 64
"""Edge of the squares in which the noise is told apart, in pixels; glow and vignetting change over more."""

_STRIP = 10
_SHARPEST = 0.17
"""Half of exp(-4 ln 2 / 1.6^2) = 0.339, what a star 1.6 px wide puts into an edge neighbour, of its peak."""


def local_noise(plane: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return the noise of one pixel for every square of 64 pixels.

    sigma = 1.4826 median|I * N| / 6 with N = [[1, -2, 1], [-2, 4, -2], [1, -2, 1]]

    Parameters
    ----------
    plane : (rows, columns)
        NaN is left out.

    Returns
    -------
    (ceil(rows / 64), ceil(columns / 64)) float32
        In the plane's unit; 0 only where the whole plane is free of noise.

    Notes
    -----
    Ten rows in the middle of each square stand for it, so that 24 million pixels take 0.1 s; the value of one
    square is good to about 8 %. A square without a value gets the median of all; no square is given less than
    half of that, nor less than what rounding to the plane's own steps leaves (step / sqrt 12).

    References
    ----------
    Immerkaer (1996), CVIU 64, 300, for the kernel; the median in place of the mean is derived here.

    Examples
    --------
    >>> noise = np.random.default_rng(1).normal(0.0, 2.0, (128, 256))
    >>> bool(np.all(np.abs(local_noise(noise) / 2.0 - 1.0) < 0.25))
    True
    """
    rows = map_row_blocks(lambda block: _strip_noise(plane[block]), plane.shape[0], height=TILE)
    tiles = np.array(rows, dtype=np.float64)
    good = np.isfinite(tiles)
    typical = float(np.median(tiles[good])) if good.any() else 0.0
    floor = max(0.5 * typical, _smallest_step(plane) / np.sqrt(12.0))
    tiles = np.where(good, tiles, typical)
    noise: NDArray[np.float32] = np.maximum(tiles, floor).astype(np.float32)
    return noise


def _strip_noise(block: NDArray[np.floating]) -> NDArray[np.float64]:
    rows, columns = block.shape
    first = max(0, (rows - _STRIP) // 2)
    strip = np.asarray(block[first : first + _STRIP], dtype=np.float64)
    tiles = -(-columns // TILE)
    if min(strip.shape) < 3:
        return np.full(tiles, np.nan)
    across = strip[:, :-2] - 2.0 * strip[:, 1:-1] + strip[:, 2:]
    both = np.abs(across[:-2] - 2.0 * across[1:-1] + across[2:])
    padded = np.full((both.shape[0], tiles * TILE), np.nan)
    padded[:, : both.shape[1]] = both
    squares = padded.reshape(both.shape[0], tiles, TILE).transpose(1, 0, 2).reshape(tiles, -1)
    return MAD_TO_SIGMA * _row_medians(squares) / 6.0


def _row_medians(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of the numbers in every row; NaN for a row with fewer than 16 of them."""
    ordered = np.sort(values, axis=1)  # NaN goes last
    count = np.isfinite(values).sum(axis=1)
    middle = np.maximum(count, 1)
    lower = np.take_along_axis(ordered, ((middle - 1) // 2)[:, None], axis=1)[:, 0]
    upper = np.take_along_axis(ordered, (middle // 2)[:, None], axis=1)[:, 0]
    return np.where(count >= 16, 0.5 * (lower + upper), np.nan)


def _smallest_step(plane: NDArray[np.floating]) -> float:
    """Return the smallest distance between two different values of a few rows; 0 where all are equal."""
    stride = max(1, plane.shape[0] // 16)
    values = np.unique(plane[::stride][:, :4096])
    values = values[np.isfinite(values)].astype(np.float64)
    return float(np.diff(values).min()) if values.size > 1 else 0.0


def find_hot_in_dark(
    dark: NDArray[np.floating], *, hot_sigma: float = 8.0, noise: NDArray[np.float32] | None = None
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


def find_isolated(
    light: NDArray[np.floating], *, hot_sigma: float = 8.0, noise: NDArray[np.float32] | None = None
) -> NDArray[np.bool_]:
    """Find single pixels of a light frame that are brighter or darker than all around, and sharper than a
    star.

    Parameters
    ----------
    light : (rows, columns)
        One plane before any resampling.
    hot_sigma : float
        Limit in standard deviations of the local noise, above 0; infinity finds none.
    noise : optional
        `local_noise` of the light, if it is at hand.

    Returns
    -------
    (rows, columns) bool

    Notes
    -----
    With h the height above the median of the ring 5x5 outside 3x3: h exceeds ``hot_sigma`` noise, the four
    edge neighbours hold on average less than 0.17 h (a star 1.6 px wide holds 0.34 h, at any brightness) by a
    margin for their own noise, and the step to the highest of the eight neighbours is larger than their own
    range, which guards bright regions where noise is higher than in the square around. Pairs of hot pixels
    are left: only a dark can tell those from a faint star.

    Examples
    --------
    >>> light = np.random.default_rng(3).normal(10.0, 1.0, (40, 40)).astype(np.float32)
    >>> light[20, 5], light[9, 9] = 60.0, -60.0
    >>> np.argwhere(find_isolated(light)).tolist()
    [[9, 9], [20, 5]]
    """
    return _search(_isolated_rows, light, hot_sigma, noise)


def _search(
    rows_kernel: Any, plane: NDArray[np.floating], hot_sigma: float, noise: NDArray[np.float32] | None
) -> NDArray[np.bool_]:
    if not hot_sigma > 0.0:
        raise ValueError(f"hot_sigma must be above 0, not {hot_sigma}")
    pixels = np.ascontiguousarray(plane, dtype=np.float32)
    found = np.zeros(pixels.shape, dtype=np.bool_)
    if not np.isfinite(hot_sigma) or min(pixels.shape) < 5:
        return found
    limits = (local_noise(pixels) if noise is None else noise) * np.float32(hot_sigma)

    def work(block: slice) -> None:
        rows_kernel(pixels, limits, np.float32(hot_sigma), found, block.start, block.stop)

    map_row_blocks(work, pixels.shape[0], height=TILE)
    return found


@kernel
def _hot_rows(
    pixels: Any, limits: Any, hot_sigma: Any, found: Any, start: int, stop: int
) -> None:  # pragma: no cover - compiled
    rows, columns = pixels.shape
    around = np.empty(24, dtype=np.float32)
    for y in range(start, stop):
        for x in range(columns):
            p = pixels[y, x]
            limit = limits[y // 64, x // 64]
            # a hot pixel stands above something within two pixels; that spares the median for all the others
            stands_out = False
            for step in range(-2, 3):
                if 0 <= y + step < rows and p - pixels[y + step, x] > limit:
                    stands_out = True
                if 0 <= x + step < columns and p - pixels[y, x + step] > limit:
                    stands_out = True
            if not stands_out:
                continue
            count = 0
            for j in range(max(0, y - 2), min(rows, y + 3)):
                for i in range(max(0, x - 2), min(columns, x + 3)):
                    v = pixels[j, i]
                    if (j != y or i != x) and v == v:
                        around[count] = v
                        count += 1
            if count < 5 or not p - np.median(around[:count]) > limit:
                continue
            # a bright row or column is a pattern that the dark takes out; beyond a group of 3x3 it goes on
            alone = True
            for across in range(2):
                count = 0
                for step in range(-4, 5):
                    j = y if across else y + step
                    i = x + step if across else x
                    if abs(step) >= 2 and 0 <= j < rows and 0 <= i < columns and pixels[j, i] == pixels[j, i]:
                        around[count] = pixels[j, i]
                        count += 1
                if count >= 3 and not p - np.median(around[:count]) > limit:
                    alone = False
            found[y, x] = alone


@kernel
def _isolated_rows(
    pixels: Any, limits: Any, hot_sigma: Any, found: Any, start: int, stop: int
) -> None:  # pragma: no cover - compiled
    rows, columns = pixels.shape
    ring = np.empty(16, dtype=np.float32)
    for y in range(start, stop):
        for x in range(columns):
            p = pixels[y, x]
            if p != p:
                continue
            # two of three pixels lie between their neighbours on the row, and are told at once
            if 0 < x < columns - 1:
                before, after = pixels[y, x - 1], pixels[y, x + 1]
                if before <= p <= after or after <= p <= before:
                    continue
            limit = limits[y // 64, x // 64]
            high = np.float32(-np.inf)
            low = np.float32(np.inf)
            edges = np.float32(0.0)
            edge_count = 0
            for j in range(max(0, y - 1), min(rows, y + 2)):
                for i in range(max(0, x - 1), min(columns, x + 2)):
                    v = pixels[j, i]
                    if (j == y and i == x) or v != v:
                        continue
                    high = max(high, v)
                    low = min(low, v)
                    if j == y or i == x:
                        edges += v
                        edge_count += 1
                # neither above nor below all so far: no candidate
                if low <= p <= high:
                    break
            if low <= p <= high or edge_count < 2:
                continue
            step = p - high if p > high else low - p
            if not step > high - low or not step > np.float32(0.5) * limit:
                continue
            count = 0
            for j in range(max(0, y - 2), min(rows, y + 3)):
                for i in range(max(0, x - 2), min(columns, x + 3)):
                    if (abs(j - y) == 2 or abs(i - x) == 2) and pixels[j, i] == pixels[j, i]:
                        ring[count] = pixels[j, i]
                        count += 1
            if count < 5:
                continue
            level = np.median(ring[:count])
            sign = np.float32(1.0) if p > high else np.float32(-1.0)
            height = sign * (p - level)
            shoulder = sign * (edges / edge_count - level)
            # 0.75 sigma: the mean of four neighbours is uncertain by half a sigma
            margin = np.float32(0.75) * limit / hot_sigma
            if height > limit and shoulder < np.float32(_SHARPEST) * height - margin:
                found[y, x] = True


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
    y, x = np.nonzero(bad)
    new = np.full(y.size, np.nan, dtype=np.float32)
    for first in range(0, y.size, 65536):
        part = slice(first, first + 65536)
        new[part] = _fill_values(plane, bad, y[part], x[part])
    filled[y, x] = new
    repaired[y, x] = np.isfinite(new)
    return filled, repaired


def _fill_values(
    plane: NDArray[np.floating], bad: NDArray[np.bool_], y: NDArray[np.intp], x: NDArray[np.intp]
) -> NDArray[np.float64]:
    near = _good_median(plane, bad, y, x, reach=1, least=3)
    missing = np.isnan(near)
    if missing.any():
        near[missing] = _good_median(plane, bad, y[missing], x[missing], reach=2, least=6)
    return near


def _good_median(
    plane: NDArray[np.floating],
    bad: NDArray[np.bool_],
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
    values = np.where(inside & ~bad[rows, columns], plane[rows, columns], np.nan).astype(np.float64)
    ordered = np.sort(np.where(np.isfinite(values), values, np.nan), axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    last = np.maximum(count, 1)
    lower = np.take_along_axis(ordered, ((last - 1) // 2)[:, None], axis=1)[:, 0]
    upper = np.take_along_axis(ordered, (last // 2)[:, None], axis=1)[:, 0]
    return np.where(count >= least, 0.5 * (lower + upper), np.nan)
