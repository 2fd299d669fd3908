"""Where ``amount = "auto"`` means something, and in which words it and a line's light are told."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from blend.base.errors import RecipeError
from blend.science.line import MOST_ADDED, MOST_OPAQUE
from blend.science.picture import Formula

if TYPE_CHECKING:
    from blend.recipe.blendtable import Blend

MOST_HELD = 0.1
"""Share of light held back from which terminal and verdict tell it."""


def most_amount(formula: Formula) -> float:
    """Return what an automatic amount never passes: 1.5 where light is added, else full opacity."""
    return MOST_ADDED if formula.additive else MOST_OPAQUE


def amount_faults(label: str, table: Mapping[str, Any], formula: Formula) -> Iterator[RecipeError]:
    """Give why ``amount = "auto"``, or a key that steers it, means nothing in a blend's table."""
    lit = table.get("into") == "luminance"
    if table.get("amount") == "auto":
        yield from _auto_faults(f"blend.{label}.amount", lit, str(table.get("from", "")), formula)
    if table.get("optimise_for", "faint") == "bright" and not lit:
        yield RecipeError(
            f"blend.{label}.optimise_for",
            found="a signal named for a blend that is not into luminance",
            expected="optimise_for only beside a blend into luminance",
            advice="take it out; a blend into a plane has its noise_budget",
        )


def _auto_faults(where: str, lit: bool, source: str, formula: Formula) -> Iterator[RecipeError]:
    if lit:
        if formula.uses_amount and not formula.additive:
            found = f'"auto" beside {formula.name!r}, whose equation names amount itself'
            expected = "a formula that amount is the opacity of, or one that adds light, like emission-add"
            yield RecipeError(where, found=found, expected=expected, advice="give the amount as a number")
    elif not formula.additive:
        found = f'"auto" beside {formula.name!r} into a plane'
        expected = "auto for a formula that adds light, like emission-add, or for a blend into luminance"
        yield RecipeError(where, found=found, expected=expected, advice="give the amount as a number")
    elif not source.endswith(".emission"):
        found = f'"auto" for {source}, which holds starlight too'
        advice = f'write from = "{source}.emission"'
        yield RecipeError(where, found=found, expected="the emission alone", advice=advice)


def auto_rule(blend: Blend, formula: Formula) -> Iterator[str]:
    """Yield how an automatic amount is chosen, in sentences; an equation begins with four blanks."""
    most = most_amount(formula)
    if blend.into == "luminance":
        named = {
            "faint": "the fainter half of the emission that passes 3 sigma in means over 16 px",
            "bright": "its brightest tenth",
        }
        yield (
            f"The amount is chosen from the masters: {most:g}, or less where less shows {named[blend.optimise_for]} at "
            "the best signal-to-noise, by means of 4 x 4 pixels:"
        )
        yield "    (w_base, w_change) = C^-1 a,  amount = w_change / w_base"
        yield (
            "with a the line's own light in base and in F - base, and C the covariance of their noise. Source: "
            "inverse-variance weights, standard statistics. Such a luminance shows a signal best; it is no photometric "
            "luminance."
        )
    else:
        yield (
            f"The amount b is chosen from the masters: {most:g}, or less where the noise of {blend.into} at 4 px would "
            f"become more than {blend.noise_budget:g} times the old where emission is kept whole:"
        )
        yield f"    var(base) + 2 b cov(base, line) + b^2 var(line) = {blend.noise_budget:g}^2 var(base)"
        yield "The emission holds some of red's noise with a minus sign; cov counts it. Source: derived here."


def amount_words(entry: Mapping[str, Any]) -> str:
    """Return what the record's entry of a blend says of its amount, for a line of text.

    Examples
    --------
    >>> amount_words({"formula": "emission-add", "amount": 1.0, "line_contrast": 2.0})
    'amount 1, line contrast x 2'
    >>> amount_words({"formula": "screen", "amount": 0.2, "line_light": False})
    'amount 0.2, but no line light was found'
    """
    text = f"amount {entry['amount']:.4g}"
    if "line_contrast" in entry:
        text += f", line contrast x {entry['line_contrast']:.4g}"
    if not entry.get("line_light", True):
        text += ", but no line light was found"
    return text


def auto_words(entry: Mapping[str, Any]) -> str:
    """Return why the record's entry of a blend has its amount and what that gains; empty where the recipe gave it."""
    auto = entry.get("auto")
    if not auto:
        return ""
    text = f"auto: {auto['reason']}; noise at 4 px x {auto['noise']:.3g}"
    return text + ("" if auto["gain"] is None else f", signal-to-noise x {auto['gain']:.3g}")


def held_words(told: Mapping[str, Any]) -> str:
    """Return what the record's ``line_light`` says of light held back; empty where it is a tenth or less.

    Examples
    --------
    >>> held_words({"held_back": 0.234})
    'the weight holds back 23 % of the light standing out of the noise'
    >>> held_words({"held_back": 0.05})
    ''
    """
    held = told.get("held_back")
    if held is None or held <= MOST_HELD:
        return ""
    return f"the weight holds back {100 * held:.0f} % of the light standing out of the noise"
