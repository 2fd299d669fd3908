"""Loops as WebAssembly: the numbers of the same text in Python, and a refusal of what has no print."""

from __future__ import annotations

import json
import shutil
import subprocess
from typing import Any

import numpy as np
import pytest

from blend.pages.kernels import PRELUDE, loop_javascript
from blend.pages.lanes import Machine

_HALF = 0.5


def branches(source: Any, table: Any, out: Any, asked: float, gain: float, count: int) -> None:
    for x in range(count):
        value = source[x]
        low, high = 0.0, value
        if asked:
            value = value * gain
        if value > 1.0:
            for turn in range(5):
                middle = _HALF * (low + high) if turn < 4 else low
                if middle**2 < value:
                    low = middle
                else:
                    high = middle
            value = -low
        entry = np.uint32(min(max(abs(source[x]), 0.0), 2.0))
        value = value + table[entry] if not (value < -1.0) else value - table[entry] / gain
        out[x] = np.sqrt(value) if value >= 0.0 and source[x] != 0.0 else value


def run_loop(function: Any, arrays: dict[str, np.ndarray], numbers: dict[str, float], out: str) -> np.ndarray:
    """Return what one array holds after a loop under node."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    machine = Machine()
    loop = loop_javascript(function, machine)
    listed = [
        f"{name}: Float32Array.from({json.dumps(a.tolist())}.map(Number))" for name, a in arrays.items()
    ]
    given = ", ".join([*listed, *(f"{name}: {value!r}" for name, value in numbers.items())])
    code = (
        f"{PRELUDE}\n{machine.javascript()}\n{loop}\nconst given = {{{given}}};\n{function.__name__}(given);"
        f"console.log(JSON.stringify(Array.from(given.{out}, String)))"
    )
    done = subprocess.run([node, "-"], input=code, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return np.array([float(value.replace("Infinity", "inf")) for value in json.loads(done.stdout)])


@pytest.mark.parametrize("asked", [0.0, 1.0])
def test_branches_and_tables_give_the_numbers_of_python(asked: float) -> None:
    # Not a multiple of four, and pixels of every branch side by side.
    source = np.random.default_rng(7).uniform(-2.0, 3.0, 37).astype(np.float32)
    source[5], source[9] = np.nan, 0.0
    arrays = {
        "source": source,
        "table": np.array([0.1, 0.2, 0.4], np.float32),
        "out": np.zeros(37, np.float32),
    }
    numbers = {"asked": asked, "gain": 1.5, "count": 37}
    made = run_loop(branches, arrays, numbers, "out")
    expected = arrays["out"].copy()
    clean = np.nan_to_num(source, nan=0.0)
    branches(clean, arrays["table"], expected, asked, 1.5, 37)
    known = ~np.isnan(source)
    assert np.isnan(made[5])
    # 32 bits there, 64 here.
    assert np.allclose(made[known], expected[known], rtol=2e-6, atol=1e-7)


def gathers(source: Any, out: Any, count: int) -> None:
    for x in range(count):
        out[x] = source[x - 1]


def unknown(source: Any, out: Any, count: int) -> None:
    for x in range(count):
        out[x] = np.sin(source[x])


def carried(source: Any, out: Any, count: int) -> None:
    for x in range(count):
        total = total + source[x]  # type: ignore[has-type]  # noqa: F821
        out[x] = total


@pytest.mark.parametrize("function", [gathers, unknown, carried])
def test_what_has_no_print_is_refused(function: Any) -> None:
    with pytest.raises(ValueError, match="has no print in WebAssembly"):
        loop_javascript(function, Machine())
