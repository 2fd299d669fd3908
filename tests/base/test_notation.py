"""An equation's nodes in print: brackets where they are needed, and no names or markup of its own."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest

from blend.base.notation import (
    Apply,
    Name,
    Node,
    Number,
    print_javascript,
    print_mathml,
)

A, B, C = Name("a"), Name("b_c"), Name("c")


def op(operation: str, *arguments: Node) -> Apply:
    return Apply(operation, arguments)


@pytest.mark.parametrize(
    ("node", "javascript"),
    [
        (op("-", A, op("-", B, C)), "(a - (b_c - c))"),
        (op("negate", A), "(-a)"),
        (op("**", A, Number(0.5)), "Math.pow(a, 0.5)"),
        (op("clip", A, Number(0.0), Number(1.0)), "blendClip(a, 0.0, 1.0)"),
        (op("where", op("<=", A, B), A, C), "((a <= b_c) ? a : c)"),
        (op("asinh", A), "Math.asinh(a)"),
    ],
)
def test_javascript(node: Node, javascript: str) -> None:
    assert print_javascript(node) == javascript


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
