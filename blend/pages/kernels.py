"""A kernel's loops printed as JavaScript, so that a page computes by the same text as the program.

Of Python it knows what kernels are made of: numbers, loops over `range` or a fixed list, comparisons, arrays that are
indexed, sliced or made, and a few functions of numpy. Anything else is refused when the page is made. An array of
one dimension is a typed array, one of more an array of them; arithmetic is float64, what is stored rounds as in numpy.
Loops over pieces of a row become one (`blend.pages.fusing`), in which nothing is stored between.
"""

from __future__ import annotations

import ast
import inspect
import json
import textwrap
from collections.abc import Callable
from typing import Any

import numpy as np

from blend.pages.fusing import APART, fused, is_apart, places_of
from blend.pages.lanes import MOST_PIXELS, Machine

PRELUDE = """const $isnan = (a) => a !== a;
const $shape = (array, axis) => (axis === 0 ? array.length : $shape(array[0], axis - 1));
const $make = (kind, [size, ...rest], value) => (rest.length
  ? Array.from({length: size}, () => $make(kind, rest, value)) : new kind(size).fill(value));"""

_KINDS = {"float32": "Float32Array", "float64": "Float64Array", "int32": "Int32Array"}
_OPERATORS: dict[type[ast.AST], str] = {
    **{ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/", ast.Mod: "%", ast.BitAnd: "&"},
    **{ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "===", ast.NotEq: "!=="},
    **{ast.And: "&&", ast.Or: "||", ast.USub: "-", ast.Not: "!"},
}
_CALLS = {"abs": "Math.abs", "np.isnan": "$isnan", "np.sqrt": "Math.sqrt", "np.float32": "", "float": ""}
_WHOLE = ("int", "np.int32", "np.uint32")


def kernel_javascript(kernel: Callable[..., Any], machine: Machine) -> str:
    """Return a function of JavaScript that does what a kernel of `blend.base.jit` does; it needs `PRELUDE`.

    Its loops over the pixels of a piece of a row go to ``machine``, whose text has to stand before it.

    Raises
    ------
    ValueError
        The kernel uses what this module cannot print.
    """
    function: Any = kernel.python  # type: ignore[attr-defined]
    tree = fused(_tree_of(function))
    # Pieces as long as the machine takes them: a call costs more than a nearer cache gains.
    calls = [
        node.iter for node in ast.walk(tree) if isinstance(node, ast.For) and any(map(is_apart, node.body))
    ]
    steps = [call.args[2] for call in calls if isinstance(call, ast.Call)]
    long = {step.id: MOST_PIXELS for step in steps if isinstance(step, ast.Name)}
    return _Printer({**function.__globals__, **long}, machine).function(tree)


def loop_javascript(function: Callable[..., None], machine: Machine) -> str:
    """Return a function of JavaScript for one of `blend.pages.loops`: a loop over pixels, and nothing else."""
    tree = _tree_of(function)
    loop = tree.body[-1]
    assert isinstance(loop, ast.For)
    loop.type_comment = APART
    return _Printer(function.__globals__, machine).function(tree)


def _tree_of(function: Callable[..., Any]) -> ast.FunctionDef:
    tree = ast.parse(textwrap.dedent(inspect.getsource(function))).body[0]
    assert isinstance(tree, ast.FunctionDef)
    return tree


class _Printer:
    def __init__(self, known: dict[str, Any], machine: Machine) -> None:
        self._known, self._machine = known, machine
        self._local: set[str] = set()
        self._slices: set[str] = set()
        self._count = 0
        self._held: list[str] = []
        self._tree: ast.FunctionDef

    def function(self, tree: ast.FunctionDef) -> str:
        given = [argument.arg for argument in tree.args.args]
        stored = {n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)}
        self._local, self._tree = stored | set(given), tree
        inner = {id(node) for loop in ast.walk(tree) if is_apart(loop) for node in ast.walk(loop)}
        outer = {n.id for n in ast.walk(tree) if isinstance(n, ast.Name) and id(n) not in inner}
        body = "\n".join(self._statement(line) for line in tree.body)
        own = [*sorted((stored & outer) - set(given)), *self._held]
        declared = f"let {', '.join(f'{name} = 0' for name in own)};\n" if own else ""
        return f"const {tree.name} = ({{{', '.join(given)}}}) => {{\n{declared}{body}\n}};"

    def _loop_apart(self, line: ast.For) -> str:
        """Return a call of the machine's code for a loop over pixels."""
        given = {name: name for name in self._local}
        for node in ast.walk(line):
            # What has a fixed place in a table of tables is handed over as a number.
            for name, part in ast.iter_fields(node):
                if isinstance(part, ast.Subscript) and all(
                    isinstance(n, ast.Constant) for n in places_of(part)
                ):
                    held = ast.unparse(part)
                    setattr(node, name, ast.Name(held, ast.Load()))
                    given[held] = self._part(part)
        name = f"{self._tree.name}{len(self._machine.loops)}"
        return self._machine.add(name, line, self._number, given)

    def _number(self, name: str) -> float | None:
        value = self._known.get(name)
        return float(value) if isinstance(value, int | float | np.number) else None

    def _fresh(self) -> str:
        self._count += 1
        return f"$t{self._count}"

    def _block(self, lines: list[ast.stmt]) -> str:
        return "{\n" + "\n".join(self._statement(line) for line in lines) + "\n}"

    def _statement(self, line: ast.stmt) -> str:
        if isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant):
            return ""
        if isinstance(line, ast.Assign):
            made = [self._assign(line.targets[-1], line.value)]
            return "\n".join([*made, *(self._assign(t, line.targets[-1]) for t in line.targets[:-1])])
        if isinstance(line, ast.AugAssign):
            value = ast.BinOp(line.target, line.op, line.value)
            return self._assign(line.target, value)
        if isinstance(line, ast.If):
            rest = f" else {self._block(line.orelse)}" if line.orelse else ""
            return f"if ({self._value(line.test)}) {self._block(line.body)}{rest}"
        if isinstance(line, ast.For):
            return self._loop_apart(line) if is_apart(line) else self._loop(line)
        if isinstance(line, ast.Return):
            return f"return {self._value(line.value) if line.value else ''};"
        if isinstance(line, ast.Continue | ast.Break):
            return "continue;" if isinstance(line, ast.Continue) else "break;"
        raise self._refused(line)

    def _loop(self, line: ast.For) -> str:
        body = self._block(line.body)
        if isinstance(line.iter, ast.Tuple):
            item = self._fresh()
            places = line.target.elts if isinstance(line.target, ast.Tuple) else [line.target]
            entries = [entry.elts if isinstance(entry, ast.Tuple) else [entry] for entry in line.iter.elts]
            listed = ", ".join(f"[{', '.join(map(self._value, entry))}]" for entry in entries)
            taken = "; ".join(f"{self._value(place)} = {item}[{k}]" for k, place in enumerate(places))
            return f"for (const {item} of [{listed}]) {{\n{taken};\n{body}\n}}"
        if isinstance(line.iter, ast.Call) and _dotted(line.iter.func) == "range":
            name, end = self._value(line.target), self._fresh()
            given = [self._value(argument) for argument in line.iter.args]
            low, high = given[:2] if len(given) > 1 else ("0", given[0])
            step = given[2] if len(given) > 2 else "1"
            if given == ["4"] and "continue;" not in body:
                return "".join(f"{name} = {turn};\n{body}\n" for turn in range(4))
            return f"for (let {end} = ({name} = {low}, {high}); {name} < {end}; {name} += {step}) {body}"
        raise self._refused(line)

    def _assign(self, target: ast.expr, value: ast.expr) -> str:
        if isinstance(target, ast.Tuple):
            if isinstance(value, ast.Attribute) and value.attr == "shape":
                array = self._value(value.value)
                parts = [f"$shape({array}, {axis})" for axis in range(len(target.elts))]
            elif isinstance(value, ast.Tuple):
                for name, part in zip(target.elts, value.elts, strict=True):
                    self._note_slice(name, part)
                parts = [self._value(part) for part in value.elts]
            else:
                raise self._refused(value)
            names = [self._fresh() for _ in parts]
            held = ", ".join(f"{name} = {part}" for name, part in zip(names, parts, strict=True))
            put = " ".join(f"{self._value(t)} = {n};" for t, n in zip(target.elts, names, strict=True))
            return f"{{ const {held}; {put} }}"
        self._note_slice(target, value)
        place = self._value(target)
        if ".subarray(" in place:  # a part is filled with one value
            return f"{place}.fill({self._value(value)});"
        return f"{place} = {self._value(value)};"

    def _note_slice(self, target: ast.expr, value: ast.expr) -> None:
        if isinstance(value, ast.Call) and _dotted(value.func) == "slice" and isinstance(target, ast.Name):
            self._slices.add(target.id)

    def _value(self, node: ast.expr) -> str:
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
            return json.dumps(node.value)
        if isinstance(node, ast.Name):
            return node.id if node.id in self._local else self._global(node.id)
        if isinstance(node, ast.BinOp):
            return self._arithmetic(node)
        if isinstance(node, ast.UnaryOp) and type(node.op) in _OPERATORS:
            return f"({_OPERATORS[type(node.op)]}{self._value(node.operand)})"
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            sign = _OPERATORS[type(node.ops[0])]
            return f"({self._value(node.left)} {sign} {self._value(node.comparators[0])})"
        if isinstance(node, ast.BoolOp):
            return "(" + f" {_OPERATORS[type(node.op)]} ".join(map(self._value, node.values)) + ")"
        if isinstance(node, ast.IfExp):
            parts = (node.test, node.body, node.orelse)
            return "({} ? {} : {})".format(*map(self._value, parts))
        if isinstance(node, ast.Subscript):
            return self._part(node)
        if isinstance(node, ast.Call):
            return self._call(node)
        if isinstance(node, ast.Attribute) and _dotted(node) in ("np.nan", "np.inf"):
            return {"np.nan": "NaN", "np.inf": "Infinity"}[_dotted(node)]
        if isinstance(node, ast.Tuple):
            return f"[{', '.join(map(self._value, node.elts))}]"
        raise self._refused(node)

    def _global(self, name: str) -> str:
        if name not in self._known:
            raise ValueError(f"a kernel's name {name} is not known")
        value = self._known[name]
        if isinstance(value, np.ndarray):
            return json.dumps(value.tolist())
        if isinstance(value, bool) or not isinstance(value, int | float | np.number):
            raise ValueError(f"a kernel's {name} is neither a number nor an array")
        return f"({json.dumps(value.item() if isinstance(value, np.number) else value)})"

    def _arithmetic(self, node: ast.BinOp) -> str:
        left, right = self._value(node.left), self._value(node.right)
        if isinstance(node.op, ast.Pow):
            if right in ("2", "3"):
                return f"({' * '.join([left] * int(right))})"
            return f"Math.pow({left}, {right})"
        if isinstance(node.op, ast.FloorDiv):
            return f"Math.floor({left} / {right})"
        return f"({left} {_OPERATORS[type(node.op)]} {right})"

    def _part(self, node: ast.Subscript) -> str:
        if isinstance(node.value, ast.Attribute) and node.value.attr == "shape":
            return f"$shape({self._value(node.value.value)}, {self._value(node.slice)})"
        made = self._value(node.value)
        for place in places_of(node):
            if isinstance(place, ast.Name) and place.id in self._slices:
                made += f".subarray({place.id}[0], {place.id}[1])"
            elif isinstance(place, ast.Slice):
                low = self._value(place.lower) if place.lower else "0"
                made += f".subarray({low}{f', {self._value(place.upper)}' if place.upper else ''})"
            else:
                made += f"[{self._value(place)}]"
        return made

    def _call(self, node: ast.Call) -> str:
        name = _dotted(node.func)
        if name == "slice":
            return f"[{', '.join(map(self._value, node.args))}]"
        if name in ("np.empty", "np.zeros", "np.ones"):
            sizes = node.args[0].elts if isinstance(node.args[0], ast.Tuple) else [node.args[0]]
            kind = [*node.args[1:], *(word.value for word in node.keywords if word.arg == "dtype")]
            typed = _KINDS[_dotted(kind[0]).removeprefix("np.") if kind else "float64"]
            shape = ", ".join(map(self._value, sizes))
            return f"$make({typed}, [{shape}], {int(name == 'np.ones')})"
        if name in _WHOLE:
            return f"({self._value(node.args[0])} | 0)"
        if name in ("min", "max") and len(node.args) == 2:
            # Written out: a browser calls no function in so long a kernel without calling it indeed.
            put, (first, second) = zip(*map(self._once, node.args), strict=True)
            return f"({''.join(put)}{second} {'<' if name == 'min' else '>'} {first} ? {second} : {first})"
        if name in _CALLS and not node.keywords:
            return f"{_CALLS[name]}({', '.join(map(self._value, node.args))})"
        raise self._refused(node)

    def _once(self, node: ast.expr) -> tuple[str, str]:
        """Return what works a value out, and the value: what is needed twice is not worked out twice."""
        value = self._value(node)
        if isinstance(node, ast.Name | ast.Constant):
            return "", value
        self._held.append(f"$m{len(self._held)}")
        return f"{self._held[-1]} = {value}, ", self._held[-1]

    def _refused(self, node: ast.AST) -> ValueError:
        return ValueError(f"a kernel's {ast.unparse(node)!r} has no print in JavaScript")


def _dotted(node: ast.expr) -> str:
    """Return the dotted name of a name or an attribute, empty for anything else."""
    return ast.unparse(node) if isinstance(node, ast.Name | ast.Attribute) else ""
