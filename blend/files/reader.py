"""One door for pictures: the content of a file, not its suffix, says who reads it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.base.lazyplanes import LazyPlanes
from blend.base.master import Master, flags_of
from blend.files.cards import stated_kind, states_coordinates
from blend.files.source import EXPECTED, MOST_BYTES, Peek, describe, first_bytes, names_of

READERS: Mapping[str, tuple[bytes, ...]] = {
    "fits": (b"SIMPLE  =",),
    "tiff": (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"),
}
"""What a file of each format begins with. ``blend/files/NAME.py`` reads it, by ``open_NAME``, ``peek_NAME`` and
``NAME_header_text``."""


def read_picture(path: Path, *, most_bytes: int = MOST_BYTES) -> Master:
    """Read a FITS or TIFF picture of one or three planes: `open_picture`, and every number of it."""
    master = open_picture(path, most_bytes=most_bytes)
    lazy = isinstance(master.pixels, LazyPlanes)
    return master.with_(pixels=np.asarray(master.pixels)) if lazy else master


def open_picture(path: Path, *, most_bytes: int = MOST_BYTES) -> Master:
    """Open a FITS or TIFF picture of one or three planes; whole numbers that are not packed are read in bands later.

    Parameters
    ----------
    path : Path
    most_bytes : int
        A file that promises a larger picture is refused before anything is allocated.

    Returns
    -------
    Master
        Pixels in the file's own unit, not clipped; `scaled` makes fractions of them. ``facts.full_scale`` is
        in that unit: from the depth of integers, else from the header, else None.

    Raises
    ------
    InputError
        The file is missing, unreadable, cut short, no picture, or without one valid pixel.
    """
    path = Path(path)
    pixels, facts = _reader(path, "open_{}")(path, most_bytes=most_bytes)
    flags = flags_of(pixels)
    if flags.all() and not np.isfinite(pixels).any():
        found = "none of its pixels holds a number"
        raise InputError(str(path), found=found, expected="a picture", advice="stack it again")
    return Master(
        pixels=cast(Any, pixels), flags=flags, planes=names_of(len(pixels)), domain="linear", facts=facts
    )


def peek(path: Path) -> Peek:
    """Return shape, planes, depth, size and header facts of a picture without reading its pixels.

    Raises
    ------
    InputError
        As for `read_picture`, but for what only pixels show.
    """
    seen: Peek = _reader(Path(path), "peek_{}")(Path(path))
    return seen


def header_text(path: Path) -> dict[str, str]:
    """Return what a header says in its own words, as text: FITS cards by keyword, TIFF tags by name."""
    text: dict[str, str] = _reader(Path(path), "{}_header_text")(Path(path))
    return text


_STRANGE_KINDS = {
    "light": ("dark", "flat", "flat-dark", "bias"),
    "dark": ("light", "flat"),
    "bias": ("light", "flat"),
    "flat": ("light", "dark", "flat-dark", "bias"),
    "flat_dark": ("light", "flat"),
}


def refuse_other_kind(path: Path, role: str) -> None:
    """Raise `InputError` where a file's header says that it is of a kind that cannot play its role, a flat as dark.

    Raises
    ------
    InputError
        The header says that it is another kind of frame.
    """
    kind = stated_kind(header_text(path))
    if kind in _STRANGE_KINDS[role]:
        raise InputError(
            str(path),
            found=f"its header says that it is a {kind} (IMAGETYP)",
            expected=f"the {role.replace('_', ' of the ')}" if role != "light" else "a light",
            advice=f"name the file that is the {role}, or mend IMAGETYP where it is wrong",
        )


def coordinates_fault(path: Path, master: Master) -> str:
    """Return in words that a header's places in the sky could not be used, or nothing."""
    if master.facts.wcs is not None or not states_coordinates(header_text(path)):
        return ""
    return "its header states world coordinates that contradict themselves or lack a card; they are not used"


def upright(pixels: NDArray[np.floating], rows: Literal["bottom-up", "top-down"]) -> NDArray[np.floating]:
    """Return a view of pixels (..., rows, columns) with the top row first.

    Examples
    --------
    >>> upright(np.array([[1.0], [2.0]]), "bottom-up").ravel()
    array([2., 1.])
    """
    return pixels[..., ::-1, :] if rows == "bottom-up" else pixels


def _reader(path: Path, name: str) -> Callable[..., Any]:
    """Return the function called ``name`` of the module that reads a file of this content."""
    form = _format(path)
    function: Callable[..., Any] = getattr(import_module(f"blend.files.{form}"), name.format(form))
    return function


def _format(path: Path) -> str:
    start = first_bytes(path)
    if start.startswith(READERS["fits"]):
        return "fits"
    _refuse_raw(path)  # many begin like a TIFF
    for name, starts in READERS.items():
        if start.startswith(starts):
            return name
    advice = "give the linear stack as FITS or TIFF"
    if start.startswith(b"\x1f\x8b"):
        advice = "unpack it first"
    raise InputError(str(path), found=f"it is {describe(start)}", expected=EXPECTED, advice=advice)


def is_picture(path: Path) -> bool:
    """Return whether the content of a file, as far as it can be read, is that of a picture and no text."""
    from blend.files.raw import is_raw

    try:
        start = first_bytes(path)
        return start.startswith(sum(READERS.values(), ())) or is_raw(path)
    except InputError:
        return False


def _refuse_raw(path: Path) -> None:
    from blend.files.raw import is_raw

    if is_raw(path):
        found = "it is a camera raw: one frame, and a mosaic"
        advice = "make a master of the frames first: blend stack light FRAMES --out FILE"
        raise InputError(str(path), found=found, expected=EXPECTED, advice=advice)
