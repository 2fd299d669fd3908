"""What holds for every formula of the table; a new entry is covered by being there."""

import json
import shutil
import subprocess

import numpy as np
import pytest

from blend.base.equation import javascript_prelude
from blend.base.rowblocks import limit_threads
from blend.science.picture.formula import (
    BLEND_NAMES,
    apply_formula,
    evaluate_formula,
    neutral_value,
    sky_statistics,
)
from blend.science.picture.formulas import FORMULAS, define_formula

OWN = define_formula(
    "own",
    domain="display",
    equation="where(line <= sky, base, base + k * clip(1 - base, 0, 1) ** 2 / (1 + abs(base)))",
    neutral="sky",
    params={"k": 0.7},
    about="Stands for the formulas that recipes define.",
)
EVERY = [*FORMULAS.values(), OWN]
SKIES = [0.0, 0.05, 0.1, 0.25, 0.6]

every_formula = pytest.mark.parametrize("formula", EVERY, ids=lambda formula: formula.name)


def _planes(shape=(130, 41), seed=1):
    rng = np.random.default_rng(seed)
    planes = [rng.random(shape, dtype=np.float32) for _ in range(2)]
    for plane in planes:
        plane.flags.writeable = False
    return planes


@every_formula
def test_an_entry_explains_itself(formula):
    assert formula.about
    assert formula.source
    if formula is not OWN:
        assert formula.range
        assert formula.noise
        assert formula.examples
    assert set(formula.parsed.names) <= {*BLEND_NAMES, *formula.params}


@every_formula
def test_worked_numbers(formula):
    for example in formula.examples:
        base, line = (np.full((1, 1), example.values[name]) for name in ("base", "line"))
        known = {name: example.values.get(name, 0.0) for name in ("base_sigma", "line_sigma")}
        result = float(
            evaluate_formula(formula, base, line, sky=example.values.get("sky", 0.1), **known)[0, 0]
        )
        # The printed digits, six of them.
        assert result == pytest.approx(example.result, abs=1e-6)


@every_formula
def test_amount_nought_changes_no_bit(formula):
    base, line = _planes()
    for amount in (0.0, 0, np.float32(0)):
        result = apply_formula(formula, base, line, amount=amount, sky=0.1)
        assert result.tobytes() == base.tobytes()
        assert not np.shares_memory(result, base)


@every_formula
@pytest.mark.parametrize("sky", SKIES)
@pytest.mark.parametrize("amount", [0.2, 1.0])
def test_the_neutral_value_leaves_the_sky(formula, sky, amount):
    if formula.domain == "linear" and sky != 0.0:
        return
    base = np.full((3, 4), sky, dtype=np.float32)
    line = np.full((3, 4), neutral_value(formula, sky), dtype=np.float32)
    result = apply_formula(formula, base, line, amount=amount, sky=sky)
    # Two float32 roundings of numbers up to 1.
    assert np.abs(result - base).max() <= 1.2e-7


@every_formula
@pytest.mark.parametrize("sigmas", [(0.01, 0.01), (0.004, 0.01), (0.01, 0.004)])
@pytest.mark.parametrize("sky", [0.1, 0.4])
def test_noise_and_lift_of_the_sky_are_as_told(formula, sky, sigmas):
    if formula is OWN:
        assert np.isnan(sky_statistics(formula, sky=sky, base_sigma=0.01, line_sigma=0.01)).all()
        return
    sky = 0.0 if formula.domain == "linear" else sky
    rng = np.random.default_rng(8)
    base = rng.normal(sky, sigmas[0], (400, 500))
    line = rng.normal(neutral_value(formula, sky), sigmas[1], (400, 500))
    given = {"base_sigma": sigmas[0], "line_sigma": sigmas[1], "amount": 0.7}
    result = evaluate_formula(formula, base, line, sky=sky, **given).astype(np.float64)
    noise, lift = sky_statistics(formula, sky=sky, **given)
    # 200 000 pixels: the noise is good to 0.16 %, and the mean to 0.0022 sigma, of which five are allowed. The closed
    # forms are of first order; the curvature of soft-light costs 0.5 %, the garrote's own noise 1 %.
    assert result.std() == pytest.approx(noise, rel=0.015)
    assert result.mean() - sky == pytest.approx(lift, abs=0.011 * max(sigmas))


@every_formula
def test_inputs_are_not_changed(formula):
    base, line = _planes()
    kept = base.copy(), line.copy()
    result = apply_formula(formula, base, line, amount=0.6, sky=0.1)
    assert result.dtype == np.float32
    assert np.array_equal(base, kept[0])
    assert np.array_equal(line, kept[1])
    assert not np.shares_memory(result, base)


@every_formula
def test_a_missing_pixel_stays_missing_and_alone(formula):
    base, line = (plane.copy() for plane in _planes())
    whole = apply_formula(formula, base, line, amount=0.6, sky=0.1)
    base[3, 5] = np.nan
    line[100, 7] = np.nan
    result = apply_formula(formula, base, line, amount=0.6, sky=0.1)
    missing = np.isnan(result)
    assert missing[3, 5]
    assert missing[100, 7]
    assert missing.sum() == 2
    assert np.array_equal(result[~missing], whole[~missing])


@every_formula
def test_blocks_and_threads_change_no_bit(formula):
    base, line = _planes()
    names = {**dict.fromkeys(BLEND_NAMES, 0.0), **formula.params, "sky": 0.1, "amount": 1.0}
    whole = formula.parsed.evaluate({**names, "base": base, "line": line}, dtype=formula.precision)
    for threads in (1, 3):
        with limit_threads(threads):
            result = evaluate_formula(formula, base, line, sky=0.1)
        assert np.array_equal(result, whole.astype(np.float32))
    rows = [evaluate_formula(formula, base[i : i + 1], line[i : i + 1], sky=0.1) for i in range(0, 130, 13)]
    assert np.array_equal(np.concatenate(rows), whole.astype(np.float32)[::13])


@every_formula
def test_display_values_stay_between_nought_and_one(formula):
    if formula.domain == "linear":
        return
    grid = np.linspace(0, 1, 101)
    base, line = np.meshgrid(grid, grid)
    result = apply_formula(formula, base, line, amount=1.0, sky=0.1)
    assert result.min() >= -1e-7
    assert result.max() <= 1 + 1e-7


@every_formula
def test_more_line_is_never_darker_and_brighter_base_never_darker(formula):
    grid = np.linspace(0, 1, 201)
    base, line = np.meshgrid(grid, grid)
    result = evaluate_formula(formula, base, line, amount=1.0, sky=0.1).astype(np.float64)
    # float32 roundings; the W3C's soft-light is flat at base 0 and 1.
    assert np.diff(result, axis=0).min() >= -3e-7
    if formula is not OWN:
        assert np.diff(result, axis=1).min() >= -3e-7


@every_formula
def test_javascript_gives_the_same_numbers(formula):
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    rng = np.random.default_rng(5)
    names = [*BLEND_NAMES, *formula.params]
    table = rng.random((200, len(names)))
    table[:4, :2] = [[0, 0], [1, 1], [0.25, 0.5], [-0.05, -0.05]]
    code = (
        f"{javascript_prelude()}\nconst f = ({', '.join(names)}) => {formula.parsed.javascript()};\n"
        f"console.log(JSON.stringify({json.dumps(table.tolist())}.map((row) => f(...row))));"
    )
    done = subprocess.run([node, "-e", code], capture_output=True, text=True, check=True, timeout=60)
    expected = formula.parsed.evaluate(dict(zip(names, table.T, strict=True)), dtype="float64")
    # Both are IEEE doubles; the libraries' functions differ in the last digits.
    assert np.abs(np.array(json.loads(done.stdout)) - expected).max() < 1e-9
