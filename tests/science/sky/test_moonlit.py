"""The Moon's shape over a frame, fits of its strength alone, and the comparison of slopes."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from astropy.wcs import WCS

from blend.science.moon.ephemeris import SkyPlace
from blend.science.moon.forecast import COLOURS_NM, Conditions, sky_slope, slope_in_pixels
from blend.science.moon.sky_brightness import dark_sky, moonlight
from blend.science.sky.blocks import chebyshev_terms
from blend.science.sky.fit import sky_uncertainty
from blend.science.sky.gradient import fit_sky
from blend.science.sky.guide import guide_by_line
from blend.science.sky.moonlit import (
    SlopeCheck,
    compare_slope,
    likely_causes,
    moon_shape,
    shape_towards,
)

SHAPE = (200, 300)
SIGMA = 0.001
CLOSED = np.zeros(SHAPE, dtype=bool)
AIR = Conditions(zenith_mag=21.0)
PLACE = SkyPlace(
    time=datetime(2024, 1, 20, 20, 30, tzinfo=UTC),
    target_altitude_deg=40.0,
    moon_altitude_deg=55.0,
    sun_altitude_deg=-40.0,
    separation_deg=30.0,
    phase_angle_deg=20.0,
    moon_position_angle_deg=310.0,
    zenith_position_angle_deg=350.0,
)


def wcs(*, turn=0.6, mirrored=False, degrees=1.5):
    made = WCS(naxis=2)
    made.wcs.ctype, made.wcs.crval = ["RA---TAN", "DEC--TAN"], [83.8, -5.4]
    made.wcs.crpix = [(SHAPE[1] + 1) / 2, (SHAPE[0] + 1) / 2]
    step = degrees / SHAPE[1]
    made.wcs.cdelt = [step if mirrored else -step, step]
    made.wcs.pc = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    return made


def surface(terms):
    v, u = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    degree = {3: 1, 6: 2}[len(terms)]
    return (chebyshev_terms(u.ravel(), v.ravel(), degree=degree) @ terms).reshape(SHAPE)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("name", list(COLOURS_NM))
def test_shape_at_the_middle_has_the_predicted_slope(name, mirrored):
    grid, nm = wcs(mirrored=mirrored), COLOURS_NM[name]
    shape = moon_shape(PLACE, AIR, wcs=grid, shape=SHAPE, wavelength_nm=nm)
    slope = slope_in_pixels(sky_slope(PLACE, AIR, wavelength_nm=nm), grid, SHAPE)
    # Derivatives by formula and by differences over the frame agree to the cubic term, 1e-4 of the sky.
    assert 200 * shape[1] / (SHAPE[1] - 1) == pytest.approx(slope.x_percent_per_px, abs=1e-4)
    assert 200 * shape[2] / (SHAPE[0] - 1) == pytest.approx(slope.y_percent_per_px, abs=1e-4)


def test_shape_is_the_model_at_every_corner():
    grid = wcs()
    shape = moon_shape(PLACE, AIR, wcs=grid, shape=SHAPE)
    # The slow way for one corner: its place from the spherical triangles target, corner and Moon or zenith.
    middle = grid.pixel_to_world((SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2)
    corner = grid.pixel_to_world(0, 0)
    away, angle = middle.separation(corner).rad, middle.position_angle(corner).rad

    def distance(to_deg, towards_deg):
        a, turn = np.radians(to_deg), np.radians(towards_deg) - angle
        return np.degrees(np.arccos(np.cos(a) * np.cos(away) + np.sin(a) * np.sin(away) * np.cos(turn)))

    def sky(from_moon, from_zenith):
        light = moonlight(
            from_moon,
            phase_angle_deg=20.0,
            target_zenith_deg=from_zenith,
            moon_zenith_deg=35.0,
            extinction=AIR.extinction,
        )
        return light + dark_sky(from_zenith, zenith_mag=21.0, extinction=AIR.extinction)

    expected = sky(distance(30.0, 310.0), distance(50.0, 350.0)) / sky(30.0, 50.0)
    # Degree 2 holds moonlight to 0.02 % over two degrees.
    assert surface(shape)[0, 0] == pytest.approx(expected, abs=3e-4)


def test_frame_below_the_horizon_is_refused():
    with pytest.raises(ValueError, match="below the horizon"):
        moon_shape(replace(PLACE, target_altitude_deg=0.2), AIR, wcs=wcs(), shape=SHAPE)


@pytest.mark.parametrize("angle", [0.0, 35.0, 90.0, -140.0])
def test_given_direction(angle):
    plane = surface(shape_towards(angle, SHAPE))
    assert np.ptp(plane) == pytest.approx(1.0)
    down, along = np.gradient(plane)
    assert np.degrees(np.arctan2(down[0, 0], along[0, 0])) == pytest.approx(angle)


def test_strength_is_found_amid_a_nebula_that_the_line_shows():
    rng = np.random.default_rng(1)
    v, u = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    light = 8 * SIGMA * np.maximum(np.cos(5 * u + 2 * v) + np.cos(7 * v - 2 * u + 1), 0.0)
    terms = moon_shape(PLACE, AIR, wcs=wcs(), shape=SHAPE)
    sky = 0.2 * surface(terms)
    line = (0.01 + light + 0.3 * SIGMA * rng.standard_normal(SHAPE)).astype(np.float32)
    plane = (sky + 0.4 * light + SIGMA * rng.standard_normal(SHAPE)).astype(np.float32)
    everything = ~CLOSED
    guide = guide_by_line(line, masked=CLOSED)
    fit = fit_sky(plane, shape_terms=terms, masked=everything, guide=guide)
    assert fit.name == "moonlight"
    assert np.ptp(fit.model() - sky) < 0.1 * SIGMA
    # Without the line only the darkest blocks speak, and the stated error says how little that is.
    alone = fit_sky(plane, shape_terms=terms, masked=everything, closed=CLOSED)
    assert alone.sky_share == 0.0
    assert sky_uncertainty(alone) > 3 * sky_uncertainty(fit)
    assert abs((alone.model() - sky).mean()) < 3 * sky_uncertainty(alone)


def test_wrong_direction_is_told_by_the_error():
    noise = SIGMA * np.random.default_rng(2).standard_normal(SHAPE)
    sky = surface(np.array([0.1, 0.01, 0.0]))
    plane = (sky + noise).astype(np.float32)
    right, wrong = (
        fit_sky(plane, shape_terms=shape_towards(angle, SHAPE), masked=CLOSED) for angle in (0.0, 60.0)
    )
    assert sky_uncertainty(right) < 0.05 * SIGMA
    assert sky_uncertainty(wrong) > 0.5 * np.sqrt(np.mean((wrong.model() - sky) ** 2))


def dim(seed, strength, **changes):
    """Return a fit to a sky of 0.1 with a strength of moonlight, and the strength's true value."""
    noise = SIGMA * np.random.default_rng(seed).standard_normal(SHAPE)
    terms = shape_towards(20.0, SHAPE)
    sky = 0.1 + strength * surface(np.concatenate([[0.0], terms[1:]]))
    return fit_sky((sky + noise).astype(np.float32), shape_terms=terms, masked=CLOSED, **changes), sky


def test_moonlight_is_never_below_nought():
    fit, sky = dim(4, -0.01)
    assert fit.strength.held and fit.strength.value == 0.0
    assert fit.strength.free == pytest.approx(-0.01, rel=0.02)
    np.testing.assert_array_equal(fit.coefficients[1:], 0.0)
    assert fit.coefficients[0] == pytest.approx(0.1, abs=0.02 * SIGMA)
    # A slope that the bound forbids is no moonlight, but it is there: the uncertainty of the sky holds it.
    assert sky_uncertainty(fit) > 0.9 * np.sqrt(np.mean((fit.model() - sky) ** 2))
    assert not dim(4, 0.01)[0].strength.held


@pytest.mark.parametrize("strength", [0.0, 1e-5, 1e-4])
def test_error_of_a_strength_near_nought_holds_the_truth(strength):
    # The standard error of a free strength is 2.2e-5 here: none, half of it, five times it.
    fits = [dim(100 + seed, strength)[0].strength for seed in range(120)]
    pulls = np.array([(fit.value - strength) / fit.error for fit in fits])
    held = [fit for fit in fits if fit.held]
    assert all(0.0 < fit.error < fit.free_error and fit.value == 0.0 for fit in held)
    if strength == 0.0:
        # Half of all draws come out below 0.
        assert 40 < len(held) < 80
    # 68 and 95 % of 120 draws, less 2.5 standard deviations of their counting; held draws hold 0 always.
    assert np.mean(np.abs(pulls) < 1.0) > 0.57
    assert np.mean(np.abs(pulls) < 2.0) > 0.90
    assert np.abs(pulls).max() < 5.0


def test_a_line_s_own_moonlight_is_never_below_nought():
    noise = SIGMA * np.random.default_rng(6).standard_normal(SHAPE)
    terms = shape_towards(20.0, SHAPE)
    tilted = surface(np.concatenate([[0.0], terms[1:]]))

    def under(part, degree):
        line = (0.02 + part * tilted + noise).astype(np.float32)
        return guide_by_line(line, masked=CLOSED, shape_terms=terms, degree=degree).fit

    along, against = under(0.005, 1), under(-0.005, 0)
    assert [fit.strength.held for fit in (along, against)] == [False, True]
    assert along.strength.value == pytest.approx(0.005, rel=0.1)
    np.testing.assert_array_equal(against.coefficients[1:], 0.0)
    assert sky_uncertainty(against) > 0.5 * np.sqrt(np.mean((against.model() - 0.02 + 0.005 * tilted) ** 2))
    # A line that surely slopes against the Moon has a sky of its own: a plane where one is allowed.
    plane = under(-0.005, 1)
    assert plane.strength is None and plane.degree == 1
    assert np.ptp(plane.model() - 0.02 + 0.005 * tilted) < 0.1 * SIGMA
    # No more than noise below 0: held.
    faint = [under(0.0, 1).strength] + [under(-1e-6 * k, 1).strength for k in range(20)]
    assert all(one is not None for one in faint)


def fitted(terms):
    noise = SIGMA * np.random.default_rng(3).standard_normal(SHAPE)
    return fit_sky((0.2 * surface(terms) + noise).astype(np.float32), degree=1, masked=CLOSED)


def test_slopes_that_agree_and_that_do_not():
    terms = moon_shape(PLACE, AIR, wcs=wcs(), shape=SHAPE)
    same = compare_slope(fitted(terms), terms)
    assert same is not None and same.agrees
    assert same.fitted_percent == pytest.approx(same.predicted_percent, rel=0.05)
    assert same.fitted_deg == pytest.approx(same.predicted_deg, abs=3.0)
    # The paper is good to 23 % at worst: a fifth more passes, half more does not.
    scaled = [np.concatenate([terms[:1], part * terms[1:]]) for part in (1.2, 1.5, -1.0)]
    checks = [compare_slope(fitted(part), terms) for part in scaled]
    assert [check.agrees for check in checks if check] == [True, False, False]


def test_level_that_cannot_be_sky_is_not_compared():
    fit = fitted(np.array([1.0, 0.1, 0.0]))
    assert compare_slope(replace(fit, level=-0.1), np.ones(6)) is None


@pytest.mark.parametrize(
    ("fitted_percent", "fitted_deg", "first"),
    [(0.2, 30.0, "frames of two orientations"), (3.0, 120.0, "street light"), (3.0, -160.0, "frames of two")],
)
def test_causes_in_order(fitted_percent, fitted_deg, first):
    check = SlopeCheck(
        predicted_percent=2.0,
        predicted_deg=20.0,
        fitted_percent=fitted_percent,
        fitted_deg=fitted_deg,
        off_percent=2.0,
        limit_percent=0.5,
    )
    text = likely_causes(check)
    assert text.startswith(first)
    for cause in ("street light", "glint", "corner glow", "meridian flip", "fog", "flats"):
        assert cause in text
    seen = likely_causes(check, glow=True)
    assert seen.startswith("a corner glow of the sensor (one corner stands out), ")
    assert seen.count("corner glow") == 1
