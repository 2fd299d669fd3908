"""Wide smooth light at the border is sky; objects there are not."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sky.gradient import fit_sky
from blend.science.sky.neutral import largest_deviation
from blend.science.sky.objects import object_mask
from blend.science.sky.spline import fit_spline

SIGMA = 0.002
SHAPE = (600, 900)
V, U = np.meshgrid(np.linspace(-1, 1, SHAPE[0]), np.linspace(-1, 1, SHAPE[1]), indexing="ij")
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
CORNER = (slice(0, 60), slice(-60, None))
LOBE = 28 * SIGMA * np.exp(-((U - 1.05) ** 2 + (V + 1.05) ** 2) / 0.25)


def noisy(light: np.ndarray, seed: int = 0) -> np.ndarray:
    return (light + SIGMA * np.random.default_rng(seed).standard_normal(light.shape)).astype(np.float32)


def masked_corner(*planes: np.ndarray) -> float:
    return float(object_mask(list(planes))[CORNER].mean())


def test_a_street_light_in_a_corner_is_sky_and_its_residual_is_told() -> None:
    plane = noisy(0.1 + LOBE)
    mask = object_mask(plane[None])
    assert mask[CORNER].mean() < 0.05
    fit = fit_sky(plane, masked=mask)
    told = largest_deviation(fit)
    off = np.abs(fit.model() - 0.1 - LOBE).max()
    assert told is not None
    # An area is wider than the peak of what is left.
    assert 0.4 * off < told <= 1.05 * off
    bent = fit_spline(plane, masked=mask)
    assert np.ptp(bent.model() - 0.1 - LOBE) < 2 * SIGMA
    left = largest_deviation(bent)
    assert left is not None and left < SIGMA


@pytest.mark.parametrize("length", [20.0, 60.0, 120.0])
def test_a_galaxy_cut_by_the_border_stays_an_object(length: float) -> None:
    galaxy = 60 * SIGMA * np.exp(-np.hypot(X - SHAPE[1], Y) / length)
    assert masked_corner(noisy(0.1 + galaxy)) == 1.0


def test_light_of_another_colour_than_the_sky_stays_an_object() -> None:
    red, green, line = noisy(0.1 + LOBE, 1), noisy(np.full(SHAPE, 0.1), 2), noisy(0.05 + 2 * LOBE, 3)
    assert masked_corner(red, green, line) > 0.9
    # A lamp is a little redder than the sky.
    assert masked_corner(red, noisy(0.1 + 0.6 * LOBE, 4)) < 0.05


def test_stars_in_it_stay_masked() -> None:
    star = 100 * SIGMA * np.exp(-((X - 870) ** 2 + (Y - 30) ** 2) / 8.0)
    mask = object_mask(noisy(0.1 + LOBE + star)[None])
    assert mask[28:33, 868:873].all()
    assert mask[CORNER].mean() < 0.3


def test_a_plain_sky_deviates_nowhere() -> None:
    plane = noisy(0.1 + 0.01 * U)
    told = largest_deviation(fit_sky(plane, masked=object_mask(plane[None])))
    # 9 blocks of about 440 pixels each: 0.02 sigma, and of a hundred areas the largest.
    assert told is not None and told < 0.08 * SIGMA


def test_a_strong_vignette_is_sky() -> None:
    light = -0.05 * (0.5 * (U**2 + V**2)) ** 2
    assert object_mask(noisy(0.1 + light)[None]).mean() < 0.1
