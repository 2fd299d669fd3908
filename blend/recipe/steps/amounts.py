"""Automatic amounts of blends: what the recipe leaves open, measured on the masters just before the blend."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.errors import StepError
from blend.base.robust import difference_noise
from blend.recipe.amounts import most_amount
from blend.recipe.blendtable import Blend
from blend.recipe.work import Plane, Work
from blend.science.amount import Choice, added_amount, luminance_amount, noise_blocks
from blend.science.formulas import Formula, evaluate_formula, neutral_value
from blend.science.stretch import SolvedStretch, stretch_line


def choose_linear(
    work: Work, name: str, blend: Blend, formula: Formula, base: Plane
) -> tuple[Blend, dict[str, Any]]:
    """Return a blend of linear light with its amount as a number, and what the record says of the choice.

    Parameters
    ----------
    base : (rows, columns)
        The plane, or the luminance, that the blend is to change.
    """
    line, emission = _line_blocks(work, name, blend)
    blocks = noise_blocks(base)
    try:
        if blend.into == "luminance":
            change = _change(formula, blocks, line, blend, sky=0.0)
            choice = luminance_amount(blocks, change, emission, signal=blend.for_, most=most_amount(formula))
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
) -> tuple[Blend, dict[str, Any]]:
    """Return a blend into the stretched luminance with its amount as a number, and what the record says of it.

    Parameters
    ----------
    base : (rows, columns)
        The luminance of the picture, as display values.
    sky : float
        Its sky.
    solved : SolvedStretch, optional
        The stretch that the line goes through; None for a line that is stretched already.
    """
    line, emission = _line_blocks(work, name, blend)
    if solved is None:
        raise _unmeasured(name, "the line is stretched already")
    blocks = noise_blocks(base)
    shown = stretch_line(line, solved, neutral=neutral_value(formula, sky, params=blend.params))
    try:
        change = _change(formula, blocks, shown, blend, sky=sky)
        choice = luminance_amount(blocks, change, emission, signal=blend.for_, most=most_amount(formula))
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
    return difference_noise(blocks) if min(blocks.shape) >= 6 else float("nan")


def _settled(blend: Blend, choice: Choice) -> tuple[Blend, dict[str, Any]]:
    lit = blend.into == "luminance"
    told = {
        "reason": choice.reason,
        "limits": {"signal" if lit else "noise": _finite(choice.limit), "most": choice.most},
        **({"for": blend.for_} if lit else {"noise_budget": blend.noise_budget}),
        "noise": choice.noise,
        "gain": _finite(choice.gain),
    }
    return blend.model_copy(update={"amount": choice.amount}), told


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _unmeasured(name: str, why: object) -> StepError:
    return StepError(
        f"blend.{name}.amount",
        found=f"no amount can be chosen: {why}",
        expected="linear masters of a hundred pixels a side or more",
        advice=f"give the amount as a number, for example blend.{name}.amount = 0.5",
    )
