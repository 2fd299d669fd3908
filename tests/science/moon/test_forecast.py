"""Forecasts against a slow evaluation of the whole model, and slopes against pictures drawn from them."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blend.science.moon.ephemeris import SkyPlace
from blend.science.moon.forecast import (
    H_ALPHA_NM,
    Conditions,
    Slope,
    predict,
    predict_at,
    sky_slope,
    slope_in_pixels,
)
from blend.science.moon.night import best_hours, half_hours
from blend.science.moon.sky_brightness import dark_sky, magnitudes, moonlight

NIGHT = datetime(2024, 3, 22, 22, tzinfo=UTC)


def unit(altitude_deg: float, azimuth_deg: float) -> np.ndarray:
    """Return a direction as (north, east, up)."""
    altitude, azimuth = math.radians(altitude_deg), math.radians(azimuth_deg)
    return np.array(
        [math.cos(altitude) * math.cos(azimuth), math.cos(altitude) * math.sin(azimuth), math.sin(altitude)]
    )


def angle(one: np.ndarray, other: np.ndarray) -> float:
    """Return the angle between two directions in degrees."""
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(one, other))), float(one @ other)))


def up_and_left(target: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the tangents at a direction towards the zenith and to the left of it, looking up from inside."""
    up = np.array([0.0, 0.0, 1.0]) - target[2] * target
    up /= np.linalg.norm(up)
    return up, np.cross(target, up)


def placed(
    target: tuple[float, float], moon: tuple[float, float], *, zenith_angle: float = 25.0, phase: float = 30.0
) -> SkyPlace:
    """Return a place from altitudes and azimuths; position angles turn to the left on the sky."""
    here, there = unit(*target), unit(*moon)
    up, left = up_and_left(here)
    turn = math.degrees(math.atan2(float(there @ left), float(there @ up)))
    return SkyPlace(
        time=NIGHT,
        target_altitude_deg=target[0],
        moon_altitude_deg=moon[0],
        sun_altitude_deg=-40.0,
        separation_deg=angle(here, there),
        phase_angle_deg=phase,
        moon_position_angle_deg=(zenith_angle + turn) % 360.0,
        zenith_position_angle_deg=zenith_angle,
    )


def whole_sky(here: np.ndarray, there: np.ndarray, wavelength_nm: float, conditions: Conditions) -> float:
    """Return moonlit and dark sky together, nL, in one direction."""
    zenith = angle(here, np.array([0.0, 0.0, 1.0]))
    light = moonlight(
        angle(here, there),
        phase_angle_deg=30.0,
        target_zenith_deg=zenith,
        moon_zenith_deg=angle(there, np.array([0.0, 0.0, 1.0])),
        extinction=conditions.extinction,
        wavelength_nm=wavelength_nm,
    )
    return float(light + dark_sky(zenith, zenith_mag=conditions.zenith_mag, extinction=conditions.extinction))


@pytest.mark.parametrize("wavelength", [550.0, H_ALPHA_NM])
@pytest.mark.parametrize(
    ("target", "moon"),
    [((50, 180), (40, 220)), ((30, 90), (20, 60)), ((65, 300), (15, 100)), ((40, 10), (-5, 60))],
)
def test_slope_is_the_gradient_of_the_whole_model(
    target: tuple[float, float], moon: tuple[float, float], wavelength: float
) -> None:
    conditions = Conditions(extinction=0.25, zenith_mag=20.5)
    place = placed(target, moon)
    here, there = unit(*target), unit(*moon)
    step = 1e-3
    change = []
    for tangent in up_and_left(here):
        ends = [
            math.log(whole_sky(here * math.cos(s) + tangent * math.sin(s), there, wavelength, conditions))
            for s in (math.radians(step), -math.radians(step))
        ]
        change.append(100.0 * (ends[0] - ends[1]) / (2.0 * step))
    found = sky_slope(place, conditions, wavelength_nm=wavelength)
    # Central differences over 0.002 degrees: the third derivative enters with 1e-7 of the slope.
    assert found.percent_per_deg == pytest.approx(math.hypot(*change), rel=1e-5)
    towards = (25.0 + math.degrees(math.atan2(change[1], change[0]))) % 360.0
    assert found.position_angle_deg == pytest.approx(towards, abs=1e-3)


def test_levels_add_and_factors_follow() -> None:
    conditions = Conditions(extinction=0.25, zenith_mag=21.0, width_nm=7.0, broad_width_nm=100.0)
    place = placed((50, 180), (40, 220))
    found = predict_at(place, conditions)
    sky = whole_sky(unit(50, 180), unit(40, 220), 550.0, conditions)
    line = whole_sky(unit(50, 180), unit(40, 220), H_ALPHA_NM, conditions)
    dark = float(dark_sky(40.0, zenith_mag=21.0, extinction=0.25))
    assert found.sky_with_moon_mag == pytest.approx(float(magnitudes(sky)), abs=1e-4)  # 0.92104 is rounded
    assert found.broad_time_factor == pytest.approx(sky / dark, rel=1e-12)
    assert found.line_time_factor == pytest.approx(line / dark, rel=1e-12)
    assert found.line_sky_share == pytest.approx(0.07 * line / dark, rel=1e-12)
    assert found.line_time_factor < found.broad_time_factor
    order = [found.colour_slopes[name].percent_per_deg for name in ("blue", "green", "red", "H-alpha")]
    assert order == sorted(order)  # redder is steeper this close to the Moon


def test_two_magnitudes_cost_six_times_the_time() -> None:
    # Sky-limited: noise grows by 10^(0.2 dV), time by 10^(0.4 dV); 2 mag is 6.31 (derived).
    assert pytest.approx(6.31, abs=0.001) == 10 ** (0.4 * 2.0)
    place = placed((50, 180), (40, 220))
    found = predict_at(place, Conditions())
    assert math.log10(found.broad_time_factor) == pytest.approx(0.4 * found.brighter_by_mag, rel=1e-12)


def test_no_moon_no_change() -> None:
    found = predict_at(placed((50, 180), (-1, 220)), Conditions())
    assert not found.moon_up
    assert found.sky_with_moon_mag == found.sky_without_moon_mag
    assert (found.brighter_by_mag, found.broad_time_factor, found.line_time_factor) == (0.0, 1.0, 1.0)
    assert math.copysign(1.0, found.brighter_by_mag) == 1.0
    assert found.slope.position_angle_deg == pytest.approx(25.0 + 180.0)  # away from the zenith


def test_a_target_below_the_horizon_is_told_as_nan() -> None:
    found = predict_at(placed((-3, 180), (40, 220)), Conditions())
    assert not found.target_up
    values = (found.sky_without_moon_mag, found.sky_with_moon_mag, found.broad_time_factor)
    assert all(map(math.isnan, (*values, found.line_time_factor, found.slope.percent_per_deg)))


@pytest.mark.parametrize(
    ("sun", "twilight", "up"), [(-18.1, False, False), (-17.9, True, False), (0.0, True, True)]
)
def test_the_sun_is_told_of(sun: float, twilight: bool, up: bool) -> None:
    found = predict_at(replace(placed((50, 180), (40, 220)), sun_altitude_deg=sun), Conditions())
    assert (found.twilight, found.sun_up) == (twilight, up)


def test_predict_puts_place_and_model_together() -> None:
    found = predict(ra_deg=202.47, dec_deg=47.2, time=NIGHT, site=(48.0, 11.0, 500.0))
    assert found == predict_at(found.place, Conditions())
    assert found.place.illuminated == pytest.approx(0.951, abs=0.001)
    assert found.place.time == NIGHT


@pytest.mark.parametrize("wrong", [{"extinction": 0.0}, {"width_nm": -7.0}, {"zenith_mag": math.nan}])
def test_conditions_that_cannot_be_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        Conditions(**wrong)  # type: ignore[arg-type]


def picture_wcs(cd: list[list[float]], *, ctype: tuple[str, str] = ("RA---TAN", "DEC--TAN")):  # type: ignore[no-untyped-def]
    """Return world coordinates of a picture of 60 x 80 pixels, middle at (200, 47)."""
    from astropy.wcs import WCS

    wcs = WCS(naxis=2)
    wcs.wcs.ctype = list(ctype)
    wcs.wcs.crval = [200.0, 47.0]
    wcs.wcs.crpix = [40.5, 30.5]
    wcs.wcs.cd = np.array(cd)
    wcs.wcs.set()
    return wcs


@pytest.mark.parametrize(
    ("cd", "position_angle", "direction"),
    [
        ([[-0.01, 0.0], [0.0, 0.01]], 0.0, 90.0),  # north along y, east to the left
        ([[-0.01, 0.0], [0.0, 0.01]], 90.0, 180.0),
        ([[0.01, 0.0], [0.0, 0.01]], 90.0, 0.0),  # mirrored
        ([[-0.01, 0.0], [0.0, -0.01]], 0.0, -90.0),  # rows from the top
    ],
)
def test_slope_points_along_the_axes(cd: list[list[float]], position_angle: float, direction: float) -> None:
    slope = Slope(percent_per_deg=2.0, position_angle_deg=position_angle)
    found = slope_in_pixels(slope, picture_wcs(cd), (60, 80))
    assert math.cos(math.radians(found.direction_deg - direction)) == pytest.approx(1.0, abs=1e-9)
    assert math.hypot(found.x_percent_per_px, found.y_percent_per_px) == pytest.approx(0.02, rel=1e-6)


@pytest.mark.parametrize("ctype", [("RA---TAN", "DEC--TAN"), ("GLON-TAN", "GLAT-TAN")])
@pytest.mark.parametrize(
    "cd",
    [
        [[-0.008, 0.006], [0.006, 0.008]],
        [[0.004, 0.0], [0.0, 0.009]],  # pixels that are not square, mirrored
        [[-0.01, 0.003], [0.001, 0.007]],  # axes not at right angles
    ],
)
def test_slope_is_that_of_a_picture_drawn_from_it(cd: list[list[float]], ctype: tuple[str, str]) -> None:
    wcs = picture_wcs(cd, ctype=ctype)
    slope = Slope(percent_per_deg=3.0, position_angle_deg=130.0)
    y, x = np.mgrid[0:60, 0:80]
    middle = wcs.pixel_to_world(39.5, 29.5).icrs
    sky = wcs.pixel_to_world(x, y).icrs
    distance, bearing = middle.separation(sky).deg, middle.position_angle(sky).rad
    picture = 100.0 + 3.0 * distance * np.cos(bearing - math.radians(130.0))
    down, along = np.gradient(picture)
    found = slope_in_pixels(slope, wcs, (60, 80))
    # Curvature of the tangent plane over half a degree is 1e-4 of the slope.
    assert_allclose([found.x_percent_per_px, found.y_percent_per_px], [along.mean(), down.mean()], atol=2e-5)
    assert found.across_percent == pytest.approx(np.ptp(picture), rel=2e-3)


def test_half_hours_run_from_noon_to_noon() -> None:
    for longitude in (-150.0, 0.0, 11.3, 179.0):
        times = half_hours(NIGHT + timedelta(seconds=17), longitude_deg=longitude)
        assert times[0] - timedelta(minutes=30) <= NIGHT <= times[-1] + timedelta(minutes=30)
        local = times[0] + timedelta(hours=longitude / 15.0)
        assert timedelta() <= local - local.replace(hour=12, minute=0, second=0) < timedelta(minutes=30)
        assert all(time.minute in (0, 30) and time.second == 0 for time in times)


def test_best_hours_follow_moonset() -> None:
    night = [
        predict_at(
            replace(
                placed((60, 180), (25.0 - 10.0 * hour, 250)),
                time=NIGHT + hour * timedelta(minutes=30),
                target_altitude_deg=60.0 - 5.0 * hour,
            ),
            Conditions(),
        )
        for hour in range(9)
    ]
    best = best_hours(night)
    assert best is not None
    # The Moon sets between rows 2 and 3; row 6 is the last with the target at 30 degrees.
    assert best.moonless
    assert best.begin == NIGHT + timedelta(minutes=90)
    assert best.darkest_mag == night[3].sky_without_moon_mag
    assert best.end <= NIGHT + timedelta(minutes=180)


def test_no_best_hours_in_twilight_or_too_low() -> None:
    place = placed((50, 180), (40, 220))
    low = predict_at(replace(place, target_altitude_deg=29.0), Conditions())
    light = predict_at(replace(place, sun_altitude_deg=-15.0), Conditions())
    assert best_hours([low, light]) is None
    assert best_hours([]) is None
