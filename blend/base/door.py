"""Rooms offer names that are loaded when they are first asked for."""

from __future__ import annotations

import ast
import sys
from collections.abc import Callable
from importlib import import_module
from typing import Any


def open_door(package: str) -> tuple[Callable[[str], Any], list[str]]:
    """Return the ``__getattr__`` and the ``__all__`` of a package: what its own source imports for type checkers.

    Each name is loaded from its module when it is first asked for.

    Parameters
    ----------
    package : str
        Its ``__name__``. Under ``if TYPE_CHECKING`` it imports what it offers, and nothing else.

    Examples
    --------
    >>> import blend.science.grid
    >>> load, names = open_door("blend.science.grid")
    >>> "align" in names, load("align").__module__
    (True, 'blend.science.grid.register')
    """
    # its source, and not a table beside it: a name that is offered stands once
    loader: Any = sys.modules[package].__spec__.loader  # type: ignore[union-attr]
    homes = {
        alias.name: str(node.module)
        for block in ast.parse(loader.get_source(package)).body
        if isinstance(block, ast.If)
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }

    def load(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(homes[name]), name)

    return load, sorted(homes)
