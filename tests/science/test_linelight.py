"""Line light and shared noise, by planted light and planted noise."""

import numpy as np
import pytest

from blend.science.linelight import LEAST_SIGMA, SAME_NOISE, judge_line_light, same_noise
from blend.science.smooth import bin_plane

SHAPE = (256, 384)
DARK = np.zeros(SHAPE, dtype=np.float32)


def noise(seed=0):
    return np.random.default_rng(seed).normal(size=SHAPE).astype(np.float32)


def judged(light, kept, stars=DARK):
    return judge_line_light(np.where(kept, np.maximum(light, 0), 0), bin_plane(light, 4, holes=True), stars)


def test_nothing_kept_is_no_light():
    light = judged(noise(), np.zeros(SHAPE, dtype=bool))
    assert not light.found and light.sigma == 0.0 and light.share == 0.0


def test_the_significance_is_that_of_the_planted_sum():
    kept = np.zeros(SHAPE, dtype=bool)
    kept[100:140, 100:140] = True
    light = judged(noise() + np.where(kept, np.float32(3.0), 0), kept)
    # 100 blocks of mean 3, whose noise is 1 / 4
    assert light.found and light.sigma == pytest.approx(3.0 * 4.0 * 10.0, rel=0.05)
    assert light.share == pytest.approx(100 / (64 * 96))


def test_one_small_region_counts():
    """A peak of S/N 10 in a circle of 8 px, what the fading lets through with most of its flux."""
    y, x = np.indices(SHAPE)
    spot = np.exp(-((x - 200.0) ** 2 + (y - 90.0) ** 2) / (2 * 2.5**2)).astype(np.float32)
    light = judged(noise() + 3.0 * spot, spot > 0.1)
    assert light.found and light.sigma > LEAST_SIGMA


def test_light_on_stars_and_at_edges_is_none():
    kept = np.zeros(SHAPE, dtype=bool)
    kept[100:140, 100:140] = True
    bright = noise() + np.where(kept, np.float32(50.0), 0)
    assert not judged(bright, kept, stars=kept.astype(np.float32)).found
    edge = np.zeros(SHAPE, dtype=bool)
    edge[:16, 100:140] = True
    assert not judged(noise() + np.where(edge, np.float32(50.0), 0), edge).found
    holed = bright.copy()
    holed[80:99] = np.nan
    beside = np.zeros(SHAPE, dtype=bool)
    beside[102:116, 100:140] = True
    assert not judged(holed, beside).found


def test_copies_share_their_noise_and_exposures_do_not():
    y, x = np.indices(SHAPE)
    stars = 300.0 * np.exp(-(((x % 50) - 25) ** 2 + ((y % 50) - 25) ** 2) / 8.0)
    planes = [(noise(seed) + stars).astype(np.float32) for seed in range(3)]
    alike = same_noise((0.3 * planes[1] + 0.01 * x).astype(np.float32), planes)
    assert alike[1] > SAME_NOISE and max(alike[0], alike[2]) < 0.2
    assert max(same_noise((noise(9) + stars).astype(np.float32), planes)) < 0.2


def test_too_little_tells_no_correlation():
    flat = np.zeros((8, 8), dtype=np.float32)
    assert same_noise(flat, [flat]) == [0.0]
    empty = np.full((64, 64), np.nan, dtype=np.float32)
    assert same_noise(empty, [empty]) == [0.0]
