"""What all readers share: opening with care, and faults that say what was found instead of a picture."""

from __future__ import annotations

import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

from blend.base.errors import BlendError, InputError
from blend.base.master import Facts
from blend.base.quiet import quiet
from blend.base.system import free_memory

MOST_BYTES = 8 * 2**30
"""No picture larger than this is allocated unless the caller says so."""

WORK_BYTES = 11
"""Bytes of memory that a pixel of a plane takes from reading to the first figures: `blend inspect` of 24 and of 6
megapixels differ by 10.6 a pixel, five of them the float32 and the flag."""

EXPECTED = "a FITS or TIFF picture with one plane, or three (red, green, blue)"

COLOURS = ("red", "green", "blue")


@dataclass(frozen=True, kw_only=True)
class Peek:
    """What a file's header says of its picture; no pixel is read."""

    path: Path
    kind: str  # the format, ``"FITS"`` for example
    shape: tuple[int, int]  # (rows, columns)
    planes: tuple[str, ...]  # ``("red", "green", "blue")`` or ``("grey",)``
    # type of a pixel as a numpy name, after the offset that makes it unsigned: ``"uint16"``, ``"float32"``
    depth: str
    facts: Facts = field(default_factory=Facts)  # from the header alone


def names_of(count: int) -> tuple[str, ...]:
    """Return the default plane names of a picture of one or three planes."""
    return COLOURS if count == 3 else ("grey",)


def first_bytes(path: Path, *, count: int = 512) -> bytes:
    """Return the start of a regular file, or raise `InputError` saying why there is none.

    Raises
    ------
    InputError
        No file, or one that may not be read or is empty.

    Examples
    --------
    >>> first_bytes(Path("no/such/file.fits"))
    Traceback (most recent call last):
    ...
    blend.base.errors.InputError: no/such/file.fits: there is no such file; expected a FITS or TIFF picture \
with one plane, or three (red, green, blue). Do this: check the path.
    """
    where = str(path)
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise InputError(where, found="it is a folder", expected=EXPECTED, advice="name a file in it")
        if not stat.S_ISREG(mode):
            raise InputError(where, found="it is a device or a pipe, not a file", expected=EXPECTED)
        with path.open("rb") as file:
            start = file.read(count)
    except (FileNotFoundError, NotADirectoryError):
        raise InputError(
            where, found="there is no such file", expected=EXPECTED, advice="check the path"
        ) from None
    except PermissionError:
        found = "it may not be read (permission denied)"
        advice = "change its permissions or copy it"
        raise InputError(where, found=found, expected="a readable file", advice=advice) from None
    except (OSError, ValueError) as error:
        raise InputError(where, found=f"it cannot be opened ({_reason(error)})", expected=EXPECTED) from error
    if not start:
        raise InputError(where, found="the file is empty", expected=EXPECTED, advice="copy or stack it again")
    return start


def describe(start: bytes) -> str:
    """Say in words what a file that begins with ``start`` seems to be.

    Examples
    --------
    >>> describe(b"exposure, filter")
    "a text file that begins with 'exposure, filter'"
    >>> describe(bytes([137, 80, 78, 71]))
    'a PNG picture'
    >>> describe(bytes([0, 1, 2, 255, 4]))
    'unknown content that begins with the bytes 00 01 02 ff 04'
    """
    for magic, name in _KNOWN.items():
        if start.startswith(magic):
            return name
    try:
        text = start.decode("utf-8", errors="strict")
    except UnicodeDecodeError as error:
        # A character cut in two by the end of the sample is still text.
        text = start[: error.start].decode("utf-8") if error.start >= len(start) - 3 else "\0"
    if text and all(letter.isprintable() or letter in "\r\n\t" for letter in text):
        lines = text.strip().splitlines()
        return f"a text file that begins with {lines[0][:40]!r}" if lines else "blanks"
    return f"unknown content that begins with the bytes {start[:8].hex(' ')}"


_KNOWN = {
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"GIF8": "a GIF picture",
    b"BM": "a BMP picture",
    b"\x1f\x8b": "a gzip archive",
    b"BZh": "a bzip2 archive",
    b"PK\x03\x04": "a zip archive",
    b"\xfd7zXZ": "an xz archive",
    b"%PDF": "a PDF document",
    b"\x89HDF": "an HDF5 file",
}


@contextmanager
def reading(path: Path, *, kind: str) -> Iterator[None]:
    """Turn whatever a parser raises on a damaged file into an `InputError`, and keep its warnings quiet.

    Raises
    ------
    InputError
        What goes wrong inside, as a fault of that file.
    """
    try:
        with quiet():
            yield
    except BlendError:
        raise
    except MemoryError as error:
        raise InputError(
            str(path), found="the picture does not fit into memory", expected="a smaller picture"
        ) from error
    except Exception as error:
        found = f"it begins like {kind} but cannot be read ({_reason(error)})"
        advice = "copy or stack it again"
        raise InputError(str(path), found=found, expected=f"a sound {kind} file", advice=advice) from error


@contextmanager
def room_for(path: Path, needed: int) -> Iterator[None]:
    """Hold memory for a picture while it is unpacked; what others hold meanwhile is not free.

    Parameters
    ----------
    path : Path
    needed : int
        Bytes of all arrays that reading it makes, and of what is made of them: see `WORK_BYTES`.

    Raises
    ------
    InputError
        Less is free; nothing has been unpacked then.
    """
    with _HOLDING:
        free = free_memory()
        left = None if free is None else free - sum(_HELD)
        if left is not None and needed > left:
            raise InputError(
                str(path),
                found=f"its picture needs {in_words(needed)} of memory, and {in_words(max(0, left))} are free",
                expected="a picture that fits into memory",
                advice="end other programs, use a machine with more memory, or make the picture smaller",
            )
        _HELD.append(needed)
    try:
        yield
    finally:
        with _HOLDING:
            _HELD.remove(needed)


_HOLDING = Lock()
_HELD: list[int] = []


def refuse_size(path: Path, *, promised: int, limit: int) -> None:
    """Raise `InputError` where a header promises more bytes than may be allocated.

    Raises
    ------
    InputError
        It promises more than the limit.
    """
    if promised > limit:
        found = f"its header promises a picture of {in_words(promised)}"
        advice = "check the file, or raise the limit"
        raise InputError(str(path), found=found, expected=f"at most {in_words(limit)}", advice=advice)


def refuse_truncated(path: Path, *, promised: int, held: int) -> None:
    """Raise `InputError` where a file ends before the pixels that its header promises.

    Raises
    ------
    InputError
        It holds less than it promises.
    """
    if promised > held:
        found = f"the file is cut short: it holds {in_words(held)}"
        expected = f"{in_words(promised)}, as its header promises"
        raise InputError(str(path), found=found, expected=expected, advice="copy or stack it again")


def in_words(count: int) -> str:
    """Return a number of bytes for people.

    Examples
    --------
    >>> in_words(1), in_words(2880), in_words(3 * 2**30), in_words(10**30)
    ('1 byte', '2880 bytes', '3.0 GiB', '9.3e+20 GiB')
    """
    if count < 10_000:
        return f"{count} byte" if count == 1 else f"{count} bytes"
    if count < 2**20:
        return f"{count / 2**10:.1f} KiB"
    if count < 2**30:
        return f"{count / 2**20:.1f} MiB"
    size = count / 2**30
    return f"{size:.1f} GiB" if size < 1e6 else f"{size:.1e} GiB"


def _reason(error: BaseException) -> str:
    lines = str(error).strip().splitlines()
    return lines[0][:160].rstrip(".") if lines else type(error).__name__


class Marks:
    """Signs of files by which a change shows: size, times and place on the disk; the clock need not be right.

    Parameters
    ----------
    paths : iterable of Path
        Looked at once now. A file that is not there is left to the reader to refuse.
    """

    def __init__(self, paths: Iterable[Path]) -> None:
        self._marks = {path: mark_of(path) for path in paths}

    def refuse_changes(self) -> None:
        """Raise `InputError` where a file is no longer the one that was looked at.

        Raises
        ------
        InputError
            A file has changed.
        """
        for path, mark in self._marks.items():
            if mark_of(path) != mark:
                raise InputError(
                    str(path),
                    found="the file was changed or replaced while it was in use",
                    expected="a file that stays as it is during a run",
                    advice="run again when nothing writes to it",
                )


def mark_of(path: Path) -> tuple[int, ...] | None:
    """Return the signs by which a change of a file shows, or None where it cannot be looked at."""
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns)
