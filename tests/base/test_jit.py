"""Kernels: what is on the disk is loaded without the compiler, by as many threads as ask for it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from blend.base.jit import kernel

USED = """
import sys
from concurrent.futures import ThreadPoolExecutor
import numpy as np
from blend.base.blocksums import block_means
from blend.base.jit import load_compiler
from blend.base.transfer import decode_block
plane = np.arange(64.0, dtype=np.float32).reshape(8, 8) / 64
load_compiler()
with ThreadPoolExecutor(2) as pool:
    means = pool.submit(block_means, plane, 4, least=0.5)
    light = pool.submit(decode_block, plane)
print(means.result().tolist(), light.result().tolist())
print("scipy.linalg" in sys.modules, "numba.np.npyimpl" in sys.modules)
"""


def test_kernels_of_the_disk_need_no_compiler(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    told = [
        subprocess.run([sys.executable, "-c", USED], capture_output=True, text=True, check=True, timeout=120)
        for _ in range(2)
    ]
    (*values, algebra, _), (*same, still_none, compiler) = (done.stdout.rsplit(maxsplit=2) for done in told)
    assert values == same
    assert (algebra, still_none, compiler) == ("False", "False", "False")


@kernel
def _divide(above: float, below: float) -> float:
    return above / below


def test_a_kernel_divides_as_numpy_does() -> None:
    assert _divide(1.0, 0.0) == np.inf
    assert np.isnan(_divide(0.0, 0.0))
