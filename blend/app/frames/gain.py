"""Gain and read noise of a sensor from two flats and two bias frames, and what they say of an exposure."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np

from blend.app.frames.gain_check import centre, check_frames, kinds
from blend.base.shares import in_percent
from blend.files.cards import odd_card_note
from blend.files.raw import read_mosaic
from blend.science.plane import sample_pixels, sky_mode
from blend.science.sensor import GainOf, mean_gain, pair_gain

SKY_LIMITED = 10.0
"""Sky over squared read noise from which the read noise costs less than 5 %: sqrt(1 + 1 / 10) = 1.049."""

READ_LIMITED = 3.0
"""Below it costs more than 15 %: sqrt(1 + 1 / 3) = 1.155."""


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
        A file cannot be read, is a stack, saturated, of another camera, or a light; a flat is no brighter than the bias
        frames.
    StepError
        The flats hold too little light.
    """
    frames = [read_mosaic(path, pattern=pattern) for path in (*flats, *biases)]
    if len(flats) != 2 or len(biases) != 2:
        raise ValueError("two flats and two bias frames")
    notes = check_frames(frames)
    for head in (frame.head for frame in frames):
        notes += [text for _, text in odd_card_note(head.facts, head.path.name)]
    names = kinds(frames[0].head.pattern)
    colours = []
    for name, part in names:
        f1, f2, b1, b2 = (centre(frame.pixels)[part] for frame in frames)
        colours.append(pair_gain((f1, f2), (b1, b2), colour=name))
    whole = mean_gain(colours)
    if len(colours) == 1:
        colours = []
    white = frames[0].head.white
    well = None if white is None or white >= 65535.0 else whole.gain_e * (white - whole.bias_level)
    return Measured(colours=tuple(colours), whole=whole, full_well_e=well, notes=tuple(notes))


# --- what an exposure was worth -----------------------------------------------------------------------------


def exposure_facts(
    path: Path, *, gain_e: float | None = None, read_noise_e: float | None = None
) -> dict[str, Any]:
    """Return what one frame says of its exposure, in figures and in words.

    Parameters
    ----------
    path : Path
        A raw, or a FITS mosaic.
    gain_e, read_noise_e : float, optional
        Of `measure_gain`, at the frame's ISO.

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
    mosaic = read_mosaic(path)
    head = mosaic.head
    full = mosaic.clip if mosaic.clip is not None else head.white
    skies: dict[str, float] = {}
    blacks = head.black if head.pattern is not None else (float(np.mean(head.black)),)
    for (name, part), black in zip(kinds(head.pattern), blacks, strict=True):
        skies[name] = sky_mode(sample_pixels(mosaic.pixels[part])) - black
    span = None if full is None else full - float(np.mean(head.black))
    saturated = None if full is None else float(np.mean(mosaic.pixels >= 0.99 * full))
    doubled = None
    shares = _sky_shares(skies, span)
    words = _share_words(shares, span, saturated)
    if shares is not None and span is not None and full is not None:
        doubled = float(np.mean(mosaic.pixels >= full - 0.5 * span))
        words.append(_doubled_words(2.0 * max(shares.values()), doubled))
    if head.facts.temperature_c is not None:
        words.append(f"the file states {head.facts.temperature_c:g} C, of the body rather than of the sensor")
    green = [level for name, level in skies.items() if name.startswith("green")] or list(skies.values())
    sky_e = None if gain_e is None else gain_e * float(np.mean(green))
    beyond = span is not None and shares is None
    over = None if sky_e is None or not read_noise_e or beyond else sky_e / read_noise_e**2
    if over is not None:
        words.append(_limit_words(over, head.facts.exposure_s))
    elif head.kind == "raw":
        words.append("with gain and read noise (blend gain) one could say whether sky or read noise limits")
    return {
        "path": str(path),
        "exposure_s": head.facts.exposure_s,
        "iso": head.facts.iso,
        "temperature_c": head.facts.temperature_c,
        "clip": mosaic.clip,
        "sky_share": shares,
        "saturated_share": saturated,
        "saturated_share_if_doubled": doubled,
        "sky_e": sky_e,
        "sky_over_read": over,
        "words": words,
    }


def _sky_shares(skies: dict[str, float], span: float | None) -> dict[str, float] | None:
    """Return the sky of each colour as a share of full scale, or None where that cannot be: below 0, or above 1."""
    shares = {name: level / span for name, level in skies.items()} if span is not None and span > 0 else {}
    return shares if shares and all(in_percent(share) for share in shares.values()) else None


def _share_words(shares: dict[str, float] | None, span: float | None, saturated: float | None) -> list[str]:
    if span is None or saturated is None:
        return ["no white level is stated and nothing is saturated: shares of full scale are not known"]
    if shares is None:
        return [
            "the sky does not lie between black and white level, so it is no share of full scale: this may be a dark "
            "or bias frame, one that is calibrated already, or one whose levels are stated wrongly"
        ]
    listed = ", ".join(f"{name} {in_percent(share)}" for name, share in shares.items())
    words = [
        f"the sky sits at {listed} of full scale; {100 * saturated:.3f} % of the photosites are saturated"
    ]
    if max(shares.values()) > 0.5:
        words.append(
            "the sky takes more than half of the range: half the exposure, or half the ISO, loses little"
        )
    elif saturated > 0.002:
        words.append(
            "many stars are saturated: half the exposure, or half the ISO, gives one stop more of them"
        )
    return words


def _doubled_words(top: float, saturated: float) -> str:
    start = "twice the exposure, or twice the ISO, would "
    if top >= 1.0:
        return start + "saturate the sky itself"
    return (
        f"{start}put the sky at {in_percent(top)} and saturate {100 * saturated:.3f} % of the photosites; "
        "the exposure gathers twice the light, the ISO does not"
    )


def _limit_words(over: float, exposure_s: float | None) -> str:
    if not over > 0.0:
        return "no sky above the black level: what limits the frame cannot be said"
    penalty = 100.0 * (sqrt(1.0 + 1.0 / over) - 1.0)
    kind = "sky" if over >= SKY_LIMITED else "read noise" if over < READ_LIMITED else "sky, nearly"
    text = f"limited by the {kind}: the sky is {over:.1f} times the squared read noise, which costs {penalty:.0f} %"
    if over < SKY_LIMITED and exposure_s:
        text += f"; {exposure_s * SKY_LIMITED / over:.0f} s would bring that to 5 %"
    elif over > 3.0 * SKY_LIMITED and exposure_s:
        text += f"; {exposure_s * SKY_LIMITED / over:.0f} s would do"
    return text
