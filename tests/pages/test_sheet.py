"""The contact sheet: tiles at their places, as bright as they are, with room for their names."""

from __future__ import annotations

import numpy as np
import pytest

from blend.files.png import thumbnail
from blend.pages.sheet import GAP, GROUND, LARGEST_TILE, OWN, SMALLEST_TILE, draw_sheet, tile_edge


@pytest.mark.parametrize("columns", [0, 1, 3, 8, 40])
def test_tiles_get_smaller_and_no_sheet_is_wider_than_it_must(columns: int) -> None:
    assert SMALLEST_TILE <= tile_edge(columns) <= LARGEST_TILE
    assert tile_edge(columns) >= tile_edge(columns + 1)


def test_thumbnails_keep_their_shape_and_their_light() -> None:
    display = np.full((3, 200, 300), 0.5, dtype=np.float32)
    small = thumbnail(display, 60)
    assert small.shape == (3, 40, 60) and np.allclose(small, 0.5, atol=1e-3)
    assert thumbnail(display, 300) is display


def test_every_tile_stands_at_its_place_unchanged() -> None:
    levels = [0.2, 0.4, 0.6, 0.8, 1.0]
    # colours that no letter has
    tiles = [np.full((3, 30, 40), level, dtype=np.float32) * [[[1.0]], [[0.0]], [[0.5]]] for level in levels]
    sheet = draw_sheet(tiles, ["a tile with a long name"] * 5, columns=2, title="t", own=3)
    codes = np.rint(sheet * 255).astype(int)
    found = []
    for level in levels:
        y, x = np.nonzero((codes[0] == round(255 * level)) & (codes[1] == 0))
        found.append((int(y.min()), int(x.min())))
        assert y.size >= 30 * 40
    (y0, x0), (y1, x1), (y2, x2) = found[:3]
    assert y0 == y1 and x1 == x0 + 40 + GAP and x2 == x0 and y2 > y0 + 30
    assert (codes[:, -1, -1] == GROUND).all()


def test_missing_pixels_are_black() -> None:
    tile = np.full((3, 20, 20), np.nan, dtype=np.float32)
    sheet = draw_sheet([tile], [""], columns=1, title="")
    assert (sheet == 0.0).all(axis=0).sum() >= 400


def test_number_and_values_stand_in_the_tile_and_the_own_one_has_a_frame() -> None:
    tile = np.full((3, 200, 300), 1.0, dtype=np.float32)
    inside = ["1\namount 0.5", "2   the recipe's own\namount 1"]
    sheet = np.rint(255 * draw_sheet([tile, tile], ["", ""], columns=2, title="t", inside=inside, own=1))
    plain = np.rint(255 * draw_sheet([tile, tile], ["", ""], columns=2, title="t"))
    written = (sheet != plain).any(axis=0)
    framed = (np.moveaxis(sheet, 0, -1) == OWN).all(axis=-1)
    assert framed.any() and not framed[:, : GAP + 300].any()
    # In the upper left quarter of each tile, ground under the words, and nowhere else.
    rows, columns = np.nonzero(written & ~framed)
    assert rows.max() < rows.min() + 100 and {0, 1} == set((columns - GAP) // (300 + GAP))
    assert ((columns - GAP) % (300 + GAP)).max() < 250
