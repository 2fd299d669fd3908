"""From frames to a master: darks, flats and bias here, lights in `lights`; all within a bound of memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.frames.groups import (
    Sum,
    choose_group,
    combine_store,
    expand,
    notes_of,
    read_heads,
    refuse_too_small,
    too_few,
    unread,
)
from blend.app.frames.stacked import (
    BASE_BYTES,
    Kind,
    Stacked,
    StackOptions,
    black_plane,
    check_master,
    offset_plane,
    shared_cards,
    tell_disk,
    write_master,
)
from blend.app.frames.table import FrameRow
from blend.base.errors import InputError
from blend.base.robust import clipped_mean, median_and_sigma
from blend.base.rowblocks import thread_count
from blend.base.shares import in_percent
from blend.files.raw import Head, read_counts, read_mosaic
from blend.files.scratch import FrameStore
from blend.files.seal import sealed
from blend.files.whole import write_whole
from blend.recipe.state import Event, Listener
from blend.science.plane import local_noise, sample_pixels
from blend.science.sensor import half_size
from blend.science.stars import find_stars

STARS_OF_A_LIGHT = 12
"""A dark has no stars; groups of hot pixels that look like one are few, and the same in every frame."""

MOST_STAR_PX = 1600
"""Edge of the square in which stars are looked for among darks."""

_AT_ONCE = 2
"""Frames that are read side by side: each takes three times its own size while it is measured."""

LEAK_SIGMA = 6.0
BRIGHT_BIAS = 0.05
"""A frame so far above the stated black, as a share of full scale, is no bias: black is known to a few counts."""

BRIGHT_FLAT, DIM_FLAT = 0.9, 0.02
"""A flat whose level passes these shares of full scale is overexposed, or hardly exposed at all."""


def stack_frames(
    kind: Kind,
    frames: Sequence[Path],
    *,
    out: Path,
    options: StackOptions | None = None,
    listener: Listener | None = None,
) -> Stacked:
    """Make one master of many frames.

    Parameters
    ----------
    kind : "light", "dark", "flat" or "bias"
    frames : sequence of Path
        Files and folders.
    out : Path
        A FITS file.
    options : StackOptions, optional
    listener : callable, optional
        Is told of progress.

    Raises
    ------
    FaultList
        A result would replace a file that is read, or one that no stack has written.
    InputError
        A frame cannot be read or does not belong to the others.
    StepError
        Too few frames are left, or the memory does not do.
    OutputError
        The master, or the temporary files, cannot be written.
    """
    chosen = options or StackOptions()
    files = expand(frames)
    chosen.refuse(out, files)
    say = listener or (lambda event: None)
    if kind == "light":
        from blend.app.frames.lights import stack_lights

        done = stack_lights(files, out=out, options=chosen, listener=say)
    else:
        done = _stack_calibration(kind, files, out=out, options=chosen, listener=say)
    if chosen.csv is not None:
        write_whole(chosen.csv, sealed(done.csv().encode("utf-8"), kind="csv"))
    return done


# --- darks, flats, bias -----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Aside:
    """What was found in a frame while it was put aside, and its place in the store."""

    index: int
    head: Head
    level: float
    noise: float
    stars: int
    clip: float | None


def _stack_calibration(
    kind: Kind, files: list[Path], *, out: Path, options: StackOptions, listener: Listener
) -> Stacked:
    heads, unreadable = read_heads(files, pattern=options.pattern)
    first = heads[0]
    rows, columns = first.shape
    frame_bytes = 4 * rows * columns
    # two frames in the making with their parts, or the master with its counts; the offset
    needed = BASE_BYTES + 7 * frame_bytes
    refuse_too_small(options.memory_bytes, needed + frame_bytes // 4)
    spare = options.memory_bytes - needed
    offset, notes = _offset_of(kind, first, options)
    with FrameStore(
        len(heads),
        (1, rows, columns),
        memory_bytes=int(0.6 * spare),
        folder=options.temp,
        whole=first.whole,
    ) as store:
        tell_disk(store, listener)
        aside, broken = _put_aside(
            kind, heads, store=store, offset=offset, options=options, listener=listener
        )
        unreadable += broken
        if len(aside) < 2:
            raise too_few(kind, len(aside), unreadable[0].why)
        aside = _one_group(kind, aside, options)
        notes += notes_of([one.head for one in aside], offset_known=options.offset_known)
        verdicts = _judge_frames(kind, aside)
        kept = _kept(kind, verdicts)
        levels = np.array([aside[index].level for index in kept])
        scales = np.median(levels) / levels if kind == "flat" else np.ones(len(kept))
        noise = float(np.median([aside[index].noise for index in kept]))
        total = combine_store(
            store,
            [aside[index].index for index in kept],
            [options.rule(len(kept), least_sigma=0.5 * noise)],
            weights=np.ones((1, len(kept))),
            scales=scales[np.newaxis],
            offsets=np.zeros((1, len(kept))),
            tile_bytes=max(frame_bytes // 8, int(0.3 * spare)),
            ground=offset,
            told=lambda share: listener(Event("stack", "combining", 0.6 + 0.38 * share)),
        )
    notes += _note_on_stars(kind, aside)
    notes += _notes_on(kind, first, total, float(np.median(levels)), noise)
    table = (*(_row(aside, verdicts, kept, total, index) for index in range(len(aside))), *unreadable)
    known = any(first.black) or options.dark is not None or options.bias is not None
    cards = _calibration_cards(kind, [aside[i].head for i in kept], known, total)
    facts = {
        "frames": len(kept),
        "left_out": len(table) - len(kept),
        "level": float(np.median(levels)),
        "noise_of_a_frame": noise,
        "rejected_share": float(total.rejected_share.mean()),
        "temporary_bytes": store.disk_bytes,
    }
    planes = ("photosites",) if first.pattern else ("grey",)
    write_master(out, total, planes=planes, cards=cards, rejected=options.rejected, rows=first.facts.rows)
    return Stacked(out=out, kind=kind, rows=table, facts=facts, notes=tuple(notes))


def _one_group(kind: Kind, aside: list[_Aside], options: StackOptions) -> list[_Aside]:
    """Return the frames that were taken alike, or raise where they are mixed, or one is left."""
    members = choose_group(
        [one.head for one in aside],
        kind,
        mixed=options.mixed,
        group=options.group,
    )
    if len(members) < 2:
        raise too_few(kind, len(members), "only one frame is left in that group")
    return [aside[index] for index in members]


def _offset_of(
    kind: Kind, first: Head, options: StackOptions
) -> tuple[NDArray[np.float32] | None, list[str]]:
    """Return what is taken out of every flat: its dark, the bias, or the stated black; None for darks and bias."""
    if kind != "flat":
        return None, []
    path = options.bias if options.dark is None else options.dark
    if isinstance(path, float):
        return offset_plane(path, first), []
    if path is not None:
        master = read_mosaic(path, pattern=options.pattern)
        check_master(master, first, "bias" if options.dark is None else "dark")
        return master.pixels, []
    notes = []
    if not any(first.black):
        notes.append("the flats have no bias and state no black: their offset makes the correction too weak")
    return black_plane(first), notes


def _put_aside(
    kind: Kind,
    heads: Sequence[Head],
    *,
    store: FrameStore,
    offset: NDArray[np.float32] | None,
    options: StackOptions,
    listener: Listener,
) -> tuple[list[_Aside], list[FrameRow]]:
    """Read every frame once, measure it, and put its counts into the store; at most two are in memory at a time.

    Returned beside them: rows of those that cannot be read.
    """
    pattern = heads[0].pattern

    def read(index: int) -> _Aside | FrameRow:
        path = heads[index].path
        try:
            head, counts, clip = read_counts(path, pattern=options.pattern)
        except InputError as fault:
            return unread(path, fault)
        pixels = counts if offset is None else counts - offset
        store.put(index, counts[np.newaxis])
        return _Aside(
            index=index,
            head=head,
            level=_level_of(pixels),
            noise=_mosaic_noise(pixels, pattern),
            stars=_star_count(pixels, pattern),
            clip=clip,
        )

    workers = min(_AT_ONCE, thread_count())
    done: list[_Aside | FrameRow] = []
    with ThreadPoolExecutor(max_workers=workers) as pool:
        waiting: deque[Future[_Aside | FrameRow]] = deque()
        for index in range(len(heads) + workers):
            if index < len(heads):
                waiting.append(pool.submit(copy_context().run, read, index))
            if index >= workers:
                name, share = heads[len(done)].path.name, len(done) / len(heads)
                listener(Event("stack", f"reading {name}", 0.6 * share))
                try:
                    done.append(waiting.popleft().result())
                except BaseException:
                    pool.shutdown(cancel_futures=True)
                    raise
    return (
        [one for one in done if isinstance(one, _Aside)],
        [one for one in done if isinstance(one, FrameRow)],
    )


def _judge_frames(kind: Kind, aside: Sequence[_Aside]) -> list[str]:
    """Return, for every frame, why it is left out; empty where it is not."""
    verdicts = _lights_among(aside)
    levels, noises = np.array([one.level for one in aside]), np.array([one.noise for one in aside])
    if kind == "flat":
        for index, one in enumerate(aside):
            if verdicts[index]:
                continue
            full = (one.head.white or one.clip or np.inf) - float(np.mean(one.head.black))
            share = levels[index] / full
            if share > BRIGHT_FLAT or (one.clip is not None and levels[index] > 0.95 * one.clip):
                told = in_percent(share, ".0f") or "above 100 %"
                verdicts[index] = f"overexposed: its level is {told} of full scale"
            elif share < DIM_FLAT and np.isfinite(full):
                told = in_percent(share) or "below 0 %"
                verdicts[index] = f"hardly exposed: its level is {told} of full scale"
        return verdicts
    for index, one in enumerate(aside):
        full = (one.head.white or np.inf) - float(np.mean(one.head.black))
        if kind == "bias" and levels[index] - np.mean(one.head.black) > BRIGHT_BIAS * full:
            verdicts[index] = f"its level of {levels[index]:.6g} is that of a frame that saw light"
    good = np.array([not why for why in verdicts])
    middle, spread = median_and_sigma(levels[good]) if good.any() else (0.0, 0.0)
    noise = float(np.median(noises[good])) if good.any() else 0.0
    # what a frame's level may differ by: the scatter of the others, and a tenth of a pixel's noise
    limit = max(LEAK_SIGMA * spread, 0.1 * noise)
    for index in range(len(aside)):
        apart = levels[index] - middle
        if good[index] and len(aside) >= 4 and abs(apart) > limit:
            cause = "light leaked in, or the sensor was warmer" if apart > 0 else "the sensor was colder"
            verdicts[index] = f"its level is {apart:+.3g} from the others' {middle:.6g}: {cause}"
    return verdicts


def _lights_among(aside: Sequence[_Aside]) -> list[str]:
    """Return, for every frame, what gives it away as a light among others; empty where nothing does."""
    usual = _usual_stars(aside)
    return [
        f"{one.stars} stars: it is a light" if one.stars > max(STARS_OF_A_LIGHT - 1, 3.0 * usual) else ""
        for one in aside
    ]


def _kept(kind: Kind, verdicts: Sequence[str]) -> list[int]:
    """Return which frames are stacked, or raise where fewer than two are."""
    kept = [index for index, why in enumerate(verdicts) if not why]
    if len(kept) < 2:
        raise too_few(kind, len(kept), next(why for why in verdicts if why))
    return kept


def _note_on_stars(kind: Kind, aside: Sequence[_Aside]) -> list[str]:
    stars = _usual_stars(aside)
    if stars < STARS_OF_A_LIGHT:
        return []
    return [
        f"the usual {kind} frame holds {stars:.0f} stars: these are lights, or flats of too dark a sky, whose stars "
        "stay in the master unless the telescope moved between them"
    ]


def _usual_stars(aside: Sequence[_Aside]) -> float:
    return float(np.median([one.stars for one in aside]))


def _notes_on(kind: Kind, head: Head, total: Sum, level: float, noise: float) -> list[str]:
    notes = []
    if kind in ("dark", "bias") and any(head.black):
        black = float(np.mean(head.black))
        if abs(level - black) > max(2.0 * noise, 0.02 * black):
            notes.append(
                f"the file states a black of {black:g}, the {kind} lies at {level:.6g}: the {kind} is what counts"
            )
    if kind in ("dark", "bias"):
        rows, columns = total.pixels.shape[1:]
        thirds = [total.pixels[0, rows * j // 3 : rows * (j + 1) // 3] for j in range(3)]
        levels = [
            _level_of(part[:, columns * i // 3 : columns * (i + 1) // 3]) for part in thirds for i in range(3)
        ]
        if max(levels) - min(levels) > max(noise, 2.0):
            notes.append(
                f"the {kind} differs by {max(levels) - min(levels):.3g} from one part of the frame to another: glow of "
                "the sensor, which it takes out, or light that leaked in, which it does not"
            )
    return notes


def _row(
    aside: Sequence[_Aside], verdicts: Sequence[str], kept: list[int], total: Sum, index: int
) -> FrameRow:
    used = index in kept
    return FrameRow(
        file=str(aside[index].head.path),
        kept=used,
        why=verdicts[index],
        level=aside[index].level,
        noise=aside[index].noise,
        weight=1.0 if used else 0.0,
        rejected_share=float(total.rejected_share[kept.index(index)]) if used else None,
    )


def _calibration_cards(kind: Kind, heads: Sequence[Head], offset_known: bool, total: Sum) -> dict[str, Any]:
    first = heads[0]
    cards = shared_cards(heads)
    cards["IMAGETYP"] = f"master {kind}"
    cards["SATURATE"] = (None if kind == "flat" else first.white, "white level, same unit")
    if first.pattern:
        cards |= {"BAYERPAT": first.pattern, "XBAYROFF": 0, "YBAYROFF": 0}
    black = (0.0,) * 4 if kind == "flat" else first.black
    for place, level in enumerate(black, start=1):
        cards[f"BLACK{place}"] = (level, "offset, photosite of the cell")
    if kind == "flat" and offset_known:
        cards["OFFSOUT"] = (True, "the offset was taken out of every frame")
    cards["REJECTED"] = (float(total.rejected_share.mean()), "share of values rejected")
    return cards


# --- what lights need as well -----------------------------------------------------------------------------


def _level_of(pixels: NDArray[Any]) -> float:
    """Return the clipped mean of a sample of the pixels; the median of whole numbers is one of them."""
    return clipped_mean(sample_pixels(pixels, most=100_000), rounds=3)[0]


def _mosaic_noise(pixels: NDArray[Any], pattern: str | None) -> float:
    """Return the noise of one photosite: of neighbours of one kind, the median over the frame."""
    part = pixels if pattern is None else pixels[::2, ::2]
    return float(np.median(local_noise(np.ascontiguousarray(part, dtype=np.float32))))


def _star_count(pixels: NDArray[Any], pattern: str | None) -> int:
    # the middle of the frame does, and costs the same for any sensor
    rows, columns = (2 * max(0, (length - MOST_STAR_PX) // 4) for length in pixels.shape)
    part = pixels[rows : rows + MOST_STAR_PX, columns : columns + MOST_STAR_PX].astype(np.float32)
    plane = part if pattern is None else half_size(part, pattern)[1]
    return len(find_stars(plane, threshold_sigma=7.0))
