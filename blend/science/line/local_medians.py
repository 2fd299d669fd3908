"""The surroundings of every pixel: a median over some star widths, which nothing compact moves."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import middles
from blend.base.rowblocks import map_row_blocks
from blend.science.plane import bin_plane

BIN_PX, CELL_PX = 4, 8
"""Medians are of means over 4 x 4 pixels and stand 8 px apart: a window of seven star widths holds 36 of them."""

WINDOW_FWHM = 7.0
"""Side of the window in star widths: regions of gas up to four of them wide fill less than a third of it."""

DISC_SIGMA, DISC_GLOW = 3.0, 0.1
"""A disc of starlight: so many sigma of a pixel above the sky, and the most line light by its light in the band."""

MEDIAN_NOISE = 0.05
"""Noise of `surroundings` by that of a pixel: 1.25 / sqrt(36 * 16) for 36 means over 16 pixels."""

TOGETHER = 128
"""Windows that are sorted side by side: the smallest then lie in the nearest cache."""

FEWEST, WIDEST = 8, 32
"""Bins that make a median; where a window holds fewer it grows, up to so many bins on each side."""


def surroundings(
    plane: NDArray[np.float32],
    *,
    fwhm_px: float,
    without: NDArray[np.bool_] | None = None,
    at: NDArray[np.float64] | None = None,
) -> NDArray[np.float32]:
    """Return the median of a plane around each cell of 8 x 8 pixels, to be spread by `spread_rows`.

    Parameters
    ----------
    plane : (rows, columns)
        NaN is left out, with the whole bin that it touches.
    fwhm_px : float
        Of the stars.
    without : bool (rows, columns), optional
        Pixels that are left out as well: the glow of a clipped star would fill a window.
    at : (n, 2), optional
        Points whose cells alone are wanted; other cells are 0 then.

    Returns
    -------
    (rows / 8, columns / 8) float32, rounded up
        0 where the plane holds no numbers at all.

    Notes
    -----
    24 Mpx take 0.06 s on two cores. The median of b means over n pixels of noise sigma scatters by
    1.25 sigma / sqrt(b n): 5 % of a pixel's noise.
    """
    bins = np.empty(tuple(-(-length // BIN_PX) for length in plane.shape), dtype=np.float32)

    def average(rows: slice) -> None:
        means = bin_plane(plane[rows], BIN_PX, holes=True)
        if without is not None:
            y, x = np.divmod(np.flatnonzero(without[rows]), without.shape[1])
            means[y // BIN_PX, x // BIN_PX] = np.nan
        bins[rows.start // BIN_PX : -(-rows.stop // BIN_PX)] = means

    map_row_blocks(average, plane.shape[0])
    half = min(max(round(0.5 * WINDOW_FWHM * fwhm_px / BIN_PX), 3), 8)
    wanted = np.full(tuple(-(-length // CELL_PX) for length in plane.shape), at is None)
    if at is not None:
        wanted[_cell_of(wanted.shape, at)] = True
    return _medians(bins, half, wanted)


def _cell_of(shape: tuple[int, ...], xy: NDArray[np.float64]) -> tuple[NDArray[np.intp], ...]:
    return tuple(np.clip((xy[:, 1 - k] + 0.5) // CELL_PX, 0, shape[k] - 1).astype(np.intp) for k in (0, 1))


def value_at(cells: NDArray[np.float32], xy: NDArray[np.float64]) -> NDArray[np.float32]:
    """Return the surroundings of points (n, 2), those of the cell that each lies in."""
    return np.asarray(cells[_cell_of(cells.shape, xy)])


def on_disc(
    xy: NDArray[np.float64], glow: NDArray[np.float32], disc: NDArray[np.float32], *, sigma: float
) -> NDArray[np.bool_]:
    """Return which points lie on a disc of starlight: there a source with some line light is gas sooner than a star.

    disc > 3 sigma and glow < disc / 10: a nebula's own light in the broad band is as bright as in the line.

    Parameters
    ----------
    xy : (n, 2)
    glow, disc
        `surroundings` of the emission and of the broad plane, in one unit.
    sigma : float
        Noise of a pixel of the broad plane.
    """
    base = value_at(disc, xy)
    return np.asarray((base > DISC_SIGMA * sigma) & (value_at(glow, xy) < DISC_GLOW * base))


def _medians(bins: NDArray[np.float32], half: int, wanted: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Return the medians of windows of ``half`` bins on each side of a cell's middle, wider where too few are known."""
    padded = np.pad(bins, WIDEST, constant_values=np.nan)
    np.copyto(padded, np.float32(np.inf), where=np.isnan(padded))  # so that what is not known comes last
    out = np.zeros(wanted.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        room = np.empty((4 * half**2 + 2, TOGETHER), dtype=np.float32)
        beside, found = WIDEST + 1 - half, out[rows]
        swaps = _swaps(4 * half**2)
        _whole_windows(padded, beside + 2 * rows.start, beside, 2 * half, swaps, room, found)
        found[~wanted[rows]] = 0.0
        y, x = np.nonzero(np.isnan(found))
        found[y, x], side = 0.0, half
        while len(y):
            windows = sliding_window_view(padded, (2 * side, 2 * side))
            first = WIDEST + 1 - side
            values = windows[first + 2 * (rows.start + y), first + 2 * x].reshape(len(y), 4 * side**2)
            values.sort(axis=1)
            counts = np.count_nonzero(values < np.inf, axis=1)
            done = (counts >= FEWEST) | ((side == WIDEST) & (counts > 0))
            found[y[done], x[done]] = middles(values[done], counts[done])
            if side == WIDEST:
                break
            y, x, side = y[~done], x[~done], min(2 * side, WIDEST)

    map_row_blocks(fill_rows, wanted.shape[0], height=CELL_PX)
    return out


@lru_cache(maxsize=8)
def _swaps(count: int) -> NDArray[np.int64]:
    """Return what sorts so many rows: rows to compare, rows for the less and the more; last middle ones and the most.

    What is written lies where nothing was read: a compiler that may leave out a store of what is there uses no vectors.

    References
    ----------
    Batcher (1968), AFIPS 32, 307, merging odd and even places (from memory).
    """
    at, free = list(range(count)), [count, count + 1]
    table = []
    runs = [2**k for k in range((count - 1).bit_length())]
    for run in runs:
        for step in reversed(runs[: runs.index(run) + 1]):
            for low in range(step % run, count - step):
                high, inside = low + step, (low - step % run) // step % 2 == 0
                if inside and low // (2 * run) == high // (2 * run):
                    table.append([at[low], at[high], *free])
                    free[0], at[low], free[1], at[high] = at[low], free[0], at[high], free[1]
    table.append([at[count // 2 - 1], at[count // 2], at[-1], 0])
    return np.array(table)


@kernel
def _whole_windows(bins, above, beside, side, swaps, room, out):  # type: ignore[no-untyped-def]
    """Fill in medians of windows 2 bins apart, many side by side; NaN where one holds infinity.

    The numbers of a window stand above each other in ``room``, so that vectors sort many windows at once.
    """
    together, two, half = room.shape[1], np.uintp(2), np.float32(0.5)
    for row in range(out.shape[0]):
        for left in range(0, out.shape[1], together):
            done = out[row, left : left + together]
            for k in range(side * side):
                own, place = bins[above + 2 * row + k // side, beside + 2 * left + k % side :], room[k]
                for x in range(np.uintp(done.size)):
                    place[x] = own[two * x]
            for k in range(len(swaps) - 1):
                first, second = room[swaps[k, 0]], room[swaps[k, 1]]
                less, more = room[swaps[k, 2]], room[swaps[k, 3]]
                for x in range(done.size):
                    a, b = first[x], second[x]
                    less[x] = a if a < b else b
                    more[x] = b if a < b else a
            low, high, last = room[swaps[-1, 0]], room[swaps[-1, 1]], room[swaps[-1, 2]]
            for x in range(done.size):
                done[x] = half * (low[x] + high[x]) if last[x] < np.inf else np.nan
