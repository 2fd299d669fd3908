"""Skies of planes that show one target, told together: what they are wrong by has the target's own colour."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blend.science.sky.fit import SkyFit, sky_uncertainty
from blend.science.sky.gradient import fit_sky
from blend.science.sky.objects import object_mask
from blend.science.sky.one_target import skies_of_one_target

SHAPE, SIGMA = (500, 700), 0.001
COLOURS = (1.0, 0.7, 0.4)
SLOPES = ((0.03, -0.02), (0.05, -0.03), (0.07, -0.05))


def skies() -> list[np.ndarray]:
    y, x = np.indices(SHAPE, dtype=float)
    return [0.1 + a * (x / SHAPE[1] - 0.5) + b * (y / SHAPE[0] - 0.5) for a, b in SLOPES]


@pytest.fixture(scope="module")
def fits() -> list[SkyFit]:
    """A disc that reaches every border, of one shape in three planes."""
    y, x = np.indices(SHAPE, dtype=float)
    disc = 0.2 * np.exp(-np.hypot(x - 340, (y - 260) / 0.8) / 90)
    rng = np.random.default_rng(3)
    planes = np.array(
        [sky + k * disc + SIGMA * rng.standard_normal(SHAPE) for sky, k in zip(skies(), COLOURS, strict=True)]
    ).astype(np.float32)
    masked = object_mask(planes)
    return [fit_sky(plane, masked=masked) for plane in planes]


def mistaken(fit: SkyFit, level: float, slope: float) -> SkyFit:
    """Return a sky that is off, and says so."""
    coefficients, covariance = fit.coefficients.copy(), fit.covariance.copy()
    coefficients[:2] += (level, slope)
    covariance[0, 0] += level**2
    covariance[1, 1] += slope**2
    return replace(fit, coefficients=coefficients, covariance=covariance)


def errors(found: list[SkyFit]) -> list[np.ndarray]:
    return [fit.model() - sky for fit, sky in zip(found, skies(), strict=True)]


def test_an_error_of_one_plane_becomes_one_of_all_in_the_targets_colour(fits: list[SkyFit]) -> None:
    wrong = [mistaken(fits[0], 0.006, 0.004), fits[1], mistaken(fits[2], -0.001, 0.0)]
    alone, together = errors(wrong), errors(skies_of_one_target(wrong))
    by_colour = np.array([off / k for off, k in zip(together, COLOURS, strict=True)])
    apart = float(np.ptp(by_colour, axis=0).max())
    assert apart < 0.15 * np.ptp([off / k for off, k in zip(alone, COLOURS, strict=True)], axis=0).max()


def test_waves_are_stated_and_weigh_nothing(fits: list[SkyFit]) -> None:
    waves = np.diag(np.r_[0.01**2, np.zeros(len(fits[1].covariance) - 1)])
    doubted = [fits[0].even, replace(fits[1], waves=waves), fits[2].even]
    for one, other in zip(skies_of_one_target(doubted), skies_of_one_target(fits), strict=True):
        np.testing.assert_array_equal(one.coefficients, other.coefficients)
    assert sky_uncertainty(skies_of_one_target(doubted)[1]) > 0.01


def test_skies_that_are_right_stay_right_and_their_errors_hold(fits: list[SkyFit]) -> None:
    together = skies_of_one_target(fits)
    for fit, sky in zip(together, skies(), strict=True):
        points = np.stack(np.meshgrid(np.arange(0, 700, 50.0), np.arange(0, 500, 50.0)), axis=-1).reshape(
            -1, 2
        )
        values, stated = fit.at(points)
        off = values - sky[points[:, 1].astype(int), points[:, 0].astype(int)]
        assert np.median(np.abs(off) / stated) < 2.0
        assert np.abs(off).max() < 1.5 * SIGMA


def test_the_skies_of_planes_do_not_depend_on_their_order(fits: list[SkyFit]) -> None:
    forth, back = skies_of_one_target(fits), skies_of_one_target(fits[::-1])[::-1]
    for one, other in zip(forth, back, strict=True):
        np.testing.assert_allclose(one.model(), other.model(), rtol=0, atol=1e-3 * SIGMA)
