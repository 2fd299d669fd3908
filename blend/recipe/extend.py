"""Recipes that build on another: a recipe says which one it extends and what differs; tables merge, values replace."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from blend.base.errors import FaultList, RecipeError
from blend.recipe.old_keys import new_names, old_keys
from blend.recipe.toml import read_toml

EXTENDS = "extends"
MOST_PARENTS = 4
"""Whoever reads a recipe has to read its parents; more of them no one follows."""

Read = Callable[[str, str], tuple[str, str]]
"""Of what a recipe calls its parent, and of the recipe's own file: the parent's text and file."""


@dataclass(frozen=True)
class Extended:
    """A recipe with its parents in it, the files of all of them, its own first, and its own keys with old names."""

    values: Mapping[str, Any]
    files: tuple[str, ...]
    renamed: tuple[str, ...] = ()


def extend(text: str, *, where: str, read: Read) -> Extended:
    """Return a recipe's values over those of its parents.

    Raises
    ------
    RecipeError, FaultList
        A parent that is not there, that is named by no text or extends a recipe it comes from, or more than
        `MOST_PARENTS`; each text's own faults of TOML.

    Examples
    --------
    >>> parents = {"base": "version = 1\\n[stretch]\\nsky_level = 0.1\\ncurve = 'log'"}
    >>> child = "extends = 'base'\\n[stretch]\\nsky_level = 0.08"
    >>> dict(extend(child, where="child", read=lambda name, of: (parents[name], name)).values)
    {'version': 1, 'stretch': {'sky_level': 0.08, 'curve': 'log'}}
    """
    chain = [(where, read_toml(text, where=where))]
    while EXTENDS in chain[-1][1]:
        files = [file for file, _ in chain]
        name = chain[-1][1].pop(EXTENDS)
        if not isinstance(name, str) or not name.strip():
            raise _fault(files, f"found {name!r}", "the name of a shipped recipe, or a recipe's file")
        if len(files) > MOST_PARENTS:
            raise _fault(
                files, f"a chain of {len(files)} recipes that goes on", f"at most {MOST_PARENTS} parents"
            )
        parent, file = read(name, files[-1])
        if file in files:
            raise _fault([*files, file], "a circle", "a recipe that does not come back to itself")
        chain.append((file, read_toml(parent, where=file)))
    values: Mapping[str, Any] = {}
    for _, own in reversed(chain):
        values = merged(values, new_names(own))
    return Extended(values, tuple(file for file, _ in chain), tuple(old_keys(chain[0][1])))


def _fault(files: list[str], found: str, expected: str) -> RecipeError:
    path = " -> ".join(files)
    return RecipeError(EXTENDS, found=f"{found}: {path}", expected=expected, advice="name another recipe")


def merged(parent: Mapping[str, Any], child: Mapping[str, Any]) -> dict[str, Any]:
    """Return the parent's values with the child's in their place, table by table."""
    both = dict(parent)
    for key, value in child.items():
        old = both.get(key)
        both[key] = merged(old, value) if isinstance(old, Mapping) and isinstance(value, Mapping) else value
    return both


def difference(parent: Mapping[str, Any], wanted: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return what a child has to say for `merged` to give the wanted values; None where it cannot take a key out."""
    if any(key not in wanted for key in parent):
        return None
    told: dict[str, Any] = {}
    for key, value in wanted.items():
        old = parent.get(key)
        if isinstance(old, Mapping) and isinstance(value, Mapping):
            inner = difference(old, value)
            if inner is None:
                return None
            if inner:
                told[key] = inner
        elif key not in parent or isinstance(old, bool) is not isinstance(value, bool) or old != value:
            told[key] = value
    return told


def refuse_extends(values: Mapping[str, Any]) -> None:
    """Refuse a text that extends another where nobody can look for it.

    Raises
    ------
    FaultList
        With that one fault.
    """
    if EXTENDS in values:
        advice = "open it by its file, or write the parent's values into it"
        raise FaultList([RecipeError(EXTENDS, found="a parent, but the text alone was given", advice=advice)])
