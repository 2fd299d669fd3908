"""The same picture at a size for looking, with and without its lines.

Both are rendered by the steps that make the result, from balanced layers averaged over whole blocks of pixels, so that
they differ by the blends alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median, median_and_sigma
from blend.base.shrink import shrink, shrink_plane
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Line, Work, frozen
from blend.recipe.tables import Recipe
from blend.science.picture import ciede2000, linear_to_lab, srgb_decode

LONG_EDGE = 1600
"""Pixels: as wide as a window, and a look is there at once."""


@dataclass(frozen=True, eq=False)
class Preview:
    """Display pictures (3, rows, columns) on the reference's grid, binned by ``factor``."""

    with_lines: NDArray[np.float32]
    without_lines: NDArray[np.float32]
    factor: int


def preview_layers(work: Work, *, long_edge: int = LONG_EDGE) -> tuple[Work, int]:
    """Return balanced work averaged over blocks so that its long edge is at most ``long_edge``, and the block size."""
    factor = max(1, -(-max(work.rgb.shape) // long_edge))
    return shrink_layers(work, factor), factor


def shrink_layers(work: Work, factor: int) -> Work:
    """Return balanced work averaged over blocks of ``factor`` pixels a side; noise stays that of one pixel."""
    masters = {
        name: master.with_(
            pixels=shrink(master.pixels, factor),
            flags=master.flags[::factor, ::factor][: master.shape[0] // factor, : master.shape[1] // factor],
        )
        for name, master in work.masters.items()
    }
    # A balanced line master is its line as scaled.
    lines = {name: _shrink_line(line, factor, masters[name].pixels[0]) for name, line in work.lines.items()}
    mask = None if work.star_mask is None else shrink(work.star_mask[None], factor)[0]
    return work.with_(masters=frozen(masters), lines=frozen(lines), star_mask=mask, objects=None, alone=False)


def picture_of(balanced: Work) -> NDArray[np.float32]:
    """Return the picture of balanced work, of which nothing is told."""
    picture = run_all(balanced.with_(figures=False), steps=PICTURE_STEPS).display
    assert picture is not None
    return picture


def without_lines(balanced: Work) -> NDArray[np.float32]:
    """Return the picture of balanced work without any blend: white and sky come from the target, and stay.

    Where a line that is blended has no data, this picture has none either: noise is told from its neighbours, and the
    edges of the two would differ by more than the blends.
    """
    recipe = balanced.recipe.model_copy(update={"blend": {}})
    linear = balanced.rgb.pixels.copy()
    for blend in balanced.recipe.blend.values():
        line = balanced.lines[blend.master]
        light = line.emission if blend.emission else line.scaled
        if light is not None and blend.amount != 0:
            linear[:, np.isnan(light)] = np.nan
    masters = {**balanced.masters, "rgb": balanced.rgb.with_(pixels=linear)}
    return picture_of(balanced.with_(recipe=recipe, masters=frozen(masters)))


def settled(recipe: Recipe, work: Work) -> Recipe:
    """Return the recipe with the amounts that a run of it chose, in place of every ``auto``."""
    return recipe.model_copy(update={"blend": {made.name: made.blend for made in work.blended}})


def star_colours(layers: Work, preview: Preview) -> NDArray[np.float64]:
    """Return linear light of stars (2, 3, n) with lines and without, means over 3 x 3 pixels of the preview.

    Stars that the picture clips to white have no colour to move and are left out.
    """
    assert layers.stars is not None
    xy = np.round(layers.stars.xy / preview.factor - 0.5 * (1 - 1 / preview.factor)).astype(int)
    rows, columns = preview.with_lines.shape[1:]
    inside = ((xy >= 1) & (xy < (columns - 1, rows - 1))).all(axis=1)
    pair = (preview.with_lines, preview.without_lines)
    colours = np.stack([_means_of_nine(picture, xy[inside]) for picture in pair])
    known = np.isfinite(colours).all(axis=(0, 1)) & (colours[1].min(axis=0) < 0.99)
    return np.stack([srgb_decode(colour[:, known]) for colour in colours])


def star_tint(colours: NDArray[np.float64]) -> dict[str, Any]:
    """Return by how much the blends moved `star_colours`: CIEDE2000, median with its error and 95th percentile."""
    moved = ciede2000(*(linear_to_lab(colour) for colour in colours))
    if moved.size == 0:
        return {"stars": 0, "median": None, "p95": None, "error": None}
    return {
        "stars": int(moved.size),
        "median": median(moved),
        "p95": float(np.percentile(moved, 95)),
        "error": float(np.sqrt(np.pi / 2 / moved.size)) * median_and_sigma(moved)[1],
    }


def _means_of_nine(picture: NDArray[np.float32], xy: NDArray[np.int_]) -> NDArray[np.float32]:
    steps = [(dx, dy) for dx in (-1, 0, 1) for dy in (-1, 0, 1)]
    total = sum(picture[:, xy[:, 1] + dy, xy[:, 0] + dx].astype(np.float64) for dx, dy in steps)
    return np.asarray(total / 9.0, dtype=np.float32)


def _shrink_line(line: Line, factor: int, scaled: NDArray[np.float32]) -> Line:
    def small(plane: NDArray[np.float32] | None) -> NDArray[np.float32] | None:
        return plane if plane is None or factor == 1 else shrink_plane(plane, factor)

    emission, unfaded = small(line.emission), small(line.unfaded)
    return replace(line, scaled=scaled, emission=emission, unfaded=unfaded, measured=None)
