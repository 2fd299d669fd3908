"""The nodes an equation is made of, and how they are printed: as JavaScript, as GLSL and as presentation MathML.

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
    alike = _print_as_in_c(node.operation, parts)
    if alike is not None:
        return alike
    name = {"**": "Math.pow", "clip": "blendClip"}.get(node.operation, f"Math.{node.operation}")
    return f"{name}({', '.join(parts)})"


def _print_as_in_c(operation: str, parts: list[str]) -> str | None:
    """Return what JavaScript and the shading language write alike, None for the rest."""
    if operation in ("+", "-", "*", "/", "<", "<=", ">", ">="):
        return f"({parts[0]} {operation} {parts[1]})"
    if operation == "negate":
        return f"(-{parts[0]})"
    if operation == "where":
        return f"({parts[0]} ? {parts[1]} : {parts[2]})"
    return None


LARGEST_SHADER_NUMBER = 3e38
"""Just below what a shader's float32 holds, 3.4e38: GLSL knows no infinity to write."""


def print_glsl(node: Node) -> str:
    """Return an expression in the shading language of WebGL 2, every operation in brackets; needs `glsl_prelude`.

    Names are lower case, so that a ``V`` before them and a ``U`` for an underscore keep them apart, from each other
    and from the language's own words.
    """
    if isinstance(node, Number):
        return repr(min(max(node.value, -LARGEST_SHADER_NUMBER), LARGEST_SHADER_NUMBER))
    if isinstance(node, Name):
        return glsl_name(node.name)
    parts = [print_glsl(argument) for argument in node.arguments]
    alike = _print_as_in_c(node.operation, parts)
    if alike is not None:
        return alike
    if node.operation == "**":
        exponent = node.arguments[1]
        assert isinstance(exponent, Number)
        whole = exponent.value == int(exponent.value)
        return f"wholePower({parts[0]}, {int(exponent.value)})" if whole else f"pow({parts[0]}, {parts[1]})"
    name = {"clip": "clipped", "asinh": "areaSinh"}.get(node.operation, node.operation)
    return f"{name}({', '.join(parts)})"


def glsl_name(name: str) -> str:
    """Return how `print_glsl` writes a name."""
    return "V" + name.replace("_", "U")


_BINDING = {
    "<": 0,
    "<=": 0,
    ">": 0,
    ">=": 0,
    "+": 1,
    "-": 1,
    "where": 0,
    "negate": 2,
    "*": 2,
    "/": 3,
    "**": 4,
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
