"""Kernels and threads: what loads beside a run must not meet what a run loads."""

from __future__ import annotations

from threading import Thread

from blend.base import jit


def test_tables_wait_for_a_kernel_that_is_being_loaded() -> None:
    jit.prepare()
    from numba.core.compiler_lock import global_compiler_lock

    beside = Thread(target=jit.prepare, daemon=True)
    with global_compiler_lock:
        beside.start()
        beside.join(0.3)
        assert beside.is_alive()
    beside.join(30.0)
    assert not beside.is_alive()
