"""Robust statistics against laws, closed forms and astropy."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.stats import mad_std

from blend.base.robust import (
    bin_mean,
    clipped_mean,
    converged_clip_factor,
    difference_noise,
    interpolated_noise,
    median,
    median_and_sigma,
    noise_at_scales,
)


def test_sigma_is_that_of_astropy() -> None:
    values = np.random.default_rng(1).normal(3.0, 2.0, 1001)
    assert median_and_sigma(values)[1] == pytest.approx(mad_std(values), rel=1e-12)


@pytest.mark.parametrize(
    ("kappa", "factor"), [(2.0, 0.72574), (2.5, 0.93656), (3.0, 0.98485), (4.0, 0.99946)]
)
def test_clip_factor(kappa: float, factor: float) -> None:
    # Derived here: the fixed point of s = f(kappa s) for a Gaussian.
    assert converged_clip_factor(kappa) == pytest.approx(factor, abs=1e-5)


def test_clipped_sigma_is_unbiased() -> None:
    values = np.random.default_rng(2).normal(10.0, 1.5, 200_000)
    mean, sigma, kept = clipped_mean(values, kappa=2.5)
    # Standard errors: 1.5 / sqrt(2e5) = 0.0034 and 1.5 / sqrt(4e5) = 0.0024; four of them.
    assert mean == pytest.approx(10.0, abs=0.014)
    assert sigma == pytest.approx(1.5, abs=0.01)
    assert kept < values.size


def test_clipped_mean_leaves_out_what_does_not_belong() -> None:
    values = np.random.default_rng(3).normal(0.0, 1.0, 2000)
    values[:100] = 50.0
    mean, _, kept = clipped_mean(values)
    assert abs(mean) < 0.1
    assert kept <= 1900


def test_nothing_finite_gives_nan() -> None:
    assert np.isnan(median_and_sigma(np.full(5, np.nan))).all()
    assert clipped_mean(np.array([np.inf]))[2] == 0
    assert np.isnan(difference_noise(np.zeros((2, 9))))


def test_noise_of_white_noise_on_a_steep_sky() -> None:
    y, x = np.mgrid[:300, :400]
    sky = np.random.default_rng(4).normal(0.0, 2.0, (300, 400)) + 0.3 * x - 0.1 * y
    # The median of 1.2e5 values is good to 0.4 %.
    assert difference_noise(sky) == pytest.approx(2.0, rel=0.02)
    scales = noise_at_scales(sky)
    assert scales[4] == pytest.approx(0.5, rel=0.05)
    assert scales[16] == pytest.approx(0.125, rel=0.2)
    assert np.isnan(scales[64])


def test_binning_leaves_out_missing_pixels() -> None:
    plane = np.ones((4, 6))
    plane[0, 0] = np.nan
    plane[2:, 4:] = np.nan
    assert np.array_equal(bin_mean(plane, 2), [[1, 1, 1], [1, 1, np.nan]], equal_nan=True)
    assert bin_mean(plane, 9).shape == (0, 0)


@pytest.mark.parametrize("seed", range(4))
def test_planes_that_are_not_demosaiced_are_told_from_those_that_are(seed):
    """White noise, rows that share noise, and stars on a slope are no mosaic; weights of a quincunx are one."""
    rng = np.random.default_rng(seed)
    white = rng.normal(0.0, 2.0, (300, 400))
    moved = white[:, 1:] * 0.5 + white[:, :-1] * 0.5
    y, x = np.mgrid[:300, :400]
    starry = white + 0.1 * x + 500.0 * np.exp(-0.5 * ((x % 40 - 20) ** 2 + (y % 40 - 20) ** 2) / 1.5**2)
    for plane in (white, moved, starry, np.zeros((300, 400))):
        assert np.isnan(interpolated_noise(plane))
    green = np.where((x + y) % 2 == 0, white, 0.0)
    cross = sum(np.roll(green, step, axis) for step in (1, -1) for axis in (0, 1))
    green = np.where((x + y) % 2 == 0, white, 0.25 * cross)[2:-2, 2:-2]
    # half its pixels have the noise, half a half of it: sqrt(5 / 8)
    assert interpolated_noise(green) == pytest.approx(2.0 * np.sqrt(0.625), rel=0.03)
    assert difference_noise(green) < 0.8


@pytest.mark.parametrize("kind", [np.float32, np.float64, np.int32])
@pytest.mark.parametrize("size", [1, 2, 3, 10, 11, 1000, 40_001, 100_000])
def test_the_median_is_numpys_to_the_bit(kind: type, size: int) -> None:
    values = (1000.0 * np.random.default_rng(size).normal(size=size)).astype(kind)
    assert median(values) == float(np.median(values))
    assert median(np.repeat(values[:1], size)) == float(values[0])


def test_the_median_of_what_is_no_number_is_none() -> None:
    assert np.isnan(median(np.array([1.0, np.nan, 3.0]))) and np.isnan(median(np.array([])))
    assert median(np.array([-np.inf, 1.0, np.inf])) == 1.0
    assert median(np.array([np.inf, np.inf])) == np.inf


def test_noise_told_two_pixels_apart_counts_what_neighbours_share():
    """Means of two neighbours down and across scatter by 1 / 2; differences of neighbours show less of it."""
    noise = np.random.default_rng(5).normal(size=(801, 801))
    shared = (noise[1:, 1:] + noise[:-1, 1:] + noise[1:, :-1] + noise[:-1, :-1]) / 4.0
    assert difference_noise(shared, lag=2) == pytest.approx(0.5, rel=0.02)
    assert difference_noise(shared) < 0.3
    assert np.isnan(difference_noise(shared[:4], lag=2))
