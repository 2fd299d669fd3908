"""Loops over pixels as WebAssembly, four pixels at a time in 32 bits, as the program's own kernels run.

A loop is one that `blend.pages.fusing` made, or a function of one: assignments, conditions, loops of a constant length,
arithmetic, `min max abs sqrt`, arrays met at the loop's own index (pixels) or at another (tables). Where pixels differ
in a condition all four go through it, and each keeps what is its own. What a loop leaves in its names, counts too, ends
with it.

References
----------
WebAssembly Core Specification 2.0 (W3C, 2022): binary format, vector instructions.
"""

from __future__ import annotations

import ast
import base64
import struct
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from blend.pages.fusing import BITS
from blend.pages.fusing import FLOAT as FLOAT_OF

MOST_PIXELS = 8192
"""Of one call; 32 KiB an array, so that what a loop meets stays in the second nearest cache."""
MOST_ENTRIES = 32768
"""Of a table; 24 factors of two by 1024 steps, the longest, are 24577."""
MOST_ARRAYS = 24
"""Of one loop."""

FLOAT, WHOLE, MASK = "f32", "i32", "mask"
_CODES = """
load=00 store=0b const=0c i32.splat=11 f32.splat=13 extract=1b not=4d and=4e or=50 select=52 any=53 lane=56
zero=5c f32.Eq=41 f32.NotEq=42 f32.Lt=43 f32.Gt=44 f32.LtE=45 f32.GtE=46 i32.Eq=37 i32.NotEq=38 i32.Lt=39
i32.Gt=3b i32.LtE=3d i32.GtE=3f f32.abs=e0 f32.negative=e1 f32.sqrt=e3 f32.Add=e4 f32.Sub=e5 f32.Mult=e6
f32.Div=e7 f32.min=ea f32.max=eb i32.Add=ae i32.Sub=b1 i32.Mult=b5 i32.min=b6 i32.max=b8 i32.RShift=ad
i32.least=b7 i32.of=f8 f32.of=fa"""
_VECTOR = {name: int(number, 16) for name, number in (word.split("=") for word in _CODES.split())}
"""Vector instructions; `min` and `max` give the first of two where either is NaN, as those of the kernels do."""
_KINDS = {"np.float32": FLOAT, "float": FLOAT, "int": WHOLE, "np.int32": WHOLE, "np.uint32": WHOLE}
_MASKS = {ast.BitAnd: "and", ast.And: "and", ast.BitOr: "or", ast.Or: "or"}
_GET, _SET, _KEEP, _IF, _LOOP, _END = b"\x20", b"\x21", b"\x22", b"\x04\x40", b"\x03\x40", b"\x0b"


def _leb(value: int) -> bytes:
    """Return a whole number of 0 or more as the format writes it."""
    low = value & 0x7F
    return bytes([low]) if value < 0x80 else bytes([low | 0x80]) + _leb(value >> 7)


def _whole(value: int) -> bytes:
    """Return the instruction for a small whole number, 0 to 63."""
    assert 0 <= value < 64
    return bytes([0x41, value])


def _listed(parts: Iterable[bytes]) -> bytes:
    whole = list(parts)
    return _leb(len(whole)) + b"".join(whole)


def _sized(body: bytes) -> bytes:
    return _leb(len(body)) + body


def _vector(name: str) -> bytes:
    return b"\xfd" + _leb(_VECTOR[name])


@dataclass(kw_only=True)
class Machine:
    """Loops of one page, and what their callers need."""

    loops: dict[str, tuple[int, bytes]] = field(default_factory=dict)  # numbers taken, code, by name
    tables: int = 0

    def add(
        self, name: str, loop: ast.For, known: Callable[[str], float | None], given: Mapping[str, str]
    ) -> str:
        """Take one loop in and return the JavaScript that calls it: pixels come from and go to the arrays named.

        Parameters
        ----------
        name : str
        loop : ast.For
            ``for x in range(count)``.
        known : callable
            The number that a name outside of the kernel means, None where it means none.
        given : mapping
            What stands for every array and number that the loop is handed.

        Raises
        ------
        ValueError
            The loop holds what has no print.
        """  # fmt: skip
        made = _Loop(loop, known, {*given}, self.tables)
        self.loops[name] = (len(made.numbers), made.code())
        self.tables += len(made.tables)
        size, first = given[made.size], MOST_ARRAYS * MOST_PIXELS
        lines = []
        for k, array in enumerate(made.arrays):
            if array in made.read:
                lines.append(f"$put({given[array]}, {size}, {MOST_PIXELS * k});")
        for table, place in made.tables.items():
            put = f"$floats.set($tables[{place}] = {given[table]}, {first + MOST_ENTRIES * place})"
            lines.append(f"if ($tables[{place}] !== {given[table]}) {put};")
        lines.append(f"$machine.{name}({', '.join([size, *map(given.__getitem__, made.numbers)])});")
        for k, array in enumerate(made.arrays):
            if array in made.written:
                lines.append(
                    f"{given[array]}.set($floats.subarray({MOST_PIXELS * k}, {MOST_PIXELS * k} + {size}));"
                )
        return "\n".join(lines)

    def javascript(self) -> str:
        """Return the module, and what hands it arrays."""
        memory = 4 * (MOST_ARRAYS * MOST_PIXELS + self.tables * MOST_ENTRIES)
        names = [_sized(name.encode()) + b"\x00" + _leb(k) for k, name in enumerate(self.loops)]
        sections = {
            1: _listed(
                b"\x60" + _listed([b"\x7f", *[b"\x7d"] * n]) + b"\x00" for n, _ in self.loops.values()
            ),
            3: _listed(_leb(k) for k in range(len(self.loops))),
            5: b"\x01\x00" + _leb(memory // 65536 + 1),
            7: _listed([*names, _sized(b"memory") + b"\x02\x00"]),
            10: _listed(_sized(code) for _, code in self.loops.values()),
        }
        whole = b"\0asm\x01\0\0\0" + b"".join(bytes([key]) + _sized(body) for key, body in sections.items())
        return f"""const $machine = new WebAssembly.Instance(new WebAssembly.Module(Uint8Array.from(
  atob("{base64.b64encode(whole).decode("ascii")}"), (letter) => letter.charCodeAt(0)))).exports;
const $floats = new Float32Array($machine.memory.buffer), $tables = [];
const $put = (array, size, at) => $floats.set(array.length > size ? array.subarray(0, size) : array, at);"""


class _Loop:
    """One loop as a function: parameters are the count of pixels, then numbers; locals whole numbers, then vectors."""

    def __init__(
        self, loop: ast.For, known: Callable[[str], float | None], given: set[str], tables: int
    ) -> None:
        assert isinstance(loop.target, ast.Name) and isinstance(loop.iter, ast.Call)
        self._body, self._pixel, self._known = loop.body, loop.target.id, known
        self.size = ast.unparse(loop.iter.args[0])
        inside = [node for line in loop.body for node in ast.walk(line)]
        met = [node for node in inside if isinstance(node, ast.Subscript)]
        pixels = [node for node in met if ast.unparse(node.slice) == self._pixel]
        self.written = {_base(node) for node in pixels if isinstance(node.ctx, ast.Store)}
        self.read = {_base(node) for node in pixels if isinstance(node.ctx, ast.Load)}
        self.arrays = sorted(self.read | self.written)
        others = sorted({_base(node) for node in met} - {*self.arrays})
        self.tables = {name: tables + place for place, name in enumerate(others)}
        names = [node for node in inside if isinstance(node, ast.Name)]
        stored = {node.id for node in names if isinstance(node.ctx, ast.Store)}
        handed = given & {node.id for node in names} - stored
        self.numbers = sorted(handed - {self._pixel, *self.arrays, *others})
        # Bytes done and to do, then the counters of loops inside.
        self._wholes = 2 + sum(isinstance(node, ast.For) for node in inside)
        self._first, self._counters = 1 + len(self.numbers), dict[str, bytes]()
        self._vectors: dict[str, int] = {}
        self._types: dict[str, str] = {}
        self._mask = ""

    def code(self) -> bytes:
        """Return the function's locals and instructions."""
        done, end = (_leb(self._first + k) for k in (0, 1))
        begin = _GET + b"\x00" + _whole(2) + b"\x74" + _SET + end
        for place, name in enumerate(self.numbers):
            begin += _GET + _leb(1 + place) + _vector("f32.splat") + self._keep(name, FLOAT)
        # A block with a loop in it: out of both where as many bytes are done as there are.
        body = b"\x02\x40" + _LOOP + _GET + done + _GET + end + b"\x4f\x0d\x01" + self._lines(self._body)
        body += _GET + done + _whole(16) + b"\x6a" + _SET + done + b"\x0c\x00" + 3 * _END
        kinds = ((self._wholes, 0x7F), (len(self._vectors), 0x7B))
        return _listed(_leb(count) + bytes([kind]) for count, kind in kinds) + begin + body

    def _place(self, name: str) -> bytes:
        return _leb(self._first + self._wholes + self._vectors.setdefault(name, len(self._vectors)))

    def _get(self, name: str) -> bytes:
        return _GET + self._place(name)

    def _keep(self, name: str, kind: str) -> bytes:
        """Return what puts the vector on top where a name is; where a mask holds, for its pixels alone."""
        old = self._types.get(name)
        self._types[name] = kind
        chosen = self._get(name) + self._get(self._mask) + _vector("select") if self._mask and old else b""
        return chosen + _SET + self._place(name)

    def _lines(self, lines: list[ast.stmt]) -> bytes:
        return b"".join(map(self._line, lines))

    def _line(self, line: ast.stmt) -> bytes:
        if isinstance(line, ast.Assign) and len(line.targets) == 1:
            return self._assign(line.targets[0], line.value)
        if isinstance(line, ast.If):
            return self._if(line)
        if isinstance(line, ast.For) and isinstance(line.target, ast.Name):
            return self._repeat(line, line.target.id)
        raise _refused(line)

    def _assign(self, target: ast.expr, value: ast.expr) -> bytes:
        if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
            held = [ast.Name(f"{k}'", ast.Load()) for k in range(len(target.elts))]
            pairs = [*zip(held, value.elts, strict=True), *zip(target.elts, held, strict=True)]
            return b"".join(self._assign(*pair) for pair in pairs)
        if isinstance(target, ast.Subscript) and not self._mask:
            stored = self._of(value, FLOAT) + _vector("store")
            return _GET + _leb(self._first) + stored + self._address(_base(target))
        if not isinstance(target, ast.Name):
            raise _refused(target)
        if ast.unparse(value) == f"{target.id} + 1" and target.id not in self._types:
            return b""  # a count
        kind, code = self._value(value)
        return code + self._keep(target.id, kind)

    def _if(self, line: ast.If) -> bytes:
        if isinstance(line.test, ast.Name) and line.test.id in self.numbers and not line.orelse:
            number = _GET + _leb(1 + self.numbers.index(line.test.id))
            return number + b"\x43" + bytes(4) + b"\x5c" + _IF + self._lines(line.body) + _END
        outer, test = self._mask, f"test {len(self._vectors)}"
        code = self._of(line.test, MASK) + _SET + self._place(test)
        within = self._get(outer) + _vector("and") if outer else b""
        for turned, lines in ((b"", line.body), (_vector("not"), line.orelse)):
            self._mask = f"mask {len(self._vectors)}"
            asked = self._get(test) + turned + within + _KEEP + self._place(self._mask) + _vector("any")
            code += asked + _IF + self._lines(lines) + _END if lines else b""
        self._mask = outer
        return code

    def _repeat(self, line: ast.For, name: str) -> bytes:
        """Return a loop of a constant length; its counter is the same for all pixels."""
        turns = line.iter.args[-1] if isinstance(line.iter, ast.Call) and len(line.iter.args) == 1 else None
        if not isinstance(turns, ast.Constant) or not isinstance(turns.value, int):
            raise _refused(line)
        counter = self._counters[name] = _leb(self._first + 2 + len(self._counters))
        code = _whole(0) + _SET + counter + _LOOP + self._lines(line.body) + _GET + counter
        return code + _whole(1) + b"\x6a" + _KEEP + counter + _whole(turns.value) + b"\x48\x0d\x00" + _END

    # --- values: what they are, and the instructions that put them on top

    def _of(self, node: ast.expr, kind: str) -> bytes:
        """Return a value that is to be of one kind; a number becomes what is wanted."""
        number = self._constant(node)
        if number is not None and kind != MASK:
            word = struct.pack("<f", number) if kind == FLOAT else struct.pack("<i", int(number))
            return _vector("const") + 4 * word
        found, code = self._value(node)
        if found != kind:
            raise _refused(node)
        return code

    def _constant(self, node: ast.expr) -> float | None:
        if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
            return node.value
        if isinstance(node, ast.Name) and not {node.id} & {*self._types, *self._counters}:
            return self._known(node.id)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in _KINDS:
            return self._constant(node.args[0])
        return float("nan") if ast.unparse(node) == "np.nan" else None

    def _both(self, first: ast.expr, second: ast.expr) -> tuple[str, bytes]:
        """Return two values of one kind."""
        free = [node for node in (first, second) if self._constant(node) is None]
        kind = self._value(free[0])[0] if free else FLOAT
        return kind, self._of(first, kind) + self._of(second, kind)

    def _value(self, node: ast.expr) -> tuple[str, bytes]:
        if self._constant(node) is not None:
            return FLOAT, self._of(node, FLOAT)
        if isinstance(node, ast.Name) and node.id in self._counters:
            return WHOLE, _GET + self._counters[node.id] + _vector("i32.splat")
        if isinstance(node, ast.Name) and node.id in self._types:
            return self._types[node.id], self._get(node.id)
        if isinstance(node, ast.Subscript):
            return FLOAT, self._load(node)
        if isinstance(node, ast.BinOp):
            return self._arithmetic(node)
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
            return MASK, self._of(node.operand, MASK) + _vector("not")
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            return FLOAT, self._of(node.operand, FLOAT) + _vector("f32.negative")
        if isinstance(node, ast.Compare) and len(node.ops) == 1:
            return MASK, self._joined(node, node.left, node.comparators[0], type(node.ops[0]).__name__)[1]
        if isinstance(node, ast.BoolOp):
            first, *rest = (self._of(value, MASK) for value in node.values)
            return MASK, first + b"".join(code + _vector(_MASKS[type(node.op)]) for code in rest)
        if isinstance(node, ast.IfExp):
            kind, code = self._both(node.body, node.orelse)
            return kind, code + self._of(node.test, MASK) + _vector("select")
        if isinstance(node, ast.Call):
            return self._call(node)
        raise _refused(node)

    def _joined(self, node: ast.expr, first: ast.expr, second: ast.expr, name: str) -> tuple[str, bytes]:
        kind, code = self._both(first, second)
        if f"{kind}.{name}" not in _VECTOR:
            raise _refused(node)
        return kind, code + _vector(f"{kind}.{name}")

    def _arithmetic(self, node: ast.BinOp) -> tuple[str, bytes]:
        number = self._constant(node.right)
        if isinstance(node.op, ast.Pow) and number in (2, 3):
            times = self._of(node.left, FLOAT)
            return FLOAT, times + (times + _vector("f32.Mult")) * int(number - 1)
        if isinstance(node.op, ast.RShift) and number is not None:
            return WHOLE, self._of(node.left, WHOLE) + _whole(int(number)) + _vector("i32.RShift")
        if type(node.op) in _MASKS:
            both = self._of(node.left, MASK) + self._of(node.right, MASK)
            return MASK, both + _vector(_MASKS[type(node.op)])
        return self._joined(node, node.left, node.right, type(node.op).__name__)

    def _call(self, node: ast.Call) -> tuple[str, bytes]:
        name, (value, *rest) = ast.unparse(node.func), node.args
        if name in ("min", "max") and len(rest) == 1:
            return self._joined(node, value, rest[0], name)
        if name in ("abs", "np.abs", "np.sqrt"):
            return FLOAT, self._of(value, FLOAT) + _vector(f"f32.{name.removeprefix('np.')}")
        if name == "np.isnan":
            return self._value(ast.Compare(value, [ast.NotEq()], [value]))
        if name == BITS:
            return WHOLE, self._of(value, FLOAT)
        if name == FLOAT_OF:
            return FLOAT, self._of(value, WHOLE)
        if name in _KINDS:
            (found, code), kind = self._value(value), _KINDS[name]
            return kind, code if found == kind else code + _vector(f"{kind}.of")
        raise _refused(node)

    def _address(self, name: str) -> bytes:
        """Return where an array begins, as loads and stores have it behind them."""
        if name in self.tables:
            return b"\x02" + _leb(4 * (MOST_ARRAYS * MOST_PIXELS + MOST_ENTRIES * self.tables[name]))
        return b"\x02" + _leb(4 * MOST_PIXELS * self.arrays.index(name))

    def _load(self, node: ast.Subscript) -> bytes:
        name, kept = _base(node), _SET + self._place("loaded'")
        address = self._address(name)
        if name not in self.tables:
            return _GET + _leb(self._first) + _vector("load") + address
        # No index leads out of the table's own place, whatever the pixels of a last group hold.
        most = _vector("const") + 4 * struct.pack("<i", MOST_ENTRIES - 1) + _vector("i32.least")
        code = self._of(node.slice, WHOLE) + most + _SET + self._place("entry'")
        for lane in map(bytes, ([0], [1], [2], [3])):
            code += self._get("entry'") + _vector("extract") + lane + _whole(2) + b"\x74"
            others = self._get("loaded'") + _vector("lane") + address + lane
            code += (_vector("zero") + address if lane == b"\x00" else others) + kept
        return code + self._get("loaded'")


def _base(node: ast.Subscript) -> str:
    if not isinstance(node.value, ast.Name):
        raise _refused(node)
    return node.value.id


def _refused(node: ast.AST) -> ValueError:
    return ValueError(f"a loop's {ast.unparse(node)!r} has no print in WebAssembly")
