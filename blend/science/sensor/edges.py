"""Rows and columns at a frame's edge that do not go on what lies inside: what reading a sensor leaves there."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import AnyPlane
from blend.base.robust import row_medians

Sides = tuple[int, int, int, int]
"""Lines at the top and bottom (first and last rows), left and right."""

DEEPEST = 8
"""So many lines at most are taken off a side; what reaches further is no reading edge, and needs a look."""

_INSIDE = 24
"""The lines after those, which tell how the picture goes on towards its edge."""

_ERRORS, _LEAST_SIGMA = 8.0, 0.3
"""A line must depart by both: so many of its standard errors, which chance does in no frame, and so much of a pixel's
noise, or nobody sees it."""

_JUMP = 5.0
"""What the step from the last of them to the next line differs by from the steps inside, in usual such differences."""

_FEWEST = 30
"""Places along an edge that must hold numbers on all those lines."""


def reading_edges(plane: AnyPlane, *, noise: float, border: NDArray[np.bool_]) -> Sides:
    """Return how many rows at the top and bottom (first and last), columns at the left and right are no picture.

    Parameters
    ----------
    plane : (rows, columns)
        NaN is left out.
    noise : float
        Of one pixel.
    border : (rows, columns) bool
        What is known to be without data; lines that it covers are passed over.

    Returns
    -------
    top, bottom, left, right : int
        Counted from the frame's edge, lines of the known border with them; 0 where all lines belong to the picture.

    Notes
    -----
    The medians of 24 lines, the ninth to the 32nd from the edge, each less what these show on the whole at every place,
    are fitted by a parabola and followed outwards. What
    departs from it by 8 standard errors (of median and fit, or the scatter about it) and 0.3 of a pixel's noise
    is taken off, and all outside it, if the picture jumps there. A slope, vignetting and a halo go on and stay. Cost:
    32 lines of each side.

    Examples
    --------
    >>> sky = np.random.default_rng(4).normal(10.0, 1.0, (120, 160))
    >>> sky[:, 1] += 3.0
    >>> reading_edges(sky, noise=1.0, border=np.zeros(sky.shape, dtype=bool))
    (0, 0, 2, 0)
    """
    top, bottom, left, right = (
        _lines_off(plane, border, noise, across=across, last=last)
        for across, last in ((False, False), (False, True), (True, False), (True, True))
    )
    return top, bottom, left, right


def worst_edges(
    planes: Mapping[int, tuple[AnyPlane, NDArray[np.floating]]], border: NDArray[np.bool_]
) -> Sides:
    """Return the most lines that any of some planes, each with the noise of its squares, loses on each side."""
    found = [
        reading_edges(plane, noise=float(np.median(noise)), border=border) for plane, noise in planes.values()
    ]
    top, bottom, left, right = (max(side) for side in zip((0, 0, 0, 0), *found, strict=True))
    return top, bottom, left, right


def edge_words(sides: Sides) -> str:
    """Return what is told of the lines that are left out.

    Examples
    --------
    >>> edge_words((1, 0, 5, 0)).partition(" at ")[0]
    '1 first row, 5 first columns'
    """
    named = zip(sides, ("first rows", "last rows", "first columns", "last columns"), strict=True)
    words = [f"{count} {name if count > 1 else name[:-1]}" for count, name in named if count]
    return f"{', '.join(words)} at the frame's edge do not go on the picture beside them: left out, as a border is"


def edge_mask(shape: tuple[int, int], sides: Sides) -> NDArray[np.bool_]:
    """Return where the lines that `reading_edges` found lie.

    Examples
    --------
    >>> edge_mask((3, 4), (1, 0, 0, 1)).astype(int).tolist()
    [[1, 1, 1, 1], [0, 0, 0, 1], [0, 0, 0, 1]]
    """
    mask = np.ones(shape, dtype=np.bool_)
    top, bottom, left, right = sides
    mask[top : shape[0] - bottom, left : shape[1] - right] = False
    return mask


def _lines_off(plane: AnyPlane, border: NDArray[np.bool_], noise: float, *, across: bool, last: bool) -> int:
    """Return how many of the first (or last) rows (or columns) are no picture, known border outside them with them."""
    lost = border.T if across else border
    lost = lost[::-1] if last else lost
    first, count = 0, DEEPEST + _INSIDE
    while first < len(lost) and lost[first].all():
        first += 1
    if len(lost) - first < 3 * count or not noise > 0.0:
        return 0
    lines = slice(len(lost) - first - count, len(lost) - first) if last else slice(first, first + count)
    part = np.array(plane[:, lines].T if across else plane[lines], dtype=np.float64)
    part = part[::-1] if last else part
    part = part[:, np.isfinite(part).all(axis=0) & ~lost[first : first + count].any(axis=0)]
    pixels = part.shape[1]
    if pixels < _FEWEST:
        return 0
    # place by place, or a slope along the edge makes the medians uncertain
    medians = row_medians(part - row_medians(part[DEEPEST:].T))
    inside = np.arange(DEEPEST, count)
    # 1.25: of a median, in standard errors of a mean
    own = 1.25 * noise / np.sqrt(pixels)
    terms = np.vander(np.arange(count) / count, 3)
    fit, *_ = np.linalg.lstsq(terms[inside], medians[inside], rcond=None)
    apart = medians - terms @ fit
    scatter = float(np.sqrt(np.sum(apart[inside] ** 2) / (_INSIDE - 3)))
    error = max(own, scatter)
    leverage = np.einsum("ki,ij,kj->k", terms, np.linalg.inv(terms[inside].T @ terms[inside]), terms)
    limit = np.maximum(_ERRORS * error * np.sqrt(1.0 + leverage), _LEAST_SIGMA * noise)
    # gas and halos bend, a reading edge ends between one line and the next
    steps = np.diff(apart)
    jumps = np.abs(steps[:-3] - np.median([steps[1:-2], steps[2:-1], steps[3:]], axis=0))
    usual = float(np.sqrt(np.mean(jumps[DEEPEST:] ** 2)))
    least = max(_JUMP * usual, _ERRORS * own * np.sqrt(2.0))
    off = np.flatnonzero((np.abs(apart) > limit)[:DEEPEST] & (jumps > least)[:DEEPEST])
    return first + int(off[-1]) + 1 if off.size else 0
