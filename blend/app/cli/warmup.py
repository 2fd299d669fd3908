"""Libraries loaded beside the reading of files: two seconds of processor time that a run need not wait for."""

from __future__ import annotations

import contextlib
import importlib
from threading import Thread
from typing import Any

LIBRARIES = (
    "scipy.ndimage",
    "sep",
    "scipy.spatial",
    "tifffile",
)
"""What steps of every run import inside their functions."""


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
    """Let scipy be loaded without the tables that it writes into docstrings, half of its time."""
    private: Any = importlib.import_module("scipy._lib._array_api")
    if hasattr(private, "xp_capabilities"):
        private.xp_capabilities = lambda *_, **__: lambda function: function
