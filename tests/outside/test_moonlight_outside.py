"""Moonlight, Moon and Sun against published numbers and against programs of other people.

The numbers are those of the equations of Krisciunas & Schaefer (1991), PASP 103, 1033, worked out apart from
the code, and the worked example in the documentation of specsim. Positions are compared with those of ephem,
whose lunar theory and rotation of the Earth are its own.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from blend.science.moon.ephemeris import illuminated_fraction, sky_places
from blend.science.moon.sky_brightness import (
    ZENITH_MAG,
    brightening,
    dark_sky,
    dark_sky_zenith_slope,
    magnitudes,
    mie,
    moon_illuminance,
    moonlight,
    moonlight_zenith_slope,
    nanolamberts,
    scattering,
    scattering_airmass,
    scattering_slope,
)

SITES = ((48.1, 11.6, 520.0), (-30.2, -70.7, 2700.0), (0.3, 36.9, 1800.0), (64.1, -21.9, 30.0))
TIMES = [datetime(2019, 1, 5, 3, 20, tzinfo=UTC) + timedelta(days=97.37 * step) for step in range(20)]


@pytest.mark.parametrize(
    ("mag", "expected"), [(21.587, 79.006), (22, 54.008), (21, 135.66), (20, 340.77), (18, 2150.1)]
)
def test_nanolamberts_follow_eq_1(mag: float, expected: float) -> None:
    assert float(nanolamberts(mag)) == pytest.approx(expected, rel=3e-5)  # five printed figures


@pytest.mark.parametrize(("mag", "luminance"), [(m, 10.8e4 * 10 ** (-0.4 * m)) for m in (18.0, 20.0, 22.0)])
def test_nanolamberts_agree_with_candelas(mag: float, luminance: float) -> None:
    # 1 nL is 1e-5 / pi cd/m2; L = 10.8e4 10^(-0.4 V) is common practice, rounded to three figures.
    assert float(nanolamberts(mag)) * 1e-5 / math.pi == pytest.approx(luminance, rel=0.005)


@pytest.mark.parametrize(
    ("separation", "expected"), [(30, 665_835.7), (60, 344_772.0), (90, 250_775.3), (120, 301_516.2)]
)
def test_scattering_follows_eqs_16_to_21(separation: float, expected: float) -> None:
    assert float(scattering(separation)) == pytest.approx(expected, abs=0.06)  # printed to one decimal


def test_scattering_is_least_just_beyond_a_right_angle() -> None:
    angles = np.arange(60.0, 120.0, 0.1)
    values = scattering(angles)
    assert angles[np.argmin(values)] == pytest.approx(92.8, abs=0.11)
    assert values.min() == pytest.approx(250_139, abs=1.0)


def test_scattering_steps_at_ten_degrees_as_published() -> None:
    below, at = math.nextafter(10.0, 0.0), 10.0
    # Outwards, from eq. 19 to eq. 18, the function steps up where it ought to fall.
    assert float(mie(at) / mie(below)) == pytest.approx(1.281, abs=5e-4)
    assert float(scattering(at) / scattering(below)) == pytest.approx(1.161, abs=5e-4)


def test_moon_illuminance_follows_eq_20() -> None:
    assert float(moon_illuminance(0.0)) == pytest.approx(0.0291072, abs=5e-8)
    ratio = moon_illuminance([30.0, 60.0, 90.0, 120.0]) / moon_illuminance(0.0)
    # A half-lit Moon gives 9 % of the full Moon's light; an angle in radians would give 39 %.
    np.testing.assert_allclose(ratio, [0.48608, 0.22660, 0.09100, 0.02632], atol=6e-6)


def test_scattering_airmass_follows_eq_3() -> None:
    np.testing.assert_allclose(
        scattering_airmass([0, 60, 75, 80, 85, 90]), [1, 1.8898, 3.0963, 3.8084, 4.598, 5], atol=6e-4
    )


@pytest.mark.parametrize(
    ("angles", "extinction", "light", "alone", "total", "change"),
    [
        ((60, 0, 30, 60), 0.172, 1236.08, 18.601, 18.526, -2.937),
        ((90, 60, 40, 60), 0.172, 226.21, 20.445, 20.057, -1.305),
        ((30, 90, 45, 45), 0.25, 350.30, 19.970, 19.697, -1.632),
        ((120, 30, 20, 70), 0.25, 512.70, 19.556, 19.394, -2.144),
    ],
)
def test_moonlight_follows_eqs_2_15_22(
    angles: tuple[float, float, float, float],
    extinction: float,
    light: float,
    alone: float,
    total: float,
    change: float,
) -> None:
    separation, phase, target, moon = angles
    found = moonlight(
        separation,
        phase_angle_deg=phase,
        target_zenith_deg=target,
        moon_zenith_deg=moon,
        extinction=extinction,
    )
    dark = dark_sky(target, zenith_mag=ZENITH_MAG, extinction=extinction)
    assert float(found) == pytest.approx(light, abs=0.006)
    assert float(magnitudes(found)) == pytest.approx(alone, abs=6e-4)
    # The printed totals take the zenith as 79 nL flat, which is 1e-4 mag from V = 21.587.
    assert float(magnitudes(found + dark)) == pytest.approx(total, abs=7e-4)
    assert float(brightening(found, dark)) == pytest.approx(change, abs=7e-4)


SPECSIM_EXAMPLE = 19.855
"""mag/arcsec2, printed in the documentation of specsim.atmosphere.krisciunas_schaefer."""


def test_moonlight_gives_the_worked_example_of_specsim() -> None:
    light = _example(separation=50.0, phase=45.0, target=20.0, moon=70.0, extinction=0.15)
    assert light == pytest.approx(389.516, abs=6e-4)
    assert round(float(magnitudes(light)), 3) == SPECSIM_EXAMPLE


def test_moonlight_agrees_with_specsim_beyond_ten_degrees() -> None:
    atmosphere = pytest.importorskip("specsim.atmosphere")
    from astropy import units as u

    rng = np.random.default_rng(11)
    target, moon = rng.uniform(0, 80, 50), rng.uniform(0, 85, 50)
    separation, phase = rng.uniform(10, 150, 50), rng.uniform(0, 140, 50)
    theirs = atmosphere.krisciunas_schaefer(
        target * u.deg, moon * u.deg, separation * u.deg, phase / 180.0, 0.2
    )
    ours = moonlight(
        separation, phase_angle_deg=phase, target_zenith_deg=target, moon_zenith_deg=moon, extinction=0.2
    )
    np.testing.assert_allclose(magnitudes(ours), theirs.value, atol=1e-9)  # one formula, written twice


@pytest.mark.parametrize(
    ("separation", "v", "h_alpha", "blue"),
    [
        (15, -3.45, -4.30, -2.40),
        (20, -3.17, -4.05, -2.18),
        (30, -2.69, -3.55, -1.89),
        (40, -2.33, -3.08, -1.72),
        (60, -1.75, -2.22, -1.44),
        (75, -1.11, -1.42, -0.93),
        (90, -0.18, -0.36, -0.08),
        (105, 0.69, 0.61, 0.74),
        (120, 1.12, 1.09, 1.14),
        (135, 1.11, 1.10, 1.11),
    ],
)
def test_scattering_slope_in_three_colours(separation: float, v: float, h_alpha: float, blue: float) -> None:
    # Derived from eqs. 17 and 18, percent a degree; the line is taken at 656 nm and blue at 450 nm.
    for wavelength, expected in ((550.0, v), (656.0, h_alpha), (450.0, blue)):
        found = 100.0 * float(scattering_slope(separation, wavelength_nm=wavelength))
        assert found == pytest.approx(expected, abs=0.006)


def test_zenith_slopes() -> None:
    # Derived from eqs. 2 and 15, percent a degree.
    zenith = np.array([20.0, 30, 40, 50, 60, 70])
    np.testing.assert_allclose(
        100 * moonlight_zenith_slope(zenith, extinction=0.25),
        [0.54, 0.83, 1.18, 1.58, 2.07, 2.60],
        atol=0.006,
    )
    np.testing.assert_allclose(
        100 * moonlight_zenith_slope(zenith, extinction=0.172),
        [0.56, 0.87, 1.23, 1.67, 2.22, 2.87],
        atol=0.006,
    )
    np.testing.assert_allclose(
        100 * dark_sky_zenith_slope(zenith, extinction=0.25), [0.46, 0.70, 0.96, 1.23, 1.46, 1.45], atol=0.006
    )


@pytest.mark.parametrize(
    ("phase", "zenith_mag", "expected"),
    [
        (0, 21.587, -2.62),
        (45, 21.587, -2.49),
        (90, 21.587, -2.07),
        (0, 20.5, -2.51),
        (45, 20.5, -2.21),
        (90, 20.5, -1.49),
    ],
)
def test_dark_sky_dilutes_the_slope(phase: float, zenith_mag: float, expected: float) -> None:
    # Derived from eqs. 2, 15 and 18: target at Z = 40, Moon at Z = 50, 30 degrees apart, k = 0.25.
    light = _example(separation=30.0, phase=phase, target=40.0, moon=50.0, extinction=0.25)
    dark = float(dark_sky(40.0, zenith_mag=zenith_mag, extinction=0.25))
    found = 100.0 * float(scattering_slope(30.0)) * light / (light + dark)
    assert found == pytest.approx(expected, abs=0.006)


@pytest.mark.parametrize(
    ("separation", "phase", "share"), [(15, 0, 0.98), (90, 0, 0.93), (15, 90, 0.84), (90, 90, 0.56)]
)
def test_share_of_the_sky_that_is_moonlight(separation: float, phase: float, share: float) -> None:
    # Derived from eqs. 2, 15 and 18 as above: what dilutes a slope.
    light = _example(separation=separation, phase=phase, target=40.0, moon=50.0, extinction=0.25)
    dark = float(dark_sky(40.0, zenith_mag=21.587, extinction=0.25))
    assert light / (light + dark) == pytest.approx(share, abs=0.006)


@pytest.mark.parametrize(("phase", "lit"), [(0, 1.0), (60, 0.75), (90, 0.5), (120, 0.25)])
def test_lit_share_of_a_phase_angle(phase: float, lit: float) -> None:
    # (1 + cos i) / 2: Meeus, Astronomical Algorithms; from memory.
    assert float(illuminated_fraction(phase)) == pytest.approx(lit, abs=1e-9)


def test_a_moon_lit_to_88_percent_has_a_phase_angle_of_40_degrees() -> None:
    assert float(illuminated_fraction(40.5)) == pytest.approx(0.88, abs=6e-4)


def test_moon_sun_and_target_stand_where_ephem_has_them() -> None:
    ephem = pytest.importorskip("ephem")
    ra, dec = 202.4696, 47.1953
    seen = [
        (site, place)
        for number, site in enumerate(SITES)
        for place in sky_places(ra_deg=ra, dec_deg=dec, times=TIMES[number :: len(SITES)], site=site)
    ]
    assert len(seen) == 20
    for site, place in seen:
        observer = _observer(ephem, place.time, site)
        bodies = [ephem.Moon(observer), ephem.Sun(observer), _fixed(ephem, observer, ra, dec)]
        moon, sun, target = (np.array([float(body.az), float(body.alt)]) for body in bodies)
        found = np.array([place.moon_altitude_deg, place.sun_altitude_deg, place.target_altitude_deg])
        expected = np.degrees([moon[1], sun[1], target[1]])
        np.testing.assert_allclose(found, expected, atol=0.02)
        separation = math.degrees(float(ephem.separation(tuple(moon), tuple(target))))
        assert place.separation_deg == pytest.approx(separation, abs=0.02)
        # Bearings are from the north of the ICRS, ephem's from that of date: precession turns them by 0.07.
        zenith = SimpleNamespace(ra=observer.sidereal_time(), dec=observer.lat)
        assert _turn(place.zenith_position_angle_deg - _bearing(bodies[2], zenith)) < 0.15
        assert _turn(place.moon_position_angle_deg - _bearing(bodies[2], bodies[0])) < 0.15
        assert place.illuminated == pytest.approx(_lit(ephem, observer, site), abs=0.001)


def _example(*, separation: float, phase: float, target: float, moon: float, extinction: float) -> float:
    return float(
        moonlight(
            separation,
            phase_angle_deg=phase,
            target_zenith_deg=target,
            moon_zenith_deg=moon,
            extinction=extinction,
        )
    )


def _turn(angle_deg: float) -> float:
    return abs((angle_deg + 180.0) % 360.0 - 180.0)


def _bearing(one, other) -> float:  # type: ignore[no-untyped-def]
    """Return the position angle from one body to another, by the four-part formula."""
    step = float(other.ra) - float(one.ra)
    north = math.cos(one.dec) * math.tan(other.dec) - math.sin(one.dec) * math.cos(step)
    return math.degrees(math.atan2(math.sin(step), north))


def _observer(ephem, time: datetime, site: tuple[float, float, float]):  # type: ignore[no-untyped-def]
    observer = ephem.Observer()
    observer.lat, observer.lon = str(site[0]), str(site[1])
    observer.elevation, observer.pressure = site[2], 0.0  # no air: no refraction, as here
    observer.date = time.replace(tzinfo=None)
    return observer


def _fixed(ephem, observer, ra_deg: float, dec_deg: float):  # type: ignore[no-untyped-def]
    body = ephem.FixedBody()
    body._ra, body._dec = math.radians(ra_deg), math.radians(dec_deg)
    body._epoch = ephem.J2000
    body.compute(observer)
    return body


def _lit(ephem, observer, site: tuple[float, float, float]) -> float:  # type: ignore[no-untyped-def]
    """Return the lit share that an observer sees: ephem's own is that of the Earth's centre.

    The angle at the Moon between two vectors, from ephem's geocentric places of date, the observer's place on
    the WGS 84 ellipsoid under ephem's sidereal time taken off both.
    """
    moon, sun = ephem.Moon(observer), ephem.Sun(observer)
    au_km = 149_597_870.7
    sidereal, latitude = float(observer.sidereal_time()), math.radians(site[0])
    square = 0.00669437999
    normal = 6378.137 / math.sqrt(1.0 - square * math.sin(latitude) ** 2)
    around = (normal + site[2] / 1000.0) * math.cos(latitude)
    here = np.array(
        [
            around * math.cos(sidereal),
            around * math.sin(sidereal),
            (normal * (1.0 - square) + site[2] / 1000.0) * math.sin(latitude),
        ]
    )
    geocentric = [
        body.earth_distance
        * au_km
        * np.array(
            [
                math.cos(body.g_ra) * math.cos(body.g_dec),
                math.sin(body.g_ra) * math.cos(body.g_dec),
                math.sin(body.g_dec),
            ]
        )
        for body in (moon, sun)
    ]
    to_observer, to_sun = here - geocentric[0], geocentric[1] - geocentric[0]
    cosine = to_observer @ to_sun / np.linalg.norm(to_observer) / np.linalg.norm(to_sun)
    return float((1.0 + cosine) / 2.0)
