"""Kernels: what is on the disk is loaded without the compiler, by as many threads as ask for it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from blend.base.jit import SPARED, kernel

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


def test_every_spared_pass_is_one_of_numbas() -> None:
    """A pass of another name in another version would be run again, and nobody would notice."""
    from numba.core.compiler import DefaultPassBuilder, Flags

    state = SimpleNamespace(func_ir=None, flags=Flags())
    steps = DefaultPassBuilder.define_nopython_pipeline(state).passes
    assert {step.__name__ for step, _ in steps} >= SPARED


LOCKS = """
import sys
from numba.core.compiler_lock import global_compiler_lock
from numba.core.cpu import CPUContext
from blend.base.jit import load_compiler
make = CPUContext.__init__
def watch(self, *values):
    print("tables", global_compiler_lock.is_locked())
    make(self, *values)
CPUContext.__init__ = watch
class Finder:
    def find_spec(self, name, *_):
        if name == "numba.np.arraymath":
            print("arrays", global_compiler_lock.is_locked())
sys.meta_path.insert(0, Finder())
load_compiler()
"""


def test_tables_are_made_before_the_lock_and_arrays_loaded_under_it() -> None:
    """A kernel's first call holds the lock of the tables when it asks for the compiler's, and loads arrays under it."""
    done = subprocess.run([sys.executable, "-c", LOCKS], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == ["tables False", "arrays True"]
