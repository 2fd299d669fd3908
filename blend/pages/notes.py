"""Which of a run's warnings ask for a look, and which are notes: true, told, and nothing to decide."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

Entry = Mapping[str, str]


def _cropped(record: Mapping[str, Any]) -> bool:
    return bool(record["recipe"]["output"]["crop"] == "full-coverage")


def _target_known(record: Mapping[str, Any]) -> bool:
    # A grid that is cut before the target is looked for shows what is left of it alone.
    return bool(record["recipe"]["register"]["canvas"] == "reference" and record.get("target_light"))


NOTES: Mapping[str, Callable[[Mapping[str, Any]], bool] | None] = {
    "border": _cropped,  # every dithered stack has one; the picture is cut inside it
    "reading-edge": _cropped,  # the same, made by the sensor's reading
    "rotated": _cropped,
    "crop-cost": _target_known,  # two nights seldom share a camera angle; `target-cut` tells what is lost of the target
    "cosmic-rays": None,  # filled; the next stack of more frames has none
    "odd-card": None,  # what it states is unknown; what is assumed for it is said by a warning of its own
    "flat-dark-unused": None,  # rightly so
    "key-renamed": None,  # it means the same
}
"""Codes of warnings by when they are notes, None for always; every other asks for a look."""


def notes_of(record: Mapping[str, Any]) -> list[Entry]:
    """Return the warnings of a run that nobody need look at."""
    return [entry for entry in record["warnings"] if _is_note(entry, record)]


def warnings_of(record: Mapping[str, Any]) -> list[Entry]:
    """Return the warnings of a run for which it ends as "done, look"."""
    return [entry for entry in record["warnings"] if not _is_note(entry, record)]


def _is_note(entry: Entry, record: Mapping[str, Any]) -> bool:
    code = entry["code"]
    return code in NOTES and ((holds := NOTES[code]) is None or holds(record))
