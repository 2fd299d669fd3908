"""Equations as text: checked against a whitelist, then computed, or printed as JavaScript or MathML.

The text may come from a stranger's recipe. It is parsed by Python's own grammar and rebuilt node by node; a
node that is not on the list below is refused, and nothing else is ever evaluated:

numbers, declared names, ``+ - * / **``, unary minus, ``min max abs sqrt exp log asinh clip``, and ``where(a
< b, then, else)`` with one comparison. ``log`` is the natural logarithm. The exponent of ``**`` is a number
from -8 to 8.
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import RecipeError
from blend.base.notation import Apply, Name, Node, Number, print_javascript, print_mathml
from blend.base.quiet import quiet
from blend.base.registry import suggestion
from blend.base.rowblocks import map_row_blocks

LONGEST, DEEPEST, LARGEST_EXPONENT = 500, 20, 8.0
"""Characters, levels of brackets and exponents of an equation: three times the longest of the catalogue, and little
enough that no text of a recipe exhausts the parser or a float (chosen)."""
VALUES_PER_CHUNK = 1 << 16
"""A chunk stays in a core's second-level cache. With a quarter of it two threads spent their time handing each other
the interpreter lock: a stretch of 24 megapixels took three times as long."""

Precision = Literal["float32", "float64"]
Value: TypeAlias = "float | NDArray[Any]"


@dataclass(frozen=True)
class Equation:
    """A checked equation; made by `parse`.

    Examples
    --------
    >>> screen = parse("1 - (1 - base) * (1 - line)", ["base", "line"], where="blend.red")
    >>> round(float(screen.evaluate({"base": 0.2, "line": 0.4}, dtype="float64")), 12)
    0.52
    >>> screen.javascript()
    '(1.0 - ((1.0 - base) * (1.0 - line)))'
    """

    text: str  # as written, runs of blanks made one
    names: tuple[str, ...]  # the names it uses, in order of first use
    tree: Node = field(repr=False)  # number, Name or Apply

    def evaluate(self, values: Mapping[str, Value], *, dtype: Precision = "float32") -> NDArray[Any]:
        """Return the equation's values, a fresh array in the common shape of those given, without a warning.

        Raises
        ------
        ValueError
            A name the equation uses is missing from ``values``.
        """
        given: dict[str, Value] = {}
        for name in self.names:
            if name not in values:
                raise ValueError(f"the equation {self.text!r} needs a value for {name!r}")
            array = np.asarray(values[name], dtype=dtype)
            given[name] = float(values[name]) if array.ndim == 0 else array
        shape = np.broadcast_shapes(*(np.shape(value) for value in given.values()))
        with np.errstate(all="ignore"):
            result = np.asarray(_compute(self.tree, given), dtype=dtype)
        shared = isinstance(self.tree, Name) or result.shape != shape or self.uses("where")
        return np.broadcast_to(result, shape).copy() if shared else result

    def uses(self, operation: str) -> bool:
        """Return whether the equation applies ``operation``, such as ``"where"``."""
        return _uses(self.tree, operation)

    def without(self, name: str) -> Node:
        """Return the tree where a value is 0, less terms of 0, factors of 0 or 1, and a - (a - x) for x."""
        return _without(self.tree, Name(name))

    def javascript(self) -> str:
        """Return a JavaScript expression in the same names; it needs `javascript_prelude`."""
        return print_javascript(self.tree)

    def mathml(self) -> str:
        """Return presentation MathML, a whole ``math`` element."""
        inner = print_mathml(self.tree)
        return f'<math xmlns="http://www.w3.org/1998/Math/MathML" display="block">{inner}</math>'


def parse(text: str, names: Iterable[str], *, where: str) -> Equation:
    """Check an equation's text, in some names, and return it ready to compute; ``where`` stands in faults.

    Examples
    --------
    >>> parse("line / 2", ["base", "line"], where="mine.equation").names
    ('line',)
    """
    declared = tuple(names)
    for name in declared:
        _check_name(name, where)
    plain = " ".join(text.split())
    reader = _Reader(declared, where)
    tree = reader.read(_grammar(plain, where), depth=1)
    return Equation(plain, tuple(reader.used), tree)


def evaluate_by_rows(
    equation: Equation,
    values: Mapping[str, Value],
    *,
    shape: tuple[int, int],
    dtype: Precision = "float32",
    after: Callable[[NDArray[Any], slice], NDArray[Any]] | None = None,
) -> NDArray[np.float32]:
    """Compute an equation over a plane, in row blocks on all threads; ``after`` may change each stretch of rows.

    Raises
    ------
    ValueError
        Values of different shapes.
    """
    rows, columns = shape
    for name, value in values.items():
        if np.ndim(value) and np.shape(value) != shape:
            raise ValueError(f"{name} has shape {np.shape(value)}, not {shape}")
    out = np.empty(shape, dtype=np.float32)
    step = max(1, VALUES_PER_CHUNK // max(1, columns))
    used = {name: values[name] for name in equation.names if name in values}

    def fill_rows(block: slice) -> None:
        for start in range(block.start, block.stop, step):
            part = slice(start, min(start + step, block.stop))
            here = {name: v[part] if isinstance(v, np.ndarray) and v.ndim else v for name, v in used.items()}
            result = equation.evaluate(here, dtype=dtype)
            out[part] = result if after is None else after(result, part)

    map_row_blocks(fill_rows, rows)
    return out


def javascript_prelude() -> str:
    """Return the helper functions that `Equation.javascript` calls."""
    return "const blendClip = (x, low, high) => Math.min(Math.max(x, low), high);"


# --- from text to nodes ---------------------------------------------------------------------------------

_ALLOWED_TEXT = re.compile(r"[A-Za-z0-9_ .+\-*/(),<>=]*")
_NAME = re.compile(r"[a-z][a-z0-9_]{0,39}")
_ARGUMENTS = {"min": 2, "max": 2, "abs": 1, "sqrt": 1, "exp": 1, "log": 1, "asinh": 1, "clip": 3, "where": 3}
_BINARY: dict[type[ast.operator], str] = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
_COMPARISON: dict[type[ast.cmpop], str] = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">="}
_ALLOWED = "numbers, names, + - * / **, " + ", ".join(_ARGUMENTS)
# Words that mean something to JavaScript, where names are printed as they are.
_RESERVED = frozenset(
    re.findall(
        r"\w+",
        "arguments await break case catch class const continue debugger default delete do else enum eval"
        " export extends false finally for function if implements import in instanceof interface let new null"
        " package private protected public return static super switch this throw true try typeof undefined"
        " var void while with yield",
    )
)


def _check_name(name: str, where: str) -> None:
    taken = name in _ARGUMENTS or name in _RESERVED
    if taken or not _NAME.fullmatch(name):
        found = f"{name!r} cannot name a value" + (": the word is taken" if taken else "")
        expected = "lower-case letters, digits and underscores, a letter first, at most 40"
        raise RecipeError(where, found=found, expected=expected)


def _grammar(text: str, where: str) -> ast.expr:
    if len(text) > LONGEST:
        raise RecipeError(
            where, found=f"the equation has {len(text)} characters", expected=f"at most {LONGEST}"
        )
    allowed = _ALLOWED_TEXT.match(text)
    end = allowed.end() if allowed else 0
    if end < len(text):
        raise RecipeError(where, found=f"the character {text[end]!r} in the equation", expected=_ALLOWED)
    try:
        with quiet():  # Python warns of "1if x" before this module refuses it
            return ast.parse(text, mode="eval").body
    except (SyntaxError, ValueError, RecursionError, MemoryError) as fault:
        raise RecipeError(where, found=f"{text!r} is not an equation", expected=_ALLOWED) from fault


class _Reader:
    """Turns a syntax tree into nodes, refusing what is not on the list, and notes the names used."""

    def __init__(self, declared: tuple[str, ...], where: str) -> None:
        self.declared = declared
        self.where = where
        self.used: dict[str, None] = {}

    def read(self, tree: ast.expr, *, depth: int) -> Node:
        if depth > DEEPEST:
            raise self._fault("the equation is nested too deeply", f"at most {DEEPEST} levels")
        if isinstance(tree, ast.Constant):
            return Number(self._number(tree))
        if isinstance(tree, ast.Name):
            return self._name(tree.id)
        if isinstance(tree, ast.UnaryOp) and isinstance(tree.op, ast.USub):
            return Apply("negate", (self.read(tree.operand, depth=depth + 1),))
        if isinstance(tree, ast.BinOp) and isinstance(tree.op, ast.Pow):
            return Apply("**", (self.read(tree.left, depth=depth + 1), Number(self._exponent(tree.right))))
        if isinstance(tree, ast.BinOp) and type(tree.op) in _BINARY:
            sides = tuple(self.read(side, depth=depth + 1) for side in (tree.left, tree.right))
            return Apply(_BINARY[type(tree.op)], sides)
        if isinstance(tree, ast.Call):
            return self._call(tree, depth)
        raise self._refusal(tree)

    def _fault(self, found: str, expected: str, advice: str = "") -> RecipeError:
        return RecipeError(self.where, found=found, expected=expected, advice=advice)

    def _refusal(self, tree: ast.expr) -> RecipeError:
        return self._fault(f"{_shown(tree)} is not allowed in an equation", _ALLOWED)

    def _number(self, tree: ast.Constant) -> float:
        if type(tree.value) not in (int, float):
            raise self._refusal(tree)
        try:
            value = float(tree.value)  # type: ignore[arg-type]
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise self._fault("a number in the equation is too large", "at most 1e308")
        return value

    def _name(self, name: str) -> Name:
        if name not in self.declared:
            known = f"one of: {', '.join(sorted(self.declared))}" if self.declared else "no names"
            near = suggestion(name, list(self.declared))
            raise self._fault(f"the name {name!r} is not known here", known, near)
        self.used[name] = None
        return Name(name)

    def _exponent(self, tree: ast.expr) -> float:
        sign = 1.0
        if isinstance(tree, ast.UnaryOp) and isinstance(tree.op, ast.USub):
            tree, sign = tree.operand, -1.0
        value = self._number(tree) if isinstance(tree, ast.Constant) else math.inf
        if value > LARGEST_EXPONENT:
            advice = "write exp(g * log(x)) for a power that is not a number"
            raise self._fault(f"the exponent {_shown(tree)}", "a number from -8 to 8", advice)
        return sign * value

    def _call(self, tree: ast.Call, depth: int) -> Apply:
        if not isinstance(tree.func, ast.Name) or tree.func.id not in _ARGUMENTS or tree.keywords:
            raise self._refusal(tree)
        name, count = tree.func.id, _ARGUMENTS[tree.func.id]
        if len(tree.args) != count:
            raise self._fault(f"{name} has {len(tree.args)} argument(s) in {_shown(tree)}", f"{count}")
        rest = tree.args
        first: tuple[Node, ...] = ()
        if name == "where":
            first, rest = (self._comparison(tree.args[0], depth + 1),), tree.args[1:]
        return Apply(name, first + tuple(self.read(argument, depth=depth + 1) for argument in rest))

    def _comparison(self, tree: ast.expr, depth: int) -> Apply:
        single = isinstance(tree, ast.Compare) and len(tree.ops) == 1
        if not isinstance(tree, ast.Compare) or not single or type(tree.ops[0]) not in _COMPARISON:
            found = f"{_shown(tree)} as the condition of where"
            raise self._fault(found, "one comparison with < <= > or >=")
        sides = tuple(self.read(side, depth=depth + 1) for side in (tree.left, tree.comparators[0]))
        return Apply(_COMPARISON[type(tree.ops[0])], sides)


def _shown(tree: ast.expr) -> str:
    try:
        text = ast.unparse(tree)
    except (ValueError, RecursionError):
        text = type(tree).__name__
    return repr(text if len(text) <= 40 else text[:37] + "...")


# --- from nodes to numbers ------------------------------------------------------------------------------


def _power(base: Value, exponent: float) -> Value:
    count = int(abs(exponent))
    if exponent != int(exponent) or count == 0:
        return np.power(base, exponent)
    # Whole powers by multiplication: the general power is twenty times slower.
    result, square = None, base
    while count:
        if count & 1:
            result = square if result is None else np.multiply(result, square)
        count >>= 1
        if count:
            square = np.multiply(square, square)
    assert result is not None
    return result if exponent > 0 else np.divide(1.0, result)


def _clip(value: Value, low: Value, high: Value) -> Value:
    return np.minimum(np.maximum(value, low), high)


_COMPUTE: dict[str, Callable[..., Any]] = {
    "+": np.add,
    "-": np.subtract,
    "*": np.multiply,
    "/": np.divide,
    "**": _power,
    "negate": np.negative,
    "min": np.minimum,
    "max": np.maximum,
    "abs": np.abs,
    "sqrt": np.sqrt,
    "exp": np.exp,
    "log": np.log,
    "asinh": np.arcsinh,
    "clip": _clip,
    "<": np.less,
    "<=": np.less_equal,
    ">": np.greater,
    ">=": np.greater_equal,
}


def _compute(node: Node, values: Mapping[str, Value]) -> Value:
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Name):
        return values[node.name]
    if node.operation == "where":
        return _choose(node.arguments, values)
    arguments = [_compute(argument, values) for argument in node.arguments]
    result = _COMPUTE[node.operation](*arguments)
    if np.ndim(result) == 0:
        # A Python float takes the precision of the array it meets; a numpy scalar would force its own on it.
        return float(result)
    return result  # type: ignore[no-any-return]


def _choose(arguments: tuple[Node, ...], values: Mapping[str, Value]) -> Value:
    condition = np.asarray(_compute(arguments[0], values), dtype=bool)
    # Most chunks of a picture lie on one side of a threshold, and need one branch only.
    if condition.all():
        return _compute(arguments[1], values)
    if not condition.any():
        return _compute(arguments[2], values)
    return np.where(condition, _compute(arguments[1], values), _compute(arguments[2], values))


def _uses(node: Node, operation: str) -> bool:
    if not isinstance(node, Apply):
        return False
    return node.operation == operation or any(_uses(argument, operation) for argument in node.arguments)


def _without(node: Node, gone: Name) -> Node:
    nothing, one = Number(0.0), Number(1.0)
    if not isinstance(node, Apply):
        return nothing if node == gone else node
    arguments = tuple(_without(argument, gone) for argument in node.arguments)
    first, last, idle = arguments[0], arguments[-1], one if node.operation == "*" else nothing
    if node.operation == "*" and nothing in arguments:
        return nothing
    if node.operation in ("+", "*", "-") and last == idle:
        return first
    if node.operation in ("+", "*") and first == idle:
        return last
    if isinstance(last, Apply) and node.operation == last.operation == "-" and last.arguments[0] == first:
        return last.arguments[1]
    return Apply(node.operation, arguments)
