"""The glow of saturated stars is predicted where it is one, and bounded where a nebula lies around the star."""

import numpy as np
import pytest

from blend.science.line.local_medians import surroundings
from blend.science.line.scattered import star_glow
from blend.science.plane import spread_rows

SHAPE = (400, 600)
ROWS, COLUMNS = np.indices(SHAPE).astype(np.float32)


def glow_of(plane: np.ndarray, saturated: np.ndarray) -> np.ndarray:
    disc = surroundings(plane.astype(np.float32), fwhm_px=3.0, without=saturated)
    cells = star_glow(disc, saturated, level=1.0, least=1e-6)
    return spread_rows(cells, 8, slice(0, SHAPE[0]), SHAPE[1])


@pytest.mark.parametrize("at", [(300.0, 200.0), (40.0, 0.0)])
def test_a_glow_that_falls_with_the_square_is_found(at):
    away = np.hypot(COLUMNS - at[0], ROWS - at[1])
    plane = np.minimum(40.0 / np.maximum(away, 1.0) ** 2, 1.0)
    plane += np.random.default_rng(1).normal(0.0, 1e-4, SHAPE) + 0.01
    found = glow_of(plane, away < 10.0)
    for radius in (40.0, 80.0, 150.0):
        ring = np.abs(away - radius) < 4.0
        assert np.median(found[ring]) == pytest.approx(40.0 / radius**2, rel=0.35, abs=40.0 / 400.0**2)


def test_a_star_that_bled_from_the_edge_may_be_dark_beside_its_trail():
    away = np.hypot(COLUMNS - 460.0, ROWS + 2.0)
    plane = np.minimum(40.0 / np.maximum(away, 1.0) ** 2, 1.0)
    plane += np.random.default_rng(4).normal(0.0, 1e-4, SHAPE) + 0.01
    trail = (np.abs(COLUMNS - 460.0) < 4.0) & (ROWS < 45.0)
    dark = np.hypot(COLUMNS - 460.0, ROWS - 20.0) < 27.0
    found = glow_of(np.where(dark, 0.012, plane), trail | (away < 6.0))
    ring = (np.abs(away - 80.0) < 4.0) & (ROWS > 20.0)
    assert np.median(found[ring]) > 0.5 * 40.0 / 80.0**2


def test_a_nebula_around_a_small_star_is_no_glow():
    away = np.hypot(COLUMNS - 300.0, ROWS - 200.0)
    plane = 0.3 * np.exp(-((away / 80.0) ** 2))
    found = glow_of(plane, away < 2.5)
    ring = np.abs(away - 60.0) < 4.0
    assert found[ring].max() < 0.05 * plane[ring].min()


def test_no_saturated_star_no_glow():
    plane = np.random.default_rng(2).normal(size=SHAPE)
    assert not glow_of(plane, np.zeros(SHAPE, dtype=bool)).any()
    hot = np.zeros(SHAPE, dtype=bool)
    hot[17, 33] = True
    assert not glow_of(plane, hot).any()


def test_a_disc_around_a_clipped_nucleus_scatters_no_more_than_stars_do():
    rng = np.random.default_rng(3)
    plane, saturated = rng.normal(0.01, 1e-4, SHAPE), np.zeros(SHAPE, dtype=bool)
    # images that fall with the fourth power of the distance first, and a fiftieth of King's bound beyond
    for x, y, radius in ((120.0, 90.0, 3.4), (480.0, 80.0, 3.1), (500.0, 330.0, 3.2), (300.0, 220.0, 3.0)):
        away = np.hypot(COLUMNS - x, ROWS - y) / radius
        plane += np.minimum(0.98 * np.maximum(away, 1.0) ** -4 + 0.02 * np.maximum(away, 1.0) ** -2, 1.0)
        saturated |= away < 1.0
    away = np.hypot(COLUMNS - 300.0, ROWS - 220.0)
    found = glow_of(plane + 0.1 * np.exp(-away / 30.0), saturated)
    for radius in (24.0, 32.0, 45.0):
        ring, true = np.abs(away - radius) < 3.0, 0.02 * (3.0 / radius) ** 2
        assert true < np.median(found[ring]) < 4.0 * true
