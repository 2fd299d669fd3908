"""The pictures of two runs for one page: found by their records, and laid star on star where their stars allow it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import BlendError
from blend.base.formats import picture_to_look_at
from blend.files.claim import hash_of
from blend.files.png import jpeg_bytes, thumbnail
from blend.pages.fill_template import data_url

Picture = NDArray[np.float32]
LONG_EDGE = 1600
"""Of a picture on the page, px: as wide as most windows."""
MOST_PIXELS = 50_000_000
"""Of a picture that is opened: previews have 4 million at most, a stranger's file may promise any number (chosen)."""
SHOWN_PX = 0.5
"""Shift of the stars, px of the page, that a blink shows; below it the pictures are left as they are (chosen)."""


@dataclass(frozen=True)
class Both:
    """Data URLs of A and B, both or none; the files behind them; and sentences on what is not as one would think."""

    urls: tuple[str, ...]
    files: tuple[Path, ...]
    notes: tuple[str, ...]


def both_pictures(*runs: tuple[str, Path, Mapping[str, Any]]) -> Both:
    """Return the pictures of two runs for a wipe.

    Notes
    -----
    A picture whose hash is not its record's is another run's and is not shown. Where their stars are matched B lies on
    A's grid; else both fill the same width, which a note says.
    """
    found, files, notes = [], [], []
    for letter, folder, record in runs:
        path, picture, why = _picture(folder, record)
        if path is not None:
            files.append(path)
        if picture is None:
            notes.append(f"{letter} has no picture to show: {why}")
        else:
            found.append(picture)
    if len(found) < 2:
        return Both(
            (), tuple(files), (*notes, "without both pictures there is no wipe; the numbers are complete")
        )
    sizes = [f"{picture.shape[2]} x {picture.shape[1]}" for picture in found]
    if sizes[0] != sizes[1]:
        notes.append(f"the pictures are of unequal size, A {sizes[0]} and B {sizes[1]} pixels")
    found = [thumbnail(picture, LONG_EDGE).astype(np.float32, copy=False) for picture in found]
    placed, how = _on_one_grid(*found)
    notes.append(how)
    urls = tuple(_url(picture) for picture in (found[0], placed))
    return Both(urls, tuple(files), tuple(notes))


def _picture(folder: Path, record: Mapping[str, Any]) -> tuple[Path | None, Picture | None, str]:
    """Return the file of a run's picture and its display values, or why there is none."""
    hashes = {entry["path"]: entry["sha256"] for entry in record["outputs"]}
    name = picture_to_look_at(hashes, browser=True)
    if name is None:
        return None, None, "its recipe asks for none that a page can hold (output.formats png or jpeg)"
    path = folder / name
    digest = hash_of(path)
    if digest != hashes[name]:
        what = "it cannot be read" if not digest else "it is not the one that this run wrote"
        return None, None, f"{path}: {what}"
    from PIL import Image

    try:
        with Image.open(path) as image:
            if image.width * image.height > MOST_PIXELS:
                return path, None, f"{path}: {image.width} x {image.height} pixels are too many"
            pixels = np.asarray(image.convert("RGB"), dtype=np.float32) / np.float32(255.0)
    except (OSError, ValueError, SyntaxError) as fault:
        return path, None, f"{path}: it cannot be read ({fault})"
    return path, np.ascontiguousarray(np.moveaxis(pixels, 2, 0)), ""


def _on_one_grid(a: Picture, b: Picture) -> tuple[Picture, str]:
    """Return B on A's grid, and in a sentence how it came there."""
    from blend.science.grid import align, resample
    from blend.science.stars import find_stars

    try:
        stars = [find_stars(picture.mean(axis=0, dtype=np.float64), saturation=0.98) for picture in (a, b)]
        fit = align(
            stars[1], stars[0], moving_shape=b.shape[1:], reference_shape=a.shape[1:], transform="similarity"
        )
    except (BlendError, ValueError):
        return b, "no stars were matched: both pictures fill the same width, and nothing need lie on its own"
    corners = np.array([[0, 0], [b.shape[2], 0], [0, b.shape[1]], [b.shape[2], b.shape[1]]], dtype=np.float64)
    moved = float(np.hypot(*(fit.forward(corners) - corners).T).max())
    if a.shape == b.shape and moved < SHOWN_PX:
        return b, f"the pictures lie star on star as they are ({fit.matched} stars)"
    flags = np.zeros(b.shape[1:], dtype=np.uint8)
    placed, _ = resample(b, flags, fit.matrix, a.shape[1:])
    turned = f"B was moved by up to {moved:.0f} px of the page to lie star on star ({fit.matched} stars)"
    return placed, f"{turned}; what it does not cover is black"


def _url(picture: Picture) -> str:
    return data_url(jpeg_bytes(picture, long_edge=None, quality=90))
