"""The contact sheet: tiles side by side, their axes named, every tile as it is and none brightened for itself."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.float32]
GAP = 12
TEXT_PX = 22
SMALLEST_TEXT, LINE_SHARE = 12, 1 / 28
"""Pixels of the smallest letters that read, and a line's share of a tile's width: three lines with their values leave
nine tenths of a tile free (chosen by eye)."""
INK = (230, 230, 230)
GROUND = (28, 28, 28)
OWN = (240, 190, 70)
"""Frame of the recipe's own tile: seen on a dark ground by everyone, and no colour of a nebula (chosen)."""
SHEET_EDGE = 3600
"""Pixels; wider sheets are made of smaller tiles."""

SMALLEST_TILE, LARGEST_TILE = 160, 640
"""Pixels of a tile's long edge: on which a galaxy is seen, and beyond which the sheet is no overview (chosen by
eye)."""


def tile_edge(columns: int) -> int:
    """Return the long edge of a tile for so many of them side by side."""
    return max(SMALLEST_TILE, min(LARGEST_TILE, SHEET_EDGE // max(1, columns) - GAP))


def draw_sheet(
    tiles: Sequence[Picture],
    labels: Sequence[str],
    *,
    columns: int,
    title: str,
    inside: Sequence[str] = (),
    own: int | None = None,
) -> Picture:
    """Return the contact sheet of thumbnails, row by row.

    Parameters
    ----------
    tiles : sequence of (3, rows, columns)
        Display pictures of one size; a smaller one stands in the upper left of its place.
    labels : sequence of str
        Stands under each tile: its numbers.
    columns : int
        Tiles side by side.
    title : str
        Stands above all.
    inside : sequence of str
        Lines that stand in the tile's upper left: its number and its values.
    own : int, optional
        Place of the tile that is the recipe's own, which gets a frame and says so.

    Returns
    -------
    (3, rows, columns) float32
        Display values.
    """
    from PIL import Image, ImageDraw, ImageFont

    wide, high = (max(tile.shape[axis] for tile in tiles) for axis in (2, 1))
    text_px = int(np.clip(wide * LINE_SHARE, SMALLEST_TEXT, TEXT_PX))
    font = ImageFont.load_default(text_px)
    line = text_px + 8
    top = GAP + line
    rows = -(-len(tiles) // columns)
    width = max(GAP + columns * (wide + GAP), round(font.getlength(title)) + 2 * GAP)
    sheet = Image.new("RGB", (width, top + rows * (high + line + GAP)), GROUND)
    draw: Any = ImageDraw.Draw(sheet)

    def write(x: int, y: int, text: str, room: int | None = None) -> None:
        draw.text((x, y), _fitted(text, font, room), font=font, fill=INK)

    write(GAP, GAP, title)
    for index, (tile, label) in enumerate(zip(tiles, labels, strict=True)):
        row, column = divmod(index, columns)
        x, y = GAP + column * (wide + GAP), top + row * (high + line + GAP)
        codes = np.round(np.nan_to_num(np.clip(tile, 0, 1)) * 255).astype(np.uint8)
        sheet.paste(Image.fromarray(np.ascontiguousarray(np.moveaxis(codes, 0, -1))), (x, y))
        write(x, y + high + 2, label, wide)
        if inside:
            _write_inside(draw, (x, y), inside[index], font, (text_px, wide))
        if index == own:
            draw.rectangle((x - 5, y - 5, x + tile.shape[2] + 4, y + tile.shape[1] + 4), outline=OWN, width=4)
    return np.ascontiguousarray(np.moveaxis(np.asarray(sheet, dtype=np.float32) / 255, -1, 0))


def _write_inside(draw: Any, place: tuple[int, int], text: str, font: Any, size: tuple[int, int]) -> None:
    """Write lines into a tile's corner on a dark ground; ``size``: pixels of letters, and of the tile's width."""
    text_px, room = size
    lines = [_fitted(line, font, room - 16) for line in text.splitlines()]
    wide = max(round(font.getlength(line)) for line in lines)
    draw.rectangle((*place, place[0] + wide + 11, place[1] + len(lines) * (text_px + 3) + 5), fill=GROUND)
    for number, line in enumerate(lines):
        draw.text((place[0] + 6, place[1] + 2 + number * (text_px + 3)), line, font=font, fill=INK)


def _fitted(text: str, font: Any, room: int | None) -> str:
    """Return a text cut so that it fits into so many pixels."""
    while room is not None and len(text) > 4 and font.getlength(text) > room:
        text = text[:-4] + "..."
    return text
