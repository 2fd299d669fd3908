"""Holes inside a picture: told from its borders, and filled from what lies round them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.science.picture.fill_stars import fill_at

Mask = NDArray[np.bool_]

LONGEST_GAP_PX = 16
"""A dead line or a satellite's trail from edge to edge is a hole up to this width; a wider one parts the picture."""


def find_holes(missing: Mask) -> Mask | None:
    """Return which pixels without data are no border, or None where all of them are.

    A gap of up to 16 px along a row or a column is a hole. So is what has data to its left, right, above and below,
    unless it is part of a border: a frame's outline is convex, and stays so when it is shifted and turned.

    Parameters
    ----------
    missing : (rows, columns) bool
        True where there is no data.

    Notes
    -----
    One pass over the picture where there are borders alone, none where nothing is missing.

    Examples
    --------
    >>> missing = np.zeros((6, 40), dtype=bool)
    >>> missing[:, :20] = missing[3, 30] = True
    >>> np.argwhere(find_holes(missing)).tolist()
    [[3, 30]]
    >>> find_holes(np.zeros((6, 40), dtype=bool)) is None
    True
    """
    begun = np.empty(missing.shape[1], dtype=np.int32)
    if not missing.any() or _is_convex(np.ascontiguousarray(missing).view(np.uint8), begun):
        return None
    holes = np.zeros(missing.shape, dtype=np.bool_)
    rest = np.array(missing, dtype=np.bool_, order="C")
    found = _mark_gaps(missing, LONGEST_GAP_PX, holes, rest)
    enclosed = np.zeros(missing.shape, dtype=np.bool_)
    if count := _mark_enclosed(rest, enclosed):
        found += count - _leave_borders(rest, enclosed, np.empty(count, dtype=np.int64))
        holes |= enclosed
    return holes if found else None


def fill_holes(plane: NDArray[np.float32], holes: Mask) -> NDArray[np.float32]:
    """Return a plane with its holes filled from the light round them, as `blend.science.picture.fill_stars` fills
    behind stars.

    Parameters
    ----------
    plane : (rows, columns)
        NaN takes no part; what is NaN outside the holes stays so.
    holes : (rows, columns) bool

    Examples
    --------
    >>> plane = np.full((9, 9), 2.0, dtype=np.float32)
    >>> plane[4, 4] = np.nan
    >>> float(fill_holes(plane, np.isnan(plane))[4, 4])
    2.0
    """
    places = np.flatnonzero(holes)
    out = np.array(plane, dtype=np.float32)
    out.reshape(-1)[places] = fill_at(plane, holes.astype(np.float32), places)
    return out


@dataclass(frozen=True)
class HoleFacts:
    """How many holes there are, their pixels, and of the largest its centre and the size of its box, all in px."""

    count: int
    pixels: int
    x: float
    y: float
    width: int
    height: int


def describe_holes(holes: Mask) -> HoleFacts:
    """Return what there is to say of holes, of which there is one at least.

    Examples
    --------
    >>> holes = np.zeros((9, 9), dtype=bool)
    >>> holes[2:5, 4:8] = holes[8, 0] = True
    >>> describe_holes(holes)
    HoleFacts(count=2, pixels=13, x=5.5, y=3.0, width=4, height=3)
    """
    from scipy.ndimage import find_objects, label

    top, left = (int(np.flatnonzero(holes.any(axis=axis))[0]) for axis in (1, 0))
    bottom, right = (int(np.flatnonzero(holes.any(axis=axis))[-1]) + 1 for axis in (1, 0))
    labels, count = label(holes[top:bottom, left:right])
    sizes = np.bincount(labels.reshape(-1))[1:]
    rows, columns = find_objects(labels)[int(sizes.argmax())]
    return HoleFacts(
        count=int(count),
        pixels=int(sizes.sum()),
        x=left + 0.5 * (columns.start + columns.stop - 1),
        y=top + 0.5 * (rows.start + rows.stop - 1),
        width=columns.stop - columns.start,
        height=rows.stop - rows.start,
    )


@kernel
def _is_convex(missing: Any, begun: Any) -> Any:  # pragma: no cover - compiled
    """Return whether data are one run along every row and every column."""
    rows, columns = missing.shape
    for x in range(columns):
        begun[x] = 1 - missing[0, x]
    for y in range(rows):
        runs = 1 - np.int64(missing[y, 0])
        for x in range(1, columns):
            runs += missing[y, x - 1] > missing[y, x]
        if runs > 1:
            return False
        if y > 0:
            for x in range(columns):
                begun[x] += missing[y - 1, x] > missing[y, x]
    most = 0
    for x in range(columns):
        most = max(most, begun[x])
    return most <= 1


@kernel
def _mark_gaps(missing: Any, longest: int, holes: Any, rest: Any) -> Any:  # pragma: no cover - compiled
    """Mark the short gaps as holes and take them out of the rest; return how many pixels they are, some twice."""
    rows, columns = missing.shape
    above = np.full(columns, rows)
    count = 0
    for y in range(rows):
        left = columns
        for x in range(columns):
            if missing[y, x]:
                continue
            if left < x - 1 and x - left - 1 <= longest:
                for k in range(left + 1, x):
                    holes[y, k], rest[y, k] = True, False
                    count += 1
            if above[x] < y - 1 and y - above[x] - 1 <= longest:
                for k in range(above[x] + 1, y):
                    holes[k, x], rest[k, x] = True, False
                    count += 1
            left, above[x] = x, y
    return count


@kernel
def _mark_enclosed(missing: Any, enclosed: Any) -> Any:  # pragma: no cover - compiled
    """Mark what has data to all four sides; return how many pixels that are."""
    rows, columns = missing.shape
    first, last = np.full(columns, rows), np.full(columns, -1)
    for y in range(rows):
        for x in range(columns):
            if not missing[y, x]:
                first[x] = min(first[x], y)
                last[x] = y
    count = 0
    for y in range(rows):
        begin, end = 0, columns - 1
        while begin < columns and missing[y, begin]:
            begin += 1
        while end > begin and missing[y, end]:
            end -= 1
        for x in range(begin, end):
            if missing[y, x] and first[x] < y < last[x]:
                enclosed[y, x] = True
                count += 1
    return count


@kernel
def _leave_borders(missing: Any, enclosed: Any, stack: Any) -> Any:  # pragma: no cover - compiled
    """Unmark what hangs together with missing pixels that are not enclosed; return how many pixels that were."""
    rows, columns = missing.shape
    depth, left = 0, 0
    for y in range(rows):
        for x in range(columns):
            if not enclosed[y, x]:
                continue
            # What is enclosed never lies at the rim.
            for j, i in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)):
                if missing[j, i] and not enclosed[j, i]:
                    enclosed[y, x] = False
                    stack[depth] = y * columns + x
                    depth += 1
                    break
            while depth > 0:
                depth -= 1
                left += 1
                row, column = stack[depth] // columns, stack[depth] % columns
                for j, i in ((row - 1, column), (row + 1, column), (row, column - 1), (row, column + 1)):
                    if enclosed[j, i]:
                        enclosed[j, i] = False
                        stack[depth] = j * columns + i
                        depth += 1
    return left
