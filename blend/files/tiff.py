"""TIFF pictures, read at full depth and written as 16-bit sRGB.

References
----------
TIFF 6.0 (1992), sections 8 (baseline fields), 14 (predictor), 15 (tiles), 19 (sample format).
"""

from __future__ import annotations

import logging
import math
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.base.lazyplanes import LazyPlanes
from blend.base.master import Facts
from blend.base.rowblocks import ROWS_PER_BLOCK, map_row_blocks, row_blocks
from blend.files.source import (
    EXPECTED,
    MOST_BYTES,
    WORK_BYTES,
    Peek,
    names_of,
    reading,
    refuse_size,
    refuse_truncated,
    room_for,
)
from blend.files.srgb import code_values, display_p3, p3_profile, srgb_profile
from blend.files.stored import Stored
from blend.files.whole import writing

CLASSIC_LIMIT = 2**32 - 2**25
"""Most bytes of pixels in a classic TIFF, whose offsets have 32 bits; the rest is room for tags."""

TILES_AT_ONCE = 2
"""Tiles that are unpacked side by side, each into room of its own."""

_BOUNDED = {1, 5, 8, 32773, 32946, 34925, 50000}
"""None, LZW, deflate (two numbers), PackBits, LZMA and Zstandard: each is unpacked into room of a strip's or tile's own
size. The others are pictures with a size of their own, which may be any."""

_BLACK_IS_ZERO, _RGB, _MOSAIC = 1, 2, 32803
"""Photometric interpretations (TIFF 6.0; DNG 1.4 for the mosaic)."""
_DNG_VERSION = 50706
"""The tag that makes a TIFF a DNG."""
_BOTTOM_LEFT = 4
"""Orientation of rows that run upwards (TIFF 6.0)."""


def peek_tiff(path: Path) -> Peek:
    """Return what the tags of a TIFF file say of its first page.

    Raises
    ------
    InputError
        The page is no picture of one or three planes, or the file holds less than its tags promise.
    """
    with _first_page(path) as page:
        _check(path, page, most_bytes=None)
        return Peek(
            path=path,
            kind="TIFF",
            shape=(int(page.imagelength), int(page.imagewidth)),
            planes=names_of(_plane_count(path, page)),
            depth=str(page.dtype.name),
            facts=_facts(page),
        )


def open_tiff(path: Path, *, most_bytes: int = MOST_BYTES) -> tuple[NDArray[np.float32] | LazyPlanes, Facts]:
    """Open the first page of a TIFF file.

    Parameters
    ----------
    path : Path
    most_bytes : int
        Tags that promise more are refused before anything is allocated.

    Returns
    -------
    pixels : (planes, rows, columns) float32
        Raw numbers; infinities are NaN. Uncompressed integers are read when they are asked for. Samples beyond grey or
        red, green, blue are left out.
    facts : Facts

    Raises
    ------
    InputError
        The file cannot be read, or its first page is no picture of one or three planes.
    """
    with _first_page(path) as page:
        _check(path, page, most_bytes=most_bytes)
        count = _plane_count(path, page)
        if (stored := _stored(path, page, count)) is not None:
            return stored.planes(), _facts(page)
        with room_for(path, _needed(page, count)):
            return _unpacked(page, count), _facts(page)


def _stored(path: Path, page: Any, count: int) -> Stored | None:
    """Return where a page's whole numbers lie; None where they are packed, floating, or not in one piece."""
    if page.dtype.kind not in "ui" or not page.is_memmappable:
        return None
    return Stored(
        path=path,
        offset=int(page.dataoffsets[0]),
        kind=page.dtype.newbyteorder(page.parent.byteorder),
        shape=(count, int(page.imagelength), int(page.imagewidth)),
        samples=int(page.samplesperpixel) if page.axes == "YXS" else 1,
    )


def _needed(page: Any, count: int) -> int:
    """Return the bytes of memory that a page takes; samples and tiles as stored are there while it is unpacked."""
    stored = math.prod(int(length) for length in page.shape) * int(page.dtype.itemsize)
    tile = math.prod(int(length) for length in page.chunks) * int(page.dtype.itemsize) if page.is_tiled else 0
    pixels = count * int(page.imagelength) * int(page.imagewidth)
    return max(WORK_BYTES * pixels, 5 * pixels + stored + TILES_AT_ONCE * tile)


def _unpacked(page: Any, count: int) -> NDArray[np.float32]:
    stored = np.asarray(page.asarray(maxworkers=TILES_AT_ONCE))
    samples_first = page.axes == "SYX"
    if stored.ndim == 2:
        stored = stored[np.newaxis]
    elif not samples_first:
        stored = np.moveaxis(stored, 2, 0)
    pixels = np.empty((count, *stored.shape[1:]), dtype=np.float32)
    is_float = stored.dtype.kind == "f"

    def convert(rows: slice) -> None:
        with np.errstate(over="ignore", invalid="ignore"):
            pixels[:, rows] = stored[:count, rows]
        if is_float:
            part = pixels[:, rows]
            part[np.isinf(part)] = np.nan

    map_row_blocks(convert, pixels.shape[1])
    return pixels


def tiff_header_text(path: Path) -> dict[str, str]:
    """Return the short tags of the first page by name, as text."""
    with _first_page(path) as page:
        texts = {tag.name: tag.value for tag in page.tags if tag.count <= 65536}
        return {name: str(value) for name, value in texts.items() if not isinstance(value, (bytes, dict))}


def write_tiff(
    path: Path,
    display: NDArray[np.floating],
    *,
    resolution_dpi: float | None = None,
    wide: bool = False,
) -> None:
    """Write display pixels as 16-bit RGB with an sRGB profile, the same bytes for the same input.

    code = floor(65535 x + 1/2), x clipped to 0..1; NaN is written as 0.

    Parameters
    ----------
    path : Path
        Written as it stands; `WholeFolder` makes it appear whole.
    display : (3, rows, columns)
        sRGB code values, 0 to 1, top row first.
    resolution_dpi : float, optional
        Dots an inch.
    wide : bool
        As Display P3, with its profile: the same colours, in numbers that leave room for stronger ones.

    Raises
    ------
    OutputError
        The file could not be written.

    Notes
    -----
    Uncompressed, since noise hardly compresses, strip by strip: no more than one is in memory. A picture that would not
    fit the 32-bit offsets of classic TIFF is written as BigTIFF.
    """
    if display.ndim != 3 or display.shape[0] != 3:
        raise ValueError(f"a display picture has the shape (3, rows, columns), not {display.shape}")
    import tifffile

    def strips() -> Iterator[bytes]:
        for rows in row_blocks(display.shape[1]):
            part = display_p3(display[:, rows]) if wide else display[:, rows]
            yield code_values(part, bits=16).astype("<u2", copy=False).tobytes()

    resolution: dict[str, Any] = {}
    if resolution_dpi is not None:
        resolution = {"resolution": (resolution_dpi, resolution_dpi), "resolutionunit": "INCH"}
    with writing(path):
        tifffile.imwrite(
            path,
            strips(),
            shape=(*display.shape[1:], 3),
            dtype="uint16",
            photometric="rgb",
            planarconfig="contig",
            bigtiff=2 * display.size > CLASSIC_LIMIT,
            byteorder="<",
            rowsperstrip=ROWS_PER_BLOCK,
            iccprofile=p3_profile() if wide else srgb_profile(),
            software="blend",
            metadata=None,
            datetime=None,
            **resolution,
        )


@contextmanager
def _first_page(path: Path) -> Iterator[Any]:
    import tifffile

    # Without a handler the library's complaints about a damaged file would go straight to the terminal.
    logger = logging.getLogger("tifffile")
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())
    with reading(path, kind="TIFF"), tifffile.TiffFile(path) as file:
        yield file.pages[0]


def _plane_count(path: Path, page: Any) -> int:
    """Return how many of the first samples are planes, 1 or 3; refuse any other kind of picture."""
    if _DNG_VERSION in page.tags or int(page.photometric) == _MOSAIC:
        found = "it is a camera raw with a colour mosaic"
        raise InputError(str(path), found=found, expected=EXPECTED, advice="stack the raw frames first")
    samples = int(page.samplesperpixel)
    kind = page.dtype.kind if page.dtype is not None else "?"
    photometric = int(page.photometric)
    sound = kind in "uif" and int(page.bitspersample) >= 8 and page.axes in ("YX", "YXS", "SYX")
    if sound and photometric == _RGB and samples >= 3:
        return 3
    if sound and photometric == _BLACK_IS_ZERO and samples <= 2:
        return 1
    if sound and photometric == _BLACK_IS_ZERO and samples == 3 and not any(page.extrasamples):
        return 3
    name = getattr(page.photometric, "name", str(photometric)).lower()
    found = f"its first page is a {name} picture, {samples} samples of {page.bitspersample} bits a pixel"
    advice = "save it as RGB or grey (0 is black) without a palette"
    raise InputError(str(path), found=found, expected=f"{EXPECTED}, of 8 to 64 bits", advice=advice)


def _check(path: Path, page: Any, *, most_bytes: int | None) -> None:
    """Check what the tags promise against the file before anything is allocated."""
    _plane_count(path, page)
    count = math.prod(int(length) for length in page.shape)
    if count == 0:
        raise InputError(str(path), found="its first page has no pixels", expected=EXPECTED)
    if int(page.compression) not in _BOUNDED:
        name = getattr(page.compression, "name", str(int(page.compression)))
        raise InputError(
            str(path),
            found=f"its first page is compressed as {name}",
            expected="a TIFF without compression, or with LZW, deflate, PackBits, LZMA or Zstandard",
            advice="save it so; a master is best left uncompressed",
        )
    item = int(page.dtype.itemsize)
    if most_bytes is not None:
        refuse_size(path, promised=count * max(4, item), limit=most_bytes)
    held = path.stat().st_size
    segments = list(zip(page.dataoffsets, page.databytecounts, strict=False))
    ends = [int(offset) + int(length) for offset, length in segments]
    refuse_truncated(path, promised=max(ends, default=0), held=held)
    promised = math.prod(int(length) for length in page.chunked)
    present = sum(1 for offset, length in segments if offset > 0 and length > 0)
    if present < promised:
        found = f"only {present} of its {promised} strips or tiles are there"
        raise InputError(str(path), found=found, expected="all of them", advice="copy or stack it again")
    if int(page.compression) == 1:
        stored = sum(int(length) for _, length in segments)
        refuse_truncated(path, promised=count * int(page.bitspersample) // 8, held=stored)


def _facts(page: Any) -> Facts:
    exif = page.tags[34665].value if 34665 in page.tags else {}
    exif = exif if isinstance(exif, dict) else {}
    exposure = page.tags[33434].value if 33434 in page.tags else exif.get("ExposureTime")
    iso = exif.get("PhotographicSensitivity", exif.get("ISOSpeedRatings"))
    orientation = page.tags[274].value if 274 in page.tags else 1
    bits = int(page.bitspersample)
    top = {"u": 2.0**bits - 1.0, "i": 2.0 ** (bits - 1) - 1.0}
    return Facts(
        exposure_s=_ratio(exposure, low=0.0),
        iso=_ratio(iso, low=1.0),
        full_scale=top.get(page.dtype.kind),
        unit="adu",
        rows="bottom-up" if orientation == _BOTTOM_LEFT else "top-down",
    )


def _ratio(value: Any, *, low: float) -> float | None:
    """Return a number, or a fraction given as two, that is finite and not below ``low``; else None."""
    if isinstance(value, tuple) and len(value) == 1:
        value = value[0]
    if isinstance(value, tuple) and len(value) == 2 and value[1]:
        value = value[0] / value[1]
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    return float(value) if math.isfinite(value) and value >= low else None
