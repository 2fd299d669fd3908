"""The nodes an equation is made of, and how they are printed: as JavaScript and as presentation MathML.

Names come from a checked list and numbers are floats, so no print can carry markup or code of its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TypeAlias


@dataclass(frozen=True)
class Number:
    """A constant."""

    value: float


@dataclass(frozen=True)
class Name:
    """A value that is given when the equation is computed."""

    name: str


@dataclass(frozen=True)
class Apply:
    """An operation on the values of other nodes."""

    operation: str
    arguments: tuple[Node, ...]


Node: TypeAlias = "Number | Name | Apply"


def print_javascript(node: Node) -> str:
    """Return a JavaScript expression, every operation in brackets."""
    if isinstance(node, Number):
        return repr(node.value)
    if isinstance(node, Name):
        return node.name
    parts = [print_javascript(argument) for argument in node.arguments]
    if node.operation in ("+", "-", "*", "/", "<", "<=", ">", ">="):
        return f"({parts[0]} {node.operation} {parts[1]})"
    if node.operation == "negate":
        return f"(-{parts[0]})"
    if node.operation == "where":
        return f"({parts[0]} ? {parts[1]} : {parts[2]})"
    name = {"**": "Math.pow", "clip": "blendClip"}.get(node.operation, f"Math.{node.operation}")
    return f"{name}({', '.join(parts)})"


_BINDING = {
    **dict.fromkeys(("<", "<=", ">", ">=", "where"), 0),
    **{"+": 1, "-": 1, "negate": 2, "*": 2, "/": 3, "**": 4},
}
_SIGNS = {"-": "−", "*": "·", "<=": "≤", ">=": "≥"}


def _binding(node: Node) -> int:
    return _BINDING.get(node.operation, 5) if isinstance(node, Apply) else 5


def print_mathml(node: Node, least: int = 0) -> str:
    """Return MathML, in brackets where the node binds less tightly than ``least``."""
    inner = _bare_mathml(node)
    return f"<mrow><mo>(</mo>{inner}<mo>)</mo></mrow>" if _binding(node) < least else inner


def _bare_mathml(node: Node) -> str:
    if isinstance(node, Number):
        return f"<mn>{escape(format(node.value, '.12g'))}</mn>"
    if isinstance(node, Name):
        return f"<mi>{escape(node.name)}</mi>"
    operation, arguments = node.operation, node.arguments
    if operation == "/":
        return f"<mfrac>{_row(arguments[0])}{_row(arguments[1])}</mfrac>"
    if operation == "**":
        return f"<msup>{_row(arguments[0], 5)}{_row(arguments[1])}</msup>"
    if operation == "sqrt":
        return f"<msqrt>{_row(arguments[0])}</msqrt>"
    if operation == "negate":
        return f"<mrow><mo>−</mo>{print_mathml(arguments[0], 3)}</mrow>"
    if operation == "abs":
        return f"<mrow><mo>|</mo>{print_mathml(arguments[0])}<mo>|</mo></mrow>"
    if operation == "where":
        return _cases(arguments)
    if operation in _BINDING:
        level = _BINDING[operation]
        sign = escape(_SIGNS.get(operation, operation))
        # Brackets keep a - (b - c) apart from a - b - c, and two signs from meeting.
        signed = isinstance(arguments[1], Apply) and arguments[1].operation == "negate"
        right = print_mathml(arguments[1], 5 if signed else level + (operation == "-"))
        return f"<mrow>{print_mathml(arguments[0], level)}<mo>{sign}</mo>{right}</mrow>"
    name = {"log": "ln"}.get(operation, operation)
    listed = "<mo>,</mo>".join(print_mathml(argument) for argument in arguments)
    return f"<mrow><mi>{name}</mi><mo>&#x2061;</mo><mrow><mo>(</mo>{listed}<mo>)</mo></mrow></mrow>"


def _row(node: Node, least: int = 0) -> str:
    return f"<mrow>{print_mathml(node, least)}</mrow>"


def _cases(arguments: tuple[Node, ...]) -> str:
    condition, then, otherwise = (print_mathml(argument) for argument in arguments)
    first = f"<mtr><mtd>{then}</mtd><mtd><mrow><mtext>if </mtext>{condition}</mrow></mtd></mtr>"
    second = f"<mtr><mtd>{otherwise}</mtd><mtd><mtext>otherwise</mtext></mtd></mtr>"
    return f"<mrow><mo>{{</mo><mtable>{first}{second}</mtable></mrow>"
