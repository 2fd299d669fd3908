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
    from blend.app.batch import BatchOptions as BatchOptions
    from blend.app.run import Outcome as Outcome
    from blend.app.run import load_sources as load_sources
    from blend.base.errors import ArrayError as ArrayError
    from blend.base.errors import BlendError as BlendError
    from blend.base.master import Facts as Facts
    from blend.base.master import Flag as Flag
    from blend.base.master import Master as Master
    from blend.base.rowblocks import limit_threads as limit_threads
    from blend.files.cards import facts_from_cards as facts_from_cards
    from blend.library import apply_formula as apply_formula
    from blend.library import load_recipe as load_recipe
    from blend.library import load_target as load_target
    from blend.library import read as read
    from blend.library import run as run
    from blend.library import run_batch as run_batch
    from blend.library import try_variants as try_variants
    from blend.library import write as write
    from blend.recipe.begin import prepare as prepare
    from blend.recipe.byhand import align as align
    from blend.recipe.byhand import blend_lines as blend_lines
    from blend.recipe.byhand import calibrate as calibrate
    from blend.recipe.byhand import emission as emission
    from blend.recipe.byhand import finish as finish
    from blend.recipe.byhand import fit_sky as fit_sky
    from blend.recipe.byhand import scale_continuum as scale_continuum
    from blend.recipe.byhand import stretch as stretch
    from blend.recipe.byhand import subtract_sky as subtract_sky
    from blend.recipe.byhand import white as white
    from blend.recipe.pipeline import run_steps as run_steps
    from blend.recipe.state import Source as Source
    from blend.recipe.state import Work as Work
    from blend.science.picture import CURVES as CURVES
    from blend.science.picture import FORMULAS as FORMULAS
    from blend.science.picture import define_formula as define_formula

    __version__: str
_load, __all__ = open_door(__name__)


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("narrowband-blend")
    return _load(name)


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
