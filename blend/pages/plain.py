"""A plain page where a page could not be drawn: the results beside it are sound, and it says what went wrong."""

from __future__ import annotations

import html
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from blend.base.errors import OutputError

Drawn = TypeVar("Drawn")


def drawn_or_why(draw: Callable[[], Drawn]) -> tuple[Drawn | None, str]:
    """Return what ``draw`` makes and an empty text, or None and the fault and its place where it cannot.

    Raises
    ------
    OutputError
        A result could not be written: that is no fault of the drawing.

    Examples
    --------
    >>> drawn_or_why(lambda: "<p>whole")
    ('<p>whole', '')
    """
    try:
        return draw(), ""
    except OutputError:
        raise
    except Exception as fault:  # noqa: BLE001 - whatever it is, results that are sound must not be lost for a page
        return None, _told(fault)


def page_or_plain(draw: Callable[[], str], *, title: str, beside: str) -> tuple[str, str]:
    """Return the page that ``draw`` makes, or a plain one that says why there is none, and that reason in a sentence.

    Parameters
    ----------
    draw : callable
        Returns an HTML page.
    title : str
        What the page would have been, as "report of lantern-spiral"; escaped.
    beside : str
        What is sound all the same: "the pictures and the record".

    Returns
    -------
    page, reason : str
        The reason is empty where the page was drawn.

    Raises
    ------
    OutputError
        As `drawn_or_why`.
    """
    drawn, why = drawn_or_why(draw)
    if drawn is not None:
        return drawn, ""
    reason = f"{why}; {beside} are whole"
    words, sentence = html.escape(title), html.escape(f"The {title} could not be drawn: {reason}.")
    page = f'<!doctype html>\n<html lang="en"><meta charset="utf-8"><title>{words}</title>\n<p>{sentence}</p></html>\n'
    return page, reason


def _told(fault: Exception) -> str:
    """Return what a fault is and where in the program it rose."""
    frames = traceback.extract_tb(fault.__traceback__)
    place = f" ({Path(frames[-1].filename).name}, line {frames[-1].lineno})" if frames else ""
    return f"{type(fault).__name__}: {fault}{place}".replace("\n", " ")
