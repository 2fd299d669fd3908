"""What the Moon does to one target's sky: level, exposure time and the direction of the gradient.

A forecast tells an observer when to work, and whoever looks at a fitted gradient what to expect of it. It
carries the error of its model, 8 to 23 %, and is never subtracted from a picture.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any

import numpy as np

from blend.science.moon.ephemeris import SkyPlace, sky_places
from blend.science.moon.sky_brightness import (
    REFERENCE_NM,
    ZENITH_MAG,
    brightening,
    dark_sky,
    dark_sky_zenith_slope,
    magnitudes,
    moonlight,
    moonlight_zenith_slope,
    scattering_slope,
)

H_ALPHA_NM = 656.28
"""In air (NIST Atomic Spectra Database, from memory)."""
COLOURS_NM = MappingProxyType({"red": 620.0, "green": 530.0, "blue": 450.0, "H-alpha": H_ALPHA_NM})
"""Middles of the planes of a colour camera (common practice), and the line."""

NIGHT_SUN_DEG = -18.0
"""Sun altitude under which the sky has no twilight (astronomical twilight, common practice)."""
DAY_SUN_DEG = -1.0
"""Sun altitude from which a part of the disc may be seen: half a disc and the refraction of the horizon."""


@dataclass(frozen=True, kw_only=True)
class Conditions:
    """What a forecast assumes of air, site and filters."""

    extinction: float = 0.25  # k in V, magnitudes per airmass, > 0
    zenith_mag: float = ZENITH_MAG  # Moonless zenith, V per square arcsecond
    # width_nm and broad_width_nm: of the line filter, and of the colour plane it is compared with
    width_nm: float = 7.0
    broad_width_nm: float = 100.0

    def __post_init__(self) -> None:
        for name in ("extinction", "width_nm", "broad_width_nm"):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} is {getattr(self, name)}, and must be above 0")
        if not math.isfinite(self.zenith_mag):
            raise ValueError(f"zenith_mag is {self.zenith_mag}")


@dataclass(frozen=True, kw_only=True)
class Slope:
    """How the whole sky, moonlit and dark part together, changes across the target."""

    percent_per_deg: float  # of the sky's level there, >= 0; NaN where the target is below the horizon
    position_angle_deg: float  # where it brightens to, from north over east, 0 to 360


@dataclass(frozen=True, kw_only=True)
class PixelSlope:
    """A slope on a picture's grid."""

    # x_percent_per_px and y_percent_per_px: change of the sky along a row and down a column of the array
    x_percent_per_px: float
    y_percent_per_px: float
    direction_deg: float  # where it brightens to, from the x axis towards the y axis, -180 to 180
    across_percent: float  # peak to peak over the frame, in % of the level at its middle


@dataclass(frozen=True, kw_only=True)
class MoonPrediction:
    """The sky at a target, as `predict` expects it; brightness in V magnitudes per square arcsecond."""

    place: SkyPlace  # where target, Moon and Sun stand
    conditions: Conditions  # what was assumed
    # sky_without_moon_mag and sky_with_moon_mag: NaN where the target is below the horizon; so are all that
    # follow
    sky_without_moon_mag: float
    sky_with_moon_mag: float
    brighter_by_mag: float  # >= 0
    # exposure time for the signal-to-noise of a moonless night, sky-limited, no filter: 10^(0.4 brighter_by_mag)
    broad_time_factor: float
    # the same through the line filter, against a moonless night through the same filter
    line_time_factor: float
    # Sky through the line filter under this Moon over sky through the colour filter without it: time factor for
    # the line's light alone, both sky-limited. Below 1 the filter beats colour in the dark.
    line_sky_share: float
    slope: Slope  # in V
    # slope of ``red``, ``green``, ``blue`` and ``H-alpha``
    colour_slopes: Mapping[str, Slope] = field(default_factory=dict)

    @property
    def moon_up(self) -> bool:
        """Whether the Moon is above the horizon."""
        return self.place.moon_altitude_deg >= 0.0

    @property
    def target_up(self) -> bool:
        """Whether the target is above the horizon."""
        return self.place.target_altitude_deg >= 0.0

    @property
    def twilight(self) -> bool:
        """Whether the Sun lights the sky, which the model does not know of."""
        return self.place.sun_altitude_deg > NIGHT_SUN_DEG

    @property
    def sun_up(self) -> bool:
        """Whether a part of the Sun may be above the horizon."""
        return self.place.sun_altitude_deg > DAY_SUN_DEG


def predict(
    *,
    ra_deg: float,
    dec_deg: float,
    time: datetime,
    site: tuple[float, float, float],
    conditions: Conditions | None = None,
) -> MoonPrediction:
    """Return what the Moon does to the sky at a target.

    Parameters
    ----------
    ra_deg, dec_deg : float
        Of the target, ICRS, degrees.
    time : datetime
        UTC where it states no zone.
    site : (latitude, longitude, height)
        Degrees north, degrees east, metres.
    conditions : Conditions, optional
        The air, the site's own sky and the filters.

    Raises
    ------
    ValueError
        An angle, the year or the site is out of range.

    References
    ----------
    Krisciunas & Schaefer (1991), PASP 103, 1033, good to 8 to 23 %.
    """
    places = sky_places(ra_deg=ra_deg, dec_deg=dec_deg, times=[time], site=site)
    return predict_at(places[0], conditions or Conditions())


def predict_at(place: SkyPlace, conditions: Conditions) -> MoonPrediction:
    """Return what the Moon does to the sky at a target whose place in the sky is known.

    Notes
    -----
    Away from V the moonlight's Rayleigh part is scaled by (550 / wavelength)^4 against a moonless sky of one
    brightness in every colour, and extinction stays that of V: our extrapolation, not the paper's.
    """
    dark = dark_level(place, conditions)
    moon = moon_level(place, conditions, REFERENCE_NM)
    line_ratio = 1.0 + moon_level(place, conditions, H_ALPHA_NM) / dark
    without = _plain(float(magnitudes(dark)))
    brighter = _plain(-float(brightening(moon, dark)))
    return MoonPrediction(
        place=place,
        conditions=conditions,
        sky_without_moon_mag=without,
        sky_with_moon_mag=without - brighter,
        brighter_by_mag=brighter,
        broad_time_factor=10.0 ** (0.4 * brighter),
        line_time_factor=line_ratio,
        line_sky_share=line_ratio * conditions.width_nm / conditions.broad_width_nm,
        slope=sky_slope(place, conditions),
        colour_slopes=MappingProxyType(
            {name: sky_slope(place, conditions, wavelength_nm=nm) for name, nm in COLOURS_NM.items()}
        ),
    )


def sky_slope(place: SkyPlace, conditions: Conditions, *, wavelength_nm: float = REFERENCE_NM) -> Slope:
    """Return size and direction of the sky's slope at the target.

    grad ln B = w (a rho^ + b Z^) + (1 - w) c Z^,    w = Bmoon / (Bmoon + B0)

    with a = d ln f / d rho away from the Moon, b and c the growth of moonlight and of the moonless sky with
    zenith distance, away from the zenith.

    Notes
    -----
    Derived here from eqs. 2 and 15 to 19 of Krisciunas & Schaefer (1991). A plane of this slope is moonlight
    to half a percent over two degrees, 15 degrees and more from the Moon.
    """
    if place.target_altitude_deg < 0.0:
        return Slope(percent_per_deg=math.nan, position_angle_deg=math.nan)
    zenith = 90.0 - place.target_altitude_deg
    moon = moon_level(place, conditions, wavelength_nm)
    share = moon / (moon + dark_level(place, conditions))
    from_moon = share * float(scattering_slope(place.separation_deg, wavelength_nm=wavelength_nm))
    from_zenith = share * float(moonlight_zenith_slope(zenith, extinction=conditions.extinction))
    from_zenith += (1.0 - share) * float(dark_sky_zenith_slope(zenith, extinction=conditions.extinction))
    # Both unit vectors point away from what they are named for, hence the signs.
    vector = -from_moon * _unit(place.moon_position_angle_deg) - from_zenith * _unit(
        place.zenith_position_angle_deg
    )
    return Slope(
        percent_per_deg=100.0 * abs(vector),
        position_angle_deg=math.degrees(math.atan2(vector.imag, vector.real)) % 360.0,
    )


def slope_in_pixels(slope: Slope, wcs: Any, shape: tuple[int, int]) -> PixelSlope:
    """Return a slope on the sky as a slope on a picture's grid, at its middle.

    Parameters
    ----------
    slope : Slope
    wcs : astropy.wcs.WCS
        Celestial, any frame, mirrored or not.
    shape : (rows, columns)

    Raises
    ------
    ValueError
        The coordinates put no sky at the picture's middle.

    Notes
    -----
    The change along x is the slope's component along the step on the sky that one column makes, and so for y:
    right for pixels that are not square and axes that are not at right angles. Rows count as in the array.
    """
    rows, columns = shape
    x, y = (columns - 1) / 2.0, (rows - 1) / 2.0
    celestial = wcs.celestial
    middle = celestial.pixel_to_world(x, y).icrs
    east, north = middle.spherical_offsets_to(
        celestial.pixel_to_world(np.array([x - 1, x + 1, x, x]), np.array([y, y, y - 1, y + 1])).icrs
    )
    steps = np.asarray(north.deg) + 1j * np.asarray(east.deg)
    if not np.isfinite(steps).all():
        raise ValueError("the world coordinates put no sky at the picture's middle")
    along = slope.percent_per_deg * _unit(slope.position_angle_deg)
    x_slope, y_slope = (float((along.conjugate() * step).real) for step in (steps[1::2] - steps[::2]) / 2.0)
    return PixelSlope(
        x_percent_per_px=x_slope,
        y_percent_per_px=y_slope,
        direction_deg=math.degrees(math.atan2(y_slope, x_slope)),
        across_percent=abs(x_slope) * (columns - 1) + abs(y_slope) * (rows - 1),
    )


def dark_level(place: SkyPlace, conditions: Conditions) -> float:
    """Return the moonless sky at a target in V, nL; NaN below the horizon."""
    if place.target_altitude_deg < 0.0:
        return math.nan
    zenith = 90.0 - place.target_altitude_deg
    return float(dark_sky(zenith, zenith_mag=conditions.zenith_mag, extinction=conditions.extinction))


def moon_level(place: SkyPlace, conditions: Conditions, wavelength_nm: float) -> float:
    """Return the moonlight at a target, nL in V; its Rayleigh part as at ``wavelength_nm``."""
    return float(
        moonlight(
            place.separation_deg,
            phase_angle_deg=place.phase_angle_deg,
            target_zenith_deg=90.0 - place.target_altitude_deg,
            moon_zenith_deg=90.0 - place.moon_altitude_deg,
            extinction=conditions.extinction,
            wavelength_nm=wavelength_nm,
        )
    )


def _unit(position_angle_deg: float) -> complex:
    """Return a direction on the sky as north + i east."""
    angle = math.radians(position_angle_deg)
    return complex(math.cos(angle), math.sin(angle))


def _plain(value: float) -> float:
    """Return the value, a minus zero as zero."""
    return value + 0.0
