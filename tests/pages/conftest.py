"""A small balanced state of work for the page to look with: sky, stars, a galaxy's light, emission, missing pixels."""

from __future__ import annotations

from collections.abc import Callable
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from blend.base.master import Facts, Master, flags_of
from blend.recipe.model import load_recipe
from blend.recipe.target import target_from_options
from blend.recipe.work import Line, Work

SIGMA = 0.001
RECIPE = """
title = "A made-up field"
[blend.red]
into = "red"
from = "ha.emission"
formula = "emission-add"
amount = 1.0
share = {blue = 0.15, green = 0.05}
[blend.luminance]
into = "luminance"
from = "ha.emission"
formula = "screen"
amount = 0.3
"""


def balanced_work(
    text: str = RECIPE, *, shape: tuple[int, int] = (90, 120), settings: dict[str, Any] | None = None
) -> Work:
    """Return work as it stands after the balance step."""
    rng = np.random.default_rng(11)
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(np.float64)
    radius = np.hypot((x - 0.45 * columns) / (0.3 * columns), (y - 0.5 * rows) / (0.25 * rows))
    disc = 0.03 * np.exp(-3.0 * radius)
    mask = np.zeros(shape, dtype=np.float32)
    stars = np.zeros((3, *shape))
    for _ in range(25):
        at_x, at_y = rng.uniform(0, columns), rng.uniform(0, rows)
        spot = np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / 3.0)
        stars += rng.lognormal(-3.0, 1.5) * np.array([1.0, 0.8, rng.uniform(0.4, 1.2)])[:, None, None] * spot
        mask = np.maximum(mask, spot.astype(np.float32))
    emission = np.where(radius < 1.0, 0.02 * np.sin(x / 5.0) ** 8 * np.sin(y / 7.0) ** 8, 0.0)
    noise = rng.normal(0.0, SIGMA, (4, rows, columns))
    colour = np.array([1.0, 0.9, 0.8])[:, None, None] * disc + stars + noise[:3]
    colour[0] += 0.2 * emission
    pixels = np.minimum(colour, 1.0).astype(np.float32)
    scaled = (disc + stars[0] + emission + noise[3]).astype(np.float32)
    faded = np.where(emission > 1e-4, emission + 0.3 * noise[3], 0.0).astype(np.float32)
    pixels[:, :4, :6] = np.nan
    faded[-3:, -5:] = np.nan
    noises = {plane: MappingProxyType({1: SIGMA}) for plane in ("red", "green", "blue")}
    rgb = Master(
        pixels=pixels, flags=flags_of(pixels), planes=("red", "green", "blue"), facts=Facts(noise=noises)
    )
    ha = Master(pixels=scaled[None], flags=flags_of(scaled[None]), planes=("ha",))
    line = Line(scaled=scaled, emission=faded, sigma=1.2 * SIGMA, scaled_sigma=SIGMA, broad="red")
    return Work(
        recipe=load_recipe(text, where="r.toml", settings=settings or {}),
        target=target_from_options(["rgb=a.fits", "ha=b.fits"]),
        masters={"rgb": rgb, "ha": ha},
        lines={"ha": line},
        star_mask=mask,
    )


@pytest.fixture(name="balanced_work")
def _balanced_work() -> Callable[..., Work]:
    """Return the function that makes a small balanced state of work."""
    return balanced_work
