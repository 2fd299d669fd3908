"""What is said of a target's run beside others: one word, why it needs a look, and its numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from blend.base.errors import BlendError
from blend.files.record import read_record
from blend.pages.notes import warnings_of
from blend.pages.numbers import batch_numbers
from blend.pages.tiles import tiles
from blend.pages.verdict import run_state, verdict

Label = Literal["failed", "look", "fine"]
LABELS: tuple[Label, ...] = ("failed", "look", "fine")
"""Most urgent first: the order of page and tallies."""
SAID = ("Alignment", "Star colour shift", "Assumed")
"""Tiles whose findings the verdict's lines or the warnings say already."""


@dataclass(frozen=True, kw_only=True)
class Judged:
    """The word for a run, what it has to be looked at for, in sentences, and its numbers by `numbers.COLUMNS`."""

    label: Label
    reasons: tuple[str, ...] = ()
    numbers: Mapping[str, float | None] = field(default_factory=dict)


def judge(record: Mapping[str, Any]) -> Judged:
    """Return what is said of a run, from its record; one that makes no sense has to be looked at."""
    try:
        beyond = [f"{line.what}: {line.text}" for line in verdict(record) if not line.good]
        beyond += [
            f"{tile.what}: {tile.number}, {tile.limit}"
            for tile in tiles(record)
            if tile.mark in ("look", "wrong") and tile.what not in SAID
        ]
        warned = [entry["text"] for entry in warnings_of(record)]
        state: Label = "fine" if run_state(record) == "fine" else "look"
        return Judged(label=state, reasons=(*beyond, *warned), numbers=batch_numbers(record))
    except (KeyError, TypeError, ValueError, AttributeError) as fault:
        reason = f"its record makes no sense ({type(fault).__name__}: {fault}); run it again with --no-resume"
        return Judged(label="look", reasons=(reason,), numbers=batch_numbers(record))


def judge_folder(folder: Path) -> Judged:
    """Return what is said of a run whose results are there."""
    try:
        return judge(read_record(folder / "record.json"))
    except BlendError as fault:
        return Judged(label="look", reasons=(str(fault),))
