"""Stars on red photosites, placed as the registration of masters places them, against the truth, in every phase."""

from __future__ import annotations

import numpy as np
import pytest

from blend.base.master import Facts, Flag, Master
from blend.files.raw import PATTERNS
from blend.recipe.model import load_recipe
from blend.recipe.state import Source, Work
from blend.recipe.steps.register import register
from blend.recipe.target import target_from_options
from blend.science.grid.transforms import apply_matrix
from blend.science.sensor.mosaic import half_matrix, photosites
from blend.science.simulated.drawing import View, add_sources
from blend.science.simulated.scene import Sources
from blend.science.stars.stars import find_stars


@pytest.mark.parametrize("pattern", PATTERNS)
def test_registration_places_bright_stars_within_two_hundredths(pattern: str) -> None:
    shape = (260, 320)
    rng = np.random.default_rng(40 + PATTERNS.index(pattern))
    grid = np.stack(np.meshgrid(np.arange(30, 300, 40), np.arange(30, 240, 40)), axis=-1).reshape(-1, 2)
    xy = grid + rng.uniform(-8.0, 8.0, grid.shape)
    light = np.zeros((1, *shape), dtype=np.float32)
    none = np.zeros(len(xy))
    flux = np.full((1, len(xy)), 5.0)
    add_sources(light, View(shape, np.eye(3), 3.4), Sources(xy, flux[0], none, none), flux, fwhm_px=3.4)
    mosaic = light[0] + 0.02 + rng.normal(0.0, 1e-4, shape).astype(np.float32)
    plane = photosites(mosaic, pattern)
    flags = np.full(plane.shape, Flag(0), dtype=np.uint8)
    line = Master(pixels=plane[np.newaxis], flags=flags, planes=("ha",), domain="linear", facts=Facts())

    def errors(centres: np.ndarray) -> np.ndarray:
        apart = apply_matrix(half_matrix(pattern), centres)[:, None] - xy[None]
        return np.hypot(*apart.transpose(2, 0, 1)).min(axis=1)

    # three planes alike: their mean is the plane
    colour = line.with_(pixels=np.repeat(line.pixels, 3, axis=0), planes=("red", "green", "blue"))
    work = Work(
        recipe=load_recipe("version = 1", where="r.toml"),
        target=target_from_options(["rgb=a.fits"]),
        sources={"rgb": Source(lights=(colour,))},
    )
    stars = register(work).stars
    assert stars is not None
    used = errors(stars.xy)
    assert len(used) > 25
    assert used.max() < 0.02  # what is asked of bright stars
    # centroids of the same stars are drawn to the samples, and would not do
    assert errors(find_stars(plane).xy).max() > 0.02
