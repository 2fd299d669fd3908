"""The continuum scale against planted stars; profiles made equal; the sum of the kernel that refines them."""

import numpy as np
import pytest

from blend.base.errors import StepError
from blend.base.rowblocks import limit_threads
from blend.science.grid import resample
from blend.science.line.continuum import given_scale, match_profiles, scale_from_stars
from blend.science.line.match_psf import fit_profiles, refine_broad
from blend.science.plane.smooth import (
    bin_plane,
    binned_taps,
    blur_block,
    blur_plane,
    gaussian_taps,
    spread_rows,
)

SCALE = 0.07


def spot(shape, x, y, fwhm, beta=None):
    """A star of flux 1: Gaussian, or Moffat of exponent beta."""
    row, column = np.mgrid[: shape[0], : shape[1]]
    r2 = (column - x) ** 2 + (row - y) ** 2
    if beta is None:
        s2 = (fwhm / 2.3548) ** 2
        return np.exp(-0.5 * r2 / s2) / (2 * np.pi * s2)
    a2 = (0.5 * fwhm) ** 2 / (2 ** (1 / beta) - 1)
    return (beta - 1) / (np.pi * a2) * (1 + r2 / a2) ** -beta


def star_pair(*, seed=0, fwhm=(3.0, 3.8), beta=None, shift=0.05, odd=0.06, scatter=0.03, shape=(256, 256)):
    """Line and broad frames of one star field; every cell of a grid holds a star at a random place."""
    rng = np.random.default_rng(seed)
    line, broad = np.zeros(shape), np.zeros(shape)
    cells = [(x, y) for x in range(20, shape[1] - 19, 27) for y in range(20, shape[0] - 19, 27)]
    xy = np.array(cells) + rng.uniform(-4, 4, (len(cells), 2))
    flux = np.sort(10 ** rng.uniform(3.2, 5.2, len(cells)))[::-1]
    colour = np.exp(rng.normal(0, scatter, len(cells)))
    colour[rng.random(len(cells)) < odd] *= 2.5
    for (x, y), f, c in zip(xy, flux, colour, strict=True):
        window = (slice(int(max(y - 40, 0)), int(y + 40)), slice(int(max(x - 40, 0)), int(x + 40)))
        at = (x - window[1].start, y - window[0].start)
        broad[window] += f * spot(broad[window].shape, *at, fwhm[1], beta)
        line[window] += f * c * SCALE * spot(line[window].shape, at[0] + shift, at[1], fwhm[0], beta)
    line += rng.normal(0, 0.3, shape)
    broad += rng.normal(0, 3.0, shape)
    return line.astype(np.float32), broad.astype(np.float32), xy


@pytest.mark.parametrize(("fwhm", "beta"), [((3.0, 3.8), None), ((4.2, 3.2), None), ((3.0, 3.5), 3.5)])
def test_scale_is_found_within_three_percent_and_three_errors(fwhm, beta):
    line, broad, xy = star_pair(fwhm=fwhm, beta=beta)
    line, broad = match_profiles(line, broad, fwhm_line=fwhm[0], fwhm_broad=fwhm[1])
    scale = scale_from_stars(line, broad, xy, fwhm_px=max(fwhm))
    assert abs(scale.value / SCALE - 1) < 0.03
    if beta is None:  # unequal Moffat wings are an offset that no scatter shows
        assert abs(scale.value - SCALE) < 3 * scale.error
    assert 0.001 < scale.error / SCALE < 0.02
    assert scale.how == "stars" and 3 <= scale.stars <= scale.used.sum()


@pytest.mark.parametrize("wings", [0.03, -0.03])
def test_unequal_wings_beyond_the_aperture_count(wings):
    """A share of the line's light in a skirt thrice as wide as its core; or of the broad plane's."""
    rng = np.random.default_rng(6)
    planes = np.zeros((2, 400, 400))
    xy = np.array([(x, y) for x in range(50, 400, 60) for y in range(50, 400, 60)]) + rng.uniform(
        -4, 4, (36, 2)
    )
    for at, flux in zip(xy, np.geomspace(1e5, 3e4, len(xy)), strict=True):
        core, skirt = (spot(planes.shape[1:], *at, width) for width in (3.0, 9.0))
        winged = (1 - abs(wings)) * core + abs(wings) * skirt
        line, broad = (winged, core) if wings > 0 else (core, winged)
        planes += flux * np.array([SCALE * line, broad])
    planes += rng.normal(0, 1, planes.shape) * np.array([0.3, 3.0])[:, None, None]
    scale = scale_from_stars(*planes.astype(np.float32), xy, fwhm_px=3.0)
    # Within 2.25 FWHM 0.17 of the skirt is missing, 0.5 % of the light; the widest aperture holds all but 0.02 of it.
    assert scale.value / SCALE == pytest.approx(1.0, abs=0.003)


def test_a_line_that_was_blurred_is_no_rough_sky():
    line, broad, xy = star_pair(fwhm=(2.4, 3.6), shape=(480, 480))
    line = line + np.random.default_rng(1).normal(0, 3.0, line.shape).astype(np.float32)
    matched = match_profiles(line, broad, fwhm_line=2.4, fwhm_broad=3.6)
    assert scale_from_stars(*matched, xy, fwhm_px=3.6).rough
    assert not scale_from_stars(*matched, xy, fwhm_px=3.6, noise=3.0).rough


@pytest.mark.parametrize("seed", range(4))
def test_noise_of_larger_pixels_is_no_scatter_of_stars(seed):
    """A line binned 3 x 3 and brought back to the broad plane's pixels: each of its own is shared by nine."""
    line, broad, xy = star_pair(seed=seed, fwhm=(3.4, 3.4), shape=(486, 486), odd=0.0)
    small = line.reshape(162, 3, 162, 3).mean(axis=(1, 3))
    small = small + np.random.default_rng(seed).normal(0, 3.0, small.shape).astype(np.float32)
    finer = np.array([[3.0, 0.0, 1.0], [0.0, 3.0, 1.0], [0.0, 0.0, 1.0]])
    line = resample(small[None], np.zeros(small.shape, np.uint8), finer, shape=broad.shape)[0][0]
    blind = scale_from_stars(line, broad, xy, fwhm_px=3.7)
    scale = scale_from_stars(line, broad, xy, fwhm_px=3.7, noise=3.0 * 3.0)
    assert abs(scale.value - SCALE) < 3.0 * scale.error < 0.1 * SCALE
    # drawn with 0.03, told to 0.004 by so many stars with noise of 0.05; what pixels share would pass for colours
    assert scale.scatter == pytest.approx(0.03, abs=0.012) and blind.scatter > 0.05


def test_error_of_the_scale_is_honest_over_many_fields():
    """The pull (found - true) / error has a spread of 1, less where the floor of the error rules."""
    pulls = []
    for seed in range(16):
        line, broad, xy = star_pair(seed=seed, fwhm=(3.4, 3.4), shape=(150, 150))
        scale = scale_from_stars(line, broad, xy, fwhm_px=3.4)
        pulls.append((scale.value - SCALE) / scale.error)
    assert 0.4 < np.sqrt(np.mean(np.square(pulls))) < 1.4


def test_scatter_is_the_planted_one_without_the_flux_errors():
    line, broad, xy = star_pair(seed=5, fwhm=(3.4, 3.4))
    scale = scale_from_stars(line, broad, xy, fwhm_px=3.4)
    assert scale.scatter == pytest.approx(0.03, rel=0.4)  # 64 stars tell a robust scatter to 15 %


def test_stars_on_invalid_pixels_do_not_count():
    line, broad, xy = star_pair(fwhm=(3.4, 3.4))
    invalid = np.zeros(line.shape, dtype=bool)
    invalid[:, :128] = True
    scale = scale_from_stars(line, broad, xy, fwhm_px=3.4, invalid=invalid)
    assert scale.xy[scale.used][:, 0].min() > 128
    assert abs(scale.value / SCALE - 1) < 0.03


def test_too_few_stars_is_a_fault_that_says_what_to_do():
    line, broad, xy = star_pair(fwhm=(3.4, 3.4))
    with pytest.raises(StepError) as fault:
        scale_from_stars(line, broad, xy[:2], fwhm_px=3.4, where="continuum.ha")
    assert str(fault.value) == (
        "continuum.ha: 2 of 2 stars bright enough in the broad band to measure the scale; expected at least 3. "
        "Do this: give the ratio of line to broad starlight as a number, for example continuum.ha.scale = 0.07."
    )
    empty = np.zeros((64, 64), dtype=np.float32)
    with pytest.raises(StepError):
        scale_from_stars(empty, empty, np.empty((0, 2)), fwhm_px=3.0)


def test_inputs_may_be_read_only():
    line, broad, xy = star_pair(fwhm=(3.0, 3.8), shape=(150, 150))
    for array in (line, broad, xy):
        array.flags.writeable = False
    matched = match_profiles(line, broad, fwhm_line=3.0, fwhm_broad=3.8)
    scale_from_stars(*matched, xy, fwhm_px=3.8)


def test_given_scale_keeps_the_number():
    assert given_scale(0.07, error=0.001).value == 0.07


def test_matched_star_is_as_wide_as_the_wider_one():
    narrow = spot((61, 61), 30.3, 29.8, 2.8).astype(np.float32)
    wide = spot((61, 61), 30.3, 29.8, 4.0).astype(np.float32)
    a, b = match_profiles(narrow, wide, fwhm_line=2.8, fwhm_broad=4.0)
    assert b is wide
    # the kernel is integrated over pixels, which differs from an exact Gaussian in the fourth moment
    assert np.abs(a - wide).max() < 0.004 * wide.max()
    c, d = match_profiles(wide, narrow, fwhm_line=4.0, fwhm_broad=2.8)
    assert c is wide and np.array_equal(d, a)


def test_unknown_width_leaves_both_planes():
    plane = np.ones((8, 8), dtype=np.float32)
    assert match_profiles(plane, plane, fwhm_line=float("nan"), fwhm_broad=3.0) == (plane, plane)


def test_blur_agrees_with_scipy_and_keeps_nan_local():
    from scipy.ndimage import gaussian_filter

    plane = np.random.default_rng(0).normal(size=(150, 90)).astype(np.float32)
    expected = gaussian_filter(plane.astype(float), 1.5, truncate=5)
    # scipy samples the Gaussian, here it is integrated: rms differs by 1e-3 of the noise
    np.testing.assert_allclose(blur_plane(plane, 1.5)[12:-12, 12:-12], expected[12:-12, 12:-12], atol=1e-3)
    flat = np.full((150, 90), 0.3, dtype=np.float32)
    flat[64, 40] = np.nan
    blurred = blur_plane(flat, 2.0)
    assert np.argwhere(np.isnan(blurred)).tolist() == [[64, 40]]
    np.testing.assert_allclose(blurred[~np.isnan(blurred)], 0.3, rtol=1e-6)


@pytest.mark.parametrize("sigma", [0.4, 1.0, 3.0])
def test_taps_have_the_variance_asked_for(sigma):
    taps = gaussian_taps(sigma, reach=6.0).astype(float)
    x = np.arange(len(taps)) - len(taps) // 2
    assert taps.sum() == pytest.approx(1.0, abs=1e-6)
    assert np.sqrt((taps * x**2).sum()) == pytest.approx(sigma, rel=0.01)


def test_blur_in_bins_is_as_wide_as_the_blur_of_pixels():
    """About the true place and over all places in a bin: a single bin also shifts what it holds."""
    taps = binned_taps(5.0, 4)
    x = np.arange(80)
    variances = []
    for at in range(38, 42):
        plane = np.zeros((80, 80), dtype=np.float32)
        plane[40, at] = 1.0
        profile = spread_rows(blur_block(bin_plane(plane, 4), taps), 4, slice(0, 80), 80).sum(axis=0)
        variances.append((profile * (x - at) ** 2).sum() / profile.sum())
    assert np.sqrt(np.mean(variances)) == pytest.approx(5.0, rel=0.01)


def test_threads_change_no_bit():
    plane = np.random.default_rng(0).normal(size=(300, 90)).astype(np.float32)
    with limit_threads(1):
        one = blur_plane(plane, 1.5)
    with limit_threads(3):
        three = blur_plane(plane, 1.5)
    np.testing.assert_array_equal(one, three)


def test_refined_profile_takes_away_shift_and_wings():
    line, broad, xy = star_pair(fwhm=(4.0, 3.2), beta=3.0, odd=0.0, scatter=0.0, shift=0.08)
    line, broad = match_profiles(line, broad, fwhm_line=4.0, fwhm_broad=3.2)
    scale = scale_from_stars(line, broad, xy, fwhm_px=4.0)
    fit = fit_profiles(line, broad, scale=scale, fwhm_px=4.0)
    assert fit.terms[0] == pytest.approx(-0.08, abs=0.02)
    assert fit.terms[1] == pytest.approx(0.0, abs=0.02)
    refined = refine_broad(broad, fit)
    before, after = (np.std((line - SCALE * b)[20:-20, 20:-20]) for b in (broad, refined))
    assert after < 0.7 * before  # what is left is noise: 0.4 of 1.1


def test_no_stars_leave_the_broad_plane_itself():
    plane = np.ones((40, 40), dtype=np.float32)
    fit = fit_profiles(plane, plane, scale=given_scale(0.07), fwhm_px=3.0)
    assert refine_broad(plane, fit) is plane


def test_refining_keeps_nan_local_and_a_flat_plane_flat():
    line, broad, xy = star_pair(fwhm=(4.0, 3.2), beta=3.0, odd=0.0)
    fit = fit_profiles(line, broad, scale=given_scale(SCALE, xy=xy), fwhm_px=4.0)
    flat = np.full((200, 90), 0.5, dtype=np.float32)
    flat[70, 30] = np.nan
    refined = refine_broad(flat, fit)
    assert np.isnan(refined).sum() == 1
    far = np.ones_like(flat, dtype=bool)
    far[55:86, 15:46] = False
    np.testing.assert_allclose(refined[far], 0.5, atol=1e-5)


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (9, 1030), (40, 2060)])
def test_blurring_a_block_is_the_plain_sum_with_nothing_outside(shape):
    # 1e-5: some 17 x 17 products in float32.
    rng = np.random.default_rng(5)
    block = rng.normal(size=shape).astype(np.float32)
    block[rng.random(shape) < 0.05] = np.nan
    for sigma in (0.4, 1.0, 2.2):
        taps = gaussian_taps(sigma)
        half = len(taps) // 2
        padded = np.pad(np.where(np.isnan(block), 0.0, block).astype(np.float64), half)
        down = sum(t * padded[k : k + shape[0]] for k, t in enumerate(taps))
        expected = sum(t * down[:, k : k + shape[1]] for k, t in enumerate(taps))
        np.testing.assert_allclose(blur_block(block, taps), expected, atol=1e-5)
