"""Hot columns are found and filled; stars, galaxies, spikes and bleeding cores are none."""

import numpy as np
import pytest

from blend.science.hotcolumns import fill_columns, find_hot_columns

SHAPE = (400, 600)
HOT = [50, 51, 180, 300, 444, 520]
Y, X = np.indices(SHAPE).astype(float)


def sky(seed=0):
    return np.random.default_rng(seed).normal(size=SHAPE).astype(np.float32)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("by", [1.0, 3.0, 300.0])
def test_six_columns_are_found_with_their_excess(by, seed):
    plane = sky(seed) + np.float32(0.02) * X.astype(np.float32)
    plane[:, HOT] += np.float32(by)
    found = find_hot_columns(plane)
    assert found.columns.tolist() == HOT
    # medians of 64 rows, four of them: 1.25 / 16 and that of the neighbours
    np.testing.assert_allclose(found.excess, by, atol=0.35)


def test_three_quarters_of_a_column_are_enough_and_a_third_is_not():
    plane = sky()
    plane[100:, HOT] += 2
    plane[:130, 240] += 2
    assert find_hot_columns(plane).columns.tolist() == HOT


def test_six_side_by_side():
    plane = sky()
    plane[:, 100:106] += 2
    assert find_hot_columns(plane).columns.tolist() == list(range(100, 106))


LIGHTS = {
    "sky": 0.0 * X,
    "edge-on galaxy": 100 * np.exp(-np.hypot((X - 300) / 3, (Y - 200) / 60)),
    "thin galaxy": 300 * np.exp(-np.hypot(X - 300, (Y - 200) / 100)),
    "spike": 3000 / (1 + abs(Y - 200)) * np.exp(-0.5 * ((X - 300) / 0.8) ** 2),
    "bleeding core": np.where((abs(X - 300) < 1.5) & (Y > 150) & (Y < 260), 1000, 0),
    "cluster": 40 * np.exp(-np.hypot(X - 300, Y - 200) / 40),
    "step": np.where(X > 250, 3.0, 0.0),
}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", LIGHTS)
def test_light_is_no_hot_column(name, seed):
    assert len(find_hot_columns((sky(seed) + LIGHTS[name]).astype(np.float32))) == 0


def test_borders_without_data_are_none():
    plane = sky() + 100
    plane[:9], plane[-14:], plane[:, :6], plane[:, -21:] = (np.nan,) * 4
    assert len(find_hot_columns(plane)) == 0
    plane[:, HOT[:4]] += 3
    assert find_hot_columns(plane).columns.tolist() == HOT[:4]


def test_small_or_empty_planes_have_none():
    for plane in (np.zeros((4, 600)), np.zeros((400, 60)), np.full(SHAPE, np.nan), np.zeros(SHAPE)):
        assert len(find_hot_columns(plane.astype(np.float32))) == 0


def test_filled_columns_lie_between_their_neighbours():
    plane = np.broadcast_to(X, SHAPE).astype(np.float32)
    hot = plane.copy()
    hot[:, HOT] += 5
    noisy = sky()
    noisy[:, HOT] += 5
    fill_columns(hot, find_hot_columns(noisy))
    np.testing.assert_allclose(hot, plane, atol=1e-3)
