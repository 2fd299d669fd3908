"""Short loops over a piece of a row as one: the same numbers, and a refusal of what does not go pixel by pixel."""

from __future__ import annotations

import ast
import inspect
import textwrap
from typing import Any

import numpy as np
import pytest

from blend.pages.fusing import fused, is_apart

_PIECE = 4


def pieces(source: Any, out: Any, gains: Any, limit: Any) -> int:
    columns = source.shape[1]
    one, two = np.empty(_PIECE, np.float32), np.empty(_PIECE, np.float32)
    gain, root = np.ones(_PIECE, np.float32), np.empty((2, _PIECE), np.float32)
    bits = root.view(np.int32)
    found = 0
    for y in range(source.shape[0]):
        for start in range(0, columns, _PIECE):
            size = min(_PIECE, columns - start)
            piece = slice(start, start + size)
            row = source[y, piece]
            for k, light in ((0, one), (1, two)):
                by = gains[k]
                for x in range(size):
                    light[x] = by * row[x]
                near, whole = root[k], bits[k]
                for x in range(size):
                    near[x] = light[x]
                for x in range(size):
                    whole[x] = whole[x] + np.int32(1 << 23)
            if limit > 0:
                for x in range(size):
                    gain[x] = limit * two[x]
            for x in range(size):
                if one[x] > 2.0:
                    continue
                found += 1
                one[x] += 1.0
            target = out[y, piece]
            for x in range(size):
                target[x] = one[x] * gain[x] + root[0, x] - root[1, x]
    return found


def outside_its_pixel(source: Any, out: Any) -> None:
    one = np.empty(_PIECE, np.float32)
    for start in range(0, source.shape[0], _PIECE):
        size = min(_PIECE, source.shape[0] - start)
        for x in range(size):
            one[x] = source[x]
        for x in range(size):
            out[x] = one[0]


def made(function: Any) -> Any:
    tree = ast.parse(textwrap.dedent(inspect.getsource(function))).body[0]
    assert isinstance(tree, ast.FunctionDef)
    return fused(tree)


@pytest.mark.parametrize("limit", [0.0, 0.5])
def test_one_loop_gives_the_numbers_of_many(limit: float) -> None:
    tree = made(pieces)
    assert sum(map(is_apart, ast.walk(tree))) == 1
    tree.name = "once"
    as_float, as_int = np.empty(1, np.float32), np.empty(1, np.int32)

    def bits_of(value: float) -> int:
        as_float[0] = value
        return int(as_float.view(np.int32)[0])

    def float_of(bits: int) -> float:
        as_int[0] = bits
        return float(as_int.view(np.float32)[0])

    names: dict[str, Any] = {"np": np, "Any": Any, "_PIECE": _PIECE, "bits_of": bits_of, "float_of": float_of}
    exec(compile(ast.Module([tree], []), "fused", "exec"), names)
    source = np.random.default_rng(5).uniform(0.1, 3.0, (3, 10)).astype(np.float32)
    outs = [np.zeros_like(source) for _ in range(2)]
    gains = np.array([1.0, 0.7], np.float32)
    counts = [
        function(source, out, gains, limit)
        for function, out in zip((pieces, names["once"]), outs, strict=True)
    ]
    assert counts[0] == counts[1] > 0
    # 64 bits between loops there, 32 here
    assert np.allclose(*outs, rtol=1e-6)


def test_a_buffer_met_elsewhere_is_refused() -> None:
    with pytest.raises(ValueError, match="pixel by pixel"):
        made(outside_its_pixel)
