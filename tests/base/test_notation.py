"""An equation's nodes in print: brackets where they are needed, and no names or markup of its own."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from blend.base.notation import (
    Apply,
    Name,
    Node,
    Number,
    glsl_name,
    print_glsl,
    print_javascript,
    print_mathml,
)

A, B, C = Name("a"), Name("b_c"), Name("c")


def op(operation: str, *arguments: Node) -> Apply:
    return Apply(operation, arguments)


@pytest.mark.parametrize(
    ("node", "javascript", "glsl"),
    [
        (op("-", A, op("-", B, C)), "(a - (b_c - c))", "(Va - (VbUc - Vc))"),
        (op("negate", A), "(-a)", "(-Va)"),
        (op("**", A, Number(3.0)), "Math.pow(a, 3.0)", "wholePower(Va, 3)"),
        (op("**", A, Number(0.5)), "Math.pow(a, 0.5)", "pow(Va, 0.5)"),
        (op("clip", A, Number(0.0), Number(1.0)), "blendClip(a, 0.0, 1.0)", "clipped(Va, 0.0, 1.0)"),
        (op("where", op("<=", A, B), A, C), "((a <= b_c) ? a : c)", "((Va <= VbUc) ? Va : Vc)"),
        (op("asinh", A), "Math.asinh(a)", "areaSinh(Va)"),
    ],
)
def test_both_languages(node: Node, javascript: str, glsl: str) -> None:
    assert (print_javascript(node), print_glsl(node)) == (javascript, glsl)


def test_names_of_the_shading_language_stay_apart() -> None:
    names = ["a_b", "ab", "a__b", "v", "float"]
    assert len({glsl_name(name) for name in names}) == len(names)
    assert not {glsl_name(name) for name in names} & {"float", "v"}


def test_a_number_beyond_float32_is_written_as_the_greatest() -> None:
    assert print_glsl(Number(1e300)) == "3e+38" and print_glsl(Number(-1e300)) == "-3e+38"


def words(node: Node) -> str:
    """Return the text of a node's MathML, which must be well formed."""
    return "".join(ElementTree.fromstring(f"<math>{print_mathml(node)}</math>").itertext())


def test_brackets_stand_where_the_order_needs_them() -> None:
    assert words(op("-", A, op("-", B, C))) == "a−(b_c−c)"
    assert words(op("-", op("-", A, B), C)) == "a−b_c−c"
    assert words(op("*", op("+", A, B), C)) == "(a+b_c)·c"
    assert words(op("+", op("*", A, B), C)) == "a·b_c+c"
    assert words(op("+", A, op("negate", B))) == "a+(−b_c)"
    assert words(op("**", op("+", A, B), Number(2.0))) == "(a+b_c)2"


def test_markup_in_a_name_is_text() -> None:
    assert words(Name("<b>&")) == "<b>&"
