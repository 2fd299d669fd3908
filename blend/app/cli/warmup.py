"""Libraries loaded beside the reading of files: two seconds of processor time that a run need not wait for."""

from __future__ import annotations

import contextlib
import importlib
import sys
from importlib.util import LazyLoader, find_spec, module_from_spec
from threading import Thread
from typing import Any

LIBRARIES = (
    "scipy.ndimage",
    "sep",
    "scipy.spatial",
    "tifffile",
)
"""What steps of every run import inside their functions."""

UNUSED = ("numpy.f2py", "numpy.testing")
"""What scipy asks numpy for when it makes a list of it, and nobody uses."""


def start_loading() -> None:
    """Begin to load what a run will need, on a thread of its own that the process does not wait for."""
    Thread(target=_load, name="loading", daemon=True).start()


def _load() -> None:
    # A library that cannot be loaded is the fault of the step that needs it, and told there.
    with contextlib.suppress(Exception):
        from blend.base.jit import load_compiler

        _spare_scipy()
        load_compiler()
        importlib.import_module("astropy.io.fits")
        for name in LIBRARIES:
            importlib.import_module(name)


def _spare_scipy() -> None:
    """Let scipy be loaded without the tables that it writes into docstrings, two thirds of its time."""
    for name in UNUSED:
        _put_off(name)
    private: Any = importlib.import_module("scipy._lib._array_api")
    if hasattr(private, "xp_capabilities"):
        private.xp_capabilities = lambda **_: lambda function: function


def _put_off(name: str) -> None:
    """Let a module be loaded when something of it is used."""
    package, _, last = name.rpartition(".")
    parent, spec = importlib.import_module(package), find_spec(name)
    if name in sys.modules or spec is None or spec.loader is None:
        return
    spec.loader = loader = LazyLoader(spec.loader)
    sys.modules[name] = module = module_from_spec(spec)
    setattr(parent, last, module)
    loader.exec_module(module)
