"""Colour noise is told from colour, on means of blocks."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.picture.chroma import (
    BANDS,
    WHITE_NOISE_IN_BANDS,
    _sharpened,
    _smooth,
    mirror,
    noise_shifts,
)


def _noise(seed=1, shape=(200, 240)):
    return np.random.default_rng(seed).standard_normal((1, *shape)).astype(np.float32)


def test_white_noise_in_the_bands_is_as_told():
    # The kernel's own sum of squares: an impulse through the bands, (delta - h)^2 and so on; no edges, no chance.
    size = 257
    impulse = np.zeros((1, size, size), dtype=np.float32)
    impulse[0, size // 2, size // 2] = 1.0
    found = []
    for band in range(BANDS):
        coarser = _smooth(impulse, 2**band)
        found.append(float(np.sqrt(((impulse - coarser).astype(np.float64) ** 2).sum())))
        impulse = coarser
    assert found == pytest.approx(WHITE_NOISE_IN_BANDS, abs=1e-4)


def test_bands_add_up_and_a_constant_has_none():
    flat = np.full((2, 40, 30), 0.3, dtype=np.float32)
    assert np.abs(_smooth(flat, 4) - flat).max() < 1e-7


def test_edges_are_mirrored():
    assert mirror(np.arange(-3, 7), 4).tolist() == [3, 2, 1, 0, 1, 2, 3, 2, 1, 0]
    assert mirror(np.arange(-2, 3), 1).tolist() == [0] * 5
    assert mirror(np.arange(-9, 3), 2).tolist() == [1, 0] * 5 + [0, 1][:0] + [1, 0][:0] + [1, 0]


def test_smoothing_is_the_slow_and_plain_sum():
    noise = _noise(shape=(23, 31))
    plain = np.zeros((23, 31))
    weights = np.array([1, 4, 6, 4, 1]) / 16
    for i, up in enumerate(weights):
        for j, across in enumerate(weights):
            rows = mirror(np.arange(23) + 2 * (i - 2), 23)
            columns = mirror(np.arange(31) + 2 * (j - 2), 31)
            plain += up * across * noise[0][np.ix_(rows, columns)]
    # float32 sums of 25 numbers up to 4.
    assert np.abs(_smooth(noise, 2)[0] - plain).max() < 1e-6


def test_sharpening_takes_off_what_lines_between_blocks_blur():
    # Four pixels of a block sit at -3/8, -1/8, 1/8, 3/8 of a block: their mean along a broken straight line.
    row = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    at = np.arange(5)[:, None] + np.array([-3, -1, 1, 3]) / 8
    expected = np.interp(at, np.arange(5), row).mean(axis=1)
    planes = np.broadcast_to(row.astype(np.float32), (1, 3, 5))
    # Sharpened planes are twice the planes less that mean.
    assert 2.0 * row - _sharpened(planes)[0, 1] == pytest.approx(expected, abs=1e-6)


def test_threads_change_no_bit():
    rng = np.random.default_rng(4)
    means = (0.1 + 0.02 * rng.standard_normal((4, 150, 90))).astype(np.float32)
    means.flags.writeable = False
    results = []
    for threads in (1, 3):
        with limit_threads(threads):
            results.append(noise_shifts(means, chroma_reduction=0.7, green_limit=0.5))
    assert np.array_equal(*results)


def test_blocks_without_data_lose_nothing_and_spoil_nothing():
    rng = np.random.default_rng(4)
    means = (0.1 + 0.02 * rng.standard_normal((4, 60, 70))).astype(np.float32)
    means[:, :, :9] = np.nan
    assert np.isfinite(noise_shifts(means, chroma_reduction=1.0, green_limit=1.0)).all()
