"""Sky and halo fitted once more, with errors of the halo that neighbouring blocks share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blend.science.sky.arms import ARM_LENGTH, allow_arms, hold_curve, shared_errors
from blend.science.sky.blocks import SkyBlocks
from blend.science.sky.gradient import fit_sky
from blend.science.sky.halo import INDEX_DOUBT, OPEN_INDEX_DOUBT, SERSIC, Ellipse, Halo, index_doubt
from blend.science.sky.model import Solution, sky_problem, solve_sky, with_ring
from blend.science.sky.objects import object_mask

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


def test_without_a_halo_nothing_changes() -> None:
    one = problem(1, 0.0)
    solution = solve_sky(one, degree=1)
    assert allow_arms(one, solution) is solution


def test_stated_errors_hold_under_lumps_that_blocks_share() -> None:
    pulls, before, after = [], [], []
    for seed in range(40):
        one = problem(seed, 0.2)
        first = solve_sky(one, degree=1, halo=True)
        second = allow_arms(one, first)
        before.append(first.coefficients - TRUTH)
        after.append(second.coefficients - TRUTH)
        pulls.append((second.coefficients - TRUTH) / np.sqrt(np.diag(second.covariance)))
    # 120 numbers, of which three go together: 95 % within two sigma give or take 4 %.
    assert (np.abs(pulls) < 2).mean() > 0.87
    assert np.square(after).sum() < np.square(before).sum()


def test_the_turn_of_a_round_outline_changes_no_error() -> None:
    errors = []
    for narrow in (1.0, 0.99):
        round_one = replace(ELLIPSE, half_width_px=narrow * ELLIPSE.half_length_px, angle_deg=90.0 + 1e-9)
        one = replace(problem(3, 0.0), ellipse=round_one)
        errors.append(np.sqrt(np.diag(allow_arms(one, solve_sky(one, degree=1, halo=True)).covariance)))
    # A hundredth of the width moves the halo, and so the errors, by little.
    np.testing.assert_allclose(errors[0], errors[1], rtol=0.05)


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


def test_a_faint_halo_shares_nothing() -> None:
    errors = shared_errors(ELLIPSE, np.ones((4, 2)), 1e-3 * np.ones(4), np.ones(4))
    np.testing.assert_allclose(errors.undo(np.eye(4)), np.eye(4))


def curved(curve: float, error: float) -> Solution:
    """Return a sky of degree 2 with a slope of 1 and one curved term, all terms uncertain by the same error."""
    one = problem(1, 0.0)
    first = solve_sky(one, degree=2, halo=True)
    return replace(first, coefficients=np.array([1.0, 1.0, 0, curve, 0, 0]), covariance=error**2 * np.eye(6))


@pytest.mark.parametrize(("curve", "error"), [(0.0, 0.015), (0.045, 0.015), (0.06, 0.015), (0.2, 0.1)])
def test_a_curve_is_believed_as_drawn_skies_say(curve: float, error: float) -> None:
    # Skies drawn as they may be beforehand, each counted by how well it agrees with what was measured.
    rng = np.random.default_rng(7)
    shares = rng.choice([0.0, 0.03, 0.1, 0.3], p=[1 / 2, 1 / 6, 1 / 6, 1 / 6], size=600_000)
    drawn = shares[:, None] * rng.standard_normal((shares.size, 3))
    count = np.exp(-0.5 * ((drawn - [curve, 0, 0]) ** 2).sum(axis=1) / error**2)
    count /= count.sum()
    mean = count @ drawn
    found = hold_curve(curved(curve, error))
    assert found is not None
    # The draws know the mean to a fiftieth of the error.
    np.testing.assert_allclose(found.coefficients[3:], mean, atol=0.05 * error)
    np.testing.assert_allclose(
        np.sqrt(np.diag(found.covariance)[3:]), np.sqrt(count @ (drawn - mean) ** 2), rtol=0.05
    )
    assert abs(found.coefficients[3]) <= curve


def test_a_sky_surely_straight_is_left_alone() -> None:
    # Errors of a thirtieth of the least that may be: odds of 1 to 27000.
    assert hold_curve(curved(0.0, 1e-3)) is None


def test_a_curve_far_above_its_errors_stays() -> None:
    sure = hold_curve(curved(0.3, 1e-3))
    assert sure is not None
    np.testing.assert_allclose(sure.coefficients, [1.0, 1.0, 0, 0.3, 0, 0], rtol=1e-4, atol=1e-12)
    np.testing.assert_allclose(np.sqrt(np.diag(sure.covariance)), [1e-3] * 6, rtol=1e-4)


def test_the_pull_of_the_index_is_what_another_index_does_to_the_fit() -> None:
    one = problem(5, 0.0)
    first = solve_sky(one, degree=1, halo=True)
    second = allow_arms(one, first)
    assert first.halo is not None and second.index_pull is not None
    extra = replace(first.halo, sersic=first.halo.sersic + 0.1).shine(one.blocks.xy) - first.halo.shine(
        one.blocks.xy
    )
    again = allow_arms(one, replace(first, residuals=first.residuals + np.where(one.good, extra, 0.0)))
    moved = again.coefficients - second.coefficients
    assert abs(moved[0]) > 1e-7
    np.testing.assert_allclose(0.1 * second.index_pull, moved, rtol=0.15, atol=0.02 * abs(moved[0]))


def test_an_index_at_the_end_of_those_tried_is_doubted_more() -> None:
    doubts = [index_doubt(Halo(ELLIPSE, 1.0, 3.0, sersic)) for sersic in SERSIC]
    assert doubts == [INDEX_DOUBT] * (len(SERSIC) - 1) + [OPEN_INDEX_DOUBT]
    assert OPEN_INDEX_DOUBT > INDEX_DOUBT


def test_the_stated_level_holds_beside_an_elliptical_galaxy() -> None:
    # Sersic index 4, twice the largest that is tried: the halo comes out too steep far out, the sky too bright.
    y, x = np.mgrid[:300, :450].astype(float)
    xy = np.stack([x.ravel(), y.ravel()], axis=1)
    pulls = []
    for seed in range(16):
        rng = np.random.default_rng(300 + seed)
        radius = Ellipse(224.5, 149.5, 15.0, 12.0, rng.uniform(0.0, 180.0)).radius(xy).reshape(x.shape)
        light = 0.03 * np.exp(-7.669 * ((radius + 0.01) ** 0.25 - 1.0))
        plane = (0.1 + light + 0.002 * rng.standard_normal(x.shape)).astype(np.float32)
        fit = fit_sky(plane, degree=1, masked=object_mask(plane[None]))
        pulls.append((fit.coefficients[0] - 0.1) / np.sqrt(fit.covariance[0, 0]))
    # With the doubt of the other indices 1.30; that of 16 errors that are well stated is 1.0 +- 0.18.
    assert np.sqrt(np.mean(np.square(pulls))) < 1.25


def test_the_stated_level_holds_beside_a_halo_between_the_indices_tried() -> None:
    y, x = np.mgrid[:300, :450].astype(float)
    disc = Ellipse(224.5, 149.5, 70.0, 49.0, 20.0)
    light = Halo(disc, 0.004, 3.2, 1.5).shine(np.stack([x.ravel(), y.ravel()], axis=1)).reshape(x.shape)
    pulls = []
    for seed in range(24):
        noise = 0.002 * np.random.default_rng(100 + seed).standard_normal(x.shape)
        plane = (0.1 + light + noise).astype(np.float32)
        fit = fit_sky(plane, degree=1, masked=object_mask(plane[None]))
        assert fit.halo is not None
        pulls.append((fit.coefficients[0] - 0.1) / np.sqrt(fit.covariance[0, 0]))
    # Neither too sure nor grossly careful: 1.4 without the doubt of the index.
    assert 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.2
