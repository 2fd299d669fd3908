"""One target under many variants of a recipe, to compare and to keep one of."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.trial.keep import keep_address, keep_file, keep_tile
    from blend.app.trial.layers import parse_view
    from blend.app.trial.trial import Question, try_variants
    from blend.app.trial.variants import Variation, parse_variation, value_text
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
