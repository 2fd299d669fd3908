"""Blend a stacked H-alpha master into a moonlit colour master, by formulas written down in a recipe.

The names a script needs, each loaded when first used:

>>> import blend
>>> blend.FORMULAS["screen"].equation
'1 - (1 - base) * (1 - line)'
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blend.app.run import Outcome, load_sources, open_recipe, open_target, run_target
    from blend.base.errors import BlendError
    from blend.base.master import Facts, Master
    from blend.base.rowblocks import limit_threads
    from blend.files.reader import read_picture
    from blend.recipe.pipeline import run_steps
    from blend.science.picture import FORMULAS, apply_formula

_HOMES = {
    "BlendError": "blend.base.errors",
    "FORMULAS": "blend.science.picture",
    "Facts": "blend.base.master",
    "Master": "blend.base.master",
    "Outcome": "blend.app.run",
    "apply_formula": "blend.science.picture",
    "limit_threads": "blend.base.rowblocks",
    "load_sources": "blend.app.run",
    "open_recipe": "blend.app.run",
    "open_target": "blend.app.run",
    "read_picture": "blend.files.reader",
    "run_steps": "blend.recipe.pipeline",
    "run_target": "blend.app.run",
}

__all__ = [
    "FORMULAS",
    "BlendError",
    "Facts",
    "Master",
    "Outcome",
    "apply_formula",
    "limit_threads",
    "load_sources",
    "open_recipe",
    "open_target",
    "read_picture",
    "run_steps",
    "run_target",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'blend' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
