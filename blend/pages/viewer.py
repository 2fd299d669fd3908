"""The delivered picture with and without lines, at the sizes a page needs: the whole field, the target at 100 %."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.files.png import LONG_EDGE as WHOLE_EDGE
from blend.files.png import jpeg_bytes, thumbnail
from blend.pages.fill_template import data_url

Picture = NDArray[np.float32]
Turn = Callable[[Picture], Picture]
Box = tuple[int, int, int, int]
PART_EDGE = 1600
"""Long edge of the part at 100 %, px: as wide as most windows. That of the whole field is a preview's."""
MOST_BYTES = 800_000
"""Of one JPEG: four of them, as text a third larger, stay below 4.3 MB, which leaves figures 1.7 MB of 6."""
QUALITIES = (90, 84, 76, 66, 50)


@dataclass(frozen=True, eq=False)
class Frame:
    """What is shown of the grid, and how it is turned."""

    turn: Turn  # turns any array of the grid upright
    grid: tuple[int, int]
    # crop and target: what of the grid is delivered, and what of that shows the target with a margin
    crop: Box
    target: Box

    def inside(self, box: Box) -> Box:
        """Return where a box of the grid lies in the delivered picture."""
        left, top, _, _ = turned_box(self.grid, self.turn, self.crop)
        x, y, width, height = turned_box(self.grid, self.turn, box)
        return x - left, y - top, width, height


@dataclass(frozen=True, eq=False)
class Pictures:
    """Display pictures (3, rows, columns) that the page shows."""

    delivered: Picture  # (3, rows, columns); as it is written: upright and cut
    # (3, rows, columns) or None; the same without lines, where the run made it at full size
    bare: Picture | None
    # with_lines and without_lines: (3, rows, columns); upright, the whole grid averaged over ``factor`` pixels
    with_lines: Picture
    without_lines: Picture
    factor: int
    frame: Frame
    small: Picture | None = None  # the delivered one at a preview's size, where it is made already

    def averaged(self) -> tuple[Picture, Picture, Box]:
        """Return the averaged pair cut to whole blocks that the delivered picture touches, and their box in it."""
        f = self.factor
        grid, turn = self.frame.grid, self.frame.turn
        whole = (0, 0, grid[1] // f * f, grid[0] // f * f)
        cover, shown = (turned_box(grid, turn, box) for box in (whole, self.frame.crop))
        spans = []
        for axis in (0, 1):
            size = cover[2 + axis]
            first = max(0, (shown[axis] - cover[axis]) // f)
            last = min(size // f, -(-(shown[axis] + shown[2 + axis] - cover[axis]) // f))
            spans.append((first, last, cover[axis] + first * f - shown[axis]))
        (left, right, x), (top, bottom, y) = spans
        part = np.s_[:, top:bottom, left:right]
        box = (x, y, (right - left) * f, (bottom - top) * f)
        return self.with_lines[part], self.without_lines[part], box


def turned_box(shape: tuple[int, int], turn: Turn, box: Box) -> Box:
    """Return where a box (x, y, width, height) of a grid (rows, columns) lies once it is turned.

    Examples
    --------
    >>> turned_box((4, 6), lambda planes: planes[:, ::-1], (1, 0, 2, 1))
    (1, 3, 2, 1)
    """
    x, y, width, height = box
    # where the corners go tells the turn: numbers of those at the top, left and right
    first, second = turn(np.arange(4, dtype=np.float32).reshape(1, 2, 2))[0, 0]
    left = shape[1] - x - width if first % 2 else x
    top = shape[0] - y - height if first > 1 else y
    return (left, top, width, height) if abs(second - first) == 1 else (top, left, height, width)


@dataclass(frozen=True)
class Shown:
    """One picture of the page: a data URL, its place in the delivered picture, px of that per px of its own."""

    url: str
    left: float
    top: float
    width: float
    height: float
    ratio: float


@dataclass(frozen=True)
class Viewer:
    """What the top of the page shows, ``target`` in px of the delivered picture."""

    width: int
    height: int
    target: Box
    with_lines: tuple[Shown, ...]
    without_lines: tuple[Shown, ...]
    note: str


def viewer(pictures: Pictures) -> Viewer:
    """Return the pictures of the top of the page."""
    rows, columns = pictures.delivered.shape[1:]
    part = pictures.frame.inside(pictures.frame.target)
    with_lines = _sizes(pictures.delivered, part, small=pictures.small)
    if pictures.bare is not None:
        without = _sizes(pictures.bare, part)
        note = "Both are the run's own pictures; they differ by the blends alone"
    else:
        _, bare, box = pictures.averaged()
        without = (_whole(bare, box, (rows, columns)),)
        note = "Both from the same layers by the same steps; they differ by the blends alone"
    if pictures.bare is None and (f := pictures.factor) > 1:
        note = (
            f'Without lines: rendered from means of {f} x {f} pixels, so with less noise; "without" among '
            "output.formats makes the run render it pixel by pixel"
        )
    return Viewer(columns, rows, part, with_lines, without, note)


def _sizes(picture: Picture, part: Box, *, small: Picture | None = None) -> tuple[Shown, ...]:
    """Return the whole field and, where that is made smaller, the middle of a part at its own pixels."""
    rows, columns = picture.shape[1:]
    whole = _whole(picture if small is None else small, (0, 0, columns, rows), (rows, columns))
    if max(rows, columns) <= WHOLE_EDGE:
        return (whole,)
    x, y, width, height = part
    wide, high = min(width, PART_EDGE), min(height, PART_EDGE)
    left, top = x + (width - wide) // 2, y + (height - high) // 2
    pixels = picture[:, top : top + high, left : left + wide]
    return whole, Shown(fitted_url(pixels), float(left), float(top), float(wide), float(high), 1.0)


def _whole(picture: Picture, box: Box, shape: tuple[int, int]) -> Shown:
    small = thumbnail(picture, WHOLE_EDGE)
    left, top, width, height = map(float, box)
    return Shown(fitted_url(small), left, top, width, height, max(width, height) / max(small.shape[1:]))


def fitted_url(picture: Picture, *, most_bytes: int = MOST_BYTES) -> str:
    """Return a JPEG as a data URL, at the best of `QUALITIES` that keeps it to ``most_bytes``."""
    for quality in QUALITIES:
        data = jpeg_bytes(picture, long_edge=None, quality=quality)
        if len(data) <= most_bytes:
            break
    return data_url(data)
