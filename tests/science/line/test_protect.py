"""The star mask: soft, 1 on cores, larger around brighter stars."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.line.protect import star_mask, star_radii
from blend.science.stars.stars import Stars

FWHM = 3.0


def stars_at(xy, peak, saturated=None):
    xy = np.asarray(xy, dtype=float).reshape(-1, 2)
    peak = np.asarray(peak, dtype=float)
    count = len(xy)
    clipped = np.zeros(count, dtype=bool) if saturated is None else np.asarray(saturated)
    flux = 10.0 * peak
    return Stars(xy, flux, np.ones(count), peak, np.full(count, FWHM), np.ones(count), clipped)


def test_mask_is_one_on_cores_and_zero_far_off():
    mask = star_mask(stars_at([[30.4, 70.7], [90, 20]], [5, 500]), (130, 120), fwhm_px=FWHM, noise=1.0)
    assert mask.dtype == np.float32 and mask.shape == (130, 120)
    assert mask[71, 30] == 1.0 and mask[20, 90] == 1.0
    assert mask[100, 60] == 0.0
    assert mask.min() == 0.0 and mask.max() == 1.0


def test_radius_is_where_the_wing_falls_to_the_noise():
    """The Moffat profile at the radius found must be sigma."""
    peak = np.array([8.0, 12.0, 20.0])
    radius = star_radii(stars_at([[0, 0]] * 3, peak), fwhm_px=FWHM, reach=9.0, noise=1.0)
    alpha = 0.5 * FWHM / np.sqrt(2 ** (1 / 3.0) - 1)
    inside = radius > 0.75 * FWHM
    np.testing.assert_allclose((peak * (1 + (radius / alpha) ** 2) ** -3)[inside], 1.0)
    assert inside.any()


def test_radius_grows_with_brightness_within_its_bounds():
    peak = np.geomspace(5, 1e7, 30)
    plain = star_radii(stars_at(np.zeros((30, 2)), peak), fwhm_px=FWHM, reach=2.5, noise=1.0)
    clipped = star_radii(stars_at(np.zeros((30, 2)), peak, np.ones(30, bool)), fwhm_px=FWHM, noise=1.0)
    assert (np.diff(plain) >= 0).all() and (np.diff(clipped) >= 0).all()
    assert plain.max() == 2.5 * FWHM and plain.min() >= 0.75 * FWHM
    assert clipped.max() == 6.0 * FWHM and clipped.min() >= 2.5 * FWHM


def test_mask_is_soft_and_falls_outwards():
    mask = star_mask(stars_at([[40, 40]], [1e4]), (81, 81), fwhm_px=FWHM, noise=1.0)
    profile = mask[40, 40:]
    assert (np.diff(profile) <= 0).all()
    assert np.abs(np.diff(profile)).max() < 0.5
    assert ((profile > 0) & (profile < 1)).sum() >= 2


def test_overlapping_and_outside_stars_are_bounded():
    xy = [[0, 0], [2, 1], [-3, 40], [61, 200]]
    mask = star_mask(stars_at(xy, [100] * 4), (130, 60), fwhm_px=FWHM, noise=1.0)
    assert mask.max() == 1.0 and mask[0, 0] == 1.0 and mask[1, 2] == 1.0


def test_no_stars_give_an_empty_mask():
    assert not star_mask(stars_at(np.empty((0, 2)), []), (10, 12), fwhm_px=FWHM).any()


def test_noise_is_told_from_the_faintest_stars():
    peak = np.geomspace(5, 500, 200)
    told = star_radii(stars_at(np.zeros((200, 2)), peak), fwhm_px=FWHM)
    known = star_radii(stars_at(np.zeros((200, 2)), peak), fwhm_px=FWHM, noise=1.0)
    np.testing.assert_allclose(told, known, atol=0.15 * FWHM)  # the 5th percentile is not the faintest


@pytest.mark.parametrize("threads", [1, 3])
def test_threads_and_read_only_stars_change_no_bit(threads):
    rng = np.random.default_rng(0)
    stars = stars_at(rng.uniform(0, 200, (50, 2)), 10 ** rng.uniform(0.7, 4, 50))
    stars.xy.flags.writeable = False
    with limit_threads(threads):
        mask = star_mask(stars, (200, 200), fwhm_px=FWHM)
    reference = np.zeros((200, 200), dtype=np.float32)
    row, column = np.mgrid[:200, :200]
    for (x, y), radius in zip(stars.xy, star_radii(stars, fwhm_px=FWHM), strict=True):
        t = np.clip((1 - np.hypot(column - x, row - y) / radius) / 0.5, 0, 1)
        reference = np.maximum(reference, (t * t * (3 - 2 * t)).astype(np.float32))
    np.testing.assert_allclose(mask, reference, atol=1e-6)
