"""What one could change: sentences from measurements, each with the command that does it."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.pages.tiles import GOOD_CLIPPED, GOOD_TINT, SEEN_LAB, assumed
from blend.recipe.auto_words import most_amount
from blend.recipe.state import COLOUR, AppliedBlend, Work
from blend.science.line import NOISE_PX, noise_blocks, noise_covariance, noise_limit, noise_ratio

Noise = NDArray[np.float64]
LEAST_STEP = 0.05
"""Of an amount: a smaller step is not seen (common practice)."""

ENOUGH_BLOCKS = 400_000
"""So many tell a noise to a part in 600: rows of the middle stand for a larger picture."""


@dataclass(frozen=True)
class Advice:
    """A sentence, and the command to copy; empty where a file is to be edited."""

    text: str
    command: str = ""


def advice(
    work: Work, record: Mapping[str, Any], command: str, *, noises: Mapping[str, Noise] | None = None
) -> list[Advice]:
    """Return what one could change, most certain first.

    Parameters
    ----------
    work : Work
        The last state.
    record : mapping
    command : str
        What made the run; without it sentences stand alone.
    noises : mapping, optional
        What `blend_noises` has returned.
    """
    noises = blend_noises(work) if noises is None else noises
    found = [Advice(f"Not known, and taken for granted: {text}.") for text in assumed(record)]
    found += [one for made in work.blended for one in _amount(made, noises.get(made.name), command)]
    found += [*_picture(record, command)]
    found += [*_given(work, command)]
    return [*found, *_try(work, command)]


def _words(command: str) -> list[str]:
    """Return the words of a command; none where it is none."""
    try:
        return shlex.split(command)
    except ValueError:
        return []


def _set(command: str, key: str, value: object) -> str:
    """Return the command with one value set, in place of what it set there before."""
    words = _words(command)
    before = [i for i, word in enumerate(words) if word == "--set" and words[i + 1 : i + 2]]
    gone = {j for i in before if words[i + 1].partition("=")[0].strip() == key for j in (i, i + 1)}
    kept = [word for i, word in enumerate(words) if i not in gone]
    return shlex.join([*kept, "--set", f"{key}={value}"]) if words else ""


def blend_noises(work: Work) -> dict[str, Noise]:
    """Return, for each blend of balanced work that adds emission to a plane, the covariance of plane and emission.

    Of two means over 4 x 4 pixels, of at most six megapixels.
    """
    found = {}
    for name, blend in work.recipe.blends("linear").items():
        line, additive = work.lines[blend.master], work.recipe.formula(blend.formula).additive
        if not (additive and blend.into in COLOUR and blend.emission and blend.amount != 0):
            continue
        if line.unfaded is None or line.emission is None or not line.found:
            continue
        first, last = _middle(line.unfaded.shape)
        rows = slice(NOISE_PX * first, NOISE_PX * last)
        base, light = (noise_blocks(plane[rows]) for plane in (work.rgb.plane(blend.into), line.emission))
        with suppress(ValueError):
            found[name] = noise_covariance(base, line.unfaded[first:last], light=light)
    return found


def _amount(made: AppliedBlend, covariance: Noise | None, command: str) -> Iterator[Advice]:
    """Give what the noise budget leaves, or lacks, for a blend that adds emission to a plane."""
    blend = made.blend
    if covariance is None or not blend.weight > 0:
        return
    budget, now = blend.noise_budget, noise_ratio(covariance, blend.weight)
    most = min(noise_limit(covariance, noise_budget=budget), most_amount(made.formula))
    said = f"Noise of {blend.into} at 4 px is {now:.2f} times that without lines, {budget:.2f} allowed ({made.name})"
    best = int(100.0 * most) / 100.0
    if best > blend.weight + LEAST_STEP:
        text = f"{said}: amount up to {best:g} is possible, it is {blend.weight:g}."
        yield Advice(text, _set(command, f"blend.{made.name}.amount", f"{best:g}"))
    elif blend.weight > most + LEAST_STEP:
        text = f"{said}: amount {best:g} would keep to it, it is {blend.weight:g}."
        yield Advice(text, _set(command, f"blend.{made.name}.amount", f"{best:g}"))


def _middle(shape: tuple[int, int]) -> tuple[int, int]:
    """Return the first and the last of the rows of blocks that tell the noise: the middle of a large picture."""
    count = min(shape[0], max(1, ENOUGH_BLOCKS // shape[1]))
    first = (shape[0] - count) // 2
    return first, first + count


def _picture(record: Mapping[str, Any], command: str) -> Iterator[Advice]:
    """Give what numbers beyond their limits suggest."""
    sky = record.get("picture", {}).get("sky")
    if sky and sky["gradient"] - 2.0 * sky["gradient_error"] > SEEN_LAB:
        degrees = [e["degree"] for planes in record["gradient"].values() for e in planes.values()]
        degree = min(4, max([1, *(d for d in degrees if isinstance(d, int))]) + 1)
        text = f"A gradient of {sky['gradient']:.1f} CIELAB is left: a sky model of degree {degree} may take it out."
        yield Advice(text, _set(command, "gradient.degree", degree))
    black = record["clipped"]["black"]
    if black > GOOD_CLIPPED and "rgb" in record["stretch"]:
        level = record["stretch"]["rgb"]["sky_level"] + 0.02
        text = (
            f"{100 * black:.2f} % of the pixels are black in some plane: a sky at {level:.2f} may keep them."
        )
        yield Advice(text, _set(command, "stretch.sky_level", f"{level:.2f}"))
    shift = record.get("star_tint")
    if shift and shift["stars"] and shift["median"] > GOOD_TINT:
        text = f"Stars changed colour by {shift['median']:.1f} CIEDE2000: protection at full strength may keep them."
        yield Advice(text, _set(command, "protect.stars", "1.0"))


def _given(work: Work, command: str) -> Iterator[Advice]:
    """Give the first amount into the luminance that nobody measured."""
    for made in work.blended:
        if made.blend.into == "luminance" and made.choice is None and work.lines[made.blend.master].found:
            text = (
                f"The amount {made.blend.weight:g} of blend {made.name} is the recipe's, not measured: auto chooses "
                "the one that shows the faint light at the best signal-to-noise."
            )
            yield Advice(text, _set(command, f"blend.{made.name}.amount", "auto"))
            return


def _try(work: Work, command: str) -> Iterator[Advice]:
    """Give the command that shows several amounts side by side, where the run was of a target file."""
    words = _words(command)
    if len(words) < 4 or words[1] != "run" or not words[3].endswith(".toml") or not work.blended:
        return
    made = work.blended[0]
    amounts = ",".join(f"{made.blend.weight * factor:.3g}" for factor in (0.5, 1.0, 1.5))
    settings = [part for i, word in enumerate(words[:-1]) if word == "--set" for part in words[i : i + 2]]
    tried = ["blend", "try", *words[2:4], *settings, "--vary", f"blend.{made.name}.amount={amounts}"]
    yield Advice("Several amounts side by side, with a page to try more:", shlex.join(tried))
