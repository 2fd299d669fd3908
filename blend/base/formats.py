"""The formats of a result and the file that each leaves: one table for recipe, writer, terminal and summaries."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from blend.base.registry import Registry


@dataclass(frozen=True)
class Format:
    """A format that ``output.formats`` may ask for."""

    name: str
    file: str  # name of the picture's file in the folder of the results
    about: str
    browser: bool = False  # whether a browser shows it
    beside: tuple[str, ...] = ()  # files of data that come with it


_DATA = ("linear", "emission", "emission-sigma", "emission-weight", "star-mask")

FORMATS: Registry[Format] = Registry(
    "format",
    [
        # In the order in which one looks at them; the preview takes longest to write and is begun first.
        Format("png", "preview.png", "8 bits, long edge 2048 px at most", browser=True),
        Format("jpeg", "web.jpg", "JPEG, long edge 2048 px at most", browser=True),
        Format("tiff", "result.tif", "16 bits, full size"),
        Format("print", "print.tif", "16 bits, full size, 300 dpi"),
        Format("png16", "result.png", "16 bits, full size"),
        Format("p3", "result-p3.tif", "16 bits, full size, in the wide gamut of Display P3"),
        Format("without", "without.png", "without the lines, all else the same; 16 bits, full size"),
        Format("compare", "compare.png", "without and with the lines, the target's part, captioned"),
        Format(
            "residual", "residual.png", "what noise reduction took out of the luminance, grey where nothing"
        ),
        Format(
            "fits",
            "result.fits",
            "float32, with linear light, emission and star mask in files of their own",
            beside=tuple(f"{name}.fits" for name in _DATA),
        ),
    ],
)


def picture_to_look_at(files: Iterable[str], *, browser: bool = False) -> str | None:
    """Return which file of a results' folder to look at first, of those a browser shows if asked; None if none is.

    Examples
    --------
    >>> picture_to_look_at(["result.tif", "web.jpg", "report.html"])
    'web.jpg'
    >>> picture_to_look_at(["result.tif"], browser=True) is None
    True
    """
    there = set(files)
    shown = (entry.file for entry in FORMATS.values() if entry.browser or not browser)
    return next((file for file in shown if file in there), None)
