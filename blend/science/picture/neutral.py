"""Whether a formula leaves the sky alone where the line stands at its neutral value: checked before any blend."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import RecipeError
from blend.science.picture.formula import MOST_AMOUNT, Formula, neutral_value

DISPLAY_SKIES = (0.02, 0.05, 0.1, 0.2, 0.35, 0.5)
"""From dark to bright: a recipe may ask for 0.01 to 0.5."""
LINEAR_SKIES = (1e-4, 1e-2)
"""What a gradient may leave of a sky of 0, in fractions of full scale, to both sides."""
MOST_MOVED = {"linear": 1e-6, "display": 0.004}
"""Linear light sits within a millionth of 0 (`Formula.precision`); a step of an 8-bit picture is 1/255."""
MOST_TURNED = 1.5
"""A rest of sky may go, doubled or halved it is still no other sky; a formula that turns its sign moves it by twice."""
TREMBLE = {"linear": 1e-6, "display": 1e-3}
"""Noise to both sides of sky and line, far below that of any picture: only the sign matters, as to sqrt and log."""
AMOUNTS = (0.25, 1.0, float(MOST_AMOUNT))
"""A little, as measured, and the most that a recipe may ask for."""


def check_neutral(
    formula: Formula, *, where: str, params: Mapping[str, float] = MappingProxyType({})
) -> None:
    """Refuse a formula that moves the sky, or makes no number of it, with the line at the neutral value.

    formula(sky, neutral) = sky, at every level the sky may have; in the linear domain that is 0 and what a gradient
    leaves. There a formula that takes one side of the noise only, as a maximum does, or puts the line in the base's
    place, is let pass.

    Parameters
    ----------
    formula : Formula
    where : str
        Told in errors.
    params : mapping of name to float
        Replaces defaults of the formula's own parameters.

    Raises
    ------
    RecipeError
        With the sky that was tried and what the formula made of it.

    Examples
    --------
    >>> from blend.science.picture.formulas import FORMULAS, define_formula
    >>> check_neutral(FORMULAS["screen"], where="formulas.screen.equation")
    >>> lift = define_formula("lift", domain="display", equation="base + line / 2", neutral="0.1")
    >>> check_neutral(lift, where="formulas.lift.equation")
    Traceback (most recent call last):
    ...
    blend.base.errors.RecipeError: formulas.lift.equation: it makes 0.07 of a sky at 0.02 with line at the neutral \
value 0.1; expected the sky as it was. Do this: let neutral be the value of line that leaves the sky as it is, or \
mend the equation.
    """
    display = formula.domain == "display"
    for sky in DISPLAY_SKIES if display else (0.0,):
        neutral = neutral_value(formula, sky, params=params)
        if not np.isfinite(neutral):
            raise RecipeError(where, found=f"neutral is {neutral} for a sky at {sky:g}", expected="a number")
        steady, *moved = _made(formula, sky, neutral, params)
        if not abs(steady - sky) <= MOST_MOVED[formula.domain]:
            raise _fault(where, sky, neutral, steady)
        if not np.isfinite(moved).all():
            worst = next(value for value in moved if not np.isfinite(value))
            raise _fault(where, sky, neutral, worst, noisy=True)
        for rest in () if display else LINEAR_SKIES:
            sides = [(side, _value(formula, side, 0.0, neutral, params)) for side in (rest, -rest)]
            if not min(abs(made - side) for side, made in sides) <= MOST_TURNED * rest:
                raise _fault(where, sides[0][0], neutral, sides[0][1])


def _made(formula: Formula, sky: float, neutral: float, params: Mapping[str, float]) -> list[float]:
    """Return what the formula makes of the sky itself, and of sky and line with a little noise."""
    step = TREMBLE[formula.domain]
    return [_value(formula, sky, sky, neutral, params)] + [
        _value(formula, sky + a * step, sky, neutral + b * step, params)
        for a in (-1, 0, 1)
        for b in (-1, 0, 1)
    ]


def _value(formula: Formula, base: float, sky: float, line: float, params: Mapping[str, float]) -> float:
    """Return the formula's value whose distance from the base is largest, over the amounts it may be given."""
    amounts: NDArray[np.float64] = np.array(AMOUNTS if formula.uses_amount else (1.0,))
    step = TREMBLE[formula.domain]
    given = {"base": base, "line": line, "sky": sky, "base_sigma": step, "line_sigma": step}
    made = formula.parsed.evaluate(
        {**given, "amount": amounts, **formula.params, **params}, dtype="float64"
    ).reshape(-1)
    far = np.where(np.isfinite(made), np.abs(made - base), np.inf)
    return float(made[int(far.argmax())])


def _fault(where: str, sky: float, neutral: float, made: float, *, noisy: bool = False) -> RecipeError:
    noise = " and a little noise on both" if noisy else ""
    advice = "let neutral be the value of line that leaves the sky as it is, or mend the equation"
    if not np.isfinite(made):
        advice = "keep what is divided by away from 0, and what goes into sqrt and log above it: max(line, 0)"
    return RecipeError(
        where,
        found=f"it makes {made:.4g} of a sky at {sky:g} with line at the neutral value {neutral:g}{noise}",
        expected="the sky as it was",
        advice=advice,
    )
