"""Gain and read noise of a sensor from two flats and two bias frames, and what they say of an exposure."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError, StepError
from blend.base.robust import clipped_mean
from blend.files.cards import odd_card_note
from blend.files.raw import Head, Mosaic, read_mosaic
from blend.science.figures import sample_pixels, sky_mode

QUANTISATION = 1.0 / 12.0
"""Variance of rounding to whole numbers."""

CENTRE = 0.6
"""Share of the frame's length and height that is used: the corners are dimmer and show the optics."""

SKY_LIMITED = 10.0
"""Sky over squared read noise from which the read noise costs less than 5 %: sqrt(1 + 1 / 10) = 1.049."""

READ_LIMITED = 3.0
"""Below it costs more than 15 %: sqrt(1 + 1 / 3) = 1.155."""


@dataclass(frozen=True, kw_only=True)
class GainOf:
    """Gain and read noise of the photosites of one colour, or of all.

    Attributes
    ----------
    gain_e, gain_error : float
        Electrons a count.
    read_noise_e, read_noise_error : float
        Electrons, rounding included.
    read_noise_analogue_e : float
        Electrons, rounding to whole numbers taken out.
    flat_level, bias_level : float
        Counts.
    """

    colour: str
    gain_e: float
    gain_error: float
    read_noise_e: float
    read_noise_error: float
    read_noise_analogue_e: float
    flat_level: float
    bias_level: float


def pair_gain(
    flats: tuple[NDArray[np.floating], NDArray[np.floating]],
    biases: tuple[NDArray[np.floating], NDArray[np.floating]],
    *,
    colour: str = "all",
) -> GainOf:
    """Measure gain and read noise from two flats and two bias frames of one kind of photosites.

    g = ((F1 + F2) - (B1 + B2)) / (var(F1 - F2) - var(B1 - B2)), R = g sqrt(var(B1 - B2) / 2)

    Parameters
    ----------
    flats, biases : two arrays (rows, columns) each
        Counts; the flats at one level. Read only.
    colour : str
        Passed on.

    Raises
    ------
    StepError
        The flats scatter no more than the bias frames do.

    Notes
    -----
    The difference of two flats is free of their common pattern, which a single flat is not. Should their levels differ,
    the second is scaled to the first. Variances are of values within 5 sigma, hot pixels and cosmic rays left out. The
    variance of n values is uncertain by sqrt(2 / (n - 1)) of itself, which gives the errors.

    References
    ----------
    Janesick (2001), Scientific Charge-Coupled Devices; Howell (2006), Handbook of CCD Astronomy, section 4.3 (both
    from memory).
    """
    first, second = (np.asarray(frame, dtype=np.float64) for frame in flats)
    dark1, dark2 = (np.asarray(frame, dtype=np.float64) for frame in biases)
    bias_level = 0.5 * (_mean(dark1) + _mean(dark2))
    level1, level2 = _mean(first) - bias_level, _mean(second) - bias_level
    ratio = level1 / level2 if level2 > 0 else float("nan")
    flat_variance, count = _variance(first - bias_level - ratio * (second - bias_level))
    # the scaled flat carries ratio times the level in its variance, ratio squared times its own
    flat_variance *= 2.0 / (1.0 + ratio)
    bias_variance, bias_count = _variance(dark1 - dark2)
    excess = flat_variance - bias_variance
    error = sqrt(2.0 * flat_variance**2 / (count - 1) + 2.0 * bias_variance**2 / (bias_count - 1))
    if not (excess > 3.0 * error and level1 > 0.0):
        raise StepError(
            "gain",
            found=f"the flats scatter by {flat_variance:.4g}, the bias frames by {bias_variance:.4g} (squared)",
            expected="flats whose light dominates the noise",
            advice="give two flats first and two bias frames after them, raw, none of them stacked",
        )
    gain = 2.0 * level1 / excess
    read = gain * sqrt(bias_variance / 2.0)
    share = error / excess
    analogue = max(bias_variance / 2.0 - QUANTISATION, 0.0)
    return GainOf(
        colour=colour,
        gain_e=gain,
        gain_error=gain * share,
        read_noise_e=read,
        read_noise_error=read * sqrt(share**2 + 0.5 / (bias_count - 1)),
        read_noise_analogue_e=gain * sqrt(analogue),
        flat_level=level1,
        bias_level=bias_level,
    )


def _mean(values: NDArray[np.float64]) -> float:
    return clipped_mean(values, kappa=5.0)[0]


def _variance(values: NDArray[np.float64]) -> tuple[float, int]:
    _, sigma, count = clipped_mean(values, kappa=5.0)
    return sigma * sigma, count


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What `measure_gain` found: colour by colour, all together, and what to know."""

    colours: tuple[GainOf, ...]
    whole: GainOf
    full_well_e: float | None
    notes: tuple[str, ...]

    def text(self) -> str:
        """Return a table for a terminal."""
        lines = ["photosites    gain e/count         read noise e         flat level"]
        lines += [
            f"{one.colour:<12}  {one.gain_e:7.4f} +- {one.gain_error:.4f}   {one.read_noise_e:7.3f} +- "
            f"{one.read_noise_error:.3f}   {one.flat_level:10.1f}"
            for one in (*self.colours, self.whole)
        ]
        if self.whole.read_noise_analogue_e < self.whole.read_noise_e:
            lines.append(f"read noise without rounding: {self.whole.read_noise_analogue_e:.3f} e")
        if self.full_well_e is not None:
            lines.append(f"full scale holds {self.full_well_e:.0f} e")
        return "\n".join(lines)

    def json(self) -> str:
        """Return everything as JSON."""
        told: dict[str, Any] = {
            "version": 1,
            "all": vars(self.whole),
            "colours": {one.colour: vars(one) for one in self.colours},
            "full_well_e": self.full_well_e,
            "notes": list(self.notes),
        }
        return json.dumps(told, indent=2)


def measure_gain(flats: Sequence[Path], biases: Sequence[Path], *, pattern: str | None = None) -> Measured:
    """Measure gain and read noise of a camera from two flats and two bias frames, raws or FITS.

    Raises
    ------
    InputError
        A file cannot be read, is a stack, saturated, or of another camera; a flat is no brighter than the bias frames.
    StepError
        The flats hold too little light.
    """
    frames = [read_mosaic(path, pattern=pattern) for path in (*flats, *biases)]
    if len(flats) != 2 or len(biases) != 2:
        raise ValueError("two flats and two bias frames")
    notes = _check(frames)
    for head in (frame.head for frame in frames):
        notes += [text for _, text in odd_card_note(head.facts, head.path.name)]
    names = _kinds(frames[0].head.pattern)
    colours = []
    for name, part in names:
        f1, f2, b1, b2 = (_centre(frame.pixels)[part] for frame in frames)
        colours.append(pair_gain((f1, f2), (b1, b2), colour=name))
    whole = _together(colours)
    if len(colours) == 1:
        colours = []
    white = frames[0].head.white
    well = None if white is None or white >= 65535.0 else whole.gain_e * (white - whole.bias_level)
    return Measured(colours=tuple(colours), whole=whole, full_well_e=well, notes=tuple(notes))


def _check(frames: Sequence[Mosaic]) -> list[str]:
    notes = []
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
            raise InputError(
                str(frame.head.path),
                found=f"a stack of {frame.head.facts.frames} frames",
                expected="single frames: a stack's noise is not the sensor's",
            )
    if np.array_equal(frames[0].pixels, frames[1].pixels) or np.array_equal(
        frames[2].pixels, frames[3].pixels
    ):
        raise InputError(
            str(frames[1].head.path), found="two of the frames are the same", expected="four different frames"
        )
    levels = [float(np.median(sample_pixels(_centre(frame.pixels)))) for frame in frames]
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


def _centre(pixels: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the middle of a frame, cut so that a cell of the mosaic stays whole."""
    cuts = []
    for length in pixels.shape:
        margin = 2 * int(length * (1.0 - CENTRE) / 4.0)
        cuts.append(slice(margin, margin + 2 * max(1, (length - 2 * margin) // 2)))
    return pixels[cuts[0], cuts[1]]


def _kinds(pattern: str | None) -> list[tuple[str, tuple[slice, slice]]]:
    if pattern is None:
        return [("all", (slice(None), slice(None)))]
    names = {"R": "red", "B": "blue"}
    greens = iter(("green 1", "green 2"))
    return [
        (names.get(pattern[place]) or next(greens), (slice(place // 2, None, 2), slice(place % 2, None, 2)))
        for place in range(4)
    ]


def _together(parts: Sequence[GainOf]) -> GainOf:
    """Return the mean of the colours, weighted by their errors."""
    weights = np.array([part.gain_error**-2 for part in parts])
    reads = np.array([part.read_noise_error**-2 for part in parts])

    def mean(name: str, w: NDArray[np.float64]) -> float:
        return float(np.sum(w * np.array([getattr(part, name) for part in parts])) / w.sum())

    return GainOf(
        colour="all",
        gain_e=mean("gain_e", weights),
        gain_error=float(weights.sum() ** -0.5),
        read_noise_e=mean("read_noise_e", reads),
        read_noise_error=float(reads.sum() ** -0.5),
        read_noise_analogue_e=mean("read_noise_analogue_e", reads),
        flat_level=mean("flat_level", weights),
        bias_level=mean("bias_level", weights),
    )


# --- what an exposure was worth -----------------------------------------------------------------------------


def exposure_facts(
    path: Path, *, gain_e: float | None = None, read_noise_e: float | None = None, pattern: str | None = None
) -> dict[str, Any]:
    """Return what one frame says of its exposure, in figures and in words.

    Parameters
    ----------
    path : Path
        A raw, or a FITS mosaic.
    gain_e, read_noise_e : float, optional
        Of `measure_gain`, at the frame's ISO.
    pattern : str, optional

    Returns
    -------
    dict
        ``sky_share`` (a colour, of full scale), ``saturated_share``, ``saturated_share_if_doubled`` (by twice the
        exposure, or twice the ISO), ``clip``, ``iso``, ``exposure_s``,
        ``temperature_c``, ``sky_e``, ``sky_over_read`` and ``words`` (a list of sentences). What is not known is
        None.

    Notes
    -----
    With S = C R^2 electrons of sky, the noise is sqrt(1 + 1 / C) of what it would be without read noise.
    """
    mosaic = read_mosaic(path, pattern=pattern)
    head = mosaic.head
    full = mosaic.clip if mosaic.clip is not None else head.white
    skies: dict[str, float] = {}
    for (name, part), black in zip(_kinds(head.pattern), _blacks(head), strict=True):
        skies[name] = sky_mode(sample_pixels(mosaic.pixels[part])) - black
    span = None if full is None else full - float(np.mean(head.black))
    saturated = None if full is None else float(np.mean(mosaic.pixels >= 0.99 * full))
    words = _share_words(skies, span, saturated)
    doubled = None
    if span is not None and full is not None:
        doubled = float(np.mean(mosaic.pixels >= full - 0.5 * span))
        top = max(skies.values()) / span
        words.append(
            f"twice the exposure, or twice the ISO, would put the sky at {200 * top:.1f} % and saturate "
            f"{100 * doubled:.3f} % of the photosites; the exposure gathers twice the light, the ISO does not"
        )
    if head.facts.temperature_c is not None:
        words.append(f"the file states {head.facts.temperature_c:g} C, of the body rather than of the sensor")
    green = [level for name, level in skies.items() if name.startswith("green")] or list(skies.values())
    sky_e = None if gain_e is None else gain_e * float(np.mean(green))
    over = None if sky_e is None or not read_noise_e else sky_e / read_noise_e**2
    if over is not None:
        words.append(_limit_words(over, head.facts.exposure_s))
    elif head.kind == "raw":
        words.append(
            "with gain and read noise (blend gain) it could be told whether sky or read noise limits"
        )
    return {
        "path": str(path),
        "exposure_s": head.facts.exposure_s,
        "iso": head.facts.iso,
        "temperature_c": head.facts.temperature_c,
        "clip": mosaic.clip,
        "sky_share": None if span is None else {name: level / span for name, level in skies.items()},
        "saturated_share": saturated,
        "saturated_share_if_doubled": doubled,
        "sky_e": sky_e,
        "sky_over_read": over,
        "words": words,
    }


def _blacks(head: Head) -> tuple[float, ...]:
    return head.black if head.pattern is not None else (float(np.mean(head.black)),)


def _share_words(skies: dict[str, float], span: float | None, saturated: float | None) -> list[str]:
    if span is None or saturated is None:
        return ["no white level is stated and nothing is saturated: shares of full scale are not known"]
    shares = ", ".join(f"{name} {100 * level / span:.1f} %" for name, level in skies.items())
    words = [
        f"the sky sits at {shares} of full scale; {100 * saturated:.3f} % of the photosites are saturated"
    ]
    top = max(skies.values()) / span
    if top > 0.5:
        words.append(
            "the sky takes more than half of the range: half the exposure, or half the ISO, loses little"
        )
    elif saturated > 0.002:
        words.append(
            "many stars are saturated: half the exposure, or half the ISO, gives one stop more of them"
        )
    return words


def _limit_words(over: float, exposure_s: float | None) -> str:
    penalty = 100.0 * (sqrt(1.0 + 1.0 / over) - 1.0) if over > 0 else float("inf")
    kind = "sky" if over >= SKY_LIMITED else "read noise" if over < READ_LIMITED else "sky, nearly"
    text = f"limited by the {kind}: the sky is {over:.1f} times the squared read noise, which costs {penalty:.0f} %"
    if over < SKY_LIMITED and exposure_s and over > 0:
        text += f"; {exposure_s * SKY_LIMITED / over:.0f} s would bring that to 5 %"
    elif over > 3.0 * SKY_LIMITED and exposure_s:
        text += f"; {exposure_s * SKY_LIMITED / over:.0f} s would do"
    return text
