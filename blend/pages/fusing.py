"""Short loops over a piece of a row made one loop, with numbers where the kernel has buffers.

A compiler of machine code takes eight pixels at a time through each short loop; a browser takes one, and stores and
loads for nothing. The loops must work pixel by pixel: buffers, those of a constant length, are met at the loop's own
index alone. What is kept in a number is not rounded to 32 bits between two loops, as it is in a buffer.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable
from copy import deepcopy
from typing import Any

import numpy as np

Buffers = dict[str, float]
BITS, FLOAT = "bits_of", "float_of"
"""Functions that `blend.pages.lanes` knows: the bits of a float of 32 bits, and back."""

APART = "apart"


def bits_of(value: Any) -> Any:
    """Return the bits of a float of 32 bits as a whole number."""
    return np.float32(value).view(np.int32)


def is_apart(node: ast.AST) -> bool:
    """Whether a node is a loop that `fused` made of several."""
    return isinstance(node, ast.For) and node.type_comment == APART


def fused(tree: ast.FunctionDef) -> ast.FunctionDef:
    """Return a kernel whose pieces of a row are worked in one loop each; one without such pieces as it is.

    Raises
    ------
    ValueError
        A buffer is met otherwise than pixel by pixel.
    """
    whole = deepcopy(tree)
    buffers, views = _buffers(whole)
    for loop in [node for node in ast.walk(whole) if isinstance(node, ast.For)]:
        size = _piece_size(loop)
        if buffers and size:
            loop.body = _Piece(size, buffers, views).block(loop.body)
    if buffers:
        whole.body = [line for line in whole.body if not _stores_only(line, {*buffers, *views})]
    return ast.fix_missing_locations(whole)


def _pairs(line: ast.stmt) -> Iterable[tuple[ast.expr, ast.expr]]:
    """Yield what an assignment puts where, a tuple by its parts."""
    if isinstance(line, ast.Assign) and len(line.targets) == 1:
        target, value = line.targets[0], line.value
        if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            yield from zip(target.elts, value.elts, strict=True)
        else:
            yield target, value


def _buffers(tree: ast.FunctionDef) -> tuple[Buffers, dict[str, str]]:
    """Return arrays as long as a constant, by what they begin as, and names of their bits by the array's."""
    own = {
        node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
    }
    own |= {argument.arg for argument in tree.args.args}
    buffers: Buffers = {}
    views = {}
    for line in tree.body:
        for target, value in _pairs(line):
            if not (isinstance(target, ast.Name) and isinstance(value, ast.Call)):
                continue
            name = ast.unparse(value.func)
            if name in ("np.empty", "np.ones"):
                shape = value.args[0]
                last = shape.elts[-1] if isinstance(shape, ast.Tuple) else shape
                if isinstance(last, ast.Name) and last.id not in own:
                    buffers[target.id] = float(name == "np.ones")
            elif name.endswith(".view") and name.removesuffix(".view") in buffers:
                views[target.id] = name.removesuffix(".view")
    return buffers, views


def _stores_only(line: ast.stmt, names: set[str]) -> bool:
    targets = [target for target, _ in _pairs(line)]
    return bool(targets) and all(isinstance(t, ast.Name) and t.id in names for t in targets)


def _piece_size(loop: ast.For) -> str:
    """Return the name of the length of the loops inside, where the loop itself works it out."""
    known = {t.id for line in loop.body for t, _ in _pairs(line) if isinstance(t, ast.Name)}
    sizes = [name for line in loop.body if (name := _pixel_size(line)) in known]
    return sizes[0] if len(sizes) > 1 else ""


def _pixel_size(line: ast.AST) -> str:
    """Return the name n of ``for x in range(n)``, empty for anything else."""
    if isinstance(line, ast.For) and isinstance(line.iter, ast.Call) and len(line.iter.args) == 1:
        return line.iter.args[0].id if isinstance(line.iter.args[0], ast.Name) else ""
    return ""


class _Piece(ast.NodeTransformer):
    """One block of short loops: what stands between them goes before, their bodies into one."""

    def __init__(self, size: str, buffers: Buffers, views: dict[str, str]) -> None:
        self._size, self._buffers, self._views = size, buffers, views
        self._meant: dict[str, ast.expr] = {}
        self._before: list[ast.stmt] = []
        self._pixel = ""
        self._inside = False

    def block(self, lines: list[ast.stmt]) -> list[ast.stmt]:
        """Return the lines with one loop."""
        body = self._flat(lines)
        begin = [
            ast.Assign(targets=[ast.Name(name, ast.Store())], value=ast.Constant(value))
            for name, value in self._buffers.items()
            if value
        ]
        over = ast.Call(ast.Name("range", ast.Load()), [ast.Name(self._size, ast.Load())], [])
        loop = ast.For(ast.Name(self._pixel, ast.Store()), over, [*begin, *body], [], APART)
        return [*self._before, loop]

    def _flat(self, lines: list[ast.stmt]) -> list[ast.stmt]:
        """Return what is done for a pixel; the rest is put before."""
        found: list[ast.stmt] = []
        for line in lines:
            inner = any(_pixel_size(node) == self._size for node in ast.walk(line))
            if not inner:
                self._aside(line)
            elif _pixel_size(line) == self._size:
                assert isinstance(line, ast.For) and isinstance(line.target, ast.Name)
                self._pixel = line.target.id
                self._inside = True
                found += self._body(line.body)
                self._inside = False
            elif isinstance(line, ast.If) and not line.orelse:
                asked = ast.Name(f"asked{len(self._before)}", ast.Load())
                self._mean(asked, self.visit(deepcopy(line.test)))
                found.append(ast.If(asked, self._flat(line.body), []))
            elif isinstance(line, ast.For):
                found += self._unrolled(line)
            else:
                raise ValueError(f"a kernel's {ast.unparse(line)!r} cannot stand between loops over pixels")
        return found

    def _unrolled(self, line: ast.For) -> list[ast.stmt]:
        places = line.target.elts if isinstance(line.target, ast.Tuple) else [line.target]
        if isinstance(line.iter, ast.Tuple):
            turns = [e.elts if isinstance(e, ast.Tuple) else [e] for e in line.iter.elts]
        else:
            assert isinstance(line.iter, ast.Call)
            end = line.iter.args[0]
            # A matrix of colours has three rows.
            turns = [
                [ast.Constant(k)] for k in range(int(str(end.value)) if isinstance(end, ast.Constant) else 3)
            ]
        found: list[ast.stmt] = []
        for turn in turns:
            for place, value in zip(places, turn, strict=True):
                self._mean(place, self.visit(deepcopy(value)))
            found += self._flat(line.body)
        return found

    def _aside(self, line: ast.stmt) -> None:
        pairs = list(_pairs(line))
        values = [self.visit(deepcopy(value)) for _, value in pairs]
        for (place, _), value in zip(pairs, values, strict=True):
            self._mean(place, value)

    def _mean(self, place: ast.expr, value: ast.expr) -> None:
        """Let a name mean a value: a number or a buffer itself, anything else by a name of its own."""
        assert isinstance(place, ast.Name)
        base = value.value if isinstance(value, ast.Subscript) else value
        buffer = isinstance(base, ast.Name) and base.id in {*self._buffers, *self._views}
        if not buffer and not isinstance(value, ast.Constant | ast.Name):
            again = place.id in self._meant
            name = f"{place.id}{len(self._before)}" if again else place.id
            self._before.append(ast.Assign(targets=[ast.Name(name, ast.Store())], value=value))
            value = ast.Name(name, ast.Load())
        self._meant[place.id] = value

    def _body(self, lines: list[ast.stmt]) -> list[ast.stmt]:
        """Return the lines for one pixel; ``if ...: continue`` becomes a condition on what follows."""
        found: list[ast.stmt] = []
        for number, line in enumerate(lines):
            if isinstance(line, ast.If) and len(line.body) == 1 and isinstance(line.body[0], ast.Continue):
                rest = ast.UnaryOp(ast.Not(), self.visit(deepcopy(line.test)))
                return [*found, ast.If(rest, self._body(lines[number + 1 :]), [])]
            found.append(self.visit(deepcopy(line)))
        return found

    def visit_Name(self, node: ast.Name) -> ast.expr:
        """Return what a name means."""
        return deepcopy(self._meant[node.id]) if node.id in self._meant else node

    def visit_Subscript(self, node: ast.Subscript) -> ast.expr:
        """Return a buffer's pixel as a number of its own, its bits by a function; anything else as it is."""
        store = isinstance(node.ctx, ast.Store)
        self.generic_visit(node)
        base: ast.expr = node.value
        places = places_of(node)
        while isinstance(base, ast.Subscript):
            places = [*places_of(base), *places]
            base = base.value
        if not isinstance(base, ast.Name) or base.id not in {*self._buffers, *self._views}:
            return node
        if not (isinstance(places[-1], ast.Name) and places[-1].id == self._pixel):
            if self._inside:
                raise ValueError(f"a kernel's {ast.unparse(node)!r} is not met pixel by pixel")
            return node  # one of several: `_mean` keeps it by its name
        own = "".join(f"_{place.value!r}" for place in places[:-1] if isinstance(place, ast.Constant))
        name = ast.Name(self._views.get(base.id, base.id) + own, ast.Store() if store else ast.Load())
        if base.id not in self._views:
            return name
        return ast.Call(ast.Name(BITS, ast.Load()), [name], [])

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.stmt:
        """Write a sum out."""
        before = ast.parse(ast.unparse(node.target), mode="eval").body
        value = ast.BinOp(before, node.op, node.value)
        return self.visit_Assign(ast.Assign(targets=[node.target], value=value))

    def visit_Assign(self, node: ast.Assign) -> ast.stmt:
        """Put bits back as a number."""
        made = self.generic_visit(node)
        assert isinstance(made, ast.Assign)
        target = made.targets[0]
        if isinstance(target, ast.Call):
            kept = target.args[0]
            assert isinstance(kept, ast.Name)
            kept.ctx = ast.Store()
            made.targets, made.value = [kept], ast.Call(ast.Name(FLOAT, ast.Load()), [made.value], [])
        return made


def places_of(node: ast.Subscript) -> list[ast.expr]:
    """Return the indices of an array, one an axis."""
    return node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
