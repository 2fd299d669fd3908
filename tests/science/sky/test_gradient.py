"""The sky fit against planted skies, and the mask against planted objects."""

from __future__ import annotations

import numpy as np
import pytest

from blend.base.errors import StepError
from blend.base.rowblocks import limit_threads
from blend.science.sky.blocks import measure_blocks
from blend.science.sky.fit import sky_uncertainty, subtract_sky
from blend.science.sky.gradient import fit_sky
from blend.science.sky.neutral import slope_of_blocks
from blend.science.sky.objects import Region, object_mask, region_mask

SHAPE = (300, 420)
SIGMA = 0.002


def planted(coefficients, shape=SHAPE):
    u = np.linspace(-1, 1, shape[1])[None, :]
    v = np.linspace(-1, 1, shape[0])[:, None]
    c = list(coefficients) + [0.0] * (6 - len(coefficients))
    sky = c[0] + c[1] * u + c[2] * v + c[3] * (2 * u * u - 1) + c[4] * u * v + c[5] * (2 * v * v - 1)
    return sky + np.zeros(shape)


def noise(seed, shape=SHAPE):
    return SIGMA * np.random.default_rng(seed).standard_normal(shape)


def disc(shape=SHAPE, scale=22.0, peak=60 * SIGMA):
    y, x = np.mgrid[: shape[0], : shape[1]]
    radius = np.hypot(x - 0.5 * shape[1], (y - 0.5 * shape[0]) / 0.6) / scale
    return peak * np.exp(-radius), radius


def nothing(shape=SHAPE):
    return np.zeros(shape, dtype=bool)


@pytest.mark.parametrize("degree", [0, 1, 2, 3, 4])
def test_model_of_noiseless_polynomial_is_the_polynomial(degree):
    sky = planted([0.1, 0.02, -0.01, 0.004, 0.003, -0.002][: (degree + 1) * (degree + 2) // 2])
    fit = fit_sky(sky.astype(np.float32), degree=degree, masked=nothing())
    # A block's median differs from its centre by curvature over a block, 1e-3 of the curvature.
    np.testing.assert_allclose(fit.model(), sky, atol=2e-5)


def test_rows_of_the_model_are_those_of_the_whole():
    fit = fit_sky(planted([0.1, 0.02, 0.01, 0.004]).astype(np.float32), masked=nothing())
    np.testing.assert_array_equal(fit.model(slice(70, 131)), fit.model()[70:131])


def test_subtracted_sky_is_zero_and_keeps_no_data_and_the_input():
    plane = (planted([0.1, 0.02, -0.01]) + noise(1)).astype(np.float32)
    plane[:12] = np.nan
    plane.flags.writeable = False
    fit = fit_sky(plane, masked=nothing())
    flat = subtract_sky(plane, fit)
    assert flat.dtype == np.float32
    np.testing.assert_array_equal(np.isnan(flat), np.isnan(plane))
    # Error of the median of 1.2e5 pixels is 0.004 sigma.
    assert abs(np.nanmedian(flat)) < 0.015 * SIGMA
    assert (flat[20:] < 0).any()


@pytest.mark.parametrize(("truth", "degree"), [([0.1], 0), ([0.1, 0.01], 1), ([0.1, 0.01, 0, 0.002], 2)])
def test_degree_is_found(truth, degree):
    fit = fit_sky((planted(truth) + noise(2)).astype(np.float32), masked=nothing())
    assert fit.degree == degree


def test_a_galaxy_keeps_its_outer_light_under_a_slope():
    light, radius = disc()
    sky = planted([0.1, 0.012, -0.006])
    plane = (sky + light + noise(3)).astype(np.float32)
    masked = object_mask(plane[None])
    fit = fit_sky(plane, masked=masked)
    outer = (radius > 1.2) & (radius < 3.2)
    off = fit.model() - sky
    assert abs(off[outer].sum() / light[outer].sum()) < 0.015
    assert np.ptp(off) < 0.15 * SIGMA
    assert slope_of_blocks(fit) < 0.05 * SIGMA


def test_mask_covers_the_disc_and_stars_but_not_the_sky():
    light, radius = disc(scale=12.0)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    star = 50 * SIGMA * np.exp(-((x - 60) ** 2 + (y - 250) ** 2) / 8.0)
    plane = (planted([0.1, 0.02, 0.01]) + light + star + noise(4)).astype(np.float32)
    masked = object_mask(plane[None])
    assert masked[radius < 3.5].all()
    assert masked[248:253, 58:63].all()
    assert masked[radius > 9].mean() < 0.05


@pytest.mark.parametrize("scale", [1.0, 65535.0, 1e-6])
def test_mask_and_fit_do_not_depend_on_the_unit(scale):
    light, _ = disc()
    plane = planted([0.1, 0.012]) + light + noise(5)
    masked = object_mask((plane * scale).astype(np.float32)[None])
    same = object_mask(plane.astype(np.float32)[None])
    # Rounding to float32 may move single bins across the limit.
    assert (masked != same).mean() < 0.002
    fit = fit_sky((plane * scale).astype(np.float32), masked=same)
    assert fit.amplitude / scale == pytest.approx(
        fit_sky(plane.astype(np.float32), masked=same).amplitude, rel=1e-3
    )


def test_stated_uncertainties_hold():
    truth = np.array([0.1, 0.01, -0.006])
    pulls = []
    for seed in range(40):
        fit = fit_sky(
            (planted(truth, (120, 160)) + noise(seed, (120, 160))).astype(np.float32),
            degree=1,
            masked=nothing((120, 160)),
        )
        pulls.extend((fit.coefficients - truth) / np.sqrt(np.diag(fit.covariance)))
    pulls = np.abs(pulls)
    # 120 draws: the share within one sigma scatters by 4 %, within two by 2 %.
    assert 0.56 < (pulls < 1).mean() < 0.92
    assert (pulls < 2).mean() > 0.89


def test_one_sided_clipping_does_not_lower_the_level():
    # Blocks above 2.5 and below 4 standard errors are left out: that alone would lower the mean by 0.018 of a block's
    # error, 0.0028 sigma of a pixel for blocks of 64 pixels, here 0.8 standard errors of the level.
    shape, pulls, off = (120, 160), [], []
    for seed in range(80):
        fit = fit_sky(
            (planted([0.1], shape) + noise(500 + seed, shape)).astype(np.float32),
            degree=0,
            masked=nothing(shape),
        )
        off.append((fit.level - 0.1) / SIGMA)
        pulls.append(abs(fit.level - 0.1) / np.sqrt(fit.covariance[0, 0]))
    mean, error = np.mean(off), 1.2533 / np.sqrt(80 * shape[0] * shape[1])
    assert abs(mean) < 2.5 * error < 0.0029
    # 80 draws: 68 % within one standard error, give or take 5 %; an error that counts noise as faint light has 80 %.
    assert 0.54 < np.mean(np.array(pulls) < 1) < 0.82


def test_faint_stars_lift_the_level_by_no_more_than_it_says():
    rng = np.random.default_rng(21)
    plane = planted([0.1]) + noise(21)
    # A third of the pixels hold light of about a sigma: no mask finds it.
    plane += SIGMA * rng.exponential(1.0, SHAPE) * (rng.random(SHAPE) < 0.3)
    fit = fit_sky(plane.astype(np.float32), degree=0, masked=nothing())
    clean = fit_sky((planted([0.1]) + noise(21)).astype(np.float32), degree=0, masked=nothing())
    off, stated = fit.level - 0.1, sky_uncertainty(fit)
    assert 0.3 * off < stated < 2 * off
    assert sky_uncertainty(clean) < 0.02 * SIGMA


def test_light_beside_the_mask_is_a_doubt_of_the_level() -> None:
    y, x = np.mgrid[:300, :450].astype(float)
    with_wings, without = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        light, masked = np.zeros(x.shape), np.zeros(x.shape, dtype=np.bool_)
        for _ in range(60):
            away = np.hypot(x - rng.uniform(0, 449), y - rng.uniform(0, 299))
            light += 8e-4 * np.exp(-away / 8.0)
            masked |= away < 7.0
        sky = 0.1 + 0.002 * rng.standard_normal(x.shape)
        for pulls, plane in ((with_wings, sky + light), (without, sky)):
            fit = fit_sky(plane.astype(np.float32), masked=masked)
            pulls.append((fit.coefficients[0] - 0.1) / np.sqrt(fit.covariance[0, 0]))
    # The wings lie over all blocks: without the doubt the level is 6 of its errors off.
    assert np.sqrt(np.mean(np.square(with_wings))) < 2.5
    # And where nothing shines beside the mask, the error is as it was: not wider than the noise makes it.
    assert 0.5 < np.sqrt(np.mean(np.square(without))) < 1.5


def test_halo_beside_the_sky_makes_it_less_certain_not_more():
    plain = (planted([0.1, 0.01]) + noise(6)).astype(np.float32)
    light, _ = disc(scale=34.0)
    covered = (planted([0.1, 0.01]) + light + noise(6)).astype(np.float32)
    small = sky_uncertainty(fit_sky(plain, degree=1, masked=object_mask(plain[None])))
    large = sky_uncertainty(fit_sky(covered, degree=1, masked=object_mask(covered[None])))
    assert large > small


def test_planted_bright_blocks_do_not_move_the_sky():
    plane = (planted([0.1, 0.01]) + noise(7)).astype(np.float32)
    clean = fit_sky(plane, degree=1, masked=nothing())
    plane[40:90, 300:360] += 10 * SIGMA
    fit = fit_sky(plane, degree=1, masked=nothing())
    assert np.abs(fit.model() - clean.model()).max() < 0.03 * SIGMA


@pytest.mark.parametrize("shape", [(64, 64), (40, 300)])
def test_pure_noise_constant_and_tiny_frames(shape):
    plane = (100 + 3 * np.random.default_rng(8).standard_normal(shape)).astype(np.float32)
    masked = object_mask(plane[None])
    assert masked.mean() < 0.05
    fit = fit_sky(plane, masked=masked)
    assert fit.degree == 0
    # 4096 pixels or more: error of the median 0.06.
    assert fit.level == pytest.approx(100, abs=0.3)
    for value in (0.0, 5.0):
        flat = np.full(shape, value, dtype=np.float32)
        assert not object_mask(flat[None]).any()
        # The sum that gives the level ends a few digits of float64 off.
        assert np.abs(subtract_sky(flat, fit_sky(flat, masked=nothing(shape)))).max() < 1e-12


def test_too_little_sky_says_what_to_do_and_degree_0_takes_the_darkest():
    plane = (planted([0.1]) + noise(9)).astype(np.float32)
    everything = ~nothing()
    with pytest.raises(StepError) as caught:
        fit_sky(plane, degree=1, masked=everything, where="gradient.ha")
    assert str(caught.value) == (
        "gradient.ha: only 0.0 % of the frame is sky, the rest is objects or has no data; expected at least 2 %. "
        "Do this: mark sky by hand in sky_boxes, or set degree = 0 to take off a level only."
    )
    for degree in (0, "auto"):
        fit = fit_sky(plane, degree=degree, masked=everything)
        assert (fit.degree, fit.sky_share) == (0, 0.0)
        assert fit.level == pytest.approx(0.1, abs=0.5 * SIGMA)
    box = region_mask([Region("box", "fraction", 0.0, 0.0, 0.5, 1.0)], SHAPE)
    assert fit_sky(plane, degree=1, masked=everything, sky_only=box).level == pytest.approx(
        0.1, abs=0.1 * SIGMA
    )


def test_sky_only_is_all_that_counts():
    plane = (planted([0.1]) + noise(10)).astype(np.float32)
    plane[:, 210:] += 0.5
    left = region_mask([Region("box", "fraction", 0, 0, 0.5, 1)], SHAPE)
    assert fit_sky(plane, degree=0, masked=nothing(), sky_only=left).level == pytest.approx(
        0.1, abs=0.05 * SIGMA
    )


def test_threads_do_not_change_a_bit():
    light, _ = disc()
    plane = (planted([0.1, 0.012]) + light + noise(11)).astype(np.float32)
    results = []
    for threads in (1, 3):
        with limit_threads(threads):
            masked = object_mask(plane[None])
            results.append(subtract_sky(plane, fit_sky(plane, masked=masked)).tobytes() + masked.tobytes())
    assert results[0] == results[1]


def test_block_value_is_the_m_estimate_slowly():
    plane = (planted([0.1], (24, 24)) + noise(12, (24, 24))).astype(np.float32)
    plane[3, 4] = 1.0
    blocks = measure_blocks(plane, size=8)
    for j in range(3):
        for i in range(3):
            cell = plane[8 * j : 8 * j + 8, 8 * i : 8 * i + 8].ravel().astype(np.float64)
            middle = np.median(cell)
            sigma = 1.482602218505602 * np.median(np.abs(cell - middle))
            kept = cell[np.abs(cell - middle) <= 3 * sigma]
            limit = max(sigma, np.std(kept))
            low, high = kept.min(), kept.max()
            for _ in range(60):
                guess = 0.5 * (low + high)
                low, high = (guess, high) if np.clip(kept - guess, -limit, limit).sum() > 0 else (low, guess)
            assert blocks.values[3 * j + i] == pytest.approx(low, abs=1e-3 * sigma)


def test_block_errors_are_true_and_a_sixth_below_a_medians():
    plane = (0.1 + noise(15, (640, 960))).astype(np.float32)
    blocks = measure_blocks(plane, size=16)
    medians = np.median(plane.reshape(40, 16, 60, 16).transpose(0, 2, 1, 3).reshape(2400, 256), axis=1)
    # The scatter of 2400 values is known to 1 / sqrt(4800) = 1.4 %; the measured error of a block comes out 2 % low.
    assert np.mean(blocks.errors) == pytest.approx(np.std(blocks.values), rel=0.06)
    assert np.std(blocks.values) == pytest.approx(1.0523 / 1.2533 * np.std(medians), rel=0.04)


def test_a_block_under_half_a_mask_lies_where_its_other_half_is():
    # The median of a plane over a rectangle is its value in the middle of the rectangle.
    y, x = np.mgrid[:48, :64].astype(np.float64)
    plane = (0.1 + 0.001 * x - 0.002 * y).astype(np.float32)
    masked = np.zeros(plane.shape, dtype=bool)
    masked[:, 22:32] = True
    masked[40:] = True
    blocks = measure_blocks(plane, size=16, unusable=masked)
    np.testing.assert_allclose(
        blocks.values, 0.1 + 0.001 * blocks.xy[:, 0] - 0.002 * blocks.xy[:, 1], atol=1e-7
    )
    np.testing.assert_allclose(blocks.xy[[0, 1, -1]], [[7.5, 7.5], [18.5, 7.5], [55.5, 35.5]])
    # Where next to nothing is left the light of all pixels counts, and that lies in the middle.
    masked[:, :15] = True
    blocks = measure_blocks(plane, size=16, unusable=masked)
    np.testing.assert_allclose(blocks.xy[0], [7.5, 7.5])


def test_whole_numbers_are_not_rounded():
    plane = np.round(1000.3 + 2 * np.random.default_rng(13).standard_normal(SHAPE)).astype(np.float32)
    assert fit_sky(plane, degree=0, masked=nothing()).level == pytest.approx(1000.3, abs=0.03)


def test_regions():
    box = region_mask([Region("box", "px", 10, 3, 5, 2)], (8, 20))
    assert np.argwhere(box).min(axis=0).tolist() == [3, 10]
    assert np.argwhere(box).max(axis=0).tolist() == [4, 14]
    turned = region_mask([Region("box", "px", 10, 40, 60, 4, angle_deg=90.0)], (100, 100))
    assert turned.sum() == pytest.approx(240, abs=4)
    assert turned[15:69, 39:41].all()
    ellipse = region_mask([Region("ellipse", "fraction", 0.25, 0.25, 0.5, 0.5)], (200, 300))
    assert ellipse.sum() == pytest.approx(np.pi * 50 * 75, rel=0.01)
    slanted = region_mask([Region("ellipse", "px", 20, 45, 60, 10, angle_deg=45.0)], (100, 100))
    assert slanted[65, 65] and not slanted[35, 65]


@pytest.mark.parametrize("length", [0.14, 0.2])
def test_a_deep_galaxy_that_reaches_every_border_leaves_its_sky_to_be_found(length: float) -> None:
    # 300 sigma at its middle: its light lies above the noise of wide areas in the corners, too
    y, x = np.indices((600, 800), dtype=float)
    radius = np.hypot((x - 380) / 0.9, y - 310) / (length * 600)
    slope = 0.2 * (x / 800 - 0.5) + 0.1 * (y / 600 - 0.5)
    noise = np.random.default_rng(5).normal(0.0, 0.001, radius.shape)
    plane = (0.1 + slope + 0.3 * np.exp(-radius) + noise).astype(np.float32)
    masked = object_mask(plane[None])
    assert masked.mean() < 0.7
    fit = fit_sky(plane, masked=masked)
    left = fit.model() - (0.1 + slope)
    assert np.ptp(left) < 0.01 * np.ptp(slope)
    assert abs(left.mean()) < 3.0 * sky_uncertainty(fit)
