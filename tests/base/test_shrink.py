"""Block means against the slow obvious version."""

from __future__ import annotations

import numpy as np

from blend.base.rowblocks import limit_threads
from blend.base.shrink import shrink


def test_means_are_those_of_numpy_and_holes_stay_out() -> None:
    pixels = np.random.default_rng(1).normal(size=(2, 203, 101)).astype(np.float32)
    pixels[0, 5, 7] = np.nan
    pixels[1, 0:3, 0:3] = np.nan
    cells = pixels[:, :201, :99].reshape(2, 67, 3, 33, 3).transpose(0, 1, 3, 2, 4).reshape(2, 67, 33, 9)
    expected = np.full((2, 67, 33), np.nan)
    some = np.isfinite(cells).any(axis=3)
    expected[some] = np.nanmean(cells[some].astype(np.float64), axis=1)
    found = shrink(pixels, 3)
    np.testing.assert_allclose(found, expected, rtol=1e-6)
    assert np.isnan(found[1, 0, 0])
    with limit_threads(1):
        assert np.array_equal(shrink(pixels, 3), found, equal_nan=True)


def test_factor_one_is_the_picture_itself() -> None:
    pixels = np.zeros((1, 3, 3), dtype=np.float32)
    assert shrink(pixels, 1) is pixels
