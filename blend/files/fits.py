"""FITS pictures, read in row blocks straight into native float32, and written uncompressed to the bit.

Headers, compressed tiles and world coordinates are astropy's work. Plain pixels are read here: big-endian
numbers of any depth become float32 without a full-frame copy in the file's own depth.

References
----------
FITS Standard 4.0 (2018): sections 4.4.2.5 (BZERO, BSCALE, BLANK), 5.3 (unsigned integers), 10 (tiles).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.base.lazyplanes import LazyPlanes
from blend.base.master import Facts
from blend.base.rowblocks import map_row_blocks, row_blocks
from blend.files.cards import facts_from_cards, odd_cards, stated_full_scale, states_coordinates
from blend.files.fitstiles import read_tiles
from blend.files.header import Header, headers_of
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
from blend.files.stored import Stored
from blend.files.whole import writing

_STORED = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}


@dataclass(frozen=True, kw_only=True)
class _Picture:
    """Where one picture lies in a file and how its numbers are meant."""

    path: Path
    offset: int
    compressed: bool
    bitpix: int
    axes: tuple[int, ...]
    scale: float
    zero: float
    blank: int | None
    cards: Mapping[str, Any]
    odd: tuple[str, ...]
    header: Header

    @property
    def layout(self) -> tuple[int, int, int, bool]:
        """Planes, rows, columns, and whether the planes are the fastest axis; numpy order of axes."""
        axes = self.axes
        while len(axes) > 3 and axes[0] == 1:
            axes = axes[1:]
        if len(axes) == 2:
            return (1, axes[0], axes[1], False)
        if len(axes) == 3 and axes[0] in (1, 3):
            return (axes[0], axes[1], axes[2], False)
        if len(axes) == 3 and axes[2] in (1, 3):
            return (axes[2], axes[0], axes[1], True)
        found = f"its picture has the axes {' x '.join(map(str, reversed(self.axes)))} (NAXIS1 first)"
        advice = "write its planes as one picture of red, green and blue, or one file a plane"
        raise InputError(str(self.path), found=found, expected=EXPECTED, advice=advice)

    @property
    def needed(self) -> int:
        """Bytes of memory that it takes; of compressed tiles the stored numbers stand beside the pixels for a while."""
        count = math.prod(self.axes)
        unpacked = count * abs(self.bitpix) // 8 if self.compressed else 0
        return max(WORK_BYTES * count, 5 * count + unpacked)

    @property
    def full_scale(self) -> float | None:
        """Largest value that the integers can mean; None for floats and for integers that stand for them."""
        if self.bitpix < 0 or self.scale != 1.0 or self.zero not in (0.0, self._turn):
            return None
        bits = abs(self.bitpix)
        largest = 2**bits - 1 if bits == 8 else 2 ** (bits - 1) - 1
        return float(largest + int(self.zero))

    @property
    def _turn(self) -> float:
        """The BZERO that turns signed into unsigned, or unsigned bytes into signed ones."""
        return -128.0 if self.bitpix == 8 else float(2 ** (abs(self.bitpix) - 1))

    @property
    def depth(self) -> str:
        """Name of the type of a pixel."""
        if self.bitpix < 0 or self.full_scale is None:
            return f"float{max(32, abs(self.bitpix))}"
        unsigned = (self.zero == 0.0) == (self.bitpix == 8)
        return f"{'u' if unsigned else ''}int{self.bitpix}"


def peek_fits(path: Path) -> Peek:
    """Return what the header of a FITS file says of its first picture.

    Raises
    ------
    InputError
        The file holds no picture of one or three planes, or less than its header promises.
    """
    picture = _find(path, most_bytes=None)
    planes, rows, columns, _ = picture.layout
    return Peek(
        path=path,
        kind="FITS",
        shape=(rows, columns),
        planes=names_of(planes),
        depth=picture.depth,
        facts=_facts(picture, brightest=None),
    )


def read_fits(path: Path, *, most_bytes: int = MOST_BYTES) -> tuple[NDArray[np.float32], Facts]:
    """Read the first picture of a FITS file: `open_fits`, and every number of it."""
    pixels, facts = open_fits(path, most_bytes=most_bytes)
    return np.asarray(pixels), facts


def open_fits(path: Path, *, most_bytes: int = MOST_BYTES) -> tuple[NDArray[np.float32] | LazyPlanes, Facts]:
    """Open the first picture of a FITS file.

    physical = BZERO + BSCALE * stored

    Parameters
    ----------
    path : Path
    most_bytes : int
        A header that promises more is refused before anything is allocated.

    Returns
    -------
    pixels : (planes, rows, columns) float32
        In the file's unit. BLANK and infinities are NaN. Plain integers are read when they are asked for.
    facts : Facts

    Raises
    ------
    InputError
        The file cannot be read, or holds no picture of one or three planes.

    Notes
    -----
    The first image HDU that holds pixels is read, plain or tile-compressed. Rows stay in the file's order.
    """
    picture = _find(path, most_bytes=most_bytes)
    if (stored := _stored(picture)) is not None:
        return stored.planes(), _facts(picture, brightest=None)
    with reading(path, kind="FITS"), room_for(path, picture.needed):
        pixels, brightest = _read_compressed(picture) if picture.compressed else _read_plain(picture)
    return pixels, _facts(picture, brightest=brightest)


def fits_header_text(path: Path) -> dict[str, str]:
    """Return all cards of the picture's header, and of the primary header beneath it, as text."""
    cards = _find(path, most_bytes=None).cards
    return {key: str(value) for key, value in cards.items() if value is not None}


def write_fits(
    path: Path,
    pixels: NDArray[np.floating],
    *,
    planes: Sequence[str],
    cards: Mapping[str, Any] | None = None,
    wcs: Any = None,
    rows: Literal["bottom-up", "top-down"] = "bottom-up",
) -> str:
    """Write pixels as uncompressed float32, the same bytes for the same input, and return their SHA-256.

    Parameters
    ----------
    path : Path
        Written as it stands; `WholeFolder` makes it appear whole.
    pixels : (planes, rows, columns) or (rows, columns)
        NaN where there is no data.
    planes : sequence of str
        Names, written as PLANE1, PLANE2, ...
    cards : mapping, optional
        Keyword to value, or to (value, comment). None and values that are not finite are left out.
    wcs : astropy.wcs.WCS, optional
    rows : "bottom-up" or "top-down"
        Order of the rows, written as ROWORDER.

    Raises
    ------
    OutputError
        The file could not be written.
    """
    cube = np.asarray(pixels)
    cube = cube[np.newaxis] if cube.ndim == 2 else cube
    if cube.ndim != 3 or cube.shape[0] != len(planes):
        raise ValueError(f"pixels of shape {cube.shape} do not hold the planes {tuple(planes)}")
    head = _header_bytes(cube.shape, planes=planes, cards=cards or {}, wcs=wcs, rows=rows)
    blocks = [(plane, block) for plane in cube for block in row_blocks(plane.shape[0])]
    pixel_bytes = (plane[block].astype(">f4", order="C").data for plane, block in blocks)
    digest = hashlib.sha256()
    with writing(path), path.open("wb") as file:
        for part in chain([head], pixel_bytes, [b"\0" * (-(cube.size * 4) % 2880)]):
            file.write(part)
            digest.update(part)
    return digest.hexdigest()


def _header_bytes(
    shape: tuple[int, ...],
    *,
    planes: Sequence[str],
    cards: Mapping[str, Any],
    wcs: Any,
    rows: str,
) -> bytes:
    axes = shape[1:] if shape[0] == 1 else shape
    own = {
        "SIMPLE": (True, "conforms to FITS standard"),
        "BITPIX": (-32, "float32"),
        "NAXIS": len(axes),
        **{f"NAXIS{number}": length for number, length in enumerate(reversed(axes), start=1)},
        "ROWORDER": (rows.upper(), "the first row is the bottom or the top"),
        **{f"PLANE{number}": name for number, name in enumerate(planes, start=1)},
    }
    images = [_card_image(key, value) for key, value in {**own, **cards}.items()] if wcs is None else [None]
    if None not in images:
        text = "".join([*map(str, images), f"{'END':80}"])
        return text.ljust(-(-len(text) // 2880) * 2880).encode("ascii")
    from astropy.io import fits

    header = fits.Header()
    for key, value in own.items():
        _set_card(header, key, value)
    if wcs is not None:
        for card in wcs.to_header(relax=True).cards:
            header.append(card, end=True)
    for key, value in cards.items():
        _set_card(header, key, value)
    return str(header.tostring(sep="", endcard=True, padding=True)).encode("ascii")


def _card_image(key: str, value: Any) -> str | None:
    """Return the 80 letters of a card without a fraction, or None where it takes astropy, which takes long to load."""
    value, comment = value if isinstance(value, tuple) else (value, "")
    if isinstance(value, bool | int):
        text = f"{'FT'[value] if isinstance(value, bool) else value:>20}"
    elif isinstance(value, str) and _ascii(value) and key not in ("HISTORY", "COMMENT"):
        text = "'" + _ascii(value).replace("'", "''").ljust(8) + "'"
    else:
        return None
    card = f"{key:8}= {text:20}" + (f" / {_ascii(comment)}" if comment else "")
    return card.ljust(80) if len(card) <= 80 and len(key) <= 8 and key == key.upper() else None


def _set_card(header: Any, key: str, value: Any) -> None:
    if len(key) > 8:
        raise ValueError(f"a FITS keyword has at most 8 letters: {key!r}")
    value, comment = value if isinstance(value, tuple) else (value, "")
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return
    if isinstance(value, str):
        value = _ascii(value)
    if key in ("HISTORY", "COMMENT"):
        header.add_history(value) if key == "HISTORY" else header.add_comment(value)
    else:
        header[key] = (value, _ascii(comment))


def _ascii(text: str) -> str:
    return " ".join(text.split()).encode("ascii", errors="replace").decode("ascii")


def _find(path: Path, *, most_bytes: int | None) -> _Picture:
    """Find the first picture, and hold its header's promise against the file before allocating anything."""
    with reading(path, kind="FITS"):
        primary: Header | None = None
        for header in headers_of(path):
            primary = header if primary is None else primary
            if axes := header.axes:
                picture = _describe(header, primary, axes=axes)
                _ = picture.layout
                _check_promise(picture, most_bytes=most_bytes)
                return picture
    raise InputError(
        str(path), found="none of its HDUs holds a picture", expected=EXPECTED, advice="name another file"
    )


def _describe(header: Header, primary: Header, *, axes: tuple[int, ...]) -> _Picture:
    bitpix = header.whole("ZBITPIX" if header.is_compressed else "BITPIX")
    scale, zero = header.real("BSCALE", 1.0), header.real("BZERO", 0.0)
    if bitpix not in _STORED or scale == 0.0:
        found = f"its header says BITPIX {bitpix}, BSCALE {scale:g}"
        expected = f"BITPIX one of {', '.join(map(str, _STORED))}, BSCALE other than 0"
        raise InputError(str(header.path), found=found, expected=expected, advice="stack it again")
    cards = {**primary.cards, **header.cards}
    odd = {**primary.odd, **header.odd}
    clashes = {**primary.clashes, **header.clashes}
    for key in odd.keys() | clashes.keys():
        cards.pop(key, None)
    blank = cards.get("BLANK", cards.get("ZBLANK")) if bitpix > 0 else None
    return _Picture(
        path=header.path,
        offset=header.offset,
        compressed=header.is_compressed,
        bitpix=bitpix,
        axes=axes,
        scale=scale,
        zero=zero,
        blank=blank if isinstance(blank, int) and not isinstance(blank, bool) else None,
        cards=cards,
        odd=odd_cards(cards, odd=odd, clashes=clashes),
        header=header,
    )


def _check_promise(picture: _Picture, *, most_bytes: int | None) -> None:
    count = math.prod(picture.axes)
    if most_bytes is not None:
        refuse_size(picture.path, promised=count * max(4, abs(picture.bitpix) // 8), limit=most_bytes)
    header = picture.header
    held = picture.path.stat().st_size - picture.offset
    refuse_truncated(picture.path, promised=header.data_bytes, held=held)
    if not picture.compressed:
        return
    tiles = 1
    for number, length in enumerate(reversed(picture.axes), start=1):
        tiles *= -(-length // max(1, header.whole(f"ZTILE{number}", length if number == 1 else 1)))
    if tiles != header.whole("NAXIS2"):
        found = f"its compressed picture has {header.whole('NAXIS2')} tiles"
        expected = f"{tiles}, as its header promises"
        raise InputError(str(picture.path), found=found, expected=expected, advice="copy or stack it again")


def _stored(picture: _Picture) -> Stored | None:
    """Return where a picture's whole numbers lie; None where they are packed, scaled or may be missing."""
    planes, rows, columns, planes_last = picture.layout
    if picture.compressed or picture.full_scale is None or picture.blank is not None:
        return None
    return Stored(
        path=picture.path,
        offset=picture.offset,
        kind=np.dtype(_STORED[picture.bitpix]),
        shape=(planes, rows, columns),
        zero=picture.zero,
        samples=planes if planes_last else 1,
    )


def _read_plain(picture: _Picture) -> tuple[NDArray[np.float32], float]:
    """Return the pixels and the brightest of them; every block of rows is read and converted by one thread."""
    planes, rows, columns, planes_last = picture.layout
    pixels = np.empty((planes, rows, columns), dtype=np.float32)
    width = columns * (planes if planes_last else 1)
    kind = np.dtype(_STORED[picture.bitpix])

    def read(first: int, block: slice) -> NDArray[Any]:
        count = (block.stop - block.start) * width
        offset = picture.offset + (first + block.start) * width * kind.itemsize
        stored = np.fromfile(picture.path, dtype=kind, count=count, offset=offset)
        refuse_truncated(picture.path, promised=count, held=stored.size)
        return stored.reshape(-1, width)

    def measure_rows(block: slice) -> float:
        if planes_last:
            stored = read(0, block).reshape(-1, columns, planes)
            return _convert(np.moveaxis(stored, 2, 0), picture, pixels[:, block])
        tops = [_convert(read(p * rows, block), picture, pixels[p, block]) for p in range(planes)]
        return float(np.fmax.reduce(tops))

    return pixels, float(np.fmax.reduce(map_row_blocks(measure_rows, rows)))


def _read_compressed(picture: _Picture) -> tuple[NDArray[np.float32], float]:
    planes, rows, columns, planes_last = picture.layout
    stored = read_tiles(picture.header)
    shape = (rows, columns, planes) if planes_last else (planes, rows, columns)
    stored = stored.reshape(shape)
    if planes_last:
        stored = np.moveaxis(stored, 2, 0)
    pixels = np.empty((planes, rows, columns), dtype=np.float32)
    tops = map_row_blocks(lambda block: _convert(stored[:, block], picture, pixels[:, block]), rows)
    return pixels, float(np.fmax.reduce(tops))


def _convert(stored: NDArray[Any], picture: _Picture, pixels: NDArray[np.float32]) -> float:
    """Fill ``pixels`` with stored numbers in the file's unit, NaN where there is no number; return the greatest."""
    plain = picture.scale == 1.0 and picture.zero == 0.0
    with np.errstate(over="ignore", invalid="ignore"):
        if plain:
            pixels[...] = stored
        else:
            # float64 holds every 32-bit integer: offset and scale round once, on the way to float32.
            pixels[...] = stored.astype(np.float64) * picture.scale + picture.zero
        if picture.blank is not None:
            pixels[stored == picture.blank] = np.nan
        # NaN passes through both extremes: where they are numbers, every pixel is one
        top = float(pixels.max())
        if math.isfinite(top) and (picture.bitpix > 0 or math.isfinite(pixels.min())):
            return top
        if picture.bitpix < 0:
            pixels[np.isinf(pixels)] = np.nan
        return float(np.fmax.reduce(pixels, axis=None))


def _facts(picture: _Picture, *, brightest: float | None) -> Facts:
    full_scale = picture.full_scale
    if full_scale is None:
        full_scale = stated_full_scale(picture.cards, brightest=brightest)
    facts = facts_from_cards(picture.cards, full_scale=full_scale, wcs=_wcs(picture))
    return replace(facts, odd_cards=picture.odd)


def _wcs(picture: _Picture) -> Any:
    """Return celestial coordinates, or None where the header states none that work."""
    if not states_coordinates(picture.header.cards):
        return None
    from astropy.io import fits
    from astropy.wcs import WCS

    try:
        with reading(picture.path, kind="world coordinates"):
            header = fits.Header.fromstring("".join(picture.header.images.values()))
            whole = WCS(header, relax=True, naxis=None if picture.layout[3] else 2)
            wcs = whole.celestial if picture.layout[3] else whole
            wcs.wcs.set()
    except InputError:
        return None
    return wcs if wcs.has_celestial else None
