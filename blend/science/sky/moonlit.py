"""The sky as the Moon would have it: its shape over a frame, and a comparison with what was fitted.

Where no sky is free, time, site, pointing and orientation still tell where the sky is brighter and by what shape.
What is predicted is never a level to subtract: a level and one strength a plane are fitted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.shares import MOST_SLOPE
from blend.science.moon import ACCURACY_PERCENT, REFERENCE_NM, Conditions, SkyPlace, dark_sky, moonlight
from blend.science.sky.blocks import chebyshev_terms, unit_coordinates
from blend.science.sky.fit import SkyFit, lattice

STEPS = 9
"""Points a side at which the predicted sky is computed; degree 2 describes it to 0.02 % over two degrees."""


@dataclass(frozen=True, kw_only=True)
class SlopeCheck:
    """A fitted slope beside the predicted one; shares are peak to peak over the frame, in % of the level."""

    predicted_percent: float
    # predicted_deg and fitted_deg: where the sky brightens to, from the x axis towards the y axis of the array,
    # -180 to 180
    predicted_deg: float
    fitted_percent: float
    fitted_deg: float
    # off_percent and limit_percent: peak to peak of the difference, and how large the model's and the fit's
    # errors let it be
    off_percent: float
    limit_percent: float

    @property
    def agrees(self) -> bool:
        """Whether the two differ by no more than their errors."""
        return self.off_percent <= self.limit_percent


def moon_shape(
    place: SkyPlace,
    conditions: Conditions,
    *,
    wcs: Any,
    shape: tuple[int, int],
    wavelength_nm: float = REFERENCE_NM,
) -> NDArray[np.float64]:
    """Return the predicted sky over a frame as six Chebyshev coefficients of degree 2, in units of its middle.

    Parameters
    ----------
    place : SkyPlace
        Of the middle of the frame, target and Moon.
    conditions : Conditions
    wcs : astropy.wcs.WCS
        Celestial; rows and columns as in the array.
    shape : (rows, columns)
    wavelength_nm : float

    Raises
    ------
    ValueError
        The coordinates put no sky in the frame, or a part of the frame is below the horizon.

    References
    ----------
    Krisciunas & Schaefer (1991), PASP 103, 1033, eqs. 2 and 15 to 21, at every point of a lattice.
    """
    points = lattice(shape, STEPS)
    north, east = _sky_steps(wcs, points, shape)
    moon = _towards(place.moon_position_angle_deg, place.separation_deg)
    zenith = _towards(place.zenith_position_angle_deg, 90.0 - place.target_altitude_deg)
    away = np.hypot(north, east)
    heading = np.arctan2(east, north)
    directions = np.stack(
        [np.cos(away), np.sin(away) * np.cos(heading), np.sin(away) * np.sin(heading)], axis=1
    )
    from_moon, from_zenith = (
        np.rad2deg(np.arccos(np.clip(directions @ other, -1.0, 1.0))) for other in (moon, zenith)
    )
    light = moonlight(
        from_moon,
        phase_angle_deg=place.phase_angle_deg,
        target_zenith_deg=from_zenith,
        moon_zenith_deg=90.0 - place.moon_altitude_deg,
        extinction=conditions.extinction,
        wavelength_nm=wavelength_nm,
    )
    sky = light + dark_sky(from_zenith, zenith_mag=conditions.zenith_mag, extinction=conditions.extinction)
    if not np.isfinite(sky).all():
        raise ValueError("a part of the frame is below the horizon, or has no place in the sky")
    u, v = unit_coordinates(points, shape)
    middle = float(sky[sky.size // 2])
    answer = np.linalg.lstsq(chebyshev_terms(u, v, degree=2), sky / middle, rcond=None)[0]
    return np.asarray(answer, dtype=np.float64)


def shape_towards(angle_deg: float, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the Chebyshev coefficients of a plane that rises by 1 over the frame, towards a direction of the array.

    Parameters
    ----------
    angle_deg : float
        From the x axis (columns) towards the y axis (rows).
    shape : (rows, columns)

    Examples
    --------
    >>> shape_towards(0.0, (100, 200))
    array([1. , 0.5, 0. ])
    """
    angle = math.radians(angle_deg)
    along_x, along_y = math.cos(angle) * (shape[1] - 1), math.sin(angle) * (shape[0] - 1)
    across = max(abs(along_x) + abs(along_y), 1e-30)
    return np.array([1.0, 0.5 * along_x / across, 0.5 * along_y / across]) + 0.0


def compare_slope(fit: SkyFit, predicted: NDArray[np.float64]) -> SlopeCheck | None:
    """Compare a fitted slope with the predicted one; None where the fitted level is not above 0 or too low.

    Parameters
    ----------
    fit : SkyFit
        Its level must be sky alone: no bias, no dark current.
    predicted : (6,) float64
        From `moon_shape`.

    Notes
    -----
    The limit is 23 % of the predicted slope, the worse end of the paper's accuracy, and twice the standard error of
    the fitted one. A slope is the difference of levels of one model, and should be better than these; the site's own
    light, which dilutes it, is not known.
    """
    if not fit.level > 0.0:
        return None
    fitted, error = _plane_of(fit)
    if _across(fitted) > MOST_SLOPE:
        return None
    expected = predicted[1:3]
    off = fitted - expected
    limit = ACCURACY_PERCENT[1] / 100.0 * _across(expected) + 2.0 * error
    return SlopeCheck(
        predicted_percent=100.0 * _across(expected),
        predicted_deg=_heading(expected, fit.shape),
        fitted_percent=100.0 * _across(fitted),
        fitted_deg=_heading(fitted, fit.shape),
        off_percent=100.0 * _across(off),
        limit_percent=100.0 * limit,
    )


def likely_causes(check: SlopeCheck, *, glow: bool = False) -> str:
    """Return in words what makes a fitted slope disagree with the Moon's, the likelier first.

    Parameters
    ----------
    check : SlopeCheck
    glow : bool
        One corner was found to be brighter than the sky, see `blend.science.sky.corner_glow`: it comes first.
    """
    turn = abs((check.fitted_deg - check.predicted_deg + 180.0) % 360.0 - 180.0)
    lights = [
        "street light or a town's glow",
        "glint in the tube",
        "a corner glow of the sensor",
        "fog or haze",
    ]
    flip, flats = "frames of two orientations summed (meridian flip)", "flats that do not fit"
    # Two orientations take slope away; a light of its own adds one, and seldom against the Moon's.
    if check.fitted_percent < 0.75 * check.predicted_percent or turn > 150.0:
        order = [flip, lights[3], flats, *lights[:3]]
    elif turn > 30.0:
        order = [*lights[:3], flip, flats, lights[3]]
    else:
        order = [*lights, flats, flip]
    if glow:
        seen = f"{lights[2]} (one corner stands out)"
        order = [seen, *(cause for cause in order if cause != lights[2])]
    return ", ".join(order)


def _plane_of(fit: SkyFit) -> tuple[NDArray[np.float64], float]:
    """Return the plane nearest to a fitted sky (u and v coefficients over its level), and its error across."""
    points = lattice(fit.shape)
    u, v = unit_coordinates(points, fit.shape)
    values, _ = fit.at(points)
    answer = np.linalg.lstsq(chebyshev_terms(u, v, degree=1), values, rcond=None)[0]
    error = 0.0
    if fit.coefficients.size >= 3:
        part = fit.stated[1:3, 1:3]
        error = 2.0 * math.sqrt(max(part[0, 0] + part[1, 1] + 2.0 * abs(part[0, 1]), 0.0))
    if fit.bumps is not None:
        error = math.hypot(error, 2.0 * fit.bumps.error)
    return np.asarray(answer[1:3] / fit.level), error / fit.level


def _across(slope: NDArray[np.float64]) -> float:
    return 2.0 * float(np.abs(slope).sum())


def _heading(slope: NDArray[np.float64], shape: tuple[int, int]) -> float:
    x, y = slope[0] / max(shape[1] - 1, 1), slope[1] / max(shape[0] - 1, 1)
    return math.degrees(math.atan2(y, x))


def _towards(position_angle_deg: float, distance_deg: float) -> NDArray[np.float64]:
    """Return a direction as a unit vector (to the target, north, east)."""
    angle, away = math.radians(position_angle_deg), math.radians(distance_deg)
    return np.array([math.cos(away), math.sin(away) * math.cos(angle), math.sin(away) * math.sin(angle)])


def _sky_steps(
    wcs: Any, points: NDArray[np.float64], shape: tuple[int, int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return north and east offsets in radians, along great circles, of points from the frame's middle."""
    celestial = wcs.celestial
    middle = celestial.pixel_to_world((shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0).icrs
    places = celestial.pixel_to_world(points[:, 0], points[:, 1]).icrs
    away = np.asarray(middle.separation(places).rad, dtype=np.float64)
    angle = np.asarray(middle.position_angle(places).rad, dtype=np.float64)
    return away * np.cos(angle), away * np.sin(angle)
