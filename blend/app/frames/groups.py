"""Frames of one camera: found in folders, held against one another, grouped by how they were taken."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blend.app.frames.table import FrameRow
from blend.base.errors import InputError, StepError
from blend.base.rowblocks import row_blocks
from blend.files.cards import odd_card_note
from blend.files.raw import NO_BLACK, SUFFIXES, Head, peek_mosaic
from blend.files.scratch import FrameStore
from blend.science.sensor import EXPOSURE_SHARE, Rule, combine

FITS_SUFFIXES = frozenset((".fits", ".fit", ".fts"))

WARMEST_SPREAD_C = 5.0
"""Sensors without cooling drift by some degrees in a night; at 5 the dark current has doubled or nearly so."""


@dataclass(frozen=True, kw_only=True)
class Group:
    """Frames that were taken alike: indices into the list of heads, and what they share, in words."""

    members: tuple[int, ...]
    words: str


def expand(paths: Sequence[Path]) -> list[Path]:
    """Return the files meant by files and folders, each once; a folder means the frames in it, by name.

    Raises
    ------
    InputError
        A folder without frames, or no such file or folder.
    """
    found: dict[Path, None] = {}
    for path in paths:
        if not path.is_dir():
            if not path.exists():
                raise InputError(
                    str(path),
                    found="there is no such file or folder",
                    expected="a frame, or a folder of frames",
                    advice="check the path",
                )
            found[path] = None
            continue
        inside = [
            p for p in sorted(path.iterdir()) if p.suffix.lower() in SUFFIXES | FITS_SUFFIXES and p.is_file()
        ]
        if not inside:
            raise InputError(
                str(path),
                found="the folder holds no frames",
                expected="camera raws or FITS files in it",
                advice="check the path",
            )
        found |= dict.fromkeys(inside)
    return list(found)


def read_heads(
    paths: Sequence[Path], *, pattern: str | None, least: int = 2
) -> tuple[list[Head], list[FrameRow]]:
    """Return what the files say, and a row for each that cannot be read; refuse what is not of one camera.

    Raises
    ------
    InputError
        Fewer than ``least`` can be read, or two differ in size, pattern or camera; both are named.
    """
    if len(paths) < least:
        raise InputError(
            str(paths[0]) if paths else "FRAMES",
            found=f"{len(paths)} frame" if len(paths) == 1 else "no frames",
            expected=f"at least {least}",
            advice="name all the frames, or their folder",
        )
    heads, faults = [], []
    for path in paths:
        try:
            heads.append(peek_mosaic(path, pattern=pattern))
        except InputError as fault:
            faults.append((path, fault))
    if len(heads) < least:
        raise faults[0][1]
    for head in heads[1:]:
        _check_same_camera(head, heads[0])
    return heads, [unread(path, fault) for path, fault in faults]


def notes_of(heads: Sequence[Head], *, offset_known: bool = False) -> list[str]:
    """Return what was assumed of frames and which of their cards make no sense; what several say is told once.

    Where dark or bias tell the offset, nobody needs a black.
    """
    told = (note for head in heads for note in head.notes)
    notes = dict.fromkeys(note for note in told if not (offset_known and note.startswith(NO_BLACK)))
    alike: dict[tuple[str, ...], list[Head]] = {}
    for head in heads:
        alike.setdefault(tuple(card.partition(" = ")[0] for card in head.facts.odd_cards), []).append(head)
    for group in alike.values():
        name = group[0].path.name + (f" and {len(group) - 1} more" * (len(group) > 1))
        notes |= dict.fromkeys(text for _, text in odd_card_note(group[0].facts, name))
    return list(notes)


def unread(path: Path, fault: InputError) -> FrameRow:
    """Return the row of a frame that is left out because it cannot be read."""
    return FrameRow(file=str(path), kept=False, why=fault.found)


def _check_same_camera(head: Head, first: Head) -> None:
    """Raise `InputError` where two files are not of one camera, binning and crop."""
    for told, mine, theirs in (
        ("pixels", _size(head), _size(first)),
        ("pattern", head.pattern or "none", first.pattern or "none"),
        ("camera", head.camera, first.camera),
    ):
        if mine and theirs and mine != theirs:
            raise InputError(
                str(head.path),
                found=f"its {told} {'are' if told == 'pixels' else 'is'} {mine}",
                expected=f"{theirs}, as in {first.path.name}",
                advice="stack the frames of one camera, with one crop and binning",
            )


def _size(head: Head) -> str:
    return f"{head.shape[1]} x {head.shape[0]}"


def _group_frames(heads: Sequence[Head], *, exposures_matter: bool) -> list[Group]:
    """Return the frames by exposure (within 2 %), sensitivity and temperature (within 5 degrees C), largest first."""
    groups: list[list[int]] = []
    for index, head in enumerate(heads):
        for members in groups:
            if _alike(head, heads[members[0]], exposures_matter=exposures_matter):
                members.append(index)
                break
        else:
            groups.append([index])
    groups.sort(key=lambda members: (-len(members), members[0]))
    return [Group(members=tuple(members), words=_words([heads[i] for i in members])) for members in groups]


def _alike(head: Head, other: Head, *, exposures_matter: bool) -> bool:
    mine, theirs = head.facts, other.facts
    ratio = mine.exposure_s / theirs.exposure_s if mine.exposure_s and theirs.exposure_s else 1.0
    if exposures_matter and abs(ratio - 1.0) > EXPOSURE_SHARE:
        return False
    if mine.iso and theirs.iso and mine.iso != theirs.iso:
        return False
    if mine.temperature_c is not None and theirs.temperature_c is not None:
        return abs(mine.temperature_c - theirs.temperature_c) <= WARMEST_SPREAD_C
    return True


def _words(heads: Sequence[Head]) -> str:
    parts = []
    for name, unit, values in (
        ("", " s", [h.facts.exposure_s for h in heads]),
        ("ISO ", "", [h.facts.iso for h in heads]),
        ("", " C", [h.facts.temperature_c for h in heads]),
    ):
        known = sorted({value for value in values if value is not None})
        if known:
            span = f"{known[0]:g}" if known[0] == known[-1] else f"{known[0]:g} to {known[-1]:g}"
            parts.append(f"{name}{span}{unit}")
    return ", ".join(parts) or "nothing stated"


def choose_group(heads: Sequence[Head], kind: str, *, mixed: bool, group: int | None) -> list[int]:
    """Return the indices of the frames to stack: all of one group, or what the user asked for.

    Raises
    ------
    InputError
        The frames fall into several groups and nobody said what to do.
    """
    groups = _group_frames(heads, exposures_matter=kind != "flat")
    if group is not None:
        if not 1 <= group <= len(groups):
            raise InputError(
                "--group", found=f"{group}", expected=f"1 to {len(groups)}: {_listed(groups, heads)}"
            )
        return sorted(groups[group - 1].members)
    if len(groups) == 1 or mixed:
        return list(range(len(heads)))
    raise InputError(
        str(heads[groups[1].members[0]].path),
        found=f"the {kind} frames were not taken alike: {_listed(groups, heads)}",
        expected="one exposure, sensitivity and temperature",
        advice="choose with --group NUMBER, or stack them all the same with --mixed",
    )


def _listed(groups: Sequence[Group], heads: Sequence[Head]) -> str:
    return "; ".join(
        f"group {number}: {len(g.members)} frame{'s' if len(g.members) > 1 else ''} of {g.words} "
        f"({heads[g.members[0]].path.name}{' ...' if len(g.members) > 1 else ''})"
        for number, g in enumerate(groups, start=1)
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Sum:
    """A whole stack: pixels, how many values were used and left out at every pixel, and frame by frame."""

    pixels: NDArray[np.float32]
    kept: NDArray[np.uint16]
    rejected: NDArray[np.uint16]
    rejected_share: NDArray[np.float64]


def combine_store(
    store: FrameStore,
    chosen: list[int],
    rules: Sequence[Rule],
    *,
    weights: NDArray[np.floating],
    scales: NDArray[np.floating],
    offsets: NDArray[np.floating],
    tile_bytes: int,
    ground: NDArray[np.float32] | None = None,
    told: Callable[[float], None] = lambda share: None,
) -> Sum:
    """Combine the chosen frames of a store, strip by strip, less the ``ground`` (rows, columns).

    ``weights``, ``scales`` and ``offsets`` are (planes, frames); two strips take at most ``tile_bytes``.
    """
    planes, rows, columns = store.shape
    pixels = np.empty(store.shape, dtype=np.float32)
    kept = np.empty((rows, columns), dtype=np.uint16)
    rejected = np.zeros((rows, columns), dtype=np.uint16)
    out = np.zeros(len(chosen))
    seen = np.zeros(len(chosen))
    strips = row_blocks(rows, height=max(1, tile_bytes // 2 // (4 * columns * len(chosen))))
    places = [(plane, strip) for plane in range(planes) for strip in strips]
    with ThreadPoolExecutor(max_workers=1) as ahead:
        # the next strip is read while this one is combined
        coming = ahead.submit(store.rows, *places[0], chosen)
        for number, (plane, strip) in enumerate(places):
            tile = coming.result()
            if number + 1 < len(places):
                coming = ahead.submit(store.rows, *places[number + 1], chosen)
            if ground is not None:
                tile -= ground[strip]
            done = combine(
                tile, rules[plane], weights=weights[plane], scales=scales[plane], offsets=offsets[plane]
            )
            pixels[plane, strip] = done.values
            kept[strip] = done.kept if plane == 0 else np.minimum(kept[strip], done.kept)
            rejected[strip] = np.maximum(rejected[strip], done.rejected)
            out += done.rejected_by_frame
            seen += done.values_by_frame
            told((number + 1) / len(places))
    return Sum(pixels=pixels, kept=kept, rejected=rejected, rejected_share=out / np.maximum(seen, 1.0))


def parse_memory(text: str) -> int:
    """Return bytes for a size such as ``2GiB``, ``1500MB`` or ``800M``.

    Raises
    ------
    InputError
        No such size.

    Examples
    --------
    >>> parse_memory("2GiB"), parse_memory("1.5 GB"), parse_memory("800M")
    (2147483648, 1500000000, 838860800)
    """
    import re

    units = {"": 1, "k": 2**10, "m": 2**20, "g": 2**30, "t": 2**40}
    match = re.fullmatch(r"\s*(\d{1,15}(?:\.\d{1,15})?)\s*([kmgt]?)(i?)(b?)\s*", text, re.IGNORECASE)
    if match is None:
        raise InputError("--memory", found=repr(text), expected="a size such as 2GiB or 800M")
    number, letter, binary, unit = match.groups()
    factor = units[letter.lower()]
    if letter and unit and not binary:
        factor = 1000 ** (list(units).index(letter.lower()))
    return int(float(number) * factor)


def refuse_too_small(memory_bytes: int, needed: int) -> None:
    """Raise `StepError` where the frames do not even pass one by one.

    Raises
    ------
    StepError
        Less memory than one band of all frames takes.
    """
    if memory_bytes < needed:
        expected = f"at least {needed / 2**20:.0f} MiB for frames of this size"
        advice = "allow more memory, or stack one pixel for 2 x 2 with --demosaic half"
        raise StepError("--memory", found=f"{memory_bytes / 2**20:.0f} MiB", expected=expected, advice=advice)


def too_few(kind: str, count: int, why: str) -> StepError:
    """Return the fault of a stack of which not even two frames are left."""
    return StepError(
        f"stack {kind}",
        found=f"{count} of the frames can be stacked ({why})",
        expected="at least two" + " of one field" * (kind == "light"),
        advice="look at the frames that were left out, or at the folder that was named",
    )
