"""Libraries loaded beside the reading of files: two seconds of processor time that a run need not wait for."""

from __future__ import annotations

import contextlib
import importlib
from threading import Thread
from typing import Any

LIBRARIES = ("scipy.ndimage", "sep", "scipy.spatial", "skimage.color.delta_e", "tifffile")
"""What steps of every run import inside their functions."""


UNUSED = {"f2py", "testing", "ctypeslib", "rec", "char", "strings", "core"}
"""Parts of numpy that it loads only when they are asked for, and that no run needs."""


def start_loading() -> None:
    """Begin to load what a run will need, on a thread of its own that the process does not wait for."""
    Thread(target=_load, name="loading", daemon=True).start()


def _load() -> None:
    # A library that cannot be loaded is the fault of the step that needs it, and told there.
    with contextlib.suppress(Exception):
        from blend.base.jit import load_compiler
        from blend.files.record import code_digest
        from blend.pages.fill_template import template

        _spare_scipy()
        load_compiler()
        for name in LIBRARIES:
            importlib.import_module(name)
        # The end of a run waits for what its page is made of, and for the digest of all sources.
        template("report.html")
        code_digest()


def _spare_scipy() -> None:
    """Let scipy be loaded without the tables that it writes into docstrings, half of its time.

    It copies all names of numpy, and thereby has it load its Fortran compiler and its tests, another third.
    """
    numpy: Any = importlib.import_module("numpy")
    whole, listed = numpy.__all__, numpy.__dir__
    numpy.__all__ = [name for name in whole if name not in UNUSED]
    numpy.__dir__ = lambda: [name for name in listed() if name not in UNUSED]
    try:
        private: Any = importlib.import_module("scipy._lib._array_api")
    finally:
        numpy.__all__, numpy.__dir__ = whole, listed
    if hasattr(private, "xp_capabilities"):
        private.xp_capabilities = lambda *_, **__: lambda function: function
