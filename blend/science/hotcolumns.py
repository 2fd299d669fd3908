"""Columns of a sensor that are brighter than their neighbours: found on medians, filled from the sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA

QUARTERS, ROWS = 4, 64
"""Parts of a column that are judged alone, and how many rows of each: medians whose error is a sixth of a pixel's
noise. A star or a galaxy's core fills no half of a part."""

NEIGHBOURS = 25
"""Columns about each one whose median is its surroundings: wide against six hot ones side by side, narrow against a
gradient."""

PART_SIGMA, LEAST_SIGMA, ALL_SIGMA = 5.0, 2.0, 8.0
"""How far one part stands out by itself; else each part, and all four together."""

PARTS = 3
"""So many parts of four must stand out by themselves: spikes and bleeding cores are shorter."""

EVEN = 0.4
"""Least excess of a part by the greatest: a hot column's offset is one, a spike's light falls off."""

SHARP = 0.5
"""Most that the columns next to it may have of the excess, on either side and in three parts of four."""

EDGE = 16
"""Columns next to an edge are left alone: there dithered stacks end, and sensors glow."""

MOST_COLUMNS, WIDEST = 0.02, 8
"""Share of a frame's columns beyond which it is a pattern, and the width from which it is light or a seam."""


@dataclass(frozen=True, eq=False)
class HotColumns:
    """Numbers of the hot columns (n,), and the excess of each over its neighbours (n,), in the plane's unit."""

    columns: NDArray[np.int64]
    excess: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.columns)


def find_hot_columns(plane: NDArray[np.floating]) -> HotColumns:
    """Find columns that are brighter than their neighbours by one offset over most of their height.

    In each quarter of the rows the excess of a column's median over the median of its neighbours' is compared with the
    scatter of all such excesses, which holds a sensor's usual pattern.

    Parameters
    ----------
    plane : (rows, columns)
        As the sensor saw it, not registered; NaN where there is no data.

    Notes
    -----
    Reads 256 rows: 24 million pixels take 0.03 s.

    References
    ----------
    Common practice; thresholds are derived here.
    """
    none = HotColumns(np.empty(0, dtype=np.int64), np.empty(0))
    rows, columns = plane.shape
    if rows < 2 * QUARTERS or columns < 4 * NEIGHBOURS:
        return none
    medians = np.stack([_medians(plane, part) for part in np.array_split(np.arange(rows), QUARTERS)])
    known = np.asarray(np.isfinite(medians).all(axis=0))
    medians = np.where(known, medians, 0.0)
    excess = medians - _around(medians)
    known &= _around(known[None].astype(np.float64))[0] > 0
    known[:EDGE] = known[-EDGE:] = False
    if np.count_nonzero(known) < 2 * NEIGHBOURS:
        return none
    sigma = MAD_TO_SIGMA * np.median(np.abs(excess[:, known]), axis=1, keepdims=True)
    if not (sigma > 0).all():
        return none
    over = excess / sigma
    alone = np.count_nonzero(over > PART_SIGMA, axis=0) >= PARTS
    together = (over > LEAST_SIGMA).all(axis=0) & (over.sum(axis=0) > ALL_SIGMA * np.sqrt(QUARTERS))
    ordered = np.sort(excess, axis=0)
    even = ordered[1] > EVEN * ordered[-1]
    typical = np.median(excess, axis=0)
    hot = _sharp_runs(np.flatnonzero(known & even & (alone | together)), excess)
    return HotColumns(hot, typical[hot]) if hot.size <= MOST_COLUMNS * columns else none


def _medians(plane: NDArray[np.floating], part: NDArray[np.int64]) -> NDArray[np.float64]:
    rows = part[np.unique(np.linspace(0, len(part) - 1, min(ROWS, len(part))).astype(int))]
    values = np.asarray(plane[rows], dtype=np.float32)
    if np.isnan(values).any():
        holes = np.isnan(values).mean(axis=0)
        values = np.where(holes > 0.5, np.float32(0.0), values)
        return np.where(holes > 0.5, np.nan, np.nanmedian(values, axis=0)).astype(np.float64)
    # Sorting whole is four times faster here than looking for the middle.
    return np.asarray(np.sort(values, axis=0)[(len(values) - 1) // 2], dtype=np.float64)


def _around(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the running median along the columns; beyond an edge its last value goes on."""
    padded = np.pad(values, ((0, 0), (NEIGHBOURS // 2, NEIGHBOURS // 2)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, NEIGHBOURS, axis=1)
    return np.asarray(np.sort(windows, axis=-1)[..., NEIGHBOURS // 2])


def _sharp_runs(hot: NDArray[np.int64], excess: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the hot columns whose runs are narrow and end sharply: light falls off, and outshines its own edge.

    A ridge of nebula that wanders over the frame stands out in one part here and in another there, and is wide in each.
    """
    kept = [hot[:0]]
    for run in np.split(hot, np.flatnonzero(np.diff(hot) > 1) + 1):
        if not 0 < run.size <= WIDEST:
            continue
        typical = np.median(excess, axis=0)
        ends = typical[[run[0] - 1, run[-1] + 1]] < SHARP * typical[[run[0], run[-1]]]
        inside = excess[:, run].mean(axis=1)
        beside = np.maximum(
            excess[:, run[0] - 2 : run[0]].mean(axis=1), excess[:, run[-1] + 1 : run[-1] + 3].mean(axis=1)
        )
        if ends.all() and np.count_nonzero(beside < SHARP * inside) >= PARTS:
            kept.append(run)
    return np.concatenate(kept)


def fill_columns(plane: NDArray[np.float32], hot: HotColumns) -> None:
    """Fill hot columns of a plane of our own between the good ones to either side, in a straight line.

    Examples
    --------
    >>> plane = np.array([[1, 9, 3]], dtype=np.float32)
    >>> fill_columns(plane, HotColumns(np.array([1]), np.array([4.0])))
    >>> plane.tolist()
    [[1.0, 2.0, 3.0]]
    """
    good = np.setdiff1d(np.arange(plane.shape[1]), hot.columns)
    after = np.searchsorted(good, hot.columns)
    left, right = good[after - 1], good[after]
    share = ((hot.columns - left) / (right - left)).astype(np.float32)
    plane[:, hot.columns] = (1 - share) * plane[:, left] + share * plane[:, right]
