"""A file's own mark: the hash of all the rest of it, which tells what blend wrote and nobody has changed since."""

from __future__ import annotations

import hashlib
import re
import zlib
from pathlib import Path
from typing import BinaryIO, Literal

Kind = Literal["toml", "csv", "svg", "png"]

CARD = "BLENDSUM"
"""FITS: the header card that holds the hash."""

BLANK = "0" * 64
WORDS = "written by blend; SHA-256 of the rest of this file:"

_CARD = re.compile(rf"{CARD}= '([0-9a-f]{{64}})'".encode())
_WORDS = re.compile(rf"{re.escape(WORDS)} ([0-9a-f]{{64}})".encode())
_HEAD, _TAIL = 2**18, 2**10
"""Bytes at the begin of a FITS header and at the end of another file in which the mark is looked for."""
_PNG = b"\x89PNG\r\n\x1a\n"
_COMMENTS = {"toml": "# {}\n", "svg": "<!-- {} -->\n"}


def sealed(data: bytes, *, kind: Kind) -> bytes:
    """Return a whole file's bytes with its mark.

    It is a last line of comment; in a PNG a chunk of text; in a CSV, which has no comments, the name of one more
    column without values, so that lines and columns stay what they are for any reader.

    Examples
    --------
    >>> print(sealed(b"version = 1\\n", kind="toml").decode().splitlines()[1][:70])
    # written by blend; SHA-256 of the rest of this file: 1974577cd75bab91
    """
    if kind == "png":
        text = b"tEXtComment\0" + f"{WORDS} ".encode()
        begin = data[:-12] + (len(text) + 60).to_bytes(4, "big") + text
        digest = hashlib.sha256(begin + data[-12:]).hexdigest().encode()
        return begin + digest + zlib.crc32(text + digest).to_bytes(4, "big") + data[-12:]
    if kind == "csv":
        head, line, rows = data.partition(b"\n")
        before, after = head + f",{WORDS} ".encode(), line + rows
        return before + hashlib.sha256(before + after).hexdigest().encode() + after
    before, after = _COMMENTS[kind].format(f"{WORDS} {BLANK}").encode().split(BLANK.encode())
    digest = hashlib.sha256(data + before + after).hexdigest().encode()
    return data + before + digest + after


def seal_fits(path: Path) -> None:
    """Write the hash into a FITS file whose header holds `CARD` with the value `BLANK`.

    Raises
    ------
    ValueError
        The file has no card for the seal.
    """
    with path.open("r+b") as file:
        place = _place_of_mark(file)
        if place is None:
            raise ValueError(f"{path} has no card {CARD}")
        digest = _digest_around(file, *place)
        file.seek(place[0])
        file.write(digest.encode())


def is_sealed(path: Path) -> bool:
    """Return whether a file carries the mark and every other byte of it is as it was when it was marked."""
    try:
        with path.open("rb") as file:
            place = _place_of_mark(file)
            if place is None:
                return False
            file.seek(place[0])
            told = file.read(64).decode()
            return _digest_around(file, *place) == told
    except OSError:
        return False


def _place_of_mark(file: BinaryIO) -> tuple[int, int] | None:
    """Return where the digits of the mark begin, and how many bytes there the hash leaves out."""
    start = file.read(len(_PNG))
    if start.startswith(b"SIMPLE"):
        file.seek(0)
        found = _CARD.search(file.read(_HEAD))
        return None if found is None else (found.start(1), 64)
    size = file.seek(0, 2)
    for begin in (max(0, size - _TAIL), 0):
        file.seek(begin)
        places = [match.start(1) for match in _WORDS.finditer(file.read(_TAIL))]
        if places:
            # behind the digits of a PNG stands the sum of its chunk
            return begin + places[-1], 68 if start == _PNG else 64
    return None


def _digest_around(file: BinaryIO, place: int, left_out: int) -> str:
    digest = hashlib.sha256()
    file.seek(0)
    left = place
    while block := file.read(min(left, 2**20)):
        digest.update(block)
        left -= len(block)
    file.seek(place + left_out)
    while block := file.read(2**20):
        digest.update(block)
    return digest.hexdigest()
