"""Trails are found with their ends; galaxies, spikes, columns, steps and borders are none."""

import numpy as np
import pytest

from blend.science.trails import find_trail, measure_trail

SHAPE = (240, 360)
Y, X = np.indices(SHAPE).astype(float)


def field(seed=0, stars=150):
    rng = np.random.default_rng(seed)
    cells = rng.normal(size=SHAPE)
    for x, y, height in zip(
        rng.uniform(0, 360, stars), rng.uniform(0, 240, stars), 3 / rng.uniform(0.02, 1, stars), strict=True
    ):
        cells += height * np.exp(-((X - x) ** 2 + (Y - y) ** 2) / 2)
    return cells


def across(x, y, degrees):
    t = np.radians(degrees)
    return (Y - y) * np.cos(t) - (X - x) * np.sin(t), (X - x) * np.cos(t) + (Y - y) * np.sin(t)


def streak(height, sigma, x, y, degrees):
    return height * np.exp(-0.5 * (across(x, y, degrees)[0] / sigma) ** 2)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("height", "sigma"), [(1.8, 0.8), (5.0, 1.0), (50.0, 1.0), (50.0, 2.0)])
def test_a_trail_is_found_where_it_is(height, sigma, seed):
    rng = np.random.default_rng(100 + seed)
    x, y, degrees = rng.uniform(120, 240), rng.uniform(90, 150), rng.choice([25.0, 62.0, 118.0, 160.0])
    trail = find_trail(field(seed) + streak(height, sigma, x, y, degrees))
    assert trail is not None
    for end in (trail.start, trail.end):
        t = np.radians(degrees)
        # half a cell at its middle, a quarter of a degree at its ends
        assert abs((end[1] - y) * np.cos(t) - (end[0] - x) * np.sin(t)) < 2.0
    assert trail.height == pytest.approx(height, rel=0.25)


def galaxy(scale, ratio, degrees):
    minor, major = across(170, 130, degrees)
    return 100 * np.exp(-np.hypot(major / scale, minor / (scale * ratio)))


def spikes(height, degrees, power):
    light = 0.0 * X
    for turn in (0, 90):
        minor, major = across(150, 100, degrees + turn)
        light += height / (1 + np.abs(major)) ** power * np.exp(-0.5 * (minor / 0.7) ** 2)
    return light


OTHERS = {
    "sky": 0.0 * X,
    "edge-on galaxy": galaxy(60, 0.05, 33),
    "long edge-on galaxy": galaxy(120, 0.03, 71),
    "spiral": galaxy(25, 0.66, 30),
    "spikes": spikes(300, 27, 1.0),
    "strong spikes": spikes(3000, 45, 1.0),
    "diffraction spikes": spikes(1e5, 61, 2.0),
    "bleeding column": streak(300, 0.4, 170, 120, 90),
    "row": streak(30, 0.7, 170, 120, 0.3),
    "step": np.where(across(200, 100, 29)[0] > 0, 3.0, 0.0),
    "ragged edge": np.where(across(40, 10, 69)[0] > 0, np.nan, 0.0),
    "half a trail": streak(20, 1, 170, 120, 40) * (across(170, 120, 40)[1] > 0),
}


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("name", OTHERS)
def test_other_lines_are_no_trail(name, seed):
    assert find_trail(field(seed) + OTHERS[name]) is None


def test_rows_and_columns_of_a_turned_frame_count():
    cells = field() + streak(30, 0.7, 170, 120, 33.7)
    assert find_trail(cells) is not None
    assert find_trail(cells, axes_deg=(33.7, 123.7)) is None


def test_small_and_flat_pictures_have_none():
    assert find_trail(np.zeros(SHAPE)) is None
    assert find_trail(np.full(SHAPE, np.nan)) is None
    assert find_trail(field()[:40]) is None


def test_a_trail_is_measured_in_pixels():
    rng = np.random.default_rng(3)
    y, x = np.indices((800, 1200)).astype(float)
    t = np.radians(30.0)
    drawn = 4.0 * np.exp(-4 * np.log(2) * ((y - 400) * np.cos(t) - (x - 600) * np.sin(t)) ** 2 / 9.0**2)
    plane = rng.normal(size=x.shape) + drawn
    cells = plane.reshape(200, 4, 300, 4).mean(axis=(1, 3))
    found = find_trail(cells)
    assert found is not None
    trail = measure_trail(plane, found, size=4, noise=1.0)
    assert trail.width == pytest.approx(9.0, abs=2.0)
    assert trail.height == pytest.approx(4.0, rel=0.15)
