"""The one place that names numba.

Kernels are compiled with ``nogil`` and run under our own row blocks: two Python threads that both call
self-parallel kernels abort the process. No ``fastmath``: it removes tests for NaN.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Any, TypeVar

from blend.base.arrays import refuse_foreign

Function = TypeVar("Function", bound=Callable[..., Any])


def cache_folder() -> Path:
    """Return the folder for compiled kernels: ``XDG_CACHE_HOME`` or ``~/.cache``, then ``blend/kernels``."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "blend" / "kernels"


def kernel(function: Function) -> Callable[..., Any]:
    """Compile a pure loop over arrays on its first call, cached on disk.

    Importing numba takes 0.3 s, so it waits until a kernel is called. A cache that cannot be written is done without.
    """
    compiled: list[Callable[..., Any]] = []
    lock = Lock()

    def call(*arguments: Any) -> Any:
        refuse_foreign(arguments, where=function.__name__)
        if not compiled:
            # The first call runs under the lock: two threads that compiled the same kernel would both take seconds.
            with lock:
                if not compiled:
                    chosen = _compile(function)
                    result = chosen(*arguments)
                    compiled.append(chosen)
                    return result
        return compiled[0](*arguments)

    call.__doc__ = function.__doc__
    call.__name__ = function.__name__
    call.python = function  # type: ignore[attr-defined]
    return call


def prepare() -> None:
    """Load the compiler's own tables, which takes a second: for a thread that has nothing else to do yet.

    Under numba's lock: a kernel's first call refreshes the same tables, and two threads cannot at once. The tables
    themselves are asked for before it: making them takes a lock of theirs first and numba's inside it, in a kernel's
    first call too, and two threads that took the two in different order would wait for one another for ever.
    """
    core = _numba().core
    context = core.registry.cpu_target.target_context
    with core.compiler_lock.global_compiler_lock:
        context.refresh()


def load_compiler() -> None:
    """Import numba, if nobody has yet, without scipy's linear algebra: a third of its time, and no kernel uses it.

    For the start of what somebody waits for, and only while no other thread imports scipy.
    """
    blas = "scipy.linalg.cython_blas"
    if "numba.np.arraymath" in sys.modules or "scipy.linalg" in sys.modules:
        _numba()
        return
    sys.modules[blas] = None  # type: ignore[assignment]
    try:
        # It asks once, when it is imported, whether that module is there.
        _numba()
        from numba.np import arraymath  # noqa: F401
    finally:
        del sys.modules[blas]


def _numba() -> Any:
    os.environ.setdefault("NUMBA_CACHE_DIR", str(cache_folder()))
    import numba

    return numba


def _compile(function: Callable[..., Any]) -> Callable[..., Any]:
    numba = _numba()
    compiled: Callable[..., Any]
    try:
        compiled = numba.njit(nogil=True, cache=True)(function)
    except RuntimeError:
        compiled = numba.njit(nogil=True)(function)
    return compiled
