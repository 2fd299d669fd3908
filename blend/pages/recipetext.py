"""The recipe as it was used, what differs from the defaults marked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from blend.recipe.model import load_recipe, resolved
from blend.recipe.toml import flatten, to_toml


def recipe_lines(recipe: Mapping[str, Any]) -> list[tuple[str, bool]]:
    """Return the lines of a recipe's TOML, each with whether its value is no default.

    Examples
    --------
    >>> whole = resolved(load_recipe("version = 1\\n[stretch]\\nsky_level = 0.2", where="r.toml"))
    >>> [text for text, differs in recipe_lines(whole) if differs]
    ['sky_level = 0.2']
    """
    usual = flatten(resolved(load_recipe("version = 1", where="defaults")))
    used = flatten(recipe)
    differs = {key for key, value in used.items() if key not in usual or usual[key] != value}
    lines, table = [], ""
    for text in to_toml(recipe).splitlines():
        if text.startswith("["):
            table = text.strip("[]") + "."
        lines.append((text, "=" in text and table + text.split(" = ")[0] in differs))
    return lines
