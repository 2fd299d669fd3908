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

from blend.base.errors import RecipeError
from blend.base.registry import Registry, suggestion
from blend.science.picture.formula import BLEND_NAMES, Example, Formula


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
    >>> import numpy as np
    >>> from blend.science.picture.formula import evaluate_formula
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
            noise="sqrt(base_sigma^2 + amount^2 line_sigma^2) everywhere; an emission with its significance "
            "weight has next to no noise on the sky, and adds none there",
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
