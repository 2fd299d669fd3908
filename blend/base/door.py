"""Rooms offer names that are loaded when they are first asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib import import_module
from typing import Any


def lazy_names(package: str, homes: Mapping[str, Sequence[str]]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of a package whose names are loaded from its modules when first asked for.

    Parameters
    ----------
    package : str
        Its ``__name__``.
    homes : mapping of str to sequence of str
        The names that each module gives, by the module's name within the package.

    Examples
    --------
    >>> lazy_names("blend.base", {"roots": ["root_between"]})("root_between").__module__
    'blend.base.roots'
    """
    home_of = {name: module for module, names in homes.items() for name in names}

    def load(name: str) -> Any:
        if name not in home_of:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{home_of[name]}"), name)

    return load
