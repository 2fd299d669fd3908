"""Tile-compressed pictures of FITS files, unpacked by astropy from a header that holds nothing but what tiles need.

References
----------
FITS Standard 4.0 (2018), sections 7.3 (tables and their heaps) and 10 (tiled image compression). RFC 1951: deflate
makes at most 1032 bytes of one.
"""

from __future__ import annotations

import io
import math
import re
import zlib
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.files.header import BLOCK, CARD, Header
from blend.files.source import in_words

DEFLATE_RATIO = 1032
"""Most that deflate unpacks of a byte: 258 of two bits (RFC 1951, section 3.2.5)."""
SPARE = 64 * 2**20
"""A tile may unpack to this much more than its pixels take before it counts as no tile of this picture."""

_NEEDED = re.compile(
    r"XTENSION|BITPIX|NAXIS\d*|PCOUNT|GCOUNT|TFIELDS|T(?:TYPE|FORM|UNIT|SCAL|ZERO|NULL|DIM)\d+|THEAP|BLANK"
    r"|Z(?:IMAGE|SIMPLE|EXTEND|TENSION|CMPTYPE|BITPIX|NAXIS\d*|TILE\d+|NAME\d+|VAL\d+|QUANTIZ|DITHER0|BLANK|SCALE|ZERO)"
)
_EMPTY = {"SIMPLE": True, "BITPIX": 8, "NAXIS": 0, "EXTEND": True}
_SIZES = {"L": 1, "B": 1, "A": 1, "I": 2, "J": 4, "E": 4, "K": 8, "D": 8, "C": 8, "M": 16, "P": 8, "Q": 16}


def read_tiles(header: Header) -> NDArray[Any]:
    """Return the stored numbers of a compressed picture.

    Parameters
    ----------
    header : Header
        Of the table that holds the tiles; what it promises has been held against the file.

    Raises
    ------
    InputError
        A tile unpacks to more than a tile of this picture holds.
    """
    from astropy.io import fits

    with header.path.open("rb") as file:
        _refuse_large_tiles(header, file)
        with fits.open(_Table(header, file), memmap=False, do_not_scale_image_data=True) as hdus:
            return np.asarray(hdus[1].data)


class _Table(io.RawIOBase):
    """A file of an empty primary HDU, a header of the cards that tiles need, and the data as they lie on the disk."""

    def __init__(self, header: Header, file: BinaryIO) -> None:
        needed = {key: value for key, value in header.cards.items() if _NEEDED.fullmatch(key)}
        self._head = _block(_EMPTY) + _block(needed)
        self._file, self._offset = file, header.offset
        self._end = len(self._head) + -(-header.data_bytes // BLOCK) * BLOCK
        self._place = 0
        self.mode = "rb"

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._place

    def seek(self, offset: int, whence: int = 0) -> int:
        self._place = offset + (0, self._place, self._end)[whence]
        return self._place

    def read(self, size: int | None = -1) -> bytes:
        size = self._end - self._place if size is None or size < 0 else size
        first = self._head[self._place : self._place + size]
        self._file.seek(max(0, self._place - len(self._head)) + self._offset)
        rest = self._file.read(max(0, min(size, self._end - self._place) - len(first)))
        self._place += len(first) + len(rest)
        return first + rest if first else rest


def _block(cards: dict[str, Any]) -> bytes:
    from astropy.io import fits

    order = ["SIMPLE", "XTENSION", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "PCOUNT", "GCOUNT", "TFIELDS"]
    keys = [key for key in order if key in cards] + [key for key in cards if key not in order]
    text = "".join(str(fits.Card(key, cards[key])) for key in keys) + "END".ljust(CARD)
    return text.encode("ascii", errors="replace").ljust(-(-len(text) // BLOCK) * BLOCK)


def _refuse_large_tiles(header: Header, file: BinaryIO) -> None:
    """Raise `InputError` for a deflated tile that is no tile of the picture, before it is in memory.

    The other methods of compression fill arrays of a tile's own size.
    """
    number = header.whole("ZNAXIS")
    lengths = [header.whole(f"ZNAXIS{i}") for i in range(1, number + 1)]
    tile = [header.whole(f"ZTILE{i}", lengths[0] if i == 1 else 1) for i in range(1, number + 1)]
    limit = 8 * math.prod(max(1, min(pair)) for pair in zip(tile, lengths, strict=True)) + SPARE
    width, rows = header.whole("NAXIS1"), header.whole("NAXIS2")
    file.seek(header.offset)
    table = np.frombuffer(file.read(width * rows), np.uint8).reshape(rows, width)
    heap = header.offset + header.whole("THEAP", width * rows)
    for at, kind in _deflated_columns(header):
        size = 4 if kind == "P" else 8
        pairs = table[:, at : at + 2 * size].copy().view(f">i{size}").astype(np.int64)
        for count, place in pairs[pairs[:, 0] > limit // DEFLATE_RATIO]:
            file.seek(heap + max(0, int(place)))
            if unpacks_to_more(file.read(int(count)), limit):
                raise InputError(
                    str(header.path),
                    found=f"one of its compressed tiles unpacks to more than {in_words(limit)}",
                    expected=f"tiles of {' x '.join(map(str, tile))} pixels, as its header promises",
                    advice="compress or stack it again",
                )


def _deflated_columns(header: Header) -> list[tuple[int, str]]:
    """Return place in the row and kind of descriptor, P or Q, of the columns that hold deflated tiles."""
    method = str(header.cards.get("ZCMPTYPE", ""))
    names = {"GZIP_COMPRESSED_DATA"} | ({"COMPRESSED_DATA"} if method.startswith("GZIP") else set())
    found, at = [], 0
    for number in range(1, header.whole("TFIELDS") + 1):
        form = re.match(r"(\d*)([LXBAIJEKDCMPQ])", str(header.cards.get(f"TFORM{number}", "")).strip())
        if form is None:
            raise ValueError(f"TFORM{number} is {header.cards.get(f'TFORM{number}')!r}")
        repeat, kind = int(form[1] or 1), form[2]
        if str(header.cards.get(f"TTYPE{number}", "")).strip() in names and kind in "PQ" and repeat:
            found.append((at, kind))
        at += -(-repeat // 8) if kind == "X" else repeat * _SIZES[kind]
    return found


def unpacks_to_more(packed: bytes, limit: int) -> bool:
    told = 0
    while packed and told <= limit:
        part = zlib.decompressobj(wbits=31)
        while not part.eof and told <= limit:
            made = part.decompress(packed, 2**24)
            told, packed = told + len(made), part.unconsumed_tail
            if not made and not packed and not part.eof:
                return False
        packed = part.unused_data
    return told > limit
