"""Photosite mosaics: camera raws through rawpy, and FITS pictures that say they are a Bayer mosaic.

What comes back is what the converter counted, one number a photosite, in float32: black is not taken out, nothing
is clipped, scaled, turned or interpolated. The pattern, the black and the white level travel beside it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import BlendError, InputError
from blend.base.master import Facts
from blend.files.source import MOST_BYTES, describe, first_bytes, in_words, reading, refuse_size, room_for

EXPECTED = "a camera raw with a 2x2 Bayer mosaic, a FITS mosaic with BAYERPAT, or a FITS picture of one plane"
_ENDINGS = "3fr arw cr2 cr3 crw dng erf kdc mef mos mrw nef nrw orf pef raf raw rw2 sr2 srf srw x3f"
SUFFIXES = frozenset(f".{ending}" for ending in _ENDINGS.split())
PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
FEWEST_AT_CLIP = 5
"""So many photosites must share the greatest value before it counts as the level where the sensor clips."""

NO_BLACK = "no black level is stated"

_TIFF_STARTS = (b"II*\0", b"MM\0*", b"IIRO", b"IIRS", b"IIU\0", b"II\x1a\0")
_LETTERS = {"R": "R", "G": "G", "B": "B"}
_EXIF_ISO, _EXIF_TEMPERATURE, _EXIF_IFD = 34855, 37888, 34665
"""Tags of Exif 2.31."""


@dataclass(frozen=True, kw_only=True)
class Head:
    """What a file says of its mosaic."""

    path: Path
    kind: Literal["raw", "FITS"]
    shape: tuple[int, int]  # (rows, columns)
    # Colours of the first two photosites of the first row, then of the second, ``"RGGB"`` for example; rows in
    # the order of the file. None for a sensor without colours.
    pattern: str | None
    black: tuple[float, float, float, float]  # black level of those four photosites, in the file's unit
    white: float | None  # the level that the file states as white
    camera: str = ""  # maker and model; empty where nobody says
    facts: Facts  # ``full_scale`` is white
    notes: tuple[str, ...] = ()  # what was assumed
    whole: bool = False  # values are whole numbers of at most 16 bits


@dataclass(frozen=True, kw_only=True, eq=False)
class Mosaic:
    """Photosites as they were counted."""

    head: Head
    # (rows, columns) float32; in the file's unit, black not removed; NaN where a FITS file holds no number
    pixels: NDArray[np.float32]
    # the greatest value, where at least five photosites share it: the level at which the sensor clips, measured
    clip: float | None


def is_raw(path: Path) -> bool:
    """Return whether a file's name or content says that it is a camera raw."""
    path = Path(path)
    return path.suffix.lower() in SUFFIXES or _is_cfa_tiff(path)


def peek_mosaic(path: Path, *, pattern: str | None = None) -> Head:
    """Return what a file says of its mosaic without unpacking a photosite.

    Parameters
    ----------
    path : Path
    pattern : str, optional
        Overrides what a FITS file says, or does not say.

    Raises
    ------
    InputError
        The file is missing, damaged, or no 2x2 Bayer mosaic; a sensor of another kind is named.
    """
    path = Path(path)
    if first_bytes(path).startswith(b"SIMPLE  ="):
        return _fits_head(path, pattern)
    with _opened(path) as raw:
        return _raw_head(path, raw)


def read_mosaic(path: Path, *, pattern: str | None = None, most_bytes: int = MOST_BYTES) -> Mosaic:
    """Read the photosites of a camera raw or of a FITS mosaic.

    Parameters
    ----------
    path : Path
    pattern : str, optional
        Overrides what a FITS file says, or does not say.
    most_bytes : int
        A file that promises more is refused before anything is allocated.

    Returns
    -------
    Mosaic

    Raises
    ------
    InputError
        As for `peek_mosaic`, and for a file that is cut short.

    Notes
    -----
    The visible photosites are copied while the file is open: afterwards that memory is gone. Orientation is left
    alone. A FITS pattern holds for the rows in the file's order; XBAYROFF and YBAYROFF shift it.
    """
    head, pixels, clip = read_counts(path, pattern=pattern, most_bytes=most_bytes)
    return Mosaic(head=head, pixels=pixels.astype(np.float32, copy=False), clip=clip)


def read_counts(
    path: Path, *, pattern: str | None = None, most_bytes: int = MOST_BYTES
) -> tuple[Head, NDArray[Any], float | None]:
    """Return what `read_mosaic` does, as head, pixels and clip; pixels of a raw are uint16, as they were counted.

    Raises
    ------
    InputError
        The file cannot be read, or holds no number.
    """
    path = Path(path)
    if first_bytes(path).startswith(b"SIMPLE  ="):
        from blend.files.fits import read_fits

        head = _fits_head(path, pattern)
        pixels: NDArray[Any] = read_fits(path, most_bytes=most_bytes)[0][0]
        # a few rows answer for nearly every frame
        if not (np.isfinite(pixels[::50]).any() or np.isfinite(pixels).any()):
            found = "none of its pixels holds a number"
            advice = "leave it out, or copy it again"
            raise InputError(str(path), found=found, expected="a frame", advice=advice)
    else:
        with _opened(path) as raw:
            head = _raw_head(path, raw)
            refuse_size(path, promised=4 * head.shape[0] * head.shape[1], limit=most_bytes)
            # two bytes a photosite as unpacked and as copied, margins counted; four where they become numbers
            sizes = raw.sizes
            with room_for(path, 8 * max(int(sizes.raw_height) * int(sizes.raw_width), math.prod(head.shape))):
                pixels = _photosites(path, raw, head)
    return head, pixels, _clip_level(pixels, head)


@contextmanager
def _opened(path: Path) -> Iterator[Any]:
    start = first_bytes(path)
    import rawpy

    try:
        with rawpy.imread(str(path)) as raw:
            yield raw
    except BlendError:
        raise
    except rawpy.LibRawFileUnsupportedError as error:
        advice = "give raw files as the camera wrote them, or FITS"
        raise InputError(
            str(path), found=f"it is {_seems(path, start)}", expected=EXPECTED, advice=advice
        ) from error
    except (rawpy.LibRawIOError, rawpy.LibRawDataError) as error:
        raise InputError(
            str(path),
            found=f"the raw file is damaged or cut short: it holds {in_words(path.stat().st_size)}",
            expected="a whole raw file",
            advice="copy it from the card again, or leave it out",
        ) from error
    except Exception as error:
        raise InputError(
            str(path),
            found=f"it opens like a camera raw but cannot be read ({_words(error)})",
            expected=EXPECTED,
            advice="copy it from the card again, or leave it out",
        ) from error


def _seems(path: Path, start: bytes) -> str:
    if start.startswith(_TIFF_STARTS):
        return "a TIFF file that is no camera raw, or a raw of a kind that is not known"
    return describe(start)


def _words(error: Exception) -> str:
    told = error.args[0] if error.args else ""
    text = told.decode("ascii", errors="replace") if isinstance(told, bytes) else str(told)
    return text.strip()[:160] or type(error).__name__


# --- camera raws ------------------------------------------------------------------------------------------


def _raw_head(path: Path, raw: Any) -> Head:
    pattern, indices = _raw_pattern(path, raw)
    levels = [float(level) for level in raw.black_level_per_channel]
    black = tuple(levels[index] for index in indices)
    white = float(raw.white_level) if raw.white_level else None
    told = _exif(path)
    notes = []
    if not any(black):
        notes.append(f"{NO_BLACK}: taken as 0; a dark or a bias takes the offset out")
    if white is None or white == 65535.0:
        notes.append("no white level is stated: the level of clipping is measured")
    camera = " ".join(part for part in (told.get("make"), told.get("model")) if part)
    return Head(
        path=path,
        kind="raw",
        shape=(int(raw.sizes.height), int(raw.sizes.width)),
        pattern=pattern,
        black=(black[0], black[1], black[2], black[3]),
        white=white,
        camera=camera,
        facts=_raw_facts(raw, told, white),
        notes=tuple(notes),
        whole=True,
    )


def _raw_pattern(path: Path, raw: Any) -> tuple[str, tuple[int, ...]]:
    """Return the letters of the first 2x2 photosites and their colour indices, or refuse and say what it is."""
    cell = raw.raw_pattern
    names = raw.color_desc.decode("ascii", errors="replace")
    advice = "use a camera with a 2x2 array of red, green and blue, or give demosaiced frames as FITS"
    if cell is None or raw.num_colors == 1:
        raise _other_sensor(
            path, "pictures without a mosaic: one colour, or all colours at each place", advice
        )
    if cell.shape != (2, 2):
        size = f"{cell.shape[0]}x{cell.shape[1]}"
        raise _other_sensor(
            path, f"a mosaic that repeats after {size} photosites, no 2x2 Bayer array", advice
        )
    if raw.num_colors != 3 or set(names) != set(_LETTERS):
        raise _other_sensor(path, f"a mosaic of the colours {names}, not of red, green and blue", advice)
    indices = tuple(int(index) for index in cell.ravel())
    pattern = "".join(names[index] for index in indices)
    if pattern not in PATTERNS:
        raise _other_sensor(path, f"the pattern {pattern}", advice)
    return pattern, indices


def _other_sensor(path: Path, found: str, advice: str) -> InputError:
    return InputError(str(path), found=f"the sensor gives {found}", expected=EXPECTED, advice=advice)


def _photosites(path: Path, raw: Any, head: Head) -> NDArray[np.uint16]:
    image = raw.raw_image_visible
    if image is None or image.ndim != 2:
        raise _other_sensor(path, "several values at each place", "give its pictures as FITS instead")
    names = raw.color_desc.decode("ascii", errors="replace")
    # of four photosites only: a map of all their colours takes as long as the photosites themselves
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    seen = "".join(names[raw.raw_color(top + y, left + x)] for y in (0, 1) for x in (0, 1))
    if seen != head.pattern:
        raise InputError(str(path), found=f"its photosites start with {seen}", expected=f"{head.pattern}")
    # a view into memory that is freed when the file is closed
    return np.array(image, dtype=np.uint16, order="C")


def _raw_facts(raw: Any, told: Mapping[str, Any], white: float | None) -> Facts:
    other = raw.other
    exposure = float(other.shutter_speed) if other is not None else 0.0
    iso = (float(other.iso_speed) if other is not None else 0.0) or float(told.get("iso", 0.0))
    when = other.timestamp if other is not None else None
    return Facts(
        exposure_s=exposure if exposure > 0.0 else None,
        frames=1,
        temperature_c=told.get("temperature"),
        iso=iso if iso > 0.0 else None,
        full_scale=white,
        # a camera's clock knows no time zone
        date_obs=when.replace(tzinfo=None).isoformat() if when is not None and when.year > 1970 else None,
        rows="top-down",
    )


def _exif(path: Path) -> dict[str, Any]:
    """Return maker, model, speed and temperature of a raw that is a TIFF inside; nothing where it is none."""
    if not first_bytes(path).startswith((b"II*\0", b"MM\0*")):
        return {}
    import tifffile

    told: dict[str, Any] = {}
    try:
        with reading(path, kind="TIFF"), tifffile.TiffFile(path) as file:
            tags = file.pages.first.tags
            for key, code in (("make", 271), ("model", 272)):
                if code in tags and isinstance(tags[code].value, str):
                    told[key] = " ".join(tags[code].value.split())
            exif = tags[_EXIF_IFD].value if _EXIF_IFD in tags else {}
            plain = {tag.code: tag.value for tag in tags}
    except InputError:
        return told
    exif = exif if isinstance(exif, dict) else {}
    iso = exif.get("PhotographicSensitivity", exif.get("ISOSpeedRatings", plain.get(_EXIF_ISO)))
    warmth = exif.get("AmbientTemperature", exif.get("Temperature", plain.get(_EXIF_TEMPERATURE)))
    if isinstance(iso, tuple) and iso:
        iso = iso[0]
    if isinstance(iso, (int, float)):
        told["iso"] = float(iso)
    if isinstance(warmth, tuple) and len(warmth) == 2 and warmth[1]:
        told["temperature"] = warmth[0] / warmth[1]
    return told


def _is_cfa_tiff(path: Path) -> bool:
    if not path.is_file() or not first_bytes(path).startswith((b"II*\0", b"MM\0*")):
        return False
    import tifffile

    try:
        with reading(path, kind="TIFF"), tifffile.TiffFile(path) as file:
            tags = file.pages.first.tags
            return 50706 in tags or (262 in tags and int(tags[262].value) == 32803)
    except InputError:
        return False


def _clip_level(pixels: NDArray[Any], head: Head) -> float | None:
    top = np.fmax.reduce(pixels, axis=None)
    middle = 0.5 * (max(head.black) + (head.white if head.white is not None else 0.0))
    if not np.isfinite(top) or top < middle:
        return None
    return float(top) if np.count_nonzero(pixels == top) >= FEWEST_AT_CLIP else None


# --- FITS mosaics -----------------------------------------------------------------------------------------


def _fits_head(path: Path, pattern: str | None) -> Head:
    from blend.files.fits import fits_header_text, peek_fits

    seen = peek_fits(path)
    if len(seen.planes) != 1:
        advice = "give the frames as the camera took them, before demosaicing"
        raise InputError(str(path), found=f"{len(seen.planes)} planes", expected=EXPECTED, advice=advice)
    cards = fits_header_text(path)
    stated = _stated_pattern(path, cards)
    chosen = pattern.upper() if pattern else stated
    if chosen is not None and chosen not in PATTERNS:
        raise InputError(str(path), found=f"the pattern {chosen}", expected=f"one of {', '.join(PATTERNS)}")
    black = tuple(_number(cards, f"BLACK{place}", "BLKLEVEL") for place in (1, 2, 3, 4))
    notes = []
    if any(level is None for level in black):
        notes.append(f"{NO_BLACK}: taken as 0; a dark or a bias takes the offset out")
    levels = [0.0 if level is None else level for level in black]
    return Head(
        path=path,
        kind="FITS",
        shape=seen.shape,
        pattern=chosen,
        black=(levels[0], levels[1], levels[2], levels[3]),
        white=seen.facts.full_scale,
        camera=" ".join(cards.get("INSTRUME", "").split()),
        facts=seen.facts,
        notes=tuple(notes),
        whole=seen.depth in ("uint8", "uint16"),
    )


def _stated_pattern(path: Path, cards: Mapping[str, str]) -> str | None:
    """Return the pattern at the first stored photosite: BAYERPAT moved by XBAYROFF and YBAYROFF."""
    text = cards.get("BAYERPAT", cards.get("COLORTYP", "")).strip().upper()
    if text in ("", "NONE", "MONO", "GRAY", "GREY"):
        return None
    if text not in PATTERNS:
        expected = f"one of {', '.join(PATTERNS)}"
        advice = "give the pattern yourself, or the frames as the camera took them"
        raise InputError(str(path), found=f"its BAYERPAT is {text!r}", expected=expected, advice=advice)
    dx, dy = (int(_number(cards, key) or 0.0) % 2 for key in ("XBAYROFF", "YBAYROFF"))
    return "".join(text[2 * ((y + dy) % 2) + (x + dx) % 2] for y in (0, 1) for x in (0, 1))


def _number(cards: Mapping[str, str], *keys: str) -> float | None:
    for key in keys:
        try:
            value = float(cards[key])
        except (KeyError, ValueError):
            continue
        if np.isfinite(value):
            return value
    return None
