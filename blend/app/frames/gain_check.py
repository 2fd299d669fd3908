"""Are these two flats and two bias frames of one camera? What a measurement of its gain takes for granted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.base.robust import clipped_mean, median_and_sigma
from blend.files.raw import Mosaic
from blend.science.plane import sample_pixels

CENTRE = 0.6
"""Share of the frame's length and height that is used: the corners are dimmer and show the optics."""

BRIGHTER, SURE_SIGMA, MOST_BRIGHT = 0.3, 5.0, 0.002
"""A pixel brighter than its frame's level by 30 % of it and five sigma is a star or a hot one, and a flat has few.

Their share of the middle was at most 0.0008 in fifteen sky flats of a real night, the stars of twilight in them, and at
least 0.0034 in its sixteen lights.
"""

MOST_UNEQUAL = 2.0
"""Flats of one lamp or one twilight follow one another closer; scaled by more, what the pixels differ in stays in."""

MOST_DRIFT_SIGMA = 10.0
"""Of the noise of a pixel, by which two bias frames may differ in level: an offset drifts by a part of it."""


def check_frames(frames: Sequence[Mosaic]) -> list[str]:
    """Refuse frames that are not two flats and two bias frames of one camera; return what to know of them."""
    notes = []
    _refuse_mixed(frames)
    levels = [float(np.median(sample_pixels(centre(frame.pixels)))) for frame in frames]
    _refuse_levels(frames, levels)
    _refuse_stars(frames, max(levels[2:]))
    _refuse_unlike(frames, levels)
    if abs(levels[0] - levels[1]) > 0.05 * (levels[0] - levels[2]):
        notes.append(
            f"the flats differ in level ({levels[0]:.0f} and {levels[1]:.0f}); the second was scaled"
        )
    isos = {frame.head.facts.iso for frame in frames if frame.head.facts.iso}
    if len(isos) > 1:
        notes.append(
            f"the frames were taken at several ISO settings: {', '.join(f'{iso:g}' for iso in sorted(isos))}"
        )
    return notes


def _refuse_mixed(frames: Sequence[Mosaic]) -> None:
    """Raise `InputError` for frames of several cameras, for stacks, and for one frame given twice."""
    first = frames[0]
    for frame in frames[1:]:
        if frame.pixels.shape != first.pixels.shape or frame.head.pattern != first.head.pattern:
            raise InputError(
                str(frame.head.path),
                found=f"{frame.pixels.shape[1]} x {frame.pixels.shape[0]}, {frame.head.pattern or 'no'} pattern",
                expected=f"{first.pixels.shape[1]} x {first.pixels.shape[0]}, {first.head.pattern or 'no'} pattern",
                advice="give four frames of one camera",
            )
    for frame in frames:
        if (frame.head.facts.frames or 1) > 1:
            found = f"a stack of {frame.head.facts.frames} frames"
            expected = "single frames: a stack's noise is not the sensor's"
            raise InputError(str(frame.head.path), found=found, expected=expected)
    if np.array_equal(frames[0].pixels, frames[1].pixels) or np.array_equal(
        frames[2].pixels, frames[3].pixels
    ):
        raise InputError(
            str(frames[1].head.path), found="two of the frames are the same", expected="four different frames"
        )


def _refuse_levels(frames: Sequence[Mosaic], levels: Sequence[float]) -> None:
    """Raise `InputError` for a saturated flat, and for one no brighter than the bias frames."""
    for frame, level in zip(frames[:2], levels[:2], strict=True):
        full = frame.clip if frame.clip is not None else frame.head.white
        if full is not None and level > 0.9 * full:
            raise InputError(
                str(frame.head.path),
                found=f"its level of {level:.0f} is at the sensor's limit of {full:.0f}",
                expected="a flat at about half of full scale",
                advice="expose the flats for less time",
            )
        if level <= max(levels[2:]):
            raise InputError(
                str(frame.head.path),
                found=f"its level of {level:.0f} is no higher than that of the bias frames, {max(levels[2:]):.0f}",
                expected="two flats first, then two bias frames",
                advice="exchange them",
            )


def _refuse_unlike(frames: Sequence[Mosaic], levels: Sequence[float]) -> None:
    """Raise `InputError` for flats of two lights and for bias frames of two levels."""
    apart = (max(levels[:2]) - levels[2]) / (min(levels[:2]) - levels[2])
    if apart > MOST_UNEQUAL:
        raise InputError(
            str(frames[1].head.path),
            found=f"its level above the bias differs from that of the first flat by a factor of {apart:.3g}",
            expected=f"two flats of one light and exposure, at most {MOST_UNEQUAL:g} times apart",
            advice="give two flats that were taken one after the other",
        )
    noise = clipped_mean(centre(frames[2].pixels) - centre(frames[3].pixels), kappa=5.0)[1] / 2**0.5
    if abs(levels[2] - levels[3]) > MOST_DRIFT_SIGMA * max(noise, 1.0):
        raise InputError(
            str(frames[3].head.path),
            found=f"its level is {levels[3]:.0f}, that of the first bias frame {levels[2]:.0f}",
            expected="two bias frames of one level",
            advice="give two frames of the shortest exposure, in the dark, at one ISO and offset",
        )


def _refuse_stars(frames: Sequence[Mosaic], bias: float) -> None:
    """Raise `InputError` for a frame with more bright pixels than evenly lit or dark ones have: a light."""
    for index, frame in enumerate(frames):
        shares = []
        for _, part in kinds(frame.head.pattern):
            sample = sample_pixels(centre(frame.pixels)[part]).astype(np.float64)
            middle, sigma = median_and_sigma(sample)
            reach = BRIGHTER * max(middle - bias, 0.0) if index < 2 else SURE_SIGMA * sigma
            shares.append(float(np.mean(sample > middle + reach + SURE_SIGMA * sigma)))
        if max(shares) > MOST_BRIGHT:
            raise InputError(
                str(frame.head.path),
                found=f"{100 * max(shares):.2g} % of its pixels stand far above its level, as stars do",
                expected="a flat, lit evenly" if index < 2 else "a bias frame, dark all over",
                advice="give two flats first and two bias frames after them, no pictures of the sky",
            )


def centre(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the middle of a frame, cut so that a cell of the mosaic stays whole."""
    cuts = []
    for length in pixels.shape:
        margin = 2 * int(length * (1.0 - CENTRE) / 4.0)
        cuts.append(slice(margin, margin + 2 * max(1, (length - 2 * margin) // 2)))
    return pixels[cuts[0], cuts[1]]


def kinds(pattern: str | None) -> list[tuple[str, tuple[slice, slice]]]:
    """Return the kinds of photosites of a pattern by name, each with its rows and columns."""
    if pattern is None:
        return [("all", (slice(None), slice(None)))]
    names = {"R": "red", "B": "blue"}
    greens = iter(("green 1", "green 2"))
    return [
        (names.get(pattern[place]) or next(greens), (slice(place // 2, None, 2), slice(place % 2, None, 2)))
        for place in range(4)
    ]
