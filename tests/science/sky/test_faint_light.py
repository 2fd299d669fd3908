"""The light of faint stars, against stars that are drawn and skies that hold none."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sky import gradient
from blend.science.sky.blocks import block_size, measure_blocks, small_bins
from blend.science.sky.faint_light import LIFT_DOUBT, faint_light, without_faint_light
from blend.science.sky.gradient import fit_sky
from blend.science.sky.objects import bin_size, object_mask

SHAPE = (400, 560)
SIGMA = 0.002
SKY = 0.1


def star_light(seed, *, per_pixel, faintest, index, shape=SHAPE):
    """Gaussian stars, FWHM 3 px: peaks above ``faintest`` sigma, their number falling as 1 / peak^index."""
    rng = np.random.default_rng(seed)
    count = round(per_pixel * shape[0] * shape[1])
    peaks = SIGMA * np.minimum(faintest * rng.random(count) ** (-1.0 / index), 300.0)
    light = np.zeros(shape)
    for x0, y0, peak in zip(
        rng.uniform(0, shape[1], count), rng.uniform(0, shape[0], count), peaks, strict=True
    ):
        x = np.arange(max(int(x0) - 8, 0), min(int(x0) + 9, shape[1]))
        y = np.arange(max(int(y0) - 8, 0), min(int(y0) + 9, shape[0]))[:, None]
        light[y[0, 0] : y[-1, 0] + 1, x[0] : x[-1] + 1] += peak * np.exp(
            -((x - x0) ** 2 + (y - y0) ** 2) / 3.25
        )
    return light


def noise(seed, shape=SHAPE):
    return SIGMA * np.random.default_rng(seed).standard_normal(shape)


def lifted_fit(plane, **options):
    """Return a fit that faint light still lifts: what `fit_sky` has before it takes that off."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(gradient, "without_faint_light", lambda bins, fit, unusable: fit)
        return fit_sky(plane, **options)


def lift_and_truth(light, seed):
    """Return the lift that is told and the one that is there: blocks with the stars minus blocks without."""
    plane = (SKY + light + noise(seed)).astype(np.float32)
    masked = object_mask(plane[None])
    fit = lifted_fit(plane, degree=0, masked=masked)
    size = block_size(SHAPE)
    there = measure_blocks(plane, size=size, unusable=masked).values
    there = there - measure_blocks(plane - light.astype(np.float32), size=size, unusable=masked).values
    return faint_light(small_bins(plane), fit, unusable=masked), np.nanmean(there)


@pytest.mark.parametrize(("index", "least", "most"), [(0.4, 0.75, 1.15), (0.75, 0.35, 0.8)])
def test_the_lift_of_drawn_stars_comes_out(index, least, most):
    told, there = np.transpose(
        [lift_and_truth(star_light(s, per_pixel=1e-3, faintest=0.5, index=index), 50 + s) for s in range(4)]
    )
    # 0.007 sigma of a pixel, +- 0.0008 a frame. Stars whose number goes on rising steeply are told by half.
    assert 0.003 * SIGMA < there.mean() < 0.02 * SIGMA
    assert least < told.mean() / there.mean() < most


def test_the_level_is_the_sky_between_the_stars():
    off = []
    for seed in range(6):
        light = star_light(seed, per_pixel=2e-3, faintest=0.5, index=0.8)
        plane = (SKY + light + noise(seed)).astype(np.float32)
        off.append((fit_sky(plane, degree=0, masked=object_mask(plane[None])).level - SKY) / SIGMA)
    # Six levels with an error of 0.0022 each; the stars lift them by 0.015.
    assert abs(np.mean(off)) < 0.006


def test_noise_alone_is_no_light():
    lifts, lower = [], 0
    for seed in range(30):
        plane = (SKY + noise(seed, (240, 320))).astype(np.float32)
        masked = object_mask(plane[None])
        lifts.append(
            faint_light(small_bins(plane), lifted_fit(plane, degree=0, masked=masked), unusable=masked)
            / SIGMA
        )
        lower += lifts[-1] == 0.0
    # A tenth of the error of such a level, 0.0038 sigma.
    assert np.mean(lifts) < 0.0004
    assert lower > 5


def test_a_galaxy_is_no_faint_star():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    disc = 60 * SIGMA * np.exp(-np.hypot(x - 280, (y - 200) / 0.6) / 18.0)
    plane = (SKY + disc + noise(3)).astype(np.float32)
    masked = object_mask(plane[None])
    assert faint_light(small_bins(plane), lifted_fit(plane, masked=masked), unusable=masked) < 0.002 * SIGMA


def test_a_nebula_over_all_the_sky_is_no_faint_star():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    waves = np.sin(x / 17.0) * np.sin(y / 23.0) + np.sin(x / 9.0 + y / 11.0)
    plane = (SKY + 2.0 * SIGMA * np.maximum(waves, 0.0) + noise(4)).astype(np.float32)
    nothing = np.zeros(SHAPE, dtype=bool)
    assert faint_light(small_bins(plane), lifted_fit(plane, masked=nothing), unusable=nothing) == 0.0


def test_what_is_taken_off_is_taken_off_level_and_blocks_and_doubted():
    light = star_light(1, per_pixel=2e-3, faintest=0.5, index=0.8)
    plane = (SKY + light + noise(1)).astype(np.float32)
    masked = object_mask(plane[None])
    fit = lifted_fit(plane, degree=1, masked=masked)
    lift = faint_light(small_bins(plane), fit, unusable=masked)
    again = without_faint_light(small_bins(plane), fit, unusable=masked)
    assert lift > 0.002 * SIGMA
    known = np.isfinite(fit.block_values)
    np.testing.assert_allclose(fit.model() - again.model(), lift, atol=1e-7)
    np.testing.assert_allclose((fit.block_values - again.block_values)[known], lift, rtol=1e-9)
    assert again.level == pytest.approx(float(np.median(again.model())), rel=1e-5)
    assert again.amplitude == fit.amplitude
    more = again.covariance - fit.covariance
    assert more[0, 0] == pytest.approx((LIFT_DOUBT * lift) ** 2)
    assert np.count_nonzero(more) == 1


def test_a_star_hides_no_more_sky_on_a_large_frame():
    assert [bin_size(shape) for shape in ((900, 1350), (2400, 3600), (4000, 6000), (6000, 9000))] == [
        3,
        8,
        7,
        5,
    ]
