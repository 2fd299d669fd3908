"""A catalogue of star colours: a CSV with the columns ra, dec and b_v."""

from __future__ import annotations

import csv
import math
from array import array
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError

COLUMNS = ("ra", "dec", "b_v")
LIMITS = {"ra": (0.0, 360.0), "dec": (-90.0, 90.0), "b_v": (-1.0, 6.0)}
"""Degrees, degrees and magnitudes; no star is bluer or redder than this."""

LARGEST_BYTES = 32_000_000
"""Half a million stars or so: far more than a field holds."""


def read_catalogue(path: Path) -> NDArray[np.float64]:
    """Return the stars of a catalogue, (n, 3): right ascension and declination in degrees (ICRS), and B - V.

    The first line names the columns, in any order and case, others are ignored; lines that begin with ``#`` are
    comments. A star without a finite number in all three columns is left out.

    Raises
    ------
    InputError
        Unreadable, larger than 32 MB, not text, without one of the columns, a word or a number out of range where a
        number should be, or no star.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise _fault(path, f"more than {LARGEST_BYTES // 1_000_000} MB", "cut out the stars of the field")
        with path.open(encoding="utf-8-sig", newline="") as file:
            values = _values(path, csv.reader(line for line in file if not line.startswith("#")))
    except OSError as fault:
        raise _fault(path, (fault.strerror or type(fault).__name__).lower(), "check the path") from None
    except (UnicodeDecodeError, csv.Error):
        raise _fault(path, "not a table in plain text", "save it as CSV, UTF-8") from None
    stars = np.frombuffer(values, dtype=np.float64).reshape(-1, 3)
    stars = stars[np.isfinite(stars).all(axis=1)]
    if not len(stars):
        raise _fault(path, "no star with a position and a colour", "check that the table is not empty")
    return stars


def _values(path: Path, rows: Iterator[list[str]]) -> array[float]:
    names = [name.strip().casefold() for name in next(rows, [])]
    absent = [name for name in COLUMNS if name not in names]
    if absent:
        found = f"no column {' and no column '.join(absent)} among: {', '.join(names[:12]) or 'none'}"
        raise _fault(path, found, "name the columns in the first line; a comma parts them")
    places = [names.index(name) for name in COLUMNS]
    values = array("d")
    for number, row in enumerate(rows, start=2):
        if row:
            values.extend(
                _number(path, row[place] if place < len(row) else "", name, number)
                for place, name in zip(places, COLUMNS, strict=True)
            )
    return values


def _number(path: Path, text: str, name: str, row: int) -> float:
    """Return the number of a cell; NaN for an empty one."""
    try:
        value = float(text) if text.strip() else math.nan
    except ValueError:
        value = math.inf
    low, high = LIMITS[name]
    if not (low <= value <= high or math.isnan(value)):
        wanted = f"{name} from {low:g} to {high:g}" + ("" if name == "b_v" else " degrees")
        found = f"{text.strip()[:40]!r} in column {name}, row {row}"
        advice = "mend the cell, or leave it empty: the star is then left out"
        raise InputError(str(path), found=found, expected=wanted, advice=advice)
    return value


def _fault(path: Path, found: str, advice: str) -> InputError:
    expected = "a CSV of stars with the columns ra, dec (degrees, ICRS) and b_v"
    return InputError(str(path), found=found, expected=expected, advice=advice)
