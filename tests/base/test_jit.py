"""Kernels and threads: what loads beside a run must not meet what a run loads."""

from __future__ import annotations

import subprocess
import sys
from typing import Any

import pytest

from blend.base import jit


def test_tables_are_refreshed_under_the_lock_that_kernels_load_under(monkeypatch: pytest.MonkeyPatch) -> None:
    jit.prepare()
    from numba.core.compiler_lock import global_compiler_lock
    from numba.core.cpu import CPUContext

    held: list[bool] = []

    def refresh(_: Any) -> None:
        held.append(global_compiler_lock.is_locked())

    monkeypatch.setattr(CPUContext, "refresh", refresh)
    jit.prepare()
    assert held == [True]


MADE = """
from blend.base import jit
from numba.core.compiler_lock import global_compiler_lock
from numba.core.cpu import CPUContext
make = CPUContext.__init__
def watch(self, *values):
    print(global_compiler_lock.is_locked())
    make(self, *values)
CPUContext.__init__ = watch
jit.prepare()
"""


def test_tables_are_made_outside_the_lock_that_kernels_take_inside() -> None:
    """A kernel's first call holds the lock of the tables when it asks for the compiler's: never the other way round."""
    done = subprocess.run([sys.executable, "-c", MADE], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False"]
