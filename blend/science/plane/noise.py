"""The noise of one plane: square by square, and of means over 4, 16 and 64 pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.blocksums import block_sums
from blend.base.jit import kernel
from blend.base.lazyplanes import AnyPlane
from blend.base.robust import MAD_TO_SIGMA, difference_noise, interpolated_noise, median
from blend.base.rowblocks import map_row_blocks
from blend.science.plane.shared_noise import shared_noises

TILE = _TILE = 64
"""Edge of the squares in which the noise is told apart, in pixels; glow and vignetting change over more."""

_STRIP = 10
"""Rows that stand for a square: 512 differences, whose median deviation is good to 5 % and with what they share to 8
%."""

_FEWEST, _LEAST_SIDE = 16, 6
"""Differences that tell a square's noise to 30 %; and the side of blocks of which some do."""

_CODE_OF_INFINITY = int(np.array(np.inf).view(np.int64))
"""Its bits as a whole number; those of smaller numbers from 0 on are smaller."""

_STEP_ROWS, _STEP_COLUMNS = 16, 4096
"""Rows and columns that tell a file's smallest step."""

_WHOLE = 1 << 20
"""Pixels up to which a plane's noise is that of all of it, not of the squares' strips."""

_MIDDLE_ROWS = 16
"""Half of the rows of the middle that are taken at least, of planes wider than 16,384 px."""


def local_noise(plane: AnyPlane, *, invalid: NDArray[np.bool_] | None = None) -> NDArray[np.float32]:
    """Return the noise of one pixel for every square of 64 pixels.

    sigma = 1.4826 median|I * N| / 6 with N = [[1, -2, 1], [-2, 4, -2], [1, -2, 1]]

    Parameters
    ----------
    plane : (rows, columns)
        NaN is left out.
    invalid : (rows, columns) bool, optional
        True where a pixel must not be used.

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

    def measure_rows(block: slice) -> NDArray[np.float64]:
        first = block.start + max(0, (block.stop - block.start - _STRIP) // 2)
        rows = slice(first, min(first + _STRIP, block.stop))
        strip = np.array(plane[rows], dtype=np.float64)
        if invalid is not None:
            strip[invalid[rows]] = np.nan
        return _strip_noise(strip)

    tiles = np.array(map_row_blocks(measure_rows, plane.shape[0], height=TILE), dtype=np.float64)
    good = np.isfinite(tiles)
    typical = median(tiles[good]) if good.any() else 0.0
    floor = max(0.5 * typical, _smallest_step(plane) / np.sqrt(12.0))
    tiles = np.where(good, tiles, typical)
    noise: NDArray[np.float32] = np.maximum(tiles, floor).astype(np.float32)
    return noise


def _strip_noise(strip: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the noise of every square that a strip crosses; NaN where fewer than 16 differences are numbers."""
    middles = np.full(-(-strip.shape[1] // TILE), np.nan)
    if min(strip.shape) >= 3:
        apart = np.empty((strip.shape[0] - 2) * TILE)
        _measure_squares(np.ascontiguousarray(strip), apart, apart.view(np.int64), middles)
    # 6: root of the sum of squares of N
    return MAD_TO_SIGMA * middles / 6.0


@kernel
def _measure_squares(strip: Any, apart: Any, codes: Any, middles: Any) -> None:
    """Fill (squares,) with the median of |I * N|; ``codes`` are the bits of ``apart``, and rise as it does."""
    rows, columns = strip.shape
    for number in range(middles.size):
        first = number * _TILE
        wide = min(_TILE, columns - 2 - first)
        known = 0
        for y in range(rows - 2):
            above, middle, below = strip[y, first:], strip[y + 1, first:], strip[y + 2, first:]
            out = apart[y * _TILE :]
            for x in range(wide):
                high = above[x] - 2.0 * above[x + 1] + above[x + 2]
                here = middle[x] - 2.0 * middle[x + 1] + middle[x + 2]
                low = below[x] - 2.0 * below[x + 1] + below[x + 2]
                value = abs(high - 2.0 * here + low)
                known += value < np.inf
                out[x] = value if value < np.inf else np.inf
            for x in range(max(wide, 0), _TILE):
                out[x] = np.inf
        if known < _FEWEST:
            continue
        # Codes are tried until as many lie up to one as make half, or the middle ones are equal.
        half, lower, upper, count = known // 2, -1, _CODE_OF_INFINITY, 0
        while upper - lower > 1 and count != half:
            tried = lower + (upper - lower) // 2  # their sum may not fit
            count = 0
            for k in range(codes.size):
                count += codes[k] <= tried
            if count > half:
                upper = tried
            else:
                lower = tried
        low, high = 0.0, np.inf
        for k in range(codes.size):
            if codes[k] <= lower:
                low = max(low, apart[k])
            else:
                high = min(high, apart[k])
        middles[number] = (low + high) / 2 if known % 2 == 0 and count == half else high


def _smallest_step(plane: AnyPlane) -> float:
    """Return the smallest distance between two different values of a few rows; 0 where all are equal."""
    stride = max(1, plane.shape[0] // _STEP_ROWS)
    values = np.unique(plane[::stride][:, :_STEP_COLUMNS])
    values = values[np.isfinite(values)].astype(np.float64)
    return float(np.diff(values).min()) if values.size > 1 else 0.0


SCALES = (1, 4, 16, 64)
"""Block sizes in pixels at which noise is measured."""


def measure_noise(
    plane: NDArray[np.floating], *, invalid: NDArray[np.bool_] | None = None
) -> tuple[dict[int, float], float]:
    """Measure the noise alone of a plane, as `measure` does: block size in pixels to sigma, and the noise of one pixel
    as large areas show it, NaN where pixels do not share theirs."""
    return noise_of_blocks(plane, invalid, *bin_by_four(plane, invalid))


def bin_by_four(
    plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32], int]:
    """Return means of 4x4 blocks, the share of each that is usable, and the number of usable pixels.

    Parameters
    ----------
    plane : (rows, columns)
    invalid : (rows, columns) bool, optional

    Returns
    -------
    means, shares : (rows // 4, columns // 4) float32
        A block less than half usable has mean NaN.
    good : int
    """
    rows, columns = plane.shape[0] // 4, plane.shape[1] // 4
    sums, counts = block_sums(plane, 4, invalid=invalid)
    good = int(counts.sum())
    sums, counts = sums[:rows, :columns], counts[:rows, :columns]
    means = np.where(counts >= 8, sums / np.maximum(counts, 1), np.nan).astype(np.float32)
    shares = (counts / 16.0).astype(np.float32)
    return means, shares, good


def coarser_blocks(
    means: NDArray[np.floating], shares: NDArray[np.floating], size: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rows, columns = means.shape[0] // size, means.shape[1] // size
    cut = (slice(rows * size), slice(columns * size))
    weight = np.where(np.isfinite(means[cut]), shares[cut], 0.0).reshape(rows, size, columns, size)
    value = np.nan_to_num(means[cut]).astype(np.float64).reshape(rows, size, columns, size)
    total = weight.sum(axis=(1, 3), dtype=np.float64)
    mean = (weight * value).sum(axis=(1, 3)) / np.maximum(total, 1e-9)
    share = total / (size * size)
    return np.where(share >= 0.5, mean, np.nan), share


def noise_of_blocks(
    plane: NDArray[np.floating],
    invalid: NDArray[np.bool_] | None,
    blocks: NDArray[np.float32],
    shares: NDArray[np.float32],
    good: int,
) -> tuple[dict[int, float], float]:
    if plane.size <= _WHOLE:
        single = difference_noise(plane if invalid is None else np.where(invalid, np.float32(np.nan), plane))
    else:
        single = median(local_noise(plane, invalid=invalid))
    rows = middle_rows(plane, invalid)
    shared, (pixel, broad) = interpolated_noise(rows), shared_noises(rows)
    shared = shared if np.isfinite(shared) else pixel
    single = shared if np.isfinite(shared) else single
    result = {1: single if good else float("nan")}
    means: NDArray[np.floating] = blocks
    weights: NDArray[np.floating] = shares
    for size in SCALES[1:]:
        if size > 4:
            means, weights = coarser_blocks(means, weights, 4)
        result[size] = difference_noise(means) if min(means.shape) >= _LEAST_SIDE else float("nan")
    return result, broad


def middle_rows(plane: AnyPlane, invalid: NDArray[np.bool_] | None = None) -> NDArray[np.floating]:
    """Return rows of the middle, at most half a million pixels: enough to tell the noise of a pixel to 1 %."""
    half = max(_MIDDLE_ROWS, (1 << 18) // plane.shape[1])
    rows = slice(max(plane.shape[0] // 2 - half, 0), plane.shape[0] // 2 + half)
    return plane[rows] if invalid is None else np.where(invalid[rows], np.float32(np.nan), plane[rows])
