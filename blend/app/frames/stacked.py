"""What every kind of stack shares: its options, what it came to, and how a master is written."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.app.frames.groups import Sum
from blend.app.frames.table import FrameRow, as_csv, as_json, as_text
from blend.base.errors import InputError, StepError
from blend.files.cards import cards_of_place
from blend.files.claim import refuse_paths
from blend.files.fits import write_fits
from blend.files.raw import Head, Mosaic
from blend.files.reader import refuse_other_kind
from blend.files.scratch import FrameStore
from blend.files.seal import BLANK, CARD, is_sealed, seal_fits
from blend.files.source import in_words
from blend.files.whole import whole_file
from blend.recipe.state import Event, Listener
from blend.science.sensor import Interpolation, Method, Rule

Kind = Literal["light", "dark", "flat", "bias"]
Demosaic = Literal["gradient", "bilinear", "half"]
GIB = 2**30
"""Bytes in a GiB."""


BASE_BYTES = 240 * 2**20
"""What the program and its libraries take before they hold a frame."""


@dataclass(frozen=True, kw_only=True)
class StackOptions:
    """What the user chose."""

    method: Method | None = None  # None: clipped from seven frames on, the median below
    clip_sigma: float = 3.0  # limit of the clipping in standard deviations
    memory_bytes: int = 2 * GIB
    temp: Path | None = None  # where temporary files go
    pattern: str | None = None  # pattern of FITS mosaics that do not say
    mixed: bool = False  # stack frames of different exposure, sensitivity or temperature all the same
    group: int | None = None  # stack only this group of those
    # dark and flat: masters
    dark: Path | None = None
    flat: Path | None = None
    bias: Path | float | None = None  # A master, or the offset in counts where there are no bias frames
    dark_scaling: Literal["none", "exposure"] = "none"
    line: str | None = None  # lights: name of the line that only the red photosites see
    demosaic: Demosaic = "gradient"
    reference: Path | None = None  # lights: the frame whose grid the master has
    gain_e: float | None = None  # electrons a count
    filter: str | None = None
    rejected: Path | None = None  # where to write how many values were rejected at each pixel
    csv: Path | None = None  # where to write the table of frames
    # files in the way may be lost that no stack has left, but for those the command reads
    overwrite: bool = False

    def refuse(self, out: Path, frames: Sequence[Path]) -> None:
        """Raise `FaultList` where the master or what is written beside it would replace what it must not."""
        masters = (self.dark, self.flat, self.bias, self.reference)
        reads = [*frames, *(path for path in masters if isinstance(path, Path))]
        wanted = [(path, is_sealed) for path in (out, self.rejected, self.csv) if path is not None]
        refuse_paths(wanted, reads=reads, overwrite=self.overwrite)

    @property
    def offset_known(self) -> bool:
        """Whether the offset is told by a dark, by a bias, or as a number."""
        return self.dark is not None or self.bias is not None

    @property
    def taken_out(self) -> tuple[str, ...]:
        """Which of dark, bias and flat a stack is calibrated with."""
        given = {"dark": self.dark, "bias": self.bias, "flat": self.flat}
        return tuple(kind for kind, frame in given.items() if frame is not None)

    @property
    def interpolation(self) -> Interpolation:
        """How planes are interpolated, where they are."""
        return "bilinear" if self.demosaic == "bilinear" else "gradient"

    def rule(self, frames: int, *, least_sigma: float) -> Rule:
        """Return how ``frames`` values of a pixel become one."""
        method = self.method or ("clip" if frames >= 7 else "median")
        return Rule(
            method=method, kappa_low=self.clip_sigma, kappa_high=self.clip_sigma, least_sigma=least_sigma
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Stacked:
    """A master that was written, and how it came about."""

    out: Path
    kind: Kind
    rows: tuple[FrameRow, ...]
    facts: Mapping[str, Any]
    notes: tuple[str, ...]

    def text(self) -> str:
        """Return the table and what there is to say, for a terminal."""
        return as_text(self.rows, kind=self.kind, out=self.out, facts=self.facts)

    def json(self) -> str:
        """Return everything as JSON."""
        return json.dumps(
            {
                "version": 1,
                "kind": self.kind,
                "out": str(self.out),
                "facts": dict(self.facts),
                "frames": as_json(self.rows),
                "notes": list(self.notes),
            },
            indent=2,
            allow_nan=False,
        )

    def csv(self) -> str:
        """Return the table of frames as CSV."""
        return as_csv(self.rows)


def shared_cards(heads: Sequence[Head]) -> dict[str, Any]:
    """Return the cards that frames of any kind share: exposure of one and of all, sensitivity, temperature, date.

    Site and position are those of the first frame that states them.
    """
    exposures = [head.facts.exposure_s for head in heads if head.facts.exposure_s]
    warmth = [head.facts.temperature_c for head in heads if head.facts.temperature_c is not None]
    dates = sorted(head.facts.date_obs for head in heads if head.facts.date_obs)
    whole = len(exposures) == len(heads)
    first = heads[0]
    placed = [cards_of_place(head.facts) for head in heads]
    return {
        **{key: next((cards[key] for cards in placed if cards[key] is not None), None) for key in placed[0]},
        "EXPTIME": (float(np.median(exposures)) if exposures else None, "[s] of one frame"),
        "TOTEXP": (float(np.sum(exposures)) if whole else None, "[s] of all frames together"),
        "NCOMBINE": (len(heads), "frames"),
        "ISO": first.facts.iso,
        "CCD-TEMP": (float(np.mean(warmth)) if warmth else None, "[C] mean of the frames"),
        "DATE-OBS": (dates[0] if dates else None, "start of the first frame"),
        "INSTRUME": first.camera or None,
        "FILTER": first.facts.filter,
    }


def write_master(
    out: Path,
    total: Sum,
    *,
    planes: Sequence[str],
    cards: Mapping[str, Any],
    rejected: Path | None,
    rows: Literal["bottom-up", "top-down"],
) -> None:
    """Write a master, and the map of rejections where it is wanted, whole or not at all."""
    mark = {CARD: BLANK}
    with whole_file(out) as part:
        write_fits(part, total.pixels, planes=planes, cards={**cards, **mark}, rows=rows)
        seal_fits(part)
    if rejected is not None:
        with whole_file(rejected) as part:
            told = {"IMAGETYP": "rejected values", "NCOMBINE": cards.get("NCOMBINE"), **mark}
            counts = total.rejected.astype(np.float32)
            write_fits(part, counts, planes=("count",), cards=told, rows=rows)
            seal_fits(part)


def tell_disk(store: FrameStore, listener: Listener) -> None:
    """Say how much of the disk will be used, before it is."""
    if store.disk_bytes:
        listener(Event("stack", f"using {in_words(store.disk_bytes)} of the disk for a while", 0.0))


def black_plane(head: Head) -> NDArray[np.float32]:
    """Return the stated black of every photosite."""
    rows, columns = head.shape
    cell = np.array(head.black, dtype=np.float32).reshape(2, 2)
    return np.tile(cell, (-(-rows // 2), -(-columns // 2)))[:rows, :columns]


def offset_plane(counts: float, head: Head) -> NDArray[np.float32]:
    """Return one offset for every photosite, where no bias frames tell it; common practice.

    Raises
    ------
    StepError
        It is no count of that sensor.
    """
    if not 0.0 <= counts < (head.white or np.inf):
        expected = f"an offset from 0 to full scale, {head.white:g}" if head.white else "0 or more counts"
        advice = "give the level of a frame without light, in counts, or the path of a master bias"
        raise StepError("--bias", found=f"{counts:g} counts", expected=expected, advice=advice)
    return np.broadcast_to(np.float32(counts), head.shape)


def check_master(master: Mosaic, first: Head, role: str) -> None:
    """Raise `InputError` where a calibration master is of another kind, or has not the frames' size or pattern.

    Raises
    ------
    InputError
        A master of another size or pattern than the frames.
    """
    if master.head.kind == "FITS":
        refuse_other_kind(master.head.path, role)
    mine, theirs = master.head, first
    if mine.shape != theirs.shape or (mine.pattern and theirs.pattern and mine.pattern != theirs.pattern):
        raise InputError(
            str(mine.path),
            found=f"{mine.shape[1]} x {mine.shape[0]} pixels, pattern {mine.pattern or 'none'}",
            expected=f"{theirs.shape[1]} x {theirs.shape[0]}, {theirs.pattern or 'none'}, as in {theirs.path.name}",
            advice="make the master from frames of the same camera, crop and binning",
        )
