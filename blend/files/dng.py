"""Write a mosaic as an uncompressed integer DNG, for invented frames and for tests."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.files.whole import writing

_CFA = {"R": 0, "G": 1, "B": 2}


def write_dng(
    path: Path,
    mosaic: NDArray[np.integer],
    *,
    pattern: str,
    black: tuple[int, int, int, int] = (512, 512, 512, 512),
    white: int = 16383,
    exposure_s: float | None = None,
    orientation: int = 1,
    **told: Any,
) -> None:
    """Write photosites as they are.

    Parameters
    ----------
    path : Path
    mosaic : (rows, columns) integer
        0 to 65535.
    pattern : str
        ``"RGGB"`` for example.
    black : tuple of four int
        Of the photosites of a cell, in reading order.
    white : int
    exposure_s : float, optional
    orientation : int
        1 to 8, as in TIFF.
    told : optional
        ``camera`` (str), ``iso`` (int), ``temperature_c`` (float), ``date`` (datetime).

    Notes
    -----
    Speed and temperature stand beside the rest, where a reader of TIFF finds them; a camera keeps them in a table of
    their own. Integers only: floats would be rescaled by their own maximum when they are read.

    References
    ----------
    Adobe DNG Specification 1.4 (tag numbers from memory, tried against LibRaw 0.22).
    """
    import tifffile

    camera = str(told.get("camera", "Invented Lantern 24"))
    maker, _, model = camera.partition(" ")
    tags: list[tuple[int, Any, int, Any, bool]] = [
        (254, "I", 1, 0, True),
        (271, "s", 0, maker, True),
        (272, "s", 0, model or maker, True),
        (274, "H", 1, orientation, True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, bytes(_CFA[letter] for letter in pattern), True),
        (50706, "B", 4, bytes((1, 4, 0, 0)), True),
        (50707, "B", 4, bytes((1, 1, 0, 0)), True),
        (50708, "s", 0, camera, True),
        (50710, "B", 3, bytes((0, 1, 2)), True),
        (50711, "H", 1, 1, True),
        (50713, "H", 2, (2, 2), True),
        (50714, "H", 4, black, True),
        (50717, "H", 1, white, True),
        (50721, "2i", 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50728, "2I", 3, (1, 2, 1, 1, 3, 5), True),
        (50778, "H", 1, 21, True),
    ]
    if exposure_s is not None:
        share = Fraction(exposure_s).limit_denominator(100_000)
        tags.append((33434, "2I", 1, (share.numerator, share.denominator), True))
    if "iso" in told:
        tags.append((34855, "H", 1, int(told["iso"]), True))
    if "temperature_c" in told:
        tags.append((37888, "2i", 1, (round(10 * told["temperature_c"]), 10), True))
    if "date" in told:
        date: datetime = told["date"]
        tags.append((306, "s", 0, date.strftime("%Y:%m:%d %H:%M:%S"), True))
    with writing(path):
        tifffile.imwrite(
            path,
            np.ascontiguousarray(mosaic, dtype=np.uint16),
            photometric=32803,
            compression=None,
            metadata=None,
            software=False,
            extratags=tags,
        )
