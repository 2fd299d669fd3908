"""The equation text: what it computes, what it prints, and that nothing else ever runs."""

import pickle
import subprocess
import sys
from collections import Counter
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.base.equation import evaluate_by_rows, javascript_prelude, parse
from blend.base.errors import RecipeError
from blend.base.rowblocks import limit_threads

NAMES = ("base", "line", "k")


def _value(text, **values):
    return float(parse(text, values or NAMES, where="x").evaluate(values, dtype="float64"))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1 + 2 * 3", 7.0),
        ("-2 ** 2", -4.0),
        ("2 ** -2", 0.25),
        ("9 ** 0.5", 3.0),
        ("2 ** 7", 128.0),
        ("8 / 4 / 2", 1.0),
        ("1 - (2 - 3)", 2.0),
        ("min(1, 2) + max(1, 2) + abs(-3)", 6.0),
        ("sqrt(16) + exp(0) + log(1) + asinh(0)", 5.0),
        ("clip(5, 0, 1) + clip(-5, 0, 1) + clip(0.5, 0, 1)", 1.5),
        ("where(1 < 2, 10, 20) + where(1 >= 2, 1, 2)", 12.0),
        ("1_000 + 0x10 + .5 + 1e-1", 1016.6),
    ],
)
def test_arithmetic_by_hand(text, expected):
    assert _value(text) == pytest.approx(expected, abs=1e-12)


def test_domain_faults_are_ieee_and_silent():
    with np.errstate(all="raise"):
        assert _value("1 / 0") == np.inf
        assert np.isnan(_value("0 / 0"))
        assert np.isnan(_value("sqrt(-1)"))
        assert np.isnan(_value("(-8) ** 0.5"))
        assert _value("log(0)") == -np.inf
        assert _value("exp(k)", k=1e9) == np.inf
        assert _value("k ** -1", k=0.0) == np.inf
        assert _value("exp(0.3 * log(k))", k=0.0) == 0.0


def test_precision_is_the_one_asked_for_and_constants_stay_double():
    x = np.linspace(0, 1, 7, dtype=np.float32)
    equation = parse("asinh(x / b) / asinh(1 / b) + sqrt(2) * 0", ("x", "b"), where="x")
    assert equation.evaluate({"x": x, "b": 0.01}).dtype == np.float32
    assert equation.evaluate({"x": x, "b": np.float64(0.01)}).dtype == np.float32
    assert equation.evaluate({"x": x, "b": 0.01}, dtype="float64").dtype == np.float64
    # No constant of double precision widens an array on the way: that would double the time and memory.
    x = np.linspace(0, 1, 10_001, dtype=np.float32)
    narrow = np.arcsinh(x / np.float32(0.01)) / np.float32(np.arcsinh(100.0))
    wide = (np.arcsinh(x / 0.01) / np.arcsinh(100.0)).astype(np.float32)
    assert np.array_equal(equation.evaluate({"x": x, "b": 0.01}), narrow) and not np.array_equal(narrow, wide)
    # 1e-9 is lost beside 1 in float32, not in a part made of constants.
    assert parse("x * ((1 + 1e-9) - 1)", ("x",), where="x").evaluate({"x": np.float32([1])})[0] > 0


def test_inputs_are_read_only_and_results_are_fresh():
    x = np.arange(4, dtype=np.float32)
    x.flags.writeable = False
    for text in ("x", "where(x < 9, x, 0)", "max(x, x)"):
        result = parse(text, ("x",), where="x").evaluate({"x": x})
        assert not np.shares_memory(result, x)
        result[0] = 5
    assert x[0] == 0


def test_results_take_the_shape_of_what_they_use():
    x = np.zeros((2, 3))
    assert parse("where(x < 1, 2, 3)", ("x",), where="x").evaluate({"x": x}).shape == (2, 3)
    assert parse("7", ("x",), where="x").evaluate({"x": x}).shape == ()
    assert parse("x + y", ("x", "y"), where="x").evaluate({"x": x, "y": np.ones(3)}).shape == (2, 3)


def test_names_are_the_ones_used_in_order():
    equation = parse("line + base * line", NAMES, where="x")
    assert equation.names == ("line", "base")
    with pytest.raises(ValueError, match="needs a value for 'base'"):
        equation.evaluate({"line": 1.0})


REFUSED = [
    "",
    "base line",
    "base.real",
    "base[0]",
    "(base, line)",
    "[base]",
    "'text'",
    "True",
    "None",
    "1j",
    "1e999",
    "1" * 400,
    "base if line else 1",
    "base and line",
    "not base",
    "base < line",
    "base < line < 1",
    "where(base < line < 1, 1, 2)",
    "where(base == line, 1, 2)",
    "where(base, 1, 2)",
    "where(base < 1, 2)",
    "base // line",
    "base % line",
    "base @ line",
    "base & line",
    "~base",
    "+base",
    "lambda: 1",
    "(base := 1)",
    "base = 1",
    "exec(base)",
    "open(base)",
    "__import__(base)",
    "sqrt",
    "sqrt(x=base)",
    "sqrt(*base)",
    "sqrt(base, x=line)",
    "sqrt(base, **k)",
    "sqrt(base, *k)",
    "min(base)",
    "min(base, line, k)",
    "log(base)(line)",
    "sqrt.__class__",
    "base ** line",
    "base ** 9",
    "base ** -9",
    "base ** (1 + 1)",
    "base ** 2 ** 2",
    "9 ** 9 ** 9",
    "base\x00",
    "base # comment",
    "base; line",
    "ｂase",
    "f'{base}'",
    "await base",
    "yield base",
    "_",
    "nothing",
]


@pytest.mark.parametrize("text", REFUSED)
def test_everything_else_is_refused(text):
    with pytest.raises(RecipeError) as caught:
        parse(text, NAMES, where="formulas.mine.equation")
    assert caught.value.where == "formulas.mine.equation"
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    "text",
    [
        "base + " * 100 + "base",
        "-" * 300 + "base",
        "sqrt(" * 60 + "base" + ")" * 60,
        "(" * 499,
        "-(" * 249,
        "base" + " " * 9 + "+ 1" * 200,
    ],
)
def test_length_and_depth_are_limited(text):
    with pytest.raises(RecipeError):
        parse(text, NAMES, where="x")


def test_depth_twenty_is_the_most():
    parse("-" * 19 + "base", NAMES, where="x")
    with pytest.raises(RecipeError, match="nested too deeply; expected at most 20 levels"):
        parse("-" * 20 + "base", NAMES, where="x")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("max(base, lime)", "the name 'lime' is not known here; expected one of: base, k, line."),
        ("max(base, lime)", "Did you mean 'line'?"),
        ("base[0]", "mine: the character '[' in the equation; expected numbers, names,"),
        ("base ** line", "the exponent 'line'; expected a number from -8 to 8."),
        ("clip(base)", "clip has 1 argument(s) in 'clip(base)'; expected 3."),
        ("round(base)", "'round(base)' is not allowed in an equation; expected numbers"),
        ("where(base, 1, 2)", "'base' as the condition of where; expected one comparison with < <= > or >="),
        ("2 +", "'2 +' is not an equation"),
        ("1" * 501, "the equation has 501 characters; expected at most 500."),
    ],
)
def test_a_fault_says_what_was_found_and_expected(text, message):
    with pytest.raises(RecipeError) as caught:
        parse(text, NAMES, where="mine")
    assert message in str(caught.value)


@pytest.mark.parametrize("name", ["function", "Base", "sqrt", "ünder", "a b", "", "__class__", "x" * 41])
def test_names_that_would_mean_something_else_are_refused(name):
    with pytest.raises(RecipeError, match="cannot name a value"):
        parse("1", [name], where="x")


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet="basekln0123456789.+-*/(),<>=_ whrmixpqtcv", max_size=60))
def test_any_text_is_computed_or_refused_and_nothing_else(text):
    try:
        equation = parse(text, NAMES, where="x")
    except RecipeError:
        return
    values = {"base": 0.3, "line": 0.6, "k": 2.0}
    assert equation.evaluate(values).shape == ()
    ElementTree.fromstring(equation.mathml())


def _operations(node):
    inner = getattr(node, "arguments", ())
    return ([node.operation] if inner else []) + [word for part in inner for word in _operations(part)]


def test_the_longest_equation_does_no_more_than_it_says():
    text = "(" + "+".join(["asinh(base)**8"] * 16) + ")"
    equation = parse("+".join([text] * 2), NAMES, where="x")
    # 32 curves, as many powers, and the sums between them: an operation for each that is written, and no more
    counts = Counter(_operations(equation.tree))
    assert counts["asinh"] == 32 and sum(counts.values()) == 32 + 32 + 31
    assert equation.evaluate({"base": np.ones((200, 200), dtype=np.float32)}).shape == (200, 200)


@pytest.mark.parametrize("shape", [(150, 211), (70, 3000), (3, 40_000), (1, 1), (0, 5)])
def test_row_blocks_and_threads_give_the_same_bits_as_one_piece(shape):
    rng = np.random.default_rng(1)
    values = {"base": rng.random(shape, dtype=np.float32), "line": 0.3}
    equation = parse("where(base <= 0.25, sqrt(base), asinh(base * line) ** 3)", NAMES, where="x")
    whole = equation.evaluate(values)
    for threads in (1, 3):
        with limit_threads(threads):
            assert np.array_equal(evaluate_by_rows(equation, values, shape=shape), whole)
    with pytest.raises(ValueError, match="base has shape"):
        evaluate_by_rows(equation, values, shape=(151, 211))


def test_javascript_is_made_of_the_same_operations():
    equation = parse("where(base <= 0.25, clip(base, 0, 1) ** 2, -asinh(line))", NAMES, where="x")
    expected = "((base <= 0.25) ? Math.pow(blendClip(base, 0.0, 1.0), 2.0) : (-Math.asinh(line)))"
    assert equation.javascript() == expected
    assert "blendClip" in javascript_prelude()


@pytest.mark.parametrize(
    ("text", "inside"),
    [
        ("base / line", "<mfrac><mrow><mi>base</mi></mrow><mrow><mi>line</mi></mrow></mfrac>"),
        ("base ** 2", "<msup><mrow><mi>base</mi></mrow><mrow><mn>2</mn></mrow></msup>"),
        ("log(base)", "<mi>ln</mi>"),
        ("(base + 1) * 2", "<mo>(</mo><mrow><mi>base</mi><mo>+</mo><mn>1</mn></mrow><mo>)</mo>"),
        ("(base / line) ** 2", "<msup><mrow><mrow><mo>(</mo><mfrac>"),
        ("1 + where(base < 1, 2, 3)", "<mo>+</mo><mrow><mo>(</mo><mrow><mo>{</mo>"),
        ("base - (line - 1)", "<mo>−</mo><mrow><mo>(</mo>"),
        ("where(base < 1, 2, 3)", "<mo>&lt;</mo>"),
    ],
)
def test_mathml_is_well_formed_and_says_the_same(text, inside):
    mathml = parse(text, NAMES, where="x").mathml()
    ElementTree.fromstring(mathml)
    assert inside in mathml


def test_mathml_has_brackets_only_where_needed():
    assert "<mo>(</mo>" not in parse("base + line * k - 1", NAMES, where="x").mathml()
    assert "<mo>(</mo>" not in parse("sqrt(base - line) / (1 + k)", NAMES, where="x").mathml()


def test_an_equation_survives_a_trip_to_another_process():
    equation = parse("base + 2 * line", NAMES, where="x")
    again = pickle.loads(pickle.dumps(equation))
    assert again == equation
    assert float(again.evaluate({"base": 1.0, "line": 2.0})) == 5.0


def test_parsing_loads_no_heavy_library():
    code = (
        "import sys; from blend.base.equation import parse; parse('1', [], where='x');"
        "print([m for m in ('scipy', 'numba', 'skimage', 'astropy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_choice_is_the_same_whether_one_side_or_both_are_needed():
    equation = parse("where(x <= 0.5, x * 2, 7)", ("x",), where="x")
    x = np.linspace(0, 1, 11, dtype=np.float32)
    mixed = equation.evaluate({"x": x})
    alone = np.concatenate([equation.evaluate({"x": x[i : i + 1]}) for i in range(11)])
    assert np.array_equal(mixed, alone)
    assert np.array_equal(mixed, np.where(x <= 0.5, x * 2, 7).astype(np.float32))


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("base + k * line", "base"),
        ("line * 2 + base * (1 - line)", "base"),
        ("1 - (1 - base) * (1 - line)", "base"),
        ("max(base, line)", "max(base, 0)"),
        ("base / (1 + line)", "base / 1"),
        ("line - base", "0 - base"),
        ("k - (base - line)", "k - base"),
    ],
)
def test_without_a_value_terms_of_nothing_go(text, left):
    assert parse(text, NAMES, where="x").without("line") == parse(left, NAMES, where="x").tree
