"""Stars among H II regions that look like them: planted stars are found, and gas does not pass for a mode."""

import numpy as np
import pytest

from blend.science.line.lower_mode import lower_mode


def points(stars, regions, seed, *, error=0.03):
    rng = np.random.default_rng(seed)
    logs = np.concatenate([rng.normal(0.0, 0.03, stars), rng.uniform(0.15, 2.5, regions)])
    return logs + rng.normal(0.0, error, len(logs)), np.full(len(logs), error)


@pytest.mark.parametrize(("stars", "regions"), [(4, 3), (5, 8), (8, 12), (30, 10), (200, 40)])
def test_planted_stars_are_found_among_regions(stars, regions):
    """At least 19 of 20 fields within three stated errors; no region beyond 0.3 for a star."""
    off = []
    for seed in range(20):
        logs, errors = points(stars, regions, seed)
        mode = lower_mode(np.exp(logs), errors * np.exp(logs))
        off.append(abs(mode.value) / mode.error)
        assert not mode.stars[stars:][logs[stars:] > 0.35].any() or mode.error > 0.1
    assert np.count_nonzero(np.array(off) > 3.0) <= 1


def test_two_stars_below_three_regions_of_one_ratio_are_the_lower_mode():
    logs = np.array([0.01, -0.02, 0.46, 0.44, 0.47])
    mode = lower_mode(np.exp(logs), np.full(5, 0.03))
    assert abs(mode.value) < 0.05
    assert mode.stars.tolist() == [True, True, False, False, False]


def test_stars_alone_are_all_stars_and_told_as_their_mean():
    logs, errors = points(60, 0, 1)
    mode = lower_mode(np.exp(logs), errors * np.exp(logs))
    assert np.count_nonzero(mode.stars) >= 57  # three of a thousand lie beyond 3 sigma
    assert mode.value == pytest.approx(logs.mean(), abs=0.01)  # the grid's step
    assert mode.error == pytest.approx(0.0424 / np.sqrt(60), rel=0.5)


def test_one_point_tells_hardly_anything():
    assert lower_mode(np.array([1.35]), np.array([0.013])).error > 0.2


def test_faint_stars_tell_what_bright_gas_alone_would_not():
    """Two regions of one ratio and six stars of five sigma each: the stars are 5 times below, not regions' odd ones."""
    ratios = np.array([5.05, 4.96, 6.7, 8.6, 0.9, 1.15, 1.0, 0.8, 1.2, 1.05])
    errors = np.array([0.03, 0.06, 0.02, 0.03, 0.2, 0.2, 0.2, 0.2, 0.2, 0.2])
    mode = lower_mode(ratios, errors)
    assert abs(mode.value) < 2.0 * mode.error < 0.5
    assert mode.stars.tolist() == [False] * 4 + [True] * 6


def test_points_that_do_not_shine_in_the_line_bound_the_stars():
    """Three points of one ratio would be stars by themselves; four of a tenth say they are none."""
    ratios, errors = np.array([3.0, 3.1, 2.9, 0.3, -0.1, 0.4, 0.2]), np.array([0.05] * 3 + [0.3] * 4)
    assert np.exp(lower_mode(ratios[:3], errors[:3]).value) == pytest.approx(3.0, rel=0.1)
    mode = lower_mode(ratios, errors)
    assert np.exp(mode.value) < 1.0
    assert not mode.stars[:3].any()


def test_what_else_is_known_tells_gas_of_one_ratio_from_stars():
    ratios, errors = np.array([14.0, 14.4, 14.2, 14.5]), np.full(4, 0.5)
    alone = lower_mode(ratios, errors)
    assert alone.stars.all()
    known = lower_mode(ratios, errors, expected=(0.1, 0.3))
    assert not known.stars.any()
    assert abs(known.value - 0.1) < 0.4
    many = lower_mode(np.tile(ratios, 6), np.full(24, 0.5), expected=(0.1, 0.7))
    assert many.stars.all(), "so many stars of one ratio outweigh it"
