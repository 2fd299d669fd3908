"""Blending formulas: how a narrowband line's light goes into a channel or into the luminance.

A formula is its equation. The manual prints the text, this module computes the same text, the explorer page
runs it as JavaScript. A new formula is one entry of `FORMULAS`.

``neutral`` is the value of ``line`` that leaves a sky pixel as it is: formula(sky, neutral) = sky. A line
that goes into a display formula is stretched so that its own sky sits there, so no blend tints or lifts the
sky.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from blend.base.equation import Equation, Precision, evaluate_by_rows, parse
from blend.base.errors import RecipeError
from blend.base.registry import Registry, suggestion

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
    """A blending formula.

    Attributes
    ----------
    name : str
        kebab-case.
    domain : "linear" or "display"
        Linear: sky-subtracted fractions of full scale. Display: sRGB code values, 0 to 1.
    equation : str
        In ``base line amount sky base_sigma line_sigma`` and the formula's own parameters.
    neutral : str
        The value of ``line`` that leaves a sky pixel unchanged, an equation in ``sky`` and the parameters.
    about, source, range, noise : str
        What it is for; who published it; which input gives which output; the noise of the result to first
        order.
    noise_at_sky, lift_at_sky : str
        Where base and line are both sky, independent noise on each: standard deviation and rise of the mean
        of the formula's value, closed forms in ``sky amount base_sigma line_sigma`` and the parameters.
        Empty where none is known.
    params : mapping of name to float
        Own parameters and their defaults. Not to be changed.
    examples : tuple of Example
    """

    name: str
    domain: FormulaDomain
    equation: str
    neutral: str
    about: str
    source: str
    range: str = ""
    noise: str = ""
    noise_at_sky: str = ""
    lift_at_sky: str = ""
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
    values = _values(formula, base, line, (amount, sky, base_sigma, line_sigma), params)
    return evaluate_by_rows(
        formula.parsed,
        values,
        shape=_plane_shape(base),
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
        Not clipped. Amount 0 returns ``base`` itself, unchanged to the bit.
    """
    if np.ndim(amount) == 0 and float(amount) == 0.0:
        return base
    values = _values(formula, base, line, (amount, sky, base_sigma, line_sigma), params)
    return evaluate_by_rows(
        formula.parsed,
        values,
        shape=_plane_shape(base),
        dtype=formula.precision,
        after=_Finish(formula, base, line, amount=None if formula.uses_amount else amount),
    )


def define_formula(
    name: str,
    *,
    domain: str,
    equation: str,
    neutral: str,
    params: Mapping[str, float] | None = None,
    about: str = "",
) -> Formula:
    """Return a formula of a recipe's own.

    Raises
    ------
    RecipeError
        The name is taken or not kebab-case, the domain is neither, or a text is not an allowed equation.

    Examples
    --------
    >>> half = define_formula("half-screen", domain="display", equation="base + k * line * (1 - base)",
    ...                       neutral="0", params={"k": 0.5})
    >>> float(evaluate_formula(half, np.array([[0.5]]), np.array([[0.4]]))[0, 0])
    0.6000000238418579
    """
    where = f"formulas.{name}"
    if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name):
        raise RecipeError(where, found=f"the name {name!r}", expected="lower-case words joined by hyphens")
    if name in FORMULAS:
        raise RecipeError(where, found=f"{name!r} is a built-in formula", advice="choose another name")
    own = {key: float(value) for key, value in (params or {}).items()}
    for key in own:
        if key in BLEND_NAMES:
            raise RecipeError(
                f"{where}.params", found=f"{key!r} names a value every formula has", advice="choose another"
            )
    if domain == "linear":
        formula = Formula(name, "linear", equation, neutral, about, "this recipe", params=own)
    elif domain == "display":
        formula = Formula(name, "display", equation, neutral, about, "this recipe", params=own)
    else:
        raise RecipeError(
            f"{where}.domain",
            found=f"{domain!r}",
            expected="linear or display",
            advice=suggestion(str(domain), ["linear", "display"]),
        )
    _ = formula.parsed, formula.parsed_neutral
    return formula


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
    named = {"base": base, "line": line, "amount": amount, "sky": float(sky)}
    return {**named, "base_sigma": base_sigma, "line_sigma": line_sigma, **_parameters(formula, params)}


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


def _plane_shape(plane: NDArray[np.floating]) -> tuple[int, int]:
    if plane.ndim != 2:
        raise ValueError(f"a plane has rows and columns, not shape {plane.shape}")
    return (int(plane.shape[0]), int(plane.shape[1]))


_W3C = "W3C, Compositing and Blending Level 1"
_CURVE = "(2 * where(sky <= 0.25, ((16 * sky - 12) * sky + 4) * sky, sqrt(sky)) - 2 * sky)"

FORMULAS: Registry[Formula] = Registry(
    "formula",
    [
        Formula(
            "emission-add",
            domain="linear",
            equation="base + amount * line",
            neutral="0",
            about="Adds the line's light to linear light, as a brighter nebula would; the honest default.",
            source="light adds: derived here from the linearity of the detector",
            range="any finite base, line and amount; amount 1 adds the line once more, as measured, so that "
            "the line's contrast over the continuum grows 1 + amount times",
            noise="sqrt(base_sigma^2 + amount^2 line_sigma^2) everywhere; an emission that was faded by its "
            "significance has next to no noise on the sky, and adds none there",
            noise_at_sky="sqrt(base_sigma ** 2 + amount ** 2 * line_sigma ** 2)",
            lift_at_sky="0",
            examples=(Example({"base": 0.2, "line": 0.03588}, 0.23588),),
        ),
        Formula(
            "screen",
            domain="display",
            equation="1 - (1 - base) * (1 - line)",
            neutral="0",
            about="Brightens towards white and never past it; gentle on what is bright already.",
            source=f"{_W3C}, section 10.1.3, screen",
            range="base and line in [0, 1] give [0, 1], never below either; a line below 0 darkens a little",
            noise="sqrt((1 - line)^2 base_sigma^2 + (1 - base)^2 line_sigma^2)",
            noise_at_sky="sqrt(base_sigma ** 2 + (1 - sky) ** 2 * line_sigma ** 2)",
            lift_at_sky="0",
            examples=(
                Example({"base": 0.2, "line": 0.4}, 0.52),
                Example({"base": 0.6, "line": 0.8}, 0.92),
            ),
        ),
        Formula(
            "maximum",
            domain="display",
            equation="max(base, line)",
            neutral="sky",
            about="Takes the brighter of the two. Its noise is one-sided: it lifts the sky's mean, by 0.564 "
            "sigma where both are equally noisy.",
            source=f"{_W3C}, section 10.1.5, lighten; moments of the larger of two: derived here",
            range="base and line in [0, 1] give [0, 1], never below either",
            noise="that of the brighter; of two equal noises sigma at one level, 0.826 sigma",
            noise_at_sky="sqrt(0.3408450569 * (base_sigma ** 2 + line_sigma ** 2))",
            lift_at_sky="0.3989422804 * sqrt(base_sigma ** 2 + line_sigma ** 2)",
            examples=(
                Example({"base": 0.2, "line": 0.4}, 0.4),
                Example({"base": 0.6, "line": 0.1}, 0.6),
            ),
        ),
        Formula(
            "maximum-above-noise",
            domain="display",
            equation=(
                "base + where(line - base > threshold * sqrt(base_sigma ** 2 + line_sigma ** 2), "
                "line - base - threshold ** 2 * (base_sigma ** 2 + line_sigma ** 2) / (line - base), 0)"
            ),
            neutral="sky",
            about="The maximum without the noise lift: the base, unless the line is brighter by more than "
            "threshold sigma of their difference; from there it goes over into the line without a step.",
            source="non-negative garrote, Breiman (1995), Technometrics 37, 373 (from memory); of the "
            "difference to the base: derived here",
            range="base and line in [0, 1] give [0, 1], from base to the larger of both; d sigma above the "
            "base the line lacks threshold^2 / d sigma. Rises with the line; within the noise, not always "
            "with the base",
            noise="base_sigma below the threshold, line_sigma far above; between, up to twice that of the "
            "difference. At the default threshold the sky is lifted by 0.0036 of it, 0.005 sigma for two "
            "equal noises, where the plain maximum lifts it by 0.564",
            noise_at_sky="base_sigma",
            lift_at_sky="0.00364 * sqrt(base_sigma ** 2 + line_sigma ** 2)",
            params={"threshold": 2.5},
            examples=(
                Example({"base": 0.2, "line": 0.3, "base_sigma": 0.03, "line_sigma": 0.04}, 0.2),
                Example({"base": 0.2, "line": 0.4, "base_sigma": 0.03, "line_sigma": 0.04}, 0.321875),
            ),
        ),
        Formula(
            "mean",
            domain="display",
            equation="(base + line) / 2",
            neutral="sky",
            about="The plain average: quietens noise where both show the same, halves what only one shows. "
            "Into the luminance of a galaxy it darkens the blue arms, which the line does not show.",
            source="arithmetic mean; common practice",
            range="base and line in [0, 1] give [0, 1], between the two",
            noise="sqrt(base_sigma^2 + line_sigma^2) / 2",
            noise_at_sky="sqrt(base_sigma ** 2 + line_sigma ** 2) / 2",
            lift_at_sky="0",
            examples=(Example({"base": 0.2, "line": 0.4}, 0.3),),
        ),
        Formula(
            "soft-light",
            domain="display",
            equation=(
                "where(line <= 0.5, base - (1 - 2 * line) * base * (1 - base), "
                "base + (2 * line - 1) * "
                "(where(base <= 0.25, ((16 * base - 12) * base + 4) * base, sqrt(base)) - base))"
            ),
            neutral="0.5",
            about="Adds contrast: brightens where the line is above one half, darkens where it is below. "
            "It brightens a sky more than it darkens it, which lifts the mean a little.",
            source=f"{_W3C}, section 10.1.9, soft-light; moments at the kink: derived here",
            range="base and line in [0, 1] give [0, 1]",
            noise="up to sqrt(4 base_sigma^2 + 0.25 line_sigma^2); near the neutral, base_sigma and a part of "
            "line_sigma, which is 2 base (1 - base) below it and larger above",
            noise_at_sky=(
                f"sqrt(base_sigma ** 2 + line_sigma ** 2 * ((2 * sky * (1 - sky)) ** 2 + {_CURVE} ** 2) / 2"
                f" - (0.3989422804 * line_sigma * ({_CURVE} - 2 * sky * (1 - sky))) ** 2)"
            ),
            lift_at_sky=f"0.3989422804 * line_sigma * ({_CURVE} - 2 * sky * (1 - sky))",
            examples=(
                Example({"base": 0.2, "line": 0.4}, 0.168),
                Example({"base": 0.2, "line": 0.7}, 0.2992),
                Example({"base": 0.6, "line": 0.8}, 0.704758),
                Example({"base": 0.1, "line": 1.0}, 0.296),
            ),
        ),
    ],
)
