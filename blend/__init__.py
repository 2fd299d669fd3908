"""Blend a stacked H-alpha master into a moonlit colour master, by formulas written down in a recipe.

The names a script needs, each loaded when first used:

>>> import blend
>>> blend.apply_formula("screen", [[0.5]], [[0.4]], amount=0.5)
array([[0.6]], dtype=float32)
>>> blend.CURVES
<5 entries of the curve table: asinh, power, log, rational, linear>
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from blend.base.door import open_door

if TYPE_CHECKING:
    from blend.app.batch import BatchOptions
    from blend.app.run import Outcome, load_sources
    from blend.base.errors import ArrayError, BlendError
    from blend.base.master import Facts, Flag, Master
    from blend.base.rowblocks import limit_threads
    from blend.files.cards import facts_from_cards
    from blend.library import (
        apply_formula,
        load_recipe,
        load_target,
        read,
        run,
        run_batch,
        try_variants,
        write,
    )
    from blend.recipe.begin import prepare
    from blend.recipe.byhand import (
        align,
        blend_lines,
        calibrate,
        emission,
        finish,
        fit_sky,
        scale_continuum,
        stretch,
        subtract_sky,
        white,
    )
    from blend.recipe.pipeline import run_steps
    from blend.recipe.state import Source, Work
    from blend.science.picture import CURVES, FORMULAS, define_formula

    __version__: str
__all__ = [
    "CURVES",
    "FORMULAS",
    "ArrayError",
    "BatchOptions",
    "BlendError",
    "Facts",
    "Flag",
    "Master",
    "Outcome",
    "Source",
    "Work",
    "align",
    "apply_formula",
    "blend_lines",
    "calibrate",
    "define_formula",
    "emission",
    "facts_from_cards",
    "finish",
    "fit_sky",
    "limit_threads",
    "load_recipe",
    "load_sources",
    "load_target",
    "prepare",
    "read",
    "run",
    "run_batch",
    "run_steps",
    "scale_continuum",
    "stretch",
    "subtract_sky",
    "try_variants",
    "white",
    "write",
]


_load, _ = open_door(__name__)


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("narrowband-blend")
    return _load(name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
