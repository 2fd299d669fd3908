"""Formulas that move the sky are refused, and formulas that somebody may well write are not."""

from __future__ import annotations

import pytest

from blend.base.errors import RecipeError
from blend.science.formulas import FORMULAS, define_formula
from blend.science.neutral import check_neutral


@pytest.mark.parametrize("formula", FORMULAS.values(), ids=lambda formula: formula.name)
def test_every_formula_of_the_table_leaves_the_sky(formula):
    check_neutral(formula, where="formulas")


@pytest.mark.parametrize(
    ("domain", "equation", "neutral", "params"),
    [
        ("linear", "base + amount * line / (1 + abs(line) / k)", "0", {"k": 0.01}),
        ("linear", "line", "0", {}),
        ("linear", "max(base, line)", "0", {}),
        ("linear", "(base + line) / 2", "0", {}),
        ("linear", "base + amount * max(line - k, 0)", "0", {"k": 0.001}),
        ("linear", "base + amount * asinh(line / k) * k", "0", {"k": 1e-4}),
        ("linear", "base + sqrt(max(line, 0) + 1e-8) - 1e-4", "0", {}),
        ("display", "line", "sky", {}),
        ("display", "where(line > base, line, base)", "sky", {}),
        ("display", "sqrt(max(base, 0) * max(line, 0))", "sky", {}),
        ("display", "base + amount * k * (line - sky)", "sky", {"k": 0.5}),
        ("display", "base * (1 + amount * (line - 0.5))", "0.5", {}),
        ("display", "1 - exp(log(max(1 - base, 0.000001)) + log(max(1 - line, 0.000001)))", "0", {}),
        ("display", "base + (line - k)", "k", {"k": 0.3}),
    ],
)
def test_a_sensible_formula_is_let_pass(domain, equation, neutral, params):
    formula = define_formula("mine", domain=domain, equation=equation, neutral=neutral, params=params)
    check_neutral(formula, where="formulas.mine.equation")


@pytest.mark.parametrize("domain", ["linear", "display"])
@pytest.mark.parametrize(
    ("equation", "made"),
    [("base + sqrt(0-1)", "nan"), ("base + 1", "1"), ("5", "5"), ("0 - base", "-0.0"), ("3 * base", "0.0")],
)
def test_a_formula_that_moves_the_sky_is_refused(domain, equation, made):
    formula = define_formula("mine", domain=domain, equation=equation, neutral="0")
    with pytest.raises(RecipeError, match=r"^formulas.mine.equation: it makes ") as told:
        check_neutral(formula, where="formulas.mine.equation")
    assert f"it makes {made}" in str(told.value)


@pytest.mark.parametrize("equation", ["base / 0", "base + line * log(line)", "base + sqrt(line)"])
@pytest.mark.parametrize("domain", ["linear", "display"])
def test_a_formula_without_a_number_on_the_sky_or_in_its_noise_is_refused(domain, equation):
    formula = define_formula("mine", domain=domain, equation=equation, neutral="0")
    with pytest.raises(RecipeError, match=r"it makes (nan|-?inf) of a sky .* max\(line, 0\)"):
        check_neutral(formula, where="formulas.mine.equation")


def test_a_neutral_value_that_is_none_is_refused():
    formula = define_formula("mine", domain="display", equation="base + line - line", neutral="log(0 - sky)")
    with pytest.raises(RecipeError, match=r"neutral is nan for a sky at 0.02; expected a number"):
        check_neutral(formula, where="formulas.mine.equation")


def test_an_amount_that_the_equation_names_is_tried_at_several_values():
    formula = define_formula(
        "mine", domain="display", equation="base + amount * amount - amount", neutral="0"
    )
    with pytest.raises(RecipeError, match="of a sky"):  # at amount 1 it leaves the sky
        check_neutral(formula, where="formulas.mine.equation")


def test_parameters_of_a_blend_count():
    formula = define_formula(
        "mine", domain="linear", equation="base + line / (1 + abs(line) / k)", neutral="0", params={"k": 0.1}
    )
    check_neutral(formula, where="blend.red.params", params={"k": 0.2})
    with pytest.raises(RecipeError, match=r"^blend.red.params: it makes nan"):
        check_neutral(formula, where="blend.red.params", params={"k": 0.0})
