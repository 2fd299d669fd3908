"""Skies behind planted emission that a line shows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blend.base.errors import StepError
from blend.base.rowblocks import limit_threads
from blend.science.sky.fit import sky_uncertainty, subtract_sky
from blend.science.sky.gradient import fit_sky
from blend.science.sky.guide import (
    depth_of_light,
    guide_by_line,
)
from blend.science.sky.neutral import slope_of_blocks
from blend.science.sky.solver import surface_under

SHAPE = (240, 320)
SIGMA = 0.001
CLOSED = np.zeros(SHAPE, dtype=bool)


def waves(seed=0, floor=0.0):
    """Return emission over half of the frame; the more, the higher its floor."""
    rng = np.random.default_rng(seed)
    v, u = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    total = sum(np.cos(rng.uniform(3, 9) * u + rng.uniform(3, 9) * v + rng.uniform(0, 6)) for _ in range(6))
    return 6 * SIGMA * np.maximum(total + floor, 0.0), u, v


def scene(seed=0, factor=0.4, floor=0.0):
    light, u, v = waves(seed, floor)
    rng = np.random.default_rng(100 + seed)
    sky = 0.15 + 0.015 * u - 0.008 * v + 0.001 * (2 * u * u - 1)
    line_sky = 0.02 - 0.002 * u
    plane = sky + factor * light + SIGMA * rng.standard_normal(SHAPE)
    line = line_sky + light + 0.3 * SIGMA * rng.standard_normal(SHAPE)
    return plane.astype(np.float32), line.astype(np.float32), sky, line_sky


def test_line_tells_the_sky_behind_emission():
    # Nine tenths of the frame shine: what is dark enough for a mask is too little for a sky.
    plane, line, sky, line_sky = scene(floor=2.0)
    plane.flags.writeable = line.flags.writeable = False
    guide = guide_by_line(line, masked=CLOSED)
    fit = fit_sky(plane, guide=guide, masked=CLOSED)
    off = fit.model() - sky - fit.line_factor * (guide.fit.model() - line_sky)
    # 76 800 pixels leave 0.01 sigma, 0.03 at the corners of a surface of degree 2.
    assert np.ptp(off) < 0.1 * SIGMA
    assert np.abs(off).max() < 0.1 * SIGMA
    assert fit.line_factor == pytest.approx(0.4, rel=0.01)
    assert np.std(fit.model() - sky) < 2 * sky_uncertainty(fit)


def test_line_without_end_is_uncertain_by_what_it_hides():
    _, line, _, line_sky = scene(2)
    floor = 3 * SIGMA
    off = []
    for light in (line, line + np.float32(floor)):
        guide = guide_by_line(light, masked=CLOSED)
        off.append((guide.fit.model() - line_sky).mean())
        assert guide.excess.min() < 2 * SIGMA
    # A floor everywhere looks like sky, whatever is done: it comes through whole.
    assert off[1] - off[0] == pytest.approx(floor, rel=0.02)


def test_two_in_a_hundred_blocks_lie_under_the_surface_that_tells_the_sky_of_a_line():
    # Without noise, emission all over, of every brightness: whatever more lies under the surface was light.
    light, u, _ = waves(1, floor=8.0)
    guide = guide_by_line((0.02 - 0.002 * u + light).astype(np.float32), masked=CLOSED)
    excess = guide.excess[np.isfinite(guide.excess)]
    least = guide.excess[guide.fit.block_used]
    depth = depth_of_light(
        excess - np.quantile(excess, 0.02), np.median(guide.fit.block_errors[guide.fit.block_used])
    )
    # A plane through three of 1200 blocks.
    assert np.mean(excess < depth) == pytest.approx(0.02, abs=0.004)
    assert 0 < depth < np.quantile(least, 0.9)


def test_light_that_thins_out_to_a_corner_is_followed_down_to_its_end():
    _, u, v = waves(0)
    light = 40 * SIGMA * (u + 1.0 + v + 1.0)
    noise = 0.3 * SIGMA * np.random.default_rng(9).standard_normal(SHAPE)
    guide = guide_by_line((0.02 + light + noise).astype(np.float32), masked=CLOSED, degree=0)
    darkest = np.quantile(light, 0.02)
    # The surface under 2 % of the blocks would take all of this for sky; the corner itself is one block wide.
    assert darkest > 10 * SIGMA
    assert abs(guide.fit.level - 0.02) < 0.1 * darkest


@pytest.mark.parametrize("strength", [0.0, 1.0])
def test_sky_of_a_line_stands_where_noise_and_not_light_makes_the_least(strength):
    off = []
    for seed in range(12):
        light = strength * waves(seed)[0]
        noise = 0.3 * SIGMA * np.random.default_rng(200 + seed).standard_normal(SHAPE)
        guide = guide_by_line((0.02 + light + noise).astype(np.float32), masked=CLOSED)
        off.append((guide.fit.model() - 0.02).mean())
    # Blocks of 64 pixels: the surface under 2 % of them lies two of their errors low, a quarter of a pixel's noise.
    assert abs(np.mean(off)) < 0.1 * 0.3 * SIGMA


def test_uncertainty_grows_with_the_emission():
    small, large = (
        sky_uncertainty(guide_by_line((0.02 + part * waves(3)[0]).astype(np.float32), masked=CLOSED).fit)
        for part in (0.1, 1.0)
    )
    assert large == pytest.approx(10 * small, rel=0.05)


def test_plane_without_the_line_gets_no_factor_and_no_negative_one():
    light, u, _ = waves(4)
    noise = SIGMA * np.random.default_rng(4).standard_normal(SHAPE)
    guide = guide_by_line((0.02 + light).astype(np.float32), masked=CLOSED)
    plain = fit_sky((0.1 + 0.01 * u + noise).astype(np.float32), guide=guide, masked=CLOSED)
    assert plain.line_factor == pytest.approx(0.0, abs=0.01)
    shadow = fit_sky((0.1 - 0.3 * light + noise).astype(np.float32), guide=guide, masked=CLOSED)
    assert shadow.line_factor == 0.0


def test_galaxy_without_the_line_is_left_out():
    plane, line, _, _ = scene(5)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    lump = 60 * SIGMA * np.exp(-np.hypot(x - 90, y - 150) / 12.0)
    fit = fit_sky(
        (plane + lump).astype(np.float32), guide=guide_by_line(line, masked=CLOSED), degree=2, masked=CLOSED
    )
    plain = fit_sky(plane, guide=guide_by_line(line, masked=CLOSED), degree=2, masked=CLOSED)
    # The lump itself is 60 sigma; its outskirts hold 0.2 sigma over a tenth of the frame.
    assert np.ptp(fit.model() - plain.model()) < SIGMA


def test_no_data_in_either_and_threads():
    plane, line, _, _ = scene(6)
    plane[:30], line[:, -40:] = np.nan, np.nan
    closed = np.isnan(plane) | np.isnan(line)
    results = []
    for threads in (1, 3):
        with limit_threads(threads):
            guide = guide_by_line(line, masked=closed)
            results.append(subtract_sky(plane, fit_sky(plane, guide=guide, masked=closed, closed=closed)))
    assert results[0].tobytes() == results[1].tobytes()
    np.testing.assert_array_equal(np.isnan(results[0]), np.isnan(plane))


def test_nothing_to_look_at_is_told():
    plane = np.full(SHAPE, np.nan, dtype=np.float32)
    with pytest.raises(StepError) as caught:
        guide_by_line(plane, masked=CLOSED, where="gradient.ha")
    assert str(caught.value) == ("gradient.ha: 0 blocks with data; expected at least 24.")


@pytest.mark.parametrize("share", [0.05, 0.2, 0.5])
def test_surface_under_a_share_is_the_quantile(share):
    values = np.random.default_rng(7).exponential(1.0, 2000)
    answer = surface_under(np.ones((2000, 1)), values, share)
    assert answer[0] == pytest.approx(np.quantile(values, share), abs=0.01)
    slope = np.linspace(-1, 1, 2000)
    tilted = surface_under(np.stack([np.ones(2000), slope], axis=1), values + 3 * slope, share)
    assert tilted[1] == pytest.approx(3.0, abs=0.15)


def test_slope_of_blocks_is_what_the_blocks_leave():
    plane, line, _, _ = scene(8)
    fit = fit_sky(plane, guide=guide_by_line(line, masked=CLOSED), degree=1, masked=CLOSED)
    tilted = fit.coefficients + np.array([0.0, 0.002, -0.001])
    # The fit weighs blocks by their common scatter, this by their own noise.
    assert slope_of_blocks(replace(fit, coefficients=tilted)) == pytest.approx(0.006, rel=0.1)
