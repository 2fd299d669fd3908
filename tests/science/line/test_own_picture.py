"""Noise that two planes share, by planted noise."""

import numpy as np

from blend.science.line.own_picture import SAME_NOISE, same_noise

SHAPE = (256, 384)


def noise(seed=0):
    return np.random.default_rng(seed).normal(size=SHAPE).astype(np.float32)


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
