"""One bright corner among planted glows, and none where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sky.corner_glow import find_corner_glow
from blend.science.sky.gradient import fit_sky
from blend.science.sky.guide import guide_by_line
from blend.science.sky.objects import object_mask

SHAPE = (300, 420)
SIGMA = 0.002
SKY = 0.1
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
U, V = 2 * X / (SHAPE[1] - 1) - 1, 2 * Y / (SHAPE[0] - 1) - 1


def clean(kind, seed):
    """Return a sky with a slope of its own, noise and objects, and no glow."""
    rng = np.random.default_rng(seed)
    turn, tilt = rng.uniform(0, 2 * np.pi), rng.uniform(0.01, 0.1)
    sky = SKY * (1 + tilt * (np.cos(turn) * U + np.sin(turn) * V))
    if "bent" in kind:
        bend = rng.uniform(-0.01, 0.01, 3)
        sky = sky + SKY * (bend[0] * (2 * U * U - 1) + bend[1] * U * V + bend[2] * (2 * V * V - 1))
    if "vignetted" in kind:
        sky = sky * (1 - 0.02 * ((U * SHAPE[1]) ** 2 + (V * SHAPE[0]) ** 2) / (SHAPE[0] ** 2 + SHAPE[1] ** 2))
    x, y = rng.uniform(0.15, 0.85, 2) * (SHAPE[1], SHAPE[0])
    if "disc" in kind:
        sky = sky + 60 * SIGMA * np.exp(
            -np.hypot(X - x, (Y - y) / 0.6) / (SHAPE[0] * rng.uniform(0.03, 0.08))
        )
    if "stars" in kind:
        for flux, x, y in zip(
            20 * SIGMA * rng.pareto(1.2, 300).clip(0, 3e3),
            *(rng.uniform(0, 1, (2, 300)).T * SHAPE[::-1]).T,
            strict=True,
        ):
            part = np.s_[max(0, int(y) - 9) : int(y) + 10, max(0, int(x) - 9) : int(x) + 10]
            sky[part] += flux / 14.1 * np.exp(-((X[part] - x) ** 2 + (Y[part] - y) ** 2) / 4.5)
    return sky + SIGMA * rng.standard_normal(SHAPE)


def glow(peak, corner, reach=0.2):
    away = np.hypot(X - corner[0] * (SHAPE[1] - 1), Y - corner[1] * (SHAPE[0] - 1))
    return peak * SIGMA * np.exp(-((away / (reach * SHAPE[0])) ** 2))


def looked_at(plane):
    plane = plane.astype(np.float32)
    return find_corner_glow(fit_sky(plane, masked=object_mask(plane[None])))


@pytest.mark.parametrize("kind", ["empty", "bent", "vignetted", "disc", "stars", "stars disc"])
def test_no_false_alarm(kind):
    # Six kinds of five scenes.
    assert [looked_at(clean(kind, seed)) for seed in range(5)] == [None] * 5


@pytest.mark.parametrize("kind", ["empty", "bent", "disc", "stars disc"])
@pytest.mark.parametrize(("peak", "reach"), [(3.0, 0.15), (5.0, 0.2), (20.0, 0.2)])
def test_planted_glow_is_found_in_its_corner(kind, peak, reach):
    for seed, corner in enumerate(((0, 0), (1, 0), (0, 1), (1, 1))):
        found = looked_at(clean(kind, 50 + seed) + glow(peak, corner, reach))
        assert found is not None
        assert (found.high_x, found.high_y) == corner
        # What a reach next to the planted one makes of the corner, where stars shine in it too.
        assert found.amount == pytest.approx(peak * SIGMA, rel=0.3)
        assert found.sigma > 6
        assert found.percent == pytest.approx(100 * found.amount / SKY, rel=0.15)


def test_light_in_two_corners_or_not_of_a_glow_s_shape_is_no_corner_glow():
    assert looked_at(clean("empty", 7) + glow(5.0, (1, 0)) + glow(4.0, (0, 1))) is None
    galaxy = 40 * SIGMA * np.exp(-np.hypot(X - 0.9 * SHAPE[1], (Y - 0.12 * SHAPE[0]) / 0.6) / 9.0)
    assert looked_at(clean("empty", 8) + galaxy) is None


def test_nebula_that_a_line_shows_is_no_glow_and_a_glow_behind_it_is():
    rng = np.random.default_rng(9)
    waves = sum(np.cos(rng.uniform(3, 9) * U + rng.uniform(3, 9) * V + rng.uniform(0, 6)) for _ in range(6))
    emission = 6 * SIGMA * np.maximum(waves, 0.0)
    line = (0.02 + emission + 0.3 * SIGMA * rng.standard_normal(SHAPE)).astype(np.float32)
    closed = np.zeros(SHAPE, dtype=bool)
    guide = guide_by_line(line, masked=closed)
    for peak in (0.0, 5.0):
        plane = clean("empty", 10) + 0.4 * emission + glow(peak, (1, 1))
        found = find_corner_glow(fit_sky(plane.astype(np.float32), guide=guide, masked=closed))
        assert (found is not None) == (peak > 0)


def test_small_frame_is_not_judged():
    plane = (SKY + glow(9.0, (1, 0)))[:40, -40:].astype(np.float32)
    assert find_corner_glow(fit_sky(plane, masked=np.zeros(plane.shape, dtype=bool))) is None
