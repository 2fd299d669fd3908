"""What the page to try weights on lets one change: values by recipe key, their ranges, and places to measure at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.trial.tile_numbers import Yardstick
from blend.recipe.blendtable import OtherTable
from blend.recipe.finishtable import Finish
from blend.recipe.model import resolved
from blend.recipe.state import Work
from blend.recipe.tables import Recipe, Stretch
from blend.science.picture import LEAST_SIDE, MOST_AMOUNT, VIVID, monotone_curve, untouched

PIXEL_BY_PIXEL = ("contrast", "curve", "saturation")
"""Values of the finish that the page works out as a run does; colour noise it has as measured at its opening."""
MEASURED_ONCE = ("chroma_reduction", "green_limit")
BEND_STEPS = 4097
"""Of the recipe's own curve: between two of them a straight line is off by less than 1e-6."""
MOST_PLACES = 4000
"""To measure a number at: its error from them is below 2 %, and they are 20 kB in the page (chosen)."""


def page_values(recipe: Recipe, chosen: Mapping[str, float]) -> dict[str, Any]:
    """Return what the page's controls set, by recipe key; ``chosen`` are amounts that the recipe leaves open."""
    finish = recipe.finish.model_dump(mode="json")
    values = {f"stretch.{key}": getattr(recipe.stretch, key) for key in ("sky_level", "white", "white_level")}
    values |= {f"finish.{key}": finish[key] for key in ("contrast", "saturation", *_others())}
    table = resolved(recipe)["blend"]
    keys = ("formula", "amount", "params", "into_other_planes", "extinction_a_v")
    for name in recipe.blend:
        own = {key: table[name][key] for key in keys}
        own["amount"] = chosen.get(name, own["amount"])
        values |= {f"blend.{name}.{key}": value for key, value in own.items()}
    return values


def control_facts(recipe: Recipe) -> dict[str, Any]:
    """Return the range of every number that may be set, and the words of what the page cannot show."""
    ranges = {f"stretch.{key}": _range(Stretch, key) for key in ("sky_level", "white_level")}
    ranges |= {f"finish.{key}": _range(Finish, key) for key in ("contrast", "saturation", *_others())}
    for name in recipe.blend:
        ranges[f"blend.{name}.amount"] = [0.0, MOST_AMOUNT]
        ranges[f"blend.{name}.into_other_planes"] = _range(OtherTable, "blue")
    return {
        "ranges": ranges,
        "others": {f"finish.{key}": Finish.model_fields[key].description for key in _others()},
        "neutral": {f"finish.{key}": Finish.model_fields[key].default for key in _others()},
    }


def finish_facts(recipe: Recipe) -> dict[str, Any]:
    """Return what the page's finish needs beside what its controls set."""
    settings = recipe.finish
    bend = None
    if settings.curve:
        bend = monotone_curve(settings.curve, np.linspace(0.0, 1.0, BEND_STEPS)).round(7).tolist()
    once = {key: getattr(settings, key) for key in MEASURED_ONCE}
    return {**once, "bend": bend, "neutral": list(untouched()), "vivid": VIVID, "least_side": LEAST_SIDE}


def places(layers: Work, factor: int, upright: Callable[[NDArray[Any]], NDArray[Any]]) -> dict[str, Any]:
    """Return where the page measures its numbers, as places in its upright picture, row by row."""
    stick = Yardstick(layers, factor)
    rows, columns = layers.rgb.shape
    turned = upright(np.arange(rows * columns).reshape(rows, columns))
    at = np.full(rows * columns, -1, dtype=np.int64)
    at[turned.reshape(-1)] = np.arange(turned.size)

    def few(*index: NDArray[np.intp]) -> list[list[int]]:
        found = np.stack([at[part] for part in index])
        found = found[:, (found >= 0).all(axis=0)]
        return [part.tolist() for part in found[:, :: max(1, -(-found.shape[1] // MOST_PLACES))]]

    (shines,), (near,) = few(stick.shines), few(stick.near)
    sky, beside = few(stick.sky, stick.sky + 1) if stick.sky.size else ([], [])
    return {
        **{"plane": stick.plane, "shines": shines, "near": near, "sky": sky, "beside": beside},
        "stars": _stars(layers, factor, at.reshape(rows, columns)),
    }


def _stars(layers: Work, factor: int, at: NDArray[np.int64]) -> list[int]:
    """Return the places of stars that have neighbours all round."""
    if layers.stars is None:
        return []
    rows, columns = at.shape
    xy = np.round(layers.stars.xy / factor - 0.5 * (1 - 1 / factor)).astype(int)
    x, y = xy[((xy >= 1) & (xy < (columns - 1, rows - 1))).all(axis=1)].T
    inside = (at[y - 1, x - 1] >= 0) & (at[y + 1, x + 1] >= 0)
    found = at[y, x][inside]
    return [int(place) for place in found[:: max(1, -(-found.size // MOST_PLACES))]]


def _others() -> list[str]:
    """Return the numbers of the finish that the page does not work out."""
    known = (*PIXEL_BY_PIXEL, *MEASURED_ONCE)
    return [
        key for key, field in Finish.model_fields.items() if key not in known and field.annotation is float
    ]


def _range(table: Any, key: str) -> list[float]:
    """Return the least and the greatest value of a number of a recipe's table."""
    limits = table.model_fields[key].metadata
    least = next(item.ge for item in limits if hasattr(item, "ge"))
    return [least, next(item.le for item in limits if hasattr(item, "le"))]
