"""Which values of a recipe each step reads, so that what a step made can be used again while they stay."""

from __future__ import annotations

import json
from typing import Any

from blend.recipe.model import resolved
from blend.recipe.pipeline import STEPS
from blend.recipe.tables import Recipe
from blend.recipe.target import Target

STEP_NAMES = tuple(step.name for step in STEPS)


def step_settings(recipe: Recipe, target: Target) -> dict[str, str]:
    """Return, for every step in the order of the work, the values it reads, as one text.

    Two recipes whose texts are the same up to a step come to the same state after it, for the same target. What
    writes files (``output``) and the title belong to no step.
    """
    values = resolved(recipe)
    own = values["formulas"]

    def blends(domain: Any) -> list[Any]:
        # a list: the order of the blends has a meaning
        return [
            [label, values["blend"][label], own.get(blend.formula)]
            for label, blend in recipe.blends(domain).items()
        ]

    # a step reads the table of its name, but for these
    read: dict[str, Any] = {
        "continuum": {
            line: recipe.continuum_for(line).model_dump(mode="json", by_alias=True) for line in target.lines
        },
        "linear-blends": [blends("linear"), values["protect"]],
        "stretch": [
            {key: value for key, value in values["stretch"].items() if key not in target.lines},
            # what noise reduction leaves decides how bright a picture may be
            values["finish"]["noise_sigma"],
        ],
        "display-blends": [blends("display"), values["stretch"], values["protect"]],
        "finish": [values["finish"], values["protect"], "residual" in values["output"]["formats"]],
    }
    return {name: json.dumps(read.get(name, values.get(name)), sort_keys=True) for name in STEP_NAMES}
