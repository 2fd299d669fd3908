"""Gaussian smoothing: as wide as it says, local about missing pixels, and the same on any number of threads."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from blend.base.rowblocks import limit_threads
from blend.science.plane.smooth import (
    bin_plane,
    binned_taps,
    blur_block,
    blur_plane,
    gaussian_taps,
    spread_rows,
)


@pytest.mark.parametrize("sigma", [0.5, 1.0, 2.7, 11.0])
def test_taps_have_the_sum_and_the_variance_asked_for(sigma: float) -> None:
    taps = gaussian_taps(sigma).astype(np.float64)
    places = np.arange(taps.size) - taps.size // 2
    assert taps.sum() == pytest.approx(1.0, abs=1e-6)
    assert np.sqrt((taps * places**2).sum()) == pytest.approx(sigma, rel=1e-5)
    assert np.array_equal(taps, taps[::-1])


def test_against_scipy() -> None:
    plane = np.random.default_rng(1).normal(size=(150, 170)).astype(np.float32)
    ours, theirs = blur_plane(plane, 3.0), gaussian_filter(plane.astype(np.float64), 3.0)
    # away from the sides; scipy samples the Gaussian that is integrated here, 1/12 px^2 wider or narrower
    inner = np.s_[20:-20, 20:-20]
    assert np.abs(ours[inner] - theirs[inner]).max() < 0.02 * theirs[inner].std()


def test_a_level_stays_up_to_sides_and_holes() -> None:
    plane = np.full((90, 70), 3.0, dtype=np.float32)
    plane[40:44, 30:33] = np.nan
    blurred = blur_plane(plane, 2.0)
    assert np.array_equal(np.isnan(blurred), np.isnan(plane))
    assert np.allclose(blurred[np.isfinite(blurred)], 3.0, rtol=1e-6)


def test_threads_change_no_bit_and_inputs_stay() -> None:
    plane = np.random.default_rng(2).normal(size=(300, 90)).astype(np.float32)
    plane[5, 5] = np.nan
    plane.flags.writeable = False
    made = []
    for threads in (1, 2):
        with limit_threads(threads):
            made.append(blur_plane(plane, 4.0))
    assert np.array_equal(made[0], made[1], equal_nan=True)


def test_an_impulse_becomes_the_taps() -> None:
    block = np.zeros((41, 41), dtype=np.float32)
    block[20, 20] = 1.0
    taps = gaussian_taps(1.5)
    half = taps.size // 2
    found = blur_block(block, taps)[20 - half : 21 + half, 20 - half : 21 + half]
    assert np.allclose(found, np.outer(taps, taps), atol=1e-7)


def test_bins_are_means_and_holes_spread_only_if_asked() -> None:
    plane = np.arange(48, dtype=np.float32).reshape(6, 8)
    assert np.array_equal(bin_plane(plane, 2), plane.reshape(3, 2, 4, 2).mean(axis=(1, 3)))
    plane[0, 0] = np.nan
    assert np.isnan(bin_plane(plane, 2, holes=True)[0, 0]) and bin_plane(plane, 2)[0, 0] == (1 + 8 + 9) / 4


def test_binned_blurring_is_as_wide_as_the_whole() -> None:
    plane = np.zeros((256, 256), dtype=np.float32)
    plane[128, 128] = 1.0
    sigma, size = 9.0, 4
    binned = blur_block(bin_plane(plane, size), binned_taps(sigma, size))
    wide = spread_rows(binned, size, slice(0, 256), 256).astype(np.float64)
    y, x = np.mgrid[:256, :256]
    for place in (x, y):
        mean = (wide * place).sum() / wide.sum()
        # 1 %: the taps end at 3.5 sigma, and a pixel lies anywhere in its bin
        assert np.sqrt((wide * (place - mean) ** 2).sum() / wide.sum()) == pytest.approx(sigma, rel=0.01)
