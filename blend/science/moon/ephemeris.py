"""Where the Moon, the Sun and a target stand in an observer's sky, without the network.

Positions are astropy's with its built-in ephemeris, topocentric, without refraction. Only tables that come
with astropy are read, so they are the same on a mountain without a line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import RLock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.quiet import quiet

Angles = NDArray[np.float64]

FIRST_YEAR, LAST_YEAR = 1900, 2100
"""Years that the series of the built-in ephemeris are meant for (from memory)."""

HEIGHTS_M = (-500.0, 10_000.0)
"""Of sites over the sea, from below the shore of the Dead Sea to above the highest summit (from memory)."""


_settings = RLock()


@dataclass(frozen=True, kw_only=True)
class SkyPlace:
    """Where things stand at one time, seen from one site."""

    time: datetime  # UTC
    # target_altitude_deg, moon_altitude_deg and sun_altitude_deg: above the true horizon, -90 to 90, without
    # refraction
    target_altitude_deg: float
    moon_altitude_deg: float
    sun_altitude_deg: float
    separation_deg: float  # between target and Moon, 0 to 180
    phase_angle_deg: float  # at the Moon between Sun and observer: 0 full, 180 new
    # moon_position_angle_deg and zenith_position_angle_deg: at the target, towards the Moon and towards the
    # zenith, from north over east, 0 to 360
    moon_position_angle_deg: float
    zenith_position_angle_deg: float

    @property
    def illuminated(self) -> float:
        """Lit share of the Moon's disc, 0 to 1."""
        return float(illuminated_fraction(self.phase_angle_deg))


def sky_places(
    *, ra_deg: float, dec_deg: float, times: Sequence[datetime], site: tuple[float, float, float]
) -> tuple[SkyPlace, ...]:
    """Return where target, Moon and Sun stand at each of some times.

    Parameters
    ----------
    ra_deg, dec_deg : float
        Of the target, ICRS, degrees.
    times : sequence of datetime
        UTC where they state no zone; years 1900 to 2100.
    site : (latitude, longitude, height)
        Degrees north, degrees east, metres above the ellipsoid.

    Returns
    -------
    tuple of SkyPlace
        In the order of the times.

    Raises
    ------
    ValueError
        A year, an angle or a number is out of range.

    Notes
    -----
    Target and Moon are taken into the horizon frame before they are compared: the Moon's parallax is up to
    one degree, and a separation between frames of different origin is wrong by as much. Beyond the tables of
    the Earth's rotation UT1 - UTC is taken as 0, worth at most 0.004 degrees while UTC keeps leap seconds.

    References
    ----------
    Meeus (1998), Astronomical Algorithms, ch. 47 (the built-in lunar series; from memory).
    """
    moments = [utc(time) for time in times]
    _check(ra_deg, dec_deg, moments, site)
    if not moments:
        return ()
    with bundled_tables():
        columns = _columns(ra_deg, dec_deg, moments, site)
    return tuple(
        SkyPlace(time=time, **{name: float(column[row]) for name, column in columns.items()})
        for row, time in enumerate(moments)
    )


@contextmanager
def bundled_tables() -> Iterator[None]:
    """Let astropy use only the tables it came with in the body; afterwards its settings are as before."""
    from astropy.utils import iers

    with ExitStack() as stack:
        # astropy's settings belong to the process: two threads would put back what the other still needs
        stack.enter_context(_settings)
        stack.enter_context(iers.conf.set_temp("auto_download", False))
        # Bundled predictions are good to a second for years; by default astropy refuses them after a month.
        stack.enter_context(iers.conf.set_temp("auto_max_age", None))
        stack.enter_context(iers.conf.set_temp("iers_degraded_accuracy", "ignore"))
        stack.enter_context(quiet())
        yield


def illuminated_fraction(phase_angle_deg: float | Angles) -> Angles:
    """Return the lit share of a sphere's disc, (1 + cos i) / 2.

    Examples
    --------
    >>> [round(float(illuminated_fraction(i)), 2) for i in (0.0, 60.0, 90.0, 120.0)]
    [1.0, 0.75, 0.5, 0.25]

    References
    ----------
    Meeus (1998), Astronomical Algorithms, ch. 48 (from memory).
    """
    return np.asarray((1.0 + np.cos(np.radians(phase_angle_deg))) / 2.0, dtype=np.float64)


def phase_angle(elongation_deg: Angles, moon_distance: Angles, sun_distance: Angles) -> Angles:
    """Return the angle at the Moon between Sun and observer, degrees.

    tan i = R sin e / (D - R cos e), with the elongation e, the Moon's distance D and the Sun's R in one unit.

    References
    ----------
    Derived here from the plane triangle; Meeus (1998), ch. 48, has the same (from memory).
    """
    elongation = np.radians(elongation_deg)
    across = sun_distance * np.sin(elongation)
    along = moon_distance - sun_distance * np.cos(elongation)
    return np.asarray(np.degrees(np.arctan2(across, along)), dtype=np.float64)


def utc(time: datetime) -> datetime:
    """Return the time in UTC; a time that states no zone is taken as UTC."""
    return time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)


def _check(
    ra_deg: float, dec_deg: float, moments: Sequence[datetime], site: tuple[float, float, float]
) -> None:
    latitude, longitude, height = site
    if not (math.isfinite(ra_deg) and abs(dec_deg) <= 90.0):
        raise ValueError(f"no place on the sky: right ascension {ra_deg}, declination {dec_deg} degrees")
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 360.0 and HEIGHTS_M[0] <= height <= HEIGHTS_M[1]):
        raise ValueError(f"no place on Earth: {site} (latitude, longitude, height in metres)")
    for moment in moments:
        if not FIRST_YEAR <= moment.year <= LAST_YEAR:
            raise ValueError(f"the year {moment.year} is outside {FIRST_YEAR} to {LAST_YEAR}")


def _columns(
    ra_deg: float, dec_deg: float, moments: Sequence[datetime], site: tuple[float, float, float]
) -> dict[str, Angles]:
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body
    from astropy.time import Time

    latitude, longitude, height = site
    where = EarthLocation.from_geodetic(lon=longitude * u.deg, lat=latitude * u.deg, height=height * u.m)
    when = Time([moment.replace(tzinfo=None).isoformat() for moment in moments], scale="utc")
    frame = AltAz(obstime=when, location=where)  # pressure 0: no refraction
    target = SkyCoord(ra=ra_deg * u.deg, dec=dec_deg * u.deg, frame="icrs")
    here = target.transform_to(frame)
    moon = get_body("moon", when, where, ephemeris="builtin").transform_to(frame)
    sun = get_body("sun", when, where, ephemeris="builtin").transform_to(frame)
    moon_at, sun_at = (_direction(body.az, body.alt, frame) for body in (moon, sun))
    zenith = _direction(0.0 * here.alt, 90.0 * u.deg + 0.0 * here.alt, frame)
    return {
        "target_altitude_deg": _degrees(here.alt),
        "moon_altitude_deg": _degrees(moon.alt),
        "sun_altitude_deg": _degrees(sun.alt),
        "separation_deg": _degrees(here.separation(moon_at)),
        "phase_angle_deg": phase_angle(
            _degrees(moon_at.separation(sun_at)),
            np.asarray(moon.distance.to_value(u.km)),
            np.asarray(sun.distance.to_value(u.km)),
        ),
        "moon_position_angle_deg": _bearing(target, moon_at),
        "zenith_position_angle_deg": _bearing(target, zenith),
    }


def _direction(azimuth: Any, altitude: Any, frame: Any) -> Any:
    """Return a direction without a distance, so that no parallax comes off on the way to another frame."""
    from astropy.coordinates import SkyCoord

    return SkyCoord(az=azimuth, alt=altitude, frame=frame)


def _bearing(target: Any, direction: Any) -> Angles:
    return _degrees(target.position_angle(direction.transform_to("icrs"))) % 360.0


def _degrees(angle: Any) -> Angles:
    from astropy import units as u

    return np.atleast_1d(np.asarray(angle.to_value(u.deg), dtype=np.float64))
