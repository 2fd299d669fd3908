"""Automatic amounts of blends: what the recipe leaves open, measured on the masters just before the blend."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.errors import StepError
from blend.base.robust import difference_noise
from blend.recipe.auto_words import most_amount
from blend.recipe.blendtable import Blend
from blend.recipe.check import width_ratio
from blend.recipe.state import COLOUR, Plane, Work
from blend.science.line import Choice, LineLight, added_amount, luminance_amount, noise_blocks
from blend.science.picture import (
    Formula,
    SolvedStretch,
    display_luminance,
    evaluate_formula,
    luminance,
    neutral_value,
    stretch_line,
    stretch_planes,
)


def choose_linear(work: Work, name: str, blend: Blend, formula: Formula, base: Plane) -> tuple[Blend, Choice]:
    """Return a blend of linear light with its amount as a number, and how that was chosen.

    Parameters
    ----------
    base : (rows, columns)
        The plane, or the luminance, that the blend is to change.

    Raises
    ------
    StepError
        The noise of the emission is not known.
    """
    line, emission = _line_blocks(work, name, blend)
    blocks = noise_blocks(base)
    try:
        if blend.into == "luminance":
            own = luminance(_in_planes(work, blend))
            choice = _shown(
                work, blend, formula, (blocks, own), (line, line - _in_line(work, blend)), sky=0.0
            )
        else:
            choice = added_amount(
                blocks,
                line,
                emission,
                noise_budget=blend.noise_budget,
                most=most_amount(formula),
            )
    except ValueError as error:
        raise _unmeasured(name, error) from error
    return _settled(blend, choice)


def choose_display(
    work: Work,
    name: str,
    blend: Blend,
    formula: Formula,
    base: Plane,
    *,
    sky: float,
    solved: SolvedStretch | None,
) -> tuple[Blend, Choice]:
    """Return a blend into the stretched luminance with its amount as a number, and how that was chosen.

    Parameters
    ----------
    base : (rows, columns)
        The luminance of the picture, as display values.
    sky : float
        Its sky.
    solved : SolvedStretch, optional
        The stretch that the line goes through; None for a line that is stretched already.

    Raises
    ------
    StepError
        The noise of the emission is not known, or the line is stretched already.
    """
    line, _ = _line_blocks(work, name, blend)
    if solved is None:
        raise _unmeasured(name, "the line is stretched already")
    neutral = neutral_value(formula, sky, params=blend.params)
    with_light, without = (
        stretch_line(plane, solved, neutral=neutral) for plane in (line, line - _in_line(work, blend))
    )
    base_blocks = (noise_blocks(base), _in_display(work, blend))
    try:
        choice = _shown(work, blend, formula, base_blocks, (with_light, without), sky=sky)
    except ValueError as error:
        raise _unmeasured(name, error) from error
    return _settled(blend, choice)


def _line_blocks(work: Work, name: str, blend: Blend) -> tuple[Plane, Plane]:
    """Return the line as it is blended but not faded, and its faded emission, both as means of 4 x 4 pixels."""
    line = work.lines[blend.master]
    if line.emission is None or line.unfaded is None:
        raise _unmeasured(name, "a master is stretched already")
    whole = line.unfaded if blend.emission else noise_blocks(line.scaled)
    return whole, noise_blocks(line.emission)


def _shown(
    work: Work,
    blend: Blend,
    formula: Formula,
    base: tuple[Plane, Plane],
    line: tuple[Plane, Plane],
    *,
    sky: float,
) -> Choice:
    """Return the choice for a luminance: its blocks and what of them is the line's, the line with its light and
    without."""
    whole, own = base
    kept = work.lines[blend.master]
    assert kept.emission is not None
    assert kept.unfaded is not None
    change = _change(formula, whole, line[0], blend, sky=sky)
    dark = _change(formula, whole - own, line[1], blend, sky=sky)
    light = LineLight(
        whole=kept.unfaded, faded=noise_blocks(kept.emission), in_base=own, in_change=change - dark
    )
    return luminance_amount(whole, change, light, signal=blend.optimise_for, most=most_amount(formula))


def _in_line(work: Work, blend: Blend) -> Plane:
    """Return what of the line, as it is blended, is its own light: all of an emission, of a scaled master E t / r."""
    whole = work.lines[blend.master].unfaded
    assert whole is not None
    if blend.emission:
        return whole
    share = work.recipe.continuum_for(blend.master).throughput_ratio / width_ratio(work.target, blend.master)
    return whole * np.float32(share)


def _in_planes(work: Work, blend: Blend) -> Plane:
    """Return what of the linear picture is the line's own light, (3, rows, columns) of 4-px means.

    What its broad plane was exposed to, where that holds the line, and what blends have added so far.
    """
    line = work.lines[blend.master]
    assert line.unfaded is not None
    shares = dict.fromkeys(COLOUR, 0.0)
    if work.recipe.continuum_for(blend.master).line_in_band:
        shares[line.broad] = 1.0
    for made in work.blended:
        own = made.blend
        if made.formula.additive and own.from_ == f"{blend.master}.emission" and own.into in shares:
            shares[own.into] += own.weight
            for plane, factor in own.plane_factors.items():
                shares[plane] += factor * own.weight
    factors = np.array([shares[plane] for plane in COLOUR], dtype=np.float32)
    return np.asarray(factors[:, None, None] * line.unfaded)


def _in_display(work: Work, blend: Blend) -> Plane:
    """Return what of the displayed luminance is the line's own light: its 4-px means through the picture's stretch,
    with that light less without it."""
    assert work.linear is not None
    solved, settings = work.stretches.get("rgb"), work.recipe.stretch.for_master("rgb")
    lit = np.stack([noise_blocks(plane) for plane in work.linear])
    dark = lit - _in_planes(work, blend)
    if solved is not None:
        lit, dark = (stretch_planes(planes, solved, colour=settings.colour) for planes in (lit, dark))
    return np.subtract(display_luminance(lit), display_luminance(dark))


def _change(formula: Formula, base: Plane, line: Plane, blend: Blend, *, sky: float) -> Plane:
    """Return what amount 1 does to the means; sigmas are those of the means, as is everything else here."""
    value = evaluate_formula(
        formula,
        base,
        line,
        amount=1.0,
        sky=sky,
        base_sigma=_sigma(base),
        line_sigma=_sigma(line),
        params=blend.params,
    )
    return np.subtract(value, base)


def _sigma(blocks: Plane) -> float:
    # 6: a side from which there are differences enough
    return difference_noise(blocks) if min(blocks.shape) >= 6 else float("nan")


def _settled(blend: Blend, choice: Choice) -> tuple[Blend, Choice]:
    return blend.model_copy(update={"amount": choice.amount}), choice


def choice_facts(blend: Blend, choice: Choice) -> dict[str, Any]:
    """Return what the record says of a chosen amount."""
    lit = blend.into == "luminance"
    return {
        "reason": choice.reason,
        "limits": {"signal" if lit else "noise": _finite(choice.limit), "most": choice.most},
        **({"optimise_for": blend.optimise_for} if lit else {"noise_budget": blend.noise_budget}),
        "noise": choice.noise,
        "gain": _finite(choice.gain),
    }


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _unmeasured(name: str, why: object) -> StepError:
    return StepError(
        f"blend.{name}.amount",
        found=f"no amount can be chosen: {why}",
        expected="linear masters of a hundred pixels a side or more",
        advice=f"give the amount as a number, for example blend.{name}.amount = 0.5",
    )
