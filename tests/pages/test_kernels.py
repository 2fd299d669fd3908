"""Kernels printed as JavaScript: the same numbers, and a refusal of what has no print."""

from __future__ import annotations

import json
import shutil
import subprocess
from typing import Any

import numpy as np
import pytest

from blend.base.jit import kernel
from blend.pages.kernels import PRELUDE, kernel_javascript
from blend.pages.lanes import Machine

_HALF, _STEPS = np.float32(0.5), np.array([[1.0, 2.0], [3.0, 4.0]], dtype=np.float32)


@kernel
def odd_sums(source: Any, out: Any, rows: Any) -> int:
    count, size = source.shape
    total = np.zeros(size, np.float32)
    first, second = np.ones(size, dtype=np.float32), np.empty((2, size), np.float32)
    piece, found = slice(1, size), 0
    second[0, :] = 2.0
    for y in range(rows[0], rows[1], 1):
        for k, target in ((0, first), (1, total)):
            for x in range(size):
                if np.isnan(source[y, x]) or x == 5:
                    continue
                target[x] += source[y, x] ** 2 * _STEPS[k, 1] if not x % 2 else -_HALF
        part = source[y, piece]
        found += int(part.shape[0] // 2)
    whole = second[0]
    for x in range(size):
        out[x] = max(min(total[x], np.float32(40.0)), first[x]) + whole[x] + np.sqrt(abs(first[x]))
    return found + (total[0] > 0) * count


@pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed")
def test_a_printed_kernel_gives_the_numbers_of_the_compiled_one() -> None:
    source = np.random.default_rng(3).normal(0.0, 2.0, (3, 8)).astype(np.float32)
    source[1, 2] = np.nan
    out = np.empty(8, dtype=np.float32)
    found = odd_sums(source, out, (0, 3))
    rows = json.dumps(source.tolist()).replace("NaN", "NaN")
    code = (
        f"{PRELUDE}\n{kernel_javascript(odd_sums, Machine())}\nconst source = {rows}.map((r) => Float32Array.from(r));"
        "const out = new Float32Array(8), found = odd_sums({source, out, rows: [0, 3]});"
        "console.log(JSON.stringify([found, ...out]))"
    )
    done = subprocess.run(["node", "-e", code], capture_output=True, text=True, check=True)
    told, *values = json.loads(done.stdout)
    assert told == found
    # Arithmetic of 64 bits there, of 32 here.
    assert np.allclose(values, out, rtol=1e-6)


@kernel
def unprintable(source: Any) -> Any:
    return source.sum()


def test_what_has_no_print_is_refused() -> None:
    with pytest.raises(ValueError, match=r"source\.sum\(\)"):
        kernel_javascript(unprintable, Machine())
