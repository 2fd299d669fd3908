"""Errors of a halo that neighbouring blocks share."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sky.arms import ARM_LENGTH, Errors, shared_errors
from blend.science.sky.blocks import SkyBlocks
from blend.science.sky.halo import Ellipse, Halo
from blend.science.sky.solver import sky_problem, with_ring

ELLIPSE = Ellipse(149.5, 99.5, 60.0, 40.0, 20.0)
TRUTH = np.array([0.1, 0.002, -0.001])
ERROR = 1e-4


def alike(ellipse: Ellipse, xy: np.ndarray) -> np.ndarray:
    """Return what every two points share, straight from the formula."""
    radius, angle = ellipse.polar(xy)
    depth = np.log(np.maximum(radius, 0.3)) / ARM_LENGTH
    apart = np.subtract.outer(depth, depth) ** 2 / 2
    return np.exp(-apart + (np.cos(np.subtract.outer(angle, angle)) - 1.0) / ARM_LENGTH**2)


def problem(seed: int, lumps: float):
    """Return a grid of blocks with a sky of degree 1, a halo, and lumps the halo's error says it may have."""
    y, x = np.mgrid[5:200:10, 5:300:10].astype(float)
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    rng = np.random.default_rng(seed)
    shine = Halo(ELLIPSE, 0.002, 4.0, 1.0).shine(xy)
    waves = np.linalg.cholesky(alike(ELLIPSE, xy) + 1e-9 * np.eye(len(xy))) @ rng.standard_normal(len(xy))
    u, v = 2 * xy[:, 0] / 299 - 1, 2 * xy[:, 1] / 199 - 1
    light = TRUTH[0] + TRUTH[1] * u + TRUTH[2] * v + shine * (1 + lumps * waves)
    light = light + ERROR * rng.standard_normal(light.size)
    masked = ELLIPSE.radius(xy) < 1.0
    ones = np.ones(light.size)
    values = np.where(masked, np.nan, light)
    blocks = SkyBlocks(10, y.shape, xy, values, ERROR * ones, light, np.where(masked, 0.0, 1.0), 0.0 * ones)
    return with_ring(sky_problem(blocks, (200, 300), sky=~masked), ELLIPSE)


def test_errors_are_shared_by_neighbours_alone() -> None:
    away = np.array([[149.5 + 60, 99.5], [149.5 + 63, 99.5], [149.5 - 60, 99.5]])
    errors = shared_errors(ELLIPSE, away, np.ones(3), 0.1 * np.ones(3))
    shared = errors.common @ errors.common.T
    # Knots carry what is shared to a thousandth.
    np.testing.assert_allclose(shared, alike(ELLIPSE, away), atol=2e-3)
    assert shared[0, 1] == pytest.approx(1.0, abs=0.01)
    # Half a turn: exp(-2 / L^2).
    assert shared[0, 2] == pytest.approx(np.exp(-8.0), abs=2e-3)
    np.testing.assert_allclose(np.diag(shared) + errors.variance, 1.01)


def test_few_knots_say_what_a_whole_matrix_says() -> None:
    one = problem(3, 0.2)
    xy, used = one.blocks.xy, one.good
    doubt = 0.2 * Halo(ELLIPSE, 0.002, 4.0, 1.0).shine(xy)[used]
    own = ERROR * np.ones(doubt.size)
    terms = one.terms(2)[used]
    whole = np.outer(doubt, doubt) * alike(ELLIPSE, xy[used]) + np.diag(own**2)
    exact = np.linalg.inv(terms.T @ np.linalg.solve(whole, terms))
    fast = np.linalg.inv(terms.T @ shared_errors(ELLIPSE, xy[used], doubt, own).undo(terms))
    # A hundredth of a stated error is nothing beside the error of the error.
    np.testing.assert_allclose(np.sqrt(np.diag(fast)), np.sqrt(np.diag(exact)), rtol=0.01)


def test_power_and_volume_are_those_of_the_whole_matrix() -> None:
    rng = np.random.default_rng(5)
    errors = Errors(rng.uniform(0.5, 2.0, 30), rng.standard_normal((30, 4)))
    whole = np.diag(errors.variance) + errors.common @ errors.common.T
    columns = rng.standard_normal((30, 7))
    np.testing.assert_allclose(errors.undo(columns), np.linalg.solve(whole, columns), rtol=1e-9)
    np.testing.assert_allclose(errors.power(columns), np.diag(columns.T @ np.linalg.solve(whole, columns)))
    assert errors.log_volume == pytest.approx(np.linalg.slogdet(whole)[1])


def test_a_faint_halo_shares_nothing() -> None:
    errors = shared_errors(ELLIPSE, np.ones((4, 2)), 1e-3 * np.ones(4), np.ones(4))
    np.testing.assert_allclose(errors.undo(np.eye(4)), np.eye(4))
