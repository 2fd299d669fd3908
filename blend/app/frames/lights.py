"""Light frames to a master: calibrated on the mosaic, made planes, registered, brought to one level, combined."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, degrees
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.frames.few_lights import mask_trail, remove_paired_rays
from blend.app.frames.groups import (
    Sum,
    choose_group,
    combine_store,
    notes_of,
    read_heads,
    refuse_too_small,
    too_few,
)
from blend.app.frames.light_frame import LightFrame, LightPlan, check_dark, measure_frame, prepare_plan
from blend.app.frames.stacked import BASE_BYTES, Stacked, StackOptions, shared_cards, tell_disk, write_master
from blend.app.frames.table import FrameRow
from blend.base.errors import InputError, StepError
from blend.base.shares import in_percent
from blend.files.raw import Head
from blend.files.scratch import FrameStore
from blend.recipe.state import Event, Listener
from blend.science.grid import Alignment, align, apply_matrix, resample, same_grid
from blend.science.plane import SCALES
from blend.science.sensor import effective_frames, flux_ratio, half_matrix, judge_drift, mean_noise
from blend.science.stars import star_fluxes

CLOUDED = 0.25
"""Frames that pass less than this share of the best ones' light hold more cloud than sky."""

SOFT = 2.0
"""Frames whose stars are so many times as wide as the usual one are out of focus, or trailed."""


def stack_lights(files: list[Path], *, out: Path, options: StackOptions, listener: Listener) -> Stacked:
    """Make a master of light frames; see `stack.stack_frames`.

    Raises
    ------
    StepError
        Too few frames can be registered.
    """
    heads, unreadable = read_heads(files, pattern=options.pattern, least=1)
    members = choose_group(heads, "light", mixed=options.mixed, group=options.group)
    frames = [LightFrame(index, heads[member]) for index, member in enumerate(members)]
    first = frames[0].head
    needed = _working_bytes(first, options)
    refuse_too_small(options.memory_bytes, needed + 2**20)
    spare = options.memory_bytes - needed
    listener(Event("stack", "preparing dark, flat and bias", 0.0))
    plan, notes = prepare_plan(first, options, frames=len(frames))
    notes += notes_of([frame.head for frame in frames], offset_known=options.offset_known)
    with (
        FrameStore(
            len(frames), (len(plan.planes), *plan.shape), memory_bytes=int(0.6 * spare), folder=options.temp
        ) as store,
        FrameStore(
            len(frames), (1, *plan.shape), memory_bytes=int(0.1 * spare), folder=options.temp
        ) as flag_store,
    ):
        tell_disk(store, listener)
        for frame in frames:
            listener(Event("stack", f"calibrating {frame.head.path.name}", 0.45 * frame.index / len(frames)))
            measure_frame(frame, plan, store, flag_store)
            mask_trail(frame, plan, store)
            notes += frame.notes
        notes += check_dark(frames, plan)
        _leave_out_the_soft(frames)
        reference = _choose_reference(frames, options.reference)
        _register(frames, reference, plan, store, flag_store, listener)
        kept = [frame for frame in frames if frame.kept]
        if len(kept) < min(2, len(frames)):
            raise too_few("light", len(kept), next(frame.why for frame in frames if frame.why))
        total = _combine(kept, plan, store, spare, listener)
    notes += [words for words in [_drift_words(kept, plan.shape)] if words]
    cards = _light_cards(kept, reference, plan, total)
    write_master(
        out, total, planes=plan.planes, cards=cards, rejected=options.rejected, rows=first.facts.rows
    )
    rows = (*(_row(frame, kept, total, plan.shape) for frame in frames), *unreadable)
    rays = [frame.rays for frame in kept if frame.rays is not None]
    facts = {
        "frames": len(kept),
        "left_out": len(rows) - len(kept),
        "reference": str(reference.head.path),
        "exposure_s": first.facts.exposure_s,
        "total_exposure_s": _total_exposure(kept),
        "planes": list(plan.planes),
        "noise": _told_noise(kept, plan),
        "effective_frames": effective_frames(np.array([frame.weight for frame in kept])),
        "gain_e": cards["EGAIN"][0],
        "rejected_share": float(total.rejected_share.mean()),
        "rays": sum(rays) if rays else None,
        "temporary_bytes": store.disk_bytes + flag_store.disk_bytes,
    }
    return Stacked(out=out, kind="light", rows=rows, facts=facts, notes=tuple(notes))


def _working_bytes(head: Head, options: StackOptions) -> int:
    """Return what one frame in the making needs beside the store.

    In full-frame float32 planes: the mosaic raw and calibrated, offset, inverse flat, masks and parts (6), then each
    plane three times: as measured, as resampled, and in the reference.
    """
    size = 4 * head.shape[0] * head.shape[1]
    if options.line or (options.demosaic == "half" and head.pattern):
        return BASE_BYTES + int(size * (6 + 3 * (0.25 if options.line else 0.75)))
    return BASE_BYTES + size * (6 + 3 * (3 if head.pattern else 1))


# --- registration ---------------------------------------------------------------------------------------------


def _leave_out_the_soft(frames: Sequence[LightFrame]) -> None:
    widths = [frame.fwhm for frame in frames if frame.kept and np.isfinite(frame.fwhm)]
    if len(widths) < 3:
        return
    usual = float(np.median(widths))
    for frame in frames:
        if frame.kept and frame.fwhm > SOFT * usual:
            frame.why = f"stars {frame.fwhm:.1f} px wide, usual are {usual:.1f} px"


def _choose_reference(frames: Sequence[LightFrame], named: Path | None) -> LightFrame:
    """Return the sharpest of the frames with nearly as many stars as the best has, or the one that was named."""
    usable = [frame for frame in frames if frame.kept and frame.stars is not None]
    if not usable:
        raise too_few("light", 0, next((frame.why for frame in frames if frame.why), "none can be read"))
    if named is not None:
        for frame in usable:
            if frame.head.path == named or frame.head.path.name == named.name:
                return frame
        found = "it is none of the frames that can be used"
        raise InputError(str(named), found=found, expected="one of them", advice="name a frame of the stack")
    # by the median, not the most: one frame of another, richer field must not be the reference
    counts = [len(frame.stars) for frame in usable if frame.stars is not None]
    rich = [f for f in usable if f.stars is not None and len(f.stars) >= 0.9 * float(np.median(counts))]
    middle = float(np.median([f.fwhm for f in rich]))
    order = sorted(rich, key=lambda f: (f.fwhm if np.isfinite(f.fwhm) else 10.0 * middle, f.index))
    return next((f for f in order if _has_company(f, rich)), order[0])


def _has_company(frame: LightFrame, others: Sequence[LightFrame]) -> bool:
    """Whether one of the next frames shows the same field: a stray of another target must not be the reference."""
    near = sorted((f for f in others if f is not frame), key=lambda f: abs(f.index - frame.index))
    return any(_aligned(f, frame) is not None for f in near[:3]) if near else True


def _aligned(frame: LightFrame, reference: LightFrame) -> Alignment | None:
    assert frame.stars is not None and reference.stars is not None
    shape = frame.head.shape
    try:
        return align(
            frame.stars,
            reference.stars,
            moving_shape=shape,
            reference_shape=shape,
            transform="similarity",
            where=frame.head.path.name,
        )
    except StepError:
        return None


def _register(
    frames: Sequence[LightFrame],
    reference: LightFrame,
    plan: LightPlan,
    store: FrameStore,
    flag_store: FrameStore,
    listener: Listener,
) -> None:
    """Find every frame's place and transparency, and put it onto the reference's grid."""
    base = store.get(reference.index)
    for frame in frames:
        if not frame.kept:
            continue
        frame.gain = np.ones(len(plan.planes))
        if frame is reference:
            frame.alignment = same_grid(plan.shape, plan.shape)
            continue
        frame.alignment = _aligned(frame, reference)
        if frame.alignment is None:
            frame.why = "its stars are not those of the reference: another target, or too few of them"
            continue
        frame.gain = _transparency(store.get(frame.index), base, frame, reference)
    del base
    for frame, rays in remove_paired_rays([frame for frame in frames if frame.kept], plan, store):
        frame.rays = (frame.rays or 0) + rays
    for number, frame in enumerate(frames):
        listener(Event("stack", f"registering {frame.head.path.name}", 0.45 + 0.25 * number / len(frames)))
        if not frame.kept or frame is reference or frame.alignment is None:
            continue
        pixels = store.get(frame.index)
        flags = flag_store.get(frame.index)[0].astype(np.uint8)
        done, _ = resample(pixels, flags, frame.alignment.matrix, plan.shape)
        store.put(frame.index, done)
    _weigh([frame for frame in frames if frame.kept], plan)


def _weigh(frames: Sequence[LightFrame], plan: LightPlan) -> None:
    """Refer transparency to the typical frame, leave out clouds, and weigh by inverse variance.

    All ratios share the errors of the reference's own fluxes; their median is free of them.
    """
    if not frames:
        return
    typical = np.median([frame.gain for frame in frames], axis=0)
    for frame in frames:
        frame.gain = frame.gain / typical
        clear = frame.gain[plan.star_plane]
        if not clear >= CLOUDED:
            share = in_percent(float(clear), ".0f")
            frame.why = f"clouds: {share} of the star light of the usual frame" if share else "no star light"
            continue
        frame.weight = float(clear / frame.noise[plan.star_plane][1]) ** 2
    best = max(frame.weight for frame in frames)
    for frame in frames:
        frame.weight /= best


def _transparency(
    pixels: NDArray[np.float32], base: NDArray[np.float32], frame: LightFrame, reference: LightFrame
) -> NDArray[np.float64]:
    """Return, a plane, the star light of a frame over that of the reference, from matched stars."""
    alignment = frame.alignment
    assert alignment is not None and reference.stars is not None
    full = reference.stars.xy[reference.stars.saturated]
    clear = np.ones(len(alignment.reference_xy), dtype=np.bool_)
    if len(full):
        apart = np.hypot(*(alignment.reference_xy[:, None] - full[None]).transpose(2, 0, 1))
        clear = apart.min(axis=1) > 1.0
    if clear.sum() < 3:
        clear[:] = True
    mine, theirs = alignment.moving_xy[clear], alignment.reference_xy[clear]
    widths = [width for width in (frame.fwhm, reference.fwhm) if np.isfinite(width)]
    radius = max(2.0, 1.5 * max(widths, default=0.0))
    gains = np.ones(len(pixels))
    for plane, (moving, fixed) in enumerate(zip(pixels, base, strict=True)):
        here, here_error = star_fluxes(moving, mine, radius_px=radius)
        there, there_error = star_fluxes(fixed, theirs, radius_px=radius)
        gains[plane] = flux_ratio(here, there, here_error, there_error)
    return gains


# --- the master -----------------------------------------------------------------------------------------------


def _combine(
    kept: Sequence[LightFrame], plan: LightPlan, store: FrameStore, spare: int, listener: Listener
) -> Sum:
    """Bring the frames to the typical transparency and sky, v = x / gain + offset, and combine them."""
    scales, offsets = _levelling(kept)
    weights = np.array([frame.weight for frame in kept])
    rules = []
    for plane in range(len(plan.planes)):
        noise = float(np.median([frame.noise[plane][1] / frame.gain[plane] for frame in kept]))
        # interpolating and resampling leave a good half of a photosite's noise in a pixel
        rules.append(plan.options.rule(len(kept), least_sigma=0.25 * noise))
    return combine_store(
        store,
        [frame.index for frame in kept],
        rules,
        weights=np.broadcast_to(weights, scales.shape),
        scales=scales,
        offsets=offsets,
        tile_bytes=max(2**20, int(0.25 * spare)),
        told=lambda share: listener(Event("stack", "combining", 0.7 + 0.28 * share)),
    )


def _levelling(kept: Sequence[LightFrame]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return scales and offsets (planes, frames) that bring the frames to the typical transparency and sky."""
    scales = np.array([1.0 / frame.gain for frame in kept]).T
    skies = np.array([frame.sky for frame in kept]).T
    return scales, np.median(scales * skies, axis=1)[:, np.newaxis] - scales * skies


def _saturation(kept: Sequence[LightFrame]) -> NDArray[np.float64]:
    """Return the lowest value, a plane, that a saturated photosite took: a flat spreads the level where it clips."""
    scales, offsets = _levelling(kept)
    full = np.array([frame.full for frame in kept]).T
    return np.asarray(np.min(scales * full + offsets, axis=1))


def _master_noise(kept: Sequence[LightFrame], plane: int, scale: int) -> float:
    sigmas = np.array([frame.noise[plane][scale] / frame.gain[plane] for frame in kept])
    return mean_noise(sigmas, np.array([frame.weight for frame in kept]))


def _told_noise(kept: Sequence[LightFrame], plan: LightPlan) -> dict[str, dict[str, float | None]]:
    told: dict[str, dict[str, float | None]] = {}
    for plane, name in enumerate(plan.planes):
        sigmas = {scale: _master_noise(kept, plane, scale) for scale in SCALES}
        told[name] = {str(scale): s if np.isfinite(s) else None for scale, s in sigmas.items()}
    return told


def _total_exposure(kept: Sequence[LightFrame]) -> float | None:
    exposures = [frame.head.facts.exposure_s for frame in kept]
    known = [exposure for exposure in exposures if exposure is not None]
    return float(np.sum(known)) if len(known) == len(exposures) else None


def _light_cards(
    kept: Sequence[LightFrame], reference: LightFrame, plan: LightPlan, total: Sum
) -> dict[str, Any]:
    cards = shared_cards([frame.head for frame in kept])
    clips = [frame.clip for frame in kept if frame.clip is not None]
    black = float(np.mean(plan.head.black))
    clip = (min(clips) - black) / plan.sensor.span if clips else 1.0
    weights = np.array([frame.weight for frame in kept])
    gain = plan.options.gain_e or plan.head.facts.gain_e
    equal = effective_frames(weights)
    cards |= {
        "IMAGETYP": "master light",
        "TAKENOUT": (" ".join(plan.options.taken_out) or None, "what every frame was calibrated with"),
        "SATURATE": (clip, "where the sensor clips"),
        "EGAIN": (None if gain is None else gain * plan.sensor.span * equal, "[e] in 1.0 of the mean"),
        "NEFF": (equal, "equal frames that the weights are worth"),
        "FILTER": plan.options.filter or plan.options.line or plan.head.facts.filter,
        "REFFRAME": (reference.head.path.name, "its grid is the master's"),
        "REJECTED": (float(total.rejected_share.mean()), "share of values rejected"),
    }
    full = _saturation(kept)
    for plane, name in enumerate(plan.planes):
        letter = name[0].upper() if len(plan.planes) == 3 else ""
        if np.isfinite(full[plane]):
            cards[f"{letter}SATLEV"] = (float(full[plane]), f"{name}, least value of a saturated photosite")
        for scale in SCALES:
            key = f"{letter}NOIS{'E' if not letter else ''}{scale}"
            cards[key] = (_master_noise(kept, plane, scale), f"{name}, means of {scale} px")
    return cards | _grid_cards(plan)


def _grid_cards(plan: LightPlan) -> dict[str, Any]:
    """Return where the master's pixels lie among the photosites: x_full = XYSCALE x + X0, counted from 0.

    LTMi_i and LTVi say the same in the older words for a part of a picture: X_here = LTM1_1 X_full + LTV1, counted from
    1 (from memory).
    """
    pattern = plan.head.pattern
    if pattern is None or (not plan.line and plan.options.demosaic != "half"):
        return {}
    scale, x0, y0 = 2.0, *half_matrix(pattern, "red" if plan.line else "green")[:2, 2]
    return {
        "XYSCALE": (scale, "x_full = XYSCALE x + X0, from 0"),
        "X0": (float(x0), "column of photosites of the first pixel"),
        "Y0": (float(y0), "row of photosites of the first pixel"),
        "LTM1_1": 1.0 / scale,
        "LTM2_2": 1.0 / scale,
        "LTV1": 1.0 - (1.0 + float(x0)) / scale,
        "LTV2": 1.0 - (1.0 + float(y0)) / scale,
    }


def _turn(matrix: NDArray[np.floating]) -> float:
    return degrees(atan2(matrix[1, 0], matrix[0, 0]))


def _shift(matrix: NDArray[np.floating], shape: tuple[int, int]) -> NDArray[np.float64]:
    centre = np.array([[(shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0]])
    moved: NDArray[np.float64] = (apply_matrix(matrix, centre) - centre)[0]
    return moved


def _row(frame: LightFrame, kept: Sequence[LightFrame], total: Sum, shape: tuple[int, int]) -> FrameRow:
    plane = 1 if frame.sky.size == 3 else 0
    told: dict[str, Any] = {}
    if frame.alignment is not None:
        (x, y), turn = _shift(frame.alignment.matrix, shape), _turn(frame.alignment.matrix)
        told = {"shift_x_px": float(x), "shift_y_px": float(y), "turn_deg": turn, "flipped": abs(turn) > 90.0}
        told |= {"scale": frame.alignment.scale, "transparency": float(frame.gain[plane])}
        if frame.kept:
            share = float(total.rejected_share[kept.index(frame)])
            told |= {"weight": frame.weight, "rejected_share": share}
    return FrameRow(
        file=str(frame.head.path),
        rays=frame.rays,
        kept=frame.kept,
        why=frame.why,
        level=float(frame.sky[plane]) if frame.sky.size else None,
        noise=frame.noise[plane][1] if frame.noise else None,
        fwhm_px=frame.fwhm if np.isfinite(frame.fwhm) else None,
        stars=None if frame.stars is None else len(frame.stars),
        **told,
    )


def _drift_words(kept: Sequence[LightFrame], shape: tuple[int, int]) -> str:
    """Judge the frames before and after a flip by themselves, and tell the worse."""
    sides: dict[bool, list[NDArray[np.float64]]] = {}
    for frame in sorted(kept, key=lambda f: (f.head.facts.date_obs or "", f.index)):
        if frame.alignment is not None:
            matrix = np.linalg.inv(frame.alignment.matrix)
            sides.setdefault(abs(_turn(matrix)) > 90.0, []).append(_shift(matrix, shape))
    words = [judge_drift(np.array(shifts)).words() for shifts in sides.values()]
    return next((text for text in words if text), "")
