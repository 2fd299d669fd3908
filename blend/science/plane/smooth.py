"""Gaussian smoothing of whole frames: fast, local about missing pixels, the same on any number of threads."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.lazyplanes import AnyPlane, float_rows
from blend.base.rowblocks import map_row_blocks

REACH = 3.5
"""Sigmas at which a Gaussian is cut: 0.05 % of it lie beyond."""

_HALVINGS = 40
"""Of the search for a width, to the last bits."""

_TILE, _WHOLE = 512, 32
"""Columns whose rows stay in the nearest cache, and pixels in whole turns of a loop over vectors."""

_LEAST_VARIANCE = 0.25
"""Of what is left to do after binning, px^2: bins that are wider than the blur asked for are blurred by half a
pixel."""


@lru_cache(maxsize=256)
def gaussian_taps(sigma: float, *, reach: float = REACH) -> NDArray[np.float32]:
    """Return a Gaussian integrated over pixels, cut at ``reach`` sigma, of sum 1; read-only.

    Integrated, not sampled: a narrow sampled Gaussian is not as wide as it says. The variance of the taps is
    sigma^2 exactly.
    """
    half = max(1, int(np.ceil(reach * sigma)))
    low, high = 0.0, 1.5 * sigma
    places = np.arange(-half, half + 1)
    for _ in range(_HALVINGS):  # the integration itself widens; find the width that ends at the one asked for
        width = 0.5 * (low + high)
        taps = _integrated_gaussian(width, half)
        if float((taps * places**2).sum()) < sigma**2:
            low = width
        else:
            high = width
    result = taps.astype(np.float32)
    result.flags.writeable = False
    return result


def _integrated_gaussian(width: float, half: int) -> NDArray[np.float64]:
    from math import erf

    edges = np.array([erf((i - 0.5) / (width * np.sqrt(2.0))) for i in range(-half, half + 2)])
    taps = np.diff(edges)
    return np.asarray(taps / taps.sum(), dtype=np.float64)


def blur_plane(plane: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Blur by a Gaussian, weights renormalised over valid pixels; NaN pixels stay NaN and no other becomes
    one.

    Parameters
    ----------
    plane : (rows, columns)
    sigma : float
        In pixels.

    Notes
    -----
    24 Mpx at sigma 1.5 take 0.2 s on two cores. Deterministic, whatever the number of threads.
    """
    source = np.ascontiguousarray(plane, dtype=np.float32)
    out = np.empty_like(source)

    def fill_rows(rows: slice) -> None:
        out[rows] = blur_rows(source, sigma, rows)

    map_row_blocks(fill_rows, source.shape[0])
    return out


def blur_rows(source: NDArray[np.float32], sigma: float, rows: slice) -> NDArray[np.float32]:
    """Return one of the row blocks of `blur_plane`."""
    taps = gaussian_taps(sigma)
    half = len(taps) // 2
    low, high = max(0, rows.start - half), min(source.shape[0], rows.stop + half)
    block = source[low:high]
    part = slice(rows.start - low, rows.stop - low)
    holes = np.isnan(block)
    blurred = blur_block(block, taps, part)
    if holes.any() or low == 0 or high == source.shape[0]:
        weight = blur_block((~holes).astype(np.float32), taps, part)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(holes[part], np.float32(np.nan), blurred / weight)
    blurred /= side_weights(taps, source.shape[1])
    return blurred


def blur_block(
    block: NDArray[np.float32], taps: NDArray[np.float32], part: slice | None = None
) -> NDArray[np.float32]:
    """Correlate rows and columns with ``taps``, and return the rows of ``part`` or all; NaN and what lies outside count
    as 0, nothing is renormalised."""
    top, end = (0, len(block)) if part is None else (part.start, part.stop)
    out = np.empty((end - top, block.shape[1]), dtype=np.float32)
    full = np.zeros(5 + 4 * max(0, (len(taps) - 2) // 4), dtype=np.float32)
    full[: len(taps)] = taps
    places = np.empty(len(full), dtype=np.int64)
    half = len(taps) // 2
    room = np.empty((2 * half + 3) * -(-(_TILE + 2 * half) // _WHOLE) * _WHOLE, dtype=np.float32)
    _correlate(float_rows(block, slice(None)), top, half, full, places, room, out)
    return out


def side_weights(taps: NDArray[np.float32], columns: int) -> NDArray[np.float32]:
    """Return the sum of the taps that fall inside a row of ``columns`` pixels, for each pixel."""
    row = blur_block(np.ones((1, columns), dtype=np.float32), taps)[0]
    return np.asarray(row / taps[len(taps) // 2], dtype=np.float32)


@kernel
def _correlate(source, top, half, taps, places, room, out):  # type: ignore[no-untyped-def]
    # Tiles of columns whose rows, freed of NaN once, stay in the nearest cache while they are asked for, between zeros
    # up to whole vectors; five taps and then four at a time spare most visits to the sums, whose order is that of the
    # taps; every loop runs from 0 over slices, because an index that might be negative costs the compiler its vectors.
    rows, columns = source.shape
    turns = 2 * half + 1
    width = room.size // (turns + 2)
    zero = np.float32(0.0)
    across, nothing = turns * width, (turns + 1) * width
    for left in range(0, columns, _TILE):
        right = min(left + _TILE, columns)
        first, last = max(left - half, 0), min(right + half, columns)
        begin = first - left + half
        padded = min(-(-(begin + last - first) // _WHOLE) * _WHOLE, width)
        for x in range(room.size):
            room[x] = zero
        ready = max(top - half, 0)
        for row in range(top, top + out.shape[0]):
            while ready <= min(row + half, rows - 1):
                own, clean = source[ready, first:last], room[ready % turns * width + begin :]
                for x in range(own.size):
                    a = own[x]
                    clean[x] = a if a == a else zero  # NaN alone is not itself
                ready += 1
            for along in range(2):
                for k in range(turns):
                    y = row + k - half
                    places[k] = across + k if along else (y % turns * width if 0 <= y < rows else nothing)
                for k in range(turns, len(taps)):
                    places[k] = nothing
                sums = out[row - top, left:right] if along else room[across : across + padded]
                t0, t1, t2, t3, t4 = taps[0], taps[1], taps[2], taps[3], taps[4]
                s0, s1, s2 = room[places[0] :], room[places[1] :], room[places[2] :]
                s3, s4 = room[places[3] :], room[places[4] :]
                for x in range(sums.size):
                    total = t0 * s0[x] + t1 * s1[x]
                    total += t2 * s2[x]
                    total += t3 * s3[x]
                    sums[x] = total + t4 * s4[x]
                for k in range(5, len(taps), 4):
                    t0, t1, t2, t3 = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
                    s0, s1 = room[places[k] :], room[places[k + 1] :]
                    s2, s3 = room[places[k + 2] :], room[places[k + 3] :]
                    for x in range(sums.size):
                        total = sums[x] + t0 * s0[x]
                        total += t1 * s1[x]
                        total += t2 * s2[x]
                        sums[x] = total + t3 * s3[x]


def bin_plane(plane: AnyPlane, size: int, *, holes: bool = False) -> NDArray[np.float32]:
    """Return means of ``size`` x ``size`` pixels; blocks cut by the frame's end are means of what is there.

    Parameters
    ----------
    plane : (rows, columns)
    size : int
        Divides 64, so that row blocks hold whole bins.
    holes : bool
        Whether one NaN makes its bin NaN; otherwise NaN counts as 0.

    Examples
    --------
    >>> bin_plane(np.arange(6, dtype=np.float32).reshape(2, 3), 2)
    array([[2. , 3.5]], dtype=float32)
    """
    rows, columns = plane.shape
    out = np.empty((-(-rows // size), -(-columns // size)), dtype=np.float32)

    def fill_part(part: slice) -> None:
        bins = slice(part.start // size, -(-part.stop // size))
        line = np.zeros(
            3 * size * out.shape[1], dtype=np.float32
        )  # the last bin may be cut: nothing is added there
        _bin(float_rows(plane, part), size, holes, line, out[bins])

    map_row_blocks(fill_part, rows)
    return out


def binned_taps(sigma: float, size: int) -> NDArray[np.float32]:
    """Return taps for a binned plane such that binning, blurring and `spread_rows` together blur by
    ``sigma``.

    Taken off the variance: (size^2 - 1) / 12 for the bins, size^2 / 6 for the linear interpolation back.
    """
    return gaussian_taps(binned_sigma(sigma, size))


def binned_sigma(sigma: float, size: int) -> float:
    """Return the width, in bins, for `binned_taps`."""
    variance = sigma**2 - (size**2 - 1) / 12.0 - size**2 / 6.0
    return float(np.sqrt(max(variance, _LEAST_VARIANCE))) / size


def spread_rows(
    binned: NDArray[np.float32], size: int, rows: slice, columns: int | slice
) -> NDArray[np.float32]:
    """Return rows of the full frame, so many columns or some of them, interpolated linearly between centres of bins.

    Examples
    --------
    >>> spread_rows(np.array([[0.0, 2.0]], dtype=np.float32), 2, slice(0, 1), 4)
    array([[0. , 0.5, 1.5, 2. ]], dtype=float32)
    """
    first, last = (0, columns) if isinstance(columns, int) else (columns.start, columns.stop)
    out = np.empty((rows.stop - rows.start, last - first), dtype=np.float32)
    at = np.clip((np.arange(first, last) + 0.5) / size - 0.5, 0.0, binned.shape[1] - 1.0)
    left = np.minimum(at.astype(np.uintp), max(binned.shape[1] - 2, 0))  # without a sign: not looked at twice
    room = np.zeros((3, max(binned.shape[1], last - first)), dtype=np.float32)
    _spread(binned, size, rows.start, left, (at - left).astype(np.float32), room, out)
    return out


@kernel
def _bin(source, size, holes, line, out):  # type: ignore[no-untyped-def]
    rows, columns = source.shape
    zero, two = np.float32(0.0), np.uintp(2)
    full = size * out.shape[1]
    for row in range(out.shape[0]):
        last = min((row + 1) * size, rows)
        sums, pairs = line[:full], line[full:]
        for x in range(full):
            sums[x] = zero
        for y in range(row * size, last):
            own = source[y]
            for x in range(columns):
                value = own[x]
                sums[x] += value if holes or value == value else zero  # x == x is false for NaN alone
        left = full
        while left > out.shape[1]:  # size divides 64
            left //= 2
            for x in range(np.uintp(left)):
                pairs[x] = sums[two * x] + sums[two * x + np.uintp(1)]
            sums, pairs = pairs, pairs[left:]
        done, count = out[row], np.float32((last - row * size) * size)
        for x in range(out.shape[1]):
            done[x] = sums[x] / count
        done[out.shape[1] - 1] *= np.float32(size / (size - full + columns))


@kernel
def _spread(binned, size, first, left, share, room, out):  # type: ignore[no-untyped-def]
    # A row of bins is stretched once for all rows that it serves: between two such rows no index is looked up.
    rows, columns = binned.shape
    step, kept = room[2], -1
    for y in range(out.shape[0]):
        at = min(max((first + y + 0.5) / size - 0.5, 0.0), rows - 1.0)
        low = min(int(at), max(rows - 2, 0))
        if low != kept:
            kept = low
            for k in range(2):
                line, wide = binned[min(low + k, rows - 1)], room[k]
                for x in range(columns - 1):
                    step[x] = line[x + 1] - line[x]
                for x in range(out.shape[1]):
                    wide[x] = line[left[x]] + share[x] * step[left[x]]
        part, above, below, done = np.float32(at - low), room[0], room[1], out[y]
        for x in range(out.shape[1]):
            done[x] = above[x] + part * (below[x] - above[x])
