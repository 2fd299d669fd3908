"""Kernels and threads: what loads beside a run must not meet what a run loads."""

from __future__ import annotations

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
