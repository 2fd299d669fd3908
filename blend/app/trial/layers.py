"""Balanced layers to try blends on: at a size for looking or in full, of the whole picture or of a part of it."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import ceil, sqrt

import numpy as np
from numpy.typing import NDArray

from blend.app.run import crop_box, shrink_layers
from blend.base.errors import RecipeError
from blend.base.shrink import shrink
from blend.recipe.state import Line, Work, frozen
from blend.recipe.steps.register import crop_master

Box = tuple[int, int, int, int]
PREVIEW_PIXELS = 1_500_000
COARSEST = 64
FOUND = {"target": 1 / 3, "brightest-emission": 1 / 5, "corner": 1 / 5}
"""Crops that are found by themselves, and their share of the picture's edges."""


@dataclass(frozen=True, kw_only=True)
class View:
    """Which part of the picture to look at, and how small."""

    # "preview", "full" or int; ``preview`` averages over the smallest blocks that leave at most 1.5 megapixels,
    # ``full`` keeps every pixel, a number averages over blocks of that many pixels
    scale: str | int = "preview"
    # empty for all that a result shows, a name of `FOUND`, or a box (x, y, width, height) of the reference's grid
    crop: str | Box = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class Layers:
    """Balanced work cut to ``box`` of the reference's grid and averaged over blocks of ``factor`` pixels.

    Where every pixel of all that a result shows is kept, the work is that of a run and is cut by `shown`: what is
    filled and finished by neighbourhoods then comes out as in a run.
    """

    work: Work
    factor: int
    box: Box


def parse_view(scale: str, crop: str) -> View:
    """Return the view that words of the command line ask for.

    Raises
    ------
    RecipeError
        A word is none of those known.
    """
    size: str | int = scale
    if scale not in ("preview", "full"):
        if not re.fullmatch(r"[1-9]\d?", scale) or int(scale) > COARSEST:
            expected = f"preview, full, or the edge of the blocks to average over, 1 to {COARSEST}"
            raise RecipeError("--scale", found=f"{scale!r}", expected=expected)
        size = int(scale)
    if crop in ("", *FOUND):
        return View(scale=size, crop=crop)
    numbers = re.fullmatch(r"(\d{1,9}),(\d{1,9}),(\d{1,9}),(\d{1,9})", crop.replace(" ", ""))
    if numbers is None:
        expected = f"x,y,w,h in pixels, or one of: {', '.join(FOUND)}"
        raise RecipeError("--crop", found=f"{crop!r}", expected=expected)
    x, y, width, height = (int(number) for number in numbers.groups())
    return View(scale=size, crop=(x, y, width, height))


def view_of(work: Work, view: View, *, box: Box | None = None) -> Layers:
    """Return balanced work as a view shows it.

    Raises
    ------
    RecipeError
        The crop leaves the picture, or holds less than 16 blocks a side.
    """
    if view == View(scale="full"):
        # As in a run: the finish sees the whole grid, and the picture is cut when it is done.
        return Layers(work=work, factor=1, box=(0, 0, work.rgb.shape[1], work.rgb.shape[0]))
    box = box or _box_of(work, view.crop)
    factor = factor_of(view.scale, box)
    if factor == 1 and not view.crop:
        return Layers(work=work, factor=1, box=box)
    if min(box[2:]) < 16 * factor:
        found = f"{box[2]} x {box[3]} pixels, averaged over {factor} x {factor}"
        advice = "take a larger crop, or --scale full"
        raise RecipeError("--crop", found=found, expected="at least 16 x 16 pixels to look at", advice=advice)
    return Layers(work=shrink_layers(_cut(work, box), factor), factor=factor, box=box)


def shown(work: Work, view: View, factor: int) -> NDArray[np.float32]:
    """Return the part of a finished picture, of layers averaged over ``factor`` pixels, that a view shows."""
    assert work.display is not None
    if view.crop or factor > 1:
        return work.display
    x, y, width, height = crop_box(work)
    return work.display[:, y : y + height, x : x + width]


def factor_of(scale: str | int, box: Box) -> int:
    """Return the edge of the blocks that a scale means for a picture of this size."""
    if scale == "full":
        return 1
    if scale == "preview":
        return max(1, ceil(sqrt(box[2] * box[3] / PREVIEW_PIXELS)))
    return int(scale)


def _cut(work: Work, box: Box) -> Work:
    x, y, width, height = box
    if (x, y, height, width) == (0, 0, *work.rgb.shape):
        return work

    def part(plane: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.ascontiguousarray(plane[y : y + height, x : x + width])

    def line(whole: Line) -> Line:
        emission = None if whole.emission is None else part(whole.emission)
        unfaded = whole.unfaded
        if unfaded is not None:
            # Its pixels are means of 4 x 4; a box that starts between them is moved by less than one.
            unfaded = np.ascontiguousarray(unfaded[y // 4 :, x // 4 :][: height // 4, : width // 4])
        return replace(whole, scaled=part(whole.scaled), emission=emission, unfaded=unfaded)

    masters = {name: crop_master(master, box) for name, master in work.masters.items()}
    stars = work.stars
    return work.with_(
        masters=frozen(masters),
        lines=frozen({name: line(whole) for name, whole in work.lines.items()}),
        star_mask=None if work.star_mask is None else part(work.star_mask),
        stars=None if stars is None else replace(stars, xy=stars.xy - np.array([x, y])),
        objects=None,
    )


def _box_of(work: Work, crop: str | Box) -> Box:
    whole = crop_box(work)
    if not crop:
        return whole
    if isinstance(crop, str):
        return _found_box(work, crop, whole)
    rows, columns = work.rgb.shape
    x, y, width, height = crop
    if width == 0 or height == 0 or x + width > columns or y + height > rows:
        found = f"a box of {width} x {height} pixels that ends at ({x + width}, {y + height})"
        raise RecipeError("--crop", found=found, expected=f"a box inside {columns} x {rows} pixels")
    return crop


def _found_box(work: Work, crop: str, whole: Box) -> Box:
    """Return the box that a word means: where light, or the line's light, is brightest, or the emptiest corner."""
    x, y, width, height = whole
    share = FOUND[crop]
    wide, high = max(16, int(width * share)), max(16, int(height * share))
    sums = _box_sums(_light(work, crop, whole), (high // 8, wide // 8))
    pick: Callable[..., np.intp] = np.argmax
    if crop == "corner":
        corners = np.full_like(sums, np.inf)
        corners[:: max(1, sums.shape[0] - 1), :: max(1, sums.shape[1] - 1)] = 0
        sums, pick = sums + corners, np.argmin
    row, column = np.unravel_index(int(pick(sums)), sums.shape)
    left = min(x + 8 * int(column), x + width - wide)
    top = min(y + 8 * int(row), y + height - high)
    if crop == "corner":
        left = x if column == 0 else x + width - wide
        top = y if row == 0 else y + height - high
    return (left, top, wide, high)


def _light(work: Work, crop: str, whole: Box) -> NDArray[np.float64]:
    """Return the light to look for, means of 8 x 8 pixels, so limited that no star outshines an object."""
    x, y, width, height = whole
    layer = next((line.emission for line in work.lines.values() if line.emission is not None), None)
    if crop == "brightest-emission" and layer is None:
        raise RecipeError(
            "--crop", found="no line's emission to look for", expected="linear masters with a line"
        )
    planes = layer[None] if crop == "brightest-emission" and layer is not None else work.rgb.pixels
    blocks = shrink(np.ascontiguousarray(planes[:, y : y + height, x : x + width]), 8)
    light = np.nan_to_num(np.asarray(blocks, dtype=np.float64)).mean(axis=0)
    if work.star_mask is not None:
        light *= 1.0 - shrink(work.star_mask[None, y : y + height, x : x + width], 8)[0]
    return np.asarray(np.clip(light, 0.0, np.quantile(light, 0.99)))


def _box_sums(light: NDArray[np.float64], size: tuple[int, int]) -> NDArray[np.float64]:
    """Return the sum over every box of this size that lies inside, by the place of its first pixel."""
    high, wide = (max(1, min(edge, limit)) for edge, limit in zip(size, light.shape, strict=True))
    total = np.zeros((light.shape[0] + 1, light.shape[1] + 1))
    total[1:, 1:] = light.cumsum(axis=0).cumsum(axis=1)
    return np.asarray(
        total[high:, wide:] - total[:-high, wide:] - total[high:, :-wide] + total[:-high, :-wide]
    )
