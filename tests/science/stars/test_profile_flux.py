"""Fluxes over a bent sky: closed form on parabolas, planted truth in a nebula."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from blend.science.line.continuum import scale_from_stars
from blend.science.simulated.night import SceneOptions, simulate_night
from blend.science.stars.profile_flux import (
    empty_places,
    profile_fluxes,
    profile_width,
    scatter,
    shared_noise,
)
from blend.science.stars.stars import measure_at


def gaussian(shape, x, y, fwhm):
    j, i = np.indices(shape)
    sigma = fwhm / 2.3548200450309493
    return np.exp(-0.5 * ((i - x) ** 2 + (j - y) ** 2) / sigma**2) / (2 * np.pi * sigma**2)


def test_a_star_on_a_parabola_has_its_flux_and_the_parabola_none():
    j, i = np.indices((60, 70))
    sky = 3 + 0.1 * i - 0.2 * j + 0.01 * i * i - 0.02 * i * j + 0.005 * j * j
    plane = 40 * gaussian((60, 70), 30.3, 25.8, 3.2) + sky
    flux = profile_fluxes(plane, [[30.3, 25.8], [50.0, 30.0], [2.0, 30.0]], fwhm_px=3.2)
    # Linear algebra alone stands between: float64 rounding of values near 50. The second place holds the first's
    # light no nearer than six widths, and the third leaves the frame.
    np.testing.assert_allclose(flux[:2], [40.0, 0.0], atol=1e-8)
    assert np.isnan(flux[2])


def test_an_invalid_pixel_and_a_hole_leave_their_star_out():
    plane = np.zeros((40, 40), dtype=np.float32)
    plane[12, 10] = np.nan
    invalid = np.zeros(plane.shape, dtype=bool)
    invalid[30, 30] = True
    flux = profile_fluxes(plane, [[11.0, 11.0], [29.0, 28.0], [12.0, 29.0]], fwhm_px=3.0, invalid=invalid)
    assert np.isnan(flux).tolist() == [True, True, False]


def test_empty_places_keep_away_from_stars_and_scatter_is_that_of_the_noise():
    xy = np.random.default_rng(1).uniform(0, 400, (60, 2))
    places = empty_places((400, 400), xy, fwhm_px=3.0)
    apart = np.hypot(*(places[:, None] - xy[None]).transpose(2, 0, 1)).min(axis=1)
    assert apart.min() > 15.0 and 20 <= len(places) <= 200
    values = np.random.default_rng(2).normal(5, 2, 20000)
    # Standard error of a robust scatter of 20000 values: 0.8 %.
    assert scatter(values) == pytest.approx(2.0, rel=0.03)
    assert np.isnan(scatter(values[:10]))


@pytest.mark.parametrize("seed", range(3))
def test_stars_tell_their_width_over_a_nebula_that_outshines_them(seed):
    """Stars of one width on lumps five widths wide; every fifth point is itself a lump of the gas, and no star."""
    rng = np.random.default_rng(seed)
    shape, width = (400, 400), 3.4
    sky = gaussian_filter(rng.normal(size=shape), 7.0)
    plane = 60.0 * sky / sky.std() + rng.normal(0.0, 1.0, shape)
    xy = np.array([(x, y) for x in range(30, 400, 48) for y in range(30, 400, 48)]) + rng.uniform(
        -3, 3, (64, 2)
    )
    flux = np.geomspace(3000.0, 300.0, len(xy))
    for n, (at, light) in enumerate(zip(xy, flux, strict=True)):
        plane += light * gaussian(shape, *at, 9.0 if n % 5 == 4 else width)
    found, error = profile_width(plane, xy, flux**2, fwhm_px=1.1 * width)
    assert 0.002 < error < 0.05
    assert found == pytest.approx(width, rel=3.0 * error)
    moments = measure_at(plane.astype(np.float32), xy, fwhm_px=width).fwhm_px
    assert abs(np.median(moments) / width - 1.0) > 2.0 * abs(found / width - 1.0)


def test_two_stars_tell_no_width():
    plane = gaussian((60, 60), 20.0, 20.0, 3.0) + gaussian((60, 60), 40.0, 40.0, 3.0)
    assert np.isnan(
        profile_width(plane, np.array([[20.0, 20.0], [40.0, 40.0]]), np.ones(2), fwhm_px=3.0)
    ).all()
    three = np.array([[20.0, 20.0], [40.0, 40.0], [20.0, 20.0]])
    # no noise: what is left is the parabola between three of the widths tried
    assert profile_width(plane, three, np.ones(3), fwhm_px=3.3)[0] == pytest.approx(3.0, rel=0.003)
    assert np.isnan(profile_width(plane, three, np.zeros(3), fwhm_px=3.3)).all()


def test_noise_that_pixels_share_is_seen_in_empty_circles():
    """A quarter of photosites, bilinear: a sum has 4 sigma^2 a pixel, a pixel 9 / 16 sigma^2: sqrt(64 / 9) = 2.67."""
    rng = np.random.default_rng(3)
    white = rng.normal(0.0, 1.0, (601, 601))
    red = np.zeros_like(white)
    red[::2, ::2] = white[::2, ::2]
    red[1::2] = 0.5 * (red[:-1:2] + red[2::2])
    red[:, 1::2] = 0.5 * (red[:, :-1:2] + red[:, 2::2])
    xy = rng.uniform(0, 600, (40, 2))
    # 200 places tell a scatter to 6 %; the circle's rim holds a little less than its area.
    assert shared_noise(red, empty_places(red.shape, xy, fwhm_px=3.0), radius_px=4.5) == pytest.approx(
        2.67, rel=0.2
    )
    assert shared_noise(white, empty_places(white.shape, xy, fwhm_px=3.0), radius_px=4.5) == 1.0
    assert (
        shared_noise(white[:30, :30], empty_places(white[:30, :30].shape, xy, fwhm_px=3.0), radius_px=4.5)
        == 1.0
    )


def test_the_scale_is_true_where_nebula_fills_the_frame():
    options = SceneOptions(rows=320, columns=480, seed=21, kind="nebula", ha_grid="same", calibrated=True)
    # Equal widths: what matching leaves is tested with it.
    night = simulate_night(SceneOptions(**{**vars(options), "ha_fwhm_px": options.rgb_fwhm_px}))
    truth = night.truth
    bright = truth.star_flux[0] > 0.02
    xy = truth.star_xy[bright & (truth.star_flux[0] < 2.0)]
    xy = xy[np.argsort(-truth.star_flux[0][bright & (truth.star_flux[0] < 2.0)])]
    saturated = night.rgb.light.max(axis=0) >= 0.98
    line = night.ha.light.reshape(night.ha.light.shape[-2:])
    scale = scale_from_stars(line, night.rgb.light[0], xy, fwhm_px=3.05, invalid=saturated)
    assert scale.rough
    # Three of the errors it tells, which are 3 to 5 %.
    assert scale.value == pytest.approx(truth.continuum_scale, abs=3 * scale.error)
    assert scale.error < 0.06 * truth.continuum_scale
    unsure = scale_from_stars(line, night.rgb.light[0], xy, fwhm_px=3.05, invalid=saturated, width_error=0.1)
    # fluxes go with 3.5 times the error of the widths, and values do not
    assert unsure.value == scale.value
    assert unsure.error == pytest.approx(np.hypot(scale.error, 0.35 * scale.value))
