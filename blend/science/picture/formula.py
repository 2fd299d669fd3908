"""What a blending formula is, and how its equation is put to planes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from blend.base.arrays import plain_array, plain_value
from blend.base.equation import Equation, Precision, evaluate_by_rows, parse
from blend.base.errors import RecipeError
from blend.base.notation import Apply, Name
from blend.base.registry import suggestion

MOST_AMOUNT = 3
"""The largest amount a recipe may ask for. Opacity 1 is the formula itself and beyond it extrapolates; at 3
emission-add gives the line 4 times its contrast, and a larger weight is a mistake of units."""

BLEND_NAMES = ("base", "line", "amount", "sky", "base_sigma", "line_sigma")
"""What an equation may use beside its own parameters."""

FormulaDomain = Literal["linear", "display"]

Amount: TypeAlias = "float | NDArray[np.floating]"


@dataclass(frozen=True)
class Example:
    """A worked number: the values that go in and what comes out at amount 1."""

    values: Mapping[str, float] = field(hash=False)
    result: float


@dataclass(frozen=True)
class Formula:
    """A blending formula."""

    name: str  # kebab-case
    # Linear: sky-subtracted fractions of full scale. Display: sRGB code values, 0 to 1.
    domain: FormulaDomain
    equation: str  # in ``base line amount sky base_sigma line_sigma`` and the formula's own parameters
    # the value of ``line`` that leaves a sky pixel unchanged, an equation in ``sky`` and the parameters
    neutral: str
    # about, source, range and noise: what it is for; who published it; which input gives which output; the noise
    # of the result to first order
    about: str
    source: str
    range: str = ""
    noise: str = ""
    # noise_at_sky and lift_at_sky: Where base and line are both sky, independent noise on each: standard
    # deviation and rise of the mean of the formula's value, closed forms in ``sky amount base_sigma line_sigma``
    # and the parameters. Empty where none is known.
    noise_at_sky: str = ""
    lift_at_sky: str = ""
    # Own parameters and their defaults. Not to be changed.
    params: Mapping[str, float] = field(default_factory=dict, hash=False)
    examples: tuple[Example, ...] = ()

    @cached_property
    def parsed(self) -> Equation:
        """The equation, checked."""
        names = (*BLEND_NAMES, *self.params)
        return parse(self.equation, names, where=f"formulas.{self.name}.equation")

    @cached_property
    def parsed_neutral(self) -> Equation:
        """The neutral value's equation, checked."""
        return parse(self.neutral, ("sky", *self.params), where=f"formulas.{self.name}.neutral")

    @property
    def uses_amount(self) -> bool:
        """Whether the equation names ``amount`` itself; else amount is opacity."""
        return "amount" in self.parsed.names

    @cached_property
    def additive(self) -> bool:
        """Whether the line's light is added to linear light: base + amount * line, or base + line by opacity.

        However that is written. What such a formula adds depends on the line alone, and never on the star it is added
        to; its amount is the light added over that of the line.
        """
        base, line, amount = (Name(name) for name in BLEND_NAMES[:3])
        light = (line, Apply("*", (amount, line)), Apply("*", (line, amount)))
        sums = [Apply("+", pair) for term in light for pair in ((base, term), (term, base))]
        return self.domain == "linear" and self.parsed.tree in sums

    @cached_property
    def leaves_unlit(self) -> bool:
        """Whether a line of 0 leaves every base as it is, by the equation's own terms."""
        return self.parsed.without("line") == Name("base")

    @property
    def precision(self) -> Precision:
        """Precision inside a block of rows.

        Linear light sits within a millionth of 0 where ``1 - (1 - x)`` of float32 resolves 6e-8; display
        values do not.
        """
        return "float64" if self.domain == "linear" else "float32"


def neutral_value(formula: Formula, sky: float, *, params: Mapping[str, float] | None = None) -> float:
    """Return the value of ``line`` that leaves a pixel at ``sky`` unchanged.

    Examples
    --------
    >>> from blend.science.picture.formulas import FORMULAS
    >>> neutral_value(FORMULAS["screen"], 0.1), neutral_value(FORMULAS["mean"], 0.1)
    (0.0, 0.1)
    """
    values = {"sky": sky, **_parameters(formula, params)}
    return float(formula.parsed_neutral.evaluate(values, dtype="float64"))


def sky_statistics(
    formula: Formula, *, sky: float, base_sigma: float, line_sigma: float, amount: float = 1.0
) -> tuple[float, float]:
    """Return the noise of blended sky and how far its mean is lifted, by the formula's closed forms.

    Parameters
    ----------
    formula : Formula
    sky : float
        Level of the sky in the base; the line's sky sits at the neutral value.
    base_sigma, line_sigma : float
        Noise of one pixel of each, Gaussian and independent, small beside the formula's curvature.
    amount : float
        For a formula that names it; others are taken at opacity 1.

    Returns
    -------
    noise, lift : float
        NaN where the formula has no closed form.

    Examples
    --------
    >>> from blend.science.picture.formulas import FORMULAS
    >>> noise, lift = sky_statistics(FORMULAS["maximum"], sky=0.1, base_sigma=0.01, line_sigma=0.01)
    >>> round(noise, 5), round(lift, 5)
    (0.00826, 0.00564)
    """
    values = {"sky": sky, "base_sigma": base_sigma, "line_sigma": line_sigma, "amount": amount}
    names = (*values, *formula.params)
    found = []
    for key, text in (("noise_at_sky", formula.noise_at_sky), ("lift_at_sky", formula.lift_at_sky)):
        equation = parse(text or "0 / 0", names, where=f"formulas.{formula.name}.{key}")
        found.append(
            float(equation.evaluate({**values, **formula.params}, dtype="float64")) if text else np.nan
        )
    return found[0], found[1]


def evaluate_formula(
    formula: Formula,
    base: NDArray[np.floating],
    line: NDArray[np.floating],
    *,
    amount: Amount = 1.0,
    sky: float = 0.0,
    base_sigma: Amount = 0.0,
    line_sigma: Amount = 0.0,
    params: Mapping[str, float] | None = None,
) -> NDArray[np.float32]:
    """Compute a formula's own value F, before opacity.

    Parameters
    ----------
    formula : Formula
    base, line : (rows, columns)
        In the formula's domain. NaN in either gives NaN in that pixel alone.
    amount : float or (rows, columns)
    sky : float
        Sky level of ``base``: 0 in the linear domain.
    base_sigma, line_sigma : float or (rows, columns)
        Noise of one pixel.
    params : mapping of name to float
        Replaces defaults of the formula's own parameters.

    Returns
    -------
    (rows, columns) float32
        Not clipped.
    """
    base, line = plain_array(base, where="base"), plain_array(line, where="line")
    values = _values(formula, base, line, (amount, sky, base_sigma, line_sigma), params)
    return evaluate_by_rows(
        formula.parsed,
        values,
        shape=base.shape,
        dtype=formula.precision,
        after=_Finish(formula, base, line, amount=None),
    )


def apply_formula(
    formula: Formula,
    base: NDArray[np.floating],
    line: NDArray[np.floating],
    *,
    amount: Amount,
    sky: float = 0.0,
    base_sigma: Amount = 0.0,
    line_sigma: Amount = 0.0,
    params: Mapping[str, float] | None = None,
) -> NDArray[np.floating]:
    """Blend ``line`` into ``base``.

    out = base + amount * (F - base), or F where the equation names ``amount`` itself.

    Parameters
    ----------
    formula, base, line, sky, base_sigma, line_sigma, params
        As `evaluate_formula`.
    amount : float or (rows, columns)
        Opacity, 0 to 1; a formula that names it says what it means.

    Returns
    -------
    (rows, columns) float32
        Not clipped. Amount 0 returns a copy of ``base``, unchanged to the bit.

    Raises
    ------
    ArrayError
        An array that `blend.base.arrays.plain_array` refuses.
    """
    base, line = plain_array(base, where="base"), plain_array(line, where="line")
    amount = plain_value(amount, where="amount")
    if isinstance(amount, int | float) and amount == 0:
        return base.copy()
    values = _values(formula, base, line, (amount, sky, base_sigma, line_sigma), params)
    return evaluate_by_rows(
        formula.parsed,
        values,
        shape=base.shape,
        dtype=formula.precision,
        after=_Finish(formula, base, line, amount=None if formula.uses_amount else amount),
    )


class _Finish:
    """What follows the equation, on rows still in the cache: missing pixels, then opacity."""

    def __init__(
        self,
        formula: Formula,
        base: NDArray[np.floating],
        line: NDArray[np.floating],
        *,
        amount: Amount | None,
    ) -> None:
        names = formula.parsed.names
        # A comparison with NaN is false, so `where` would give a missing pixel a value; so would an unused
        # plane.
        self.marks_missing = formula.parsed.uses("where") or not {"base", "line"} <= set(names)
        self.base, self.line, self.amount = base, line, amount

    def __call__(self, result: NDArray[Any], rows: slice) -> NDArray[Any]:
        base = self.base[rows]
        if self.marks_missing:
            missing = np.isnan(base) | np.isnan(self.line[rows])
            result = np.broadcast_to(result, base.shape)
            if missing.any():
                result = np.where(missing, np.nan, result)
        if self.amount is None:
            return result
        weight = (
            self.amount[rows] if isinstance(self.amount, np.ndarray) and self.amount.ndim else self.amount
        )
        return base + weight * (result - base)  # type: ignore[no-any-return]


def _values(
    formula: Formula,
    base: NDArray[np.floating],
    line: NDArray[np.floating],
    scalars: tuple[Amount, float, Amount, Amount],
    params: Mapping[str, float] | None,
) -> dict[str, Any]:
    if base.shape != line.shape:
        raise ValueError(f"base of shape {base.shape} and line of shape {line.shape} are not on one grid")
    amount, sky, base_sigma, line_sigma = scalars
    named = {"base": base, "line": line, "sky": float(sky)}
    either = {"amount": amount, "base_sigma": base_sigma, "line_sigma": line_sigma}
    named |= {name: plain_value(value, where=name) for name, value in either.items()}
    return {**named, **_parameters(formula, params)}


def _parameters(formula: Formula, params: Mapping[str, float] | None) -> dict[str, float]:
    for name in params or {}:
        if name not in formula.params:
            raise RecipeError(
                f"params of {formula.name}",
                found=f"{name!r}",
                expected=f"one of: {', '.join(sorted(formula.params))}" if formula.params else "none",
                advice=suggestion(name, list(formula.params)),
            )
    return {**formula.params, **(params or {})}
