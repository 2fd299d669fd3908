"""Blending: opacity, neutral values, missing pixels, own formulas."""

import pickle

import numpy as np
import pytest

from blend.base.errors import RecipeError
from blend.science.picture.formula import apply_formula, evaluate_formula, neutral_value, sky_statistics
from blend.science.picture.formulas import FORMULAS, define_formula


def _planes(seed=1, shape=(70, 33)):
    rng = np.random.default_rng(seed)
    return rng.random(shape, dtype=np.float32), rng.random(shape, dtype=np.float32)


def test_the_table_has_the_promised_formulas_in_their_domains():
    domains = {name: formula.domain for name, formula in FORMULAS.items()}
    assert domains == {
        "emission-add": "linear",
        "screen": "display",
        "maximum": "display",
        "maximum-above-noise": "display",
        "mean": "display",
        "soft-light": "display",
    }


def test_neutral_values():
    found = {name: neutral_value(formula, 0.1) for name, formula in FORMULAS.items()}
    assert found == {
        "emission-add": 0,
        "screen": 0,
        "maximum": 0.1,
        "maximum-above-noise": 0.1,
        "mean": 0.1,
        "soft-light": 0.5,
    }


def test_amount_is_opacity():
    base, line = _planes()
    whole = evaluate_formula(FORMULAS["screen"], base, line)
    quarter = apply_formula(FORMULAS["screen"], base, line, amount=0.25)
    # One float32 rounding each.
    assert np.abs(quarter - (0.75 * base + 0.25 * whole)).max() < 2e-7


def test_a_formula_that_names_amount_is_not_mixed_again():
    base, line = _planes()
    added = apply_formula(FORMULAS["emission-add"], base, line, amount=0.25)
    assert np.array_equal(added, (base.astype(np.float64) + 0.25 * line).astype(np.float32))


def test_amount_may_be_a_plane():
    base, line = _planes()
    amount = np.linspace(0, 1, base.size, dtype=np.float32).reshape(base.shape)
    for name in ("screen", "emission-add"):
        result = apply_formula(FORMULAS[name], base, line, amount=amount)
        one = apply_formula(FORMULAS[name], base, line, amount=float(amount[40, 7]))
        assert result[40, 7] == pytest.approx(one[40, 7], abs=1e-7)
        assert result[0, 0] == base[0, 0]


def test_a_line_below_neutral_darkens_smoothly():
    base = np.full((1, 5), 0.1, dtype=np.float32)
    line = np.array([[-0.02, -0.01, 0.0, 0.01, 0.02]], dtype=np.float32)
    result = evaluate_formula(FORMULAS["screen"], base, line)[0]
    # Noise stays even on both sides: screen is a straight line in `line`.
    assert np.allclose(np.diff(result), 0.009, atol=2e-7)
    assert result[2] == pytest.approx(0.1, abs=1e-7)


def test_linear_light_is_computed_in_double():
    own = define_formula("linear-screen", domain="linear", equation="1-(1-base)*(1-line)", neutral="0")
    base = np.full((1, 1), 3e-7, dtype=np.float32)
    result = evaluate_formula(own, base, base)
    # In float32, 1 - 3e-7 keeps 3e-7 to 20 %.
    assert result[0, 0] == pytest.approx(6e-7, rel=1e-5)


def test_inputs_must_be_on_one_grid():
    base, line = _planes()
    with pytest.raises(ValueError, match="not on one grid"):
        apply_formula(FORMULAS["mean"], base, line[:-1], amount=1)
    with pytest.raises(ValueError, match=r"give one of shape \(rows, columns\)"):
        apply_formula(FORMULAS["mean"], base[None], line[None], amount=1)


def test_own_formulas_have_parameters_and_noise():
    own = define_formula(
        "gated",
        domain="display",
        equation="where(line > k * line_sigma, max(base, line), base)",
        neutral="0",
        params={"k": 3},
        about="Only significant light.",
    )
    base = np.full((1, 2), 0.2, dtype=np.float32)
    line = np.array([[0.25, 0.5]], dtype=np.float32)
    assert evaluate_formula(own, base, line, line_sigma=0.1).tolist() == [
        [pytest.approx(0.2), pytest.approx(0.5)]
    ]
    assert evaluate_formula(own, base, line, line_sigma=0.1, params={"k": 1})[0, 0] == pytest.approx(0.25)
    with pytest.raises(RecipeError, match=r"params of gated: 'kk'; expected one of: k\."):
        evaluate_formula(own, base, line, params={"kk": 1})
    assert pickle.loads(pickle.dumps(own)) == own
    assert hash(own) == hash(own)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": "Screen"}, "Screen: the name 'Screen'; expected lower-case words joined by hyphens."),
        ({"name": "screen"}, "screen: 'screen' is a built-in formula. Do this: choose another name."),
        ({"domain": "linaer"}, "x.domain: 'linaer'; expected linear or display. Did you mean"),
        ({"params": {"sky": 1}}, "x.params: 'sky' names a value every formula has. Do this: choose another."),
        ({"equation": "bas"}, "x.equation: the name 'bas' is not known here"),
        ({"neutral": "line"}, "x.neutral: the name 'line' is not known here; expected one of: sky."),
        ({"params": {"this": 1}}, "x.equation: 'this' cannot name a value: the word is taken"),
    ],
)
def test_faults_of_own_formulas(changes, message):
    given = {"name": "x", "domain": "display", "equation": "base", "neutral": "0", **changes}
    with pytest.raises(RecipeError) as caught:
        define_formula(given.pop("name"), **given)
    assert str(caught.value).startswith(f"formulas.{message}")


def test_maximum_of_equal_noises_lifts_the_mean_as_told():
    rng = np.random.default_rng(3)
    a, b = (rng.normal(0.5, 0.1, (300, 400)).astype(np.float32) for _ in range(2))
    result = evaluate_formula(FORMULAS["maximum"], a, b)
    # sigma / sqrt(pi) and sigma sqrt(1 - 1/pi); the mean of 120 000 is good to 0.0003.
    assert result.mean(dtype=np.float64) == pytest.approx(0.5 + 0.1 / np.sqrt(np.pi), abs=0.001)
    assert result.std(dtype=np.float64) == pytest.approx(0.0826, abs=0.001)


ABOVE = FORMULAS["maximum-above-noise"]


def test_maximum_above_noise_does_not_lift_the_sky():
    rng = np.random.default_rng(3)
    a, b = (rng.normal(0.1, 0.01, (1000, 1000)).astype(np.float32) for _ in range(2))
    sigmas = {"base_sigma": 0.01, "line_sigma": 0.01}
    lifts = {
        name: (evaluate_formula(FORMULAS[name], a, b, sky=0.1, **sigmas).mean(dtype=np.float64) - 0.1) / 0.01
        for name in ("maximum", "maximum-above-noise")
    }
    # The mean of a million is good to 0.001 sigma. Closed forms: 1 / sqrt(pi), and sqrt(2) * 0.00364.
    assert lifts["maximum"] == pytest.approx(0.564, abs=0.005)
    assert 0.0 < lifts["maximum-above-noise"] <= 0.02
    assert lifts["maximum-above-noise"] == pytest.approx(0.00515, abs=0.005)


def test_maximum_above_noise_by_its_closed_form():
    # E = s (phi(k) - k^2 E1(k^2 / 2) / (2 sqrt(2 pi))), s of the difference: the garrote's mean over a Gaussian.
    from scipy.special import exp1

    k = ABOVE.params["threshold"]
    expected = np.exp(-k * k / 2) / np.sqrt(2 * np.pi) - k * k * exp1(k * k / 2) / 2 / np.sqrt(2 * np.pi)
    assert sky_statistics(ABOVE, sky=0.1, base_sigma=0.6, line_sigma=0.8)[1] == pytest.approx(
        expected, abs=1e-5
    )


def test_maximum_above_noise_has_a_threshold_and_no_step():
    sigma = 0.02
    line = np.linspace(0, 1, 4001, dtype=np.float64)[None]
    base = np.full_like(line, 0.2)
    given = {"base_sigma": 0.6 * sigma, "line_sigma": 0.8 * sigma}
    result = evaluate_formula(ABOVE, base, line, **given)[0].astype(np.float64)
    below = line[0] < 0.2 + 2.5 * sigma - 1e-9
    assert np.array_equal(result[below], np.full(below.sum(), np.float32(0.2)))
    # Its slope is 2 at the threshold and 1 far above: no step larger than twice the grid's.
    assert np.diff(result).max() < 2.01 / 4000
    # Far above, it lacks k^2 sigma^2 / (line - base).
    assert 1.0 - result[-1] == pytest.approx((2.5 * sigma) ** 2 / 0.8, rel=1e-3)
    assert (result <= np.maximum(line[0], 0.2) + 1e-7).all()
    higher = evaluate_formula(ABOVE, base, line, params={"threshold": 5.0}, **given)[0]
    assert (higher <= result).all()


def test_maximum_above_no_noise_is_the_maximum():
    base, line = _planes()
    assert np.abs(evaluate_formula(ABOVE, base, line) - np.maximum(base, line)).max() < 1.2e-7


@pytest.mark.parametrize(
    ("domain", "equation", "adds"),
    [
        ("linear", "base + amount * line", True),
        ("linear", "line*amount + base", True),
        ("linear", "(base) + (line)", True),
        ("linear", "base - amount * line", False),
        ("linear", "base + 2 * amount * line", False),
        ("linear", "base + amount * base", False),
        ("linear", "base * line", False),
        ("linear", "max(base, line)", False),
        ("display", "base + amount * line", False),
    ],
)
def test_a_formula_adds_light_by_what_it_says_and_not_by_its_name(
    domain: str, equation: str, adds: bool
) -> None:
    assert define_formula("mine", domain=domain, equation=equation, neutral="0").additive is adds


def test_one_formula_of_the_table_adds_light() -> None:
    assert [name for name, formula in FORMULAS.items() if formula.additive] == ["emission-add"]


def test_where_no_line_shines_some_formulas_change_nothing() -> None:
    base, _ = _planes()
    unlit = {name for name, formula in FORMULAS.items() if formula.leaves_unlit}
    assert unlit == {"emission-add", "screen"}
    for name in unlit:
        made = apply_formula(FORMULAS[name], base, np.zeros_like(base), amount=0.7)
        # 1 - (1 - x) of float32.
        np.testing.assert_allclose(made, base, rtol=0.0, atol=6e-8)
