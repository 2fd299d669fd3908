"""How bright scattered moonlight makes the sky: the model of Krisciunas & Schaefer (1991).

Angles are degrees, brightness is nanolamberts (nL) or V magnitudes per square arcsecond. The paper states an
accuracy of 8 to 23 %: a level from here is an expectation, to plan with or to warn by, never to subtract.

References
----------
Krisciunas & Schaefer (1991), "A model of the brightness of moonlight", PASP 103, 1033. The equation numbers
are theirs.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Values = NDArray[np.float64]

ZENITH_MAG = 21.587
"""V of the moonless zenith at the paper's site, Mauna Kea at 2800 m: 79.0 nL."""
ACCURACY_PERCENT = (8, 23)
"""Accuracy of a predicted brightness, from the paper's abstract."""
REFERENCE_NM = 550.0
"""Middle of the V band: where the scattering terms hold as published."""

_NL, _NL_LOG, _NL_PER_MAG = 34.08, 20.7233, 0.92104
"""Factor, offset and slope of eq. 1; the slope is 0.4 ln 10."""
_RAYLEIGH = 10.0**5.36
"""Factor of eq. 17."""
_MIE_SPLIT_DEG = 10.0
"""Between eqs. 19 and 18."""
_MOON_RADIUS_DEG = 0.26
"""Half of the Moon's mean width of 31 arcminutes (from memory)."""
_LN10 = math.log(10.0)
_PER_DEGREE = math.pi / 180.0


def nanolamberts(mag: ArrayLike) -> Values:
    """Return the surface brightness in nL of V magnitudes per square arcsecond.

    B = 34.08 exp(20.7233 - 0.92104 V)    (eq. 1)

    Examples
    --------
    >>> nanolamberts([22.0, 21.0, 20.0]).round(2)
    array([ 54.01, 135.66, 340.77])
    """
    return np.asarray(_NL * np.exp(_NL_LOG - _NL_PER_MAG * np.asarray(mag, dtype=np.float64)))


def magnitudes(brightness_nl: ArrayLike) -> Values:
    """Return V magnitudes per square arcsecond of a surface brightness in nL, > 0; eq. 1 solved for V.

    Examples
    --------
    >>> round(float(magnitudes(79.0)), 3)
    21.587
    """
    ratio = np.asarray(brightness_nl, dtype=np.float64) / _NL
    return np.asarray((_NL_LOG - np.log(ratio)) / _NL_PER_MAG)


def scattering_airmass(zenith_distance_deg: ArrayLike) -> Values:
    """Return the path through the scattering layer, 1 at the zenith and 5 at the horizon.

    X = (1 - 0.96 sin^2 Z)^(-1/2)    (eq. 3)

    Notes
    -----
    It belongs to this model alone; it is too small near the horizon to dim a star by.
    """
    sine = np.sin(_PER_DEGREE * np.asarray(zenith_distance_deg, dtype=np.float64))
    return np.asarray((1.0 - 0.96 * sine**2) ** -0.5)


def dark_sky(zenith_distance_deg: ArrayLike, *, zenith_mag: float, extinction: float) -> Values:
    """Return the moonless sky in nL.

    B0 = Bzen 10^(-0.4 k (X - 1)) X    (eq. 2)

    Parameters
    ----------
    zenith_distance_deg : array-like, degrees, 0 to 90
    zenith_mag : float
        V of the moonless zenith, mag per square arcsecond; 21.587 is the paper's 79.0 nL.
    extinction : float
        k in V, magnitudes per airmass; 0.172 in the paper, 0.2 to 0.35 in lowlands (common practice).
    """
    path = scattering_airmass(zenith_distance_deg)
    return np.asarray(nanolamberts(zenith_mag) * 10.0 ** (-0.4 * extinction * (path - 1.0)) * path)


def moon_illuminance(phase_angle_deg: ArrayLike) -> Values:
    """Return the Moon's illuminance above the atmosphere, at its mean distance, in foot-candles.

    m = -12.73 + 0.026 |a| + 4e-9 a^4    (eq. 9), the phase angle a in degrees, 0 at full Moon
    I* = 10^(-0.4 (m + 16.57)) = 10^(-0.4 (3.84 + 0.026 |a| + 4e-9 a^4))    (eqs. 8, 20)

    Notes
    -----
    Within about 7 degrees of full the Moon outshines this by up to a third (the paper says so; from memory).

    Examples
    --------
    >>> (moon_illuminance([30.0, 90.0]) / moon_illuminance(0.0)).round(3)
    array([0.486, 0.091])
    """
    angle = np.abs(np.asarray(phase_angle_deg, dtype=np.float64))
    magnitude = -12.73 + 0.026 * angle + 4e-9 * angle**4
    return np.asarray(10.0 ** (-0.4 * (magnitude + 16.57)))


def rayleigh(separation_deg: ArrayLike, *, wavelength_nm: float = REFERENCE_NM) -> Values:
    """Return what molecules scatter.

    fR = 10^5.36 (1.06 + cos^2 rho)    (eq. 17), times (550 / wavelength)^4 away from V

    Notes
    -----
    The factor in the wavelength is our extrapolation, not the paper's, which speaks of V alone.
    """
    cosine = np.cos(_PER_DEGREE * np.asarray(separation_deg, dtype=np.float64))
    return np.asarray(_RAYLEIGH * (REFERENCE_NM / wavelength_nm) ** 4 * (1.06 + cosine**2))


def mie(separation_deg: ArrayLike) -> Values:
    """Return what aerosols scatter, grey in the wavelength.

    fM = 10^(6.15 - rho / 40)    from 10 degrees on    (eq. 18)
    fM = 6.2e7 / rho^2           below                 (eq. 19)

    Notes
    -----
    As published the two do not meet: at 10 degrees eq. 18 is 1.281 times eq. 19, and the whole function steps
    up by 1.161 on the way out. It is kept; forecasts closer than 10 degrees are the worse for it.
    Inside the Moon's disc, 0.26 degrees, the value at its edge stands.
    """
    angle = np.maximum(np.abs(np.asarray(separation_deg, dtype=np.float64)), _MOON_RADIUS_DEG)
    return np.asarray(np.where(angle < _MIE_SPLIT_DEG, 6.2e7 / angle**2, 10.0 ** (6.15 - angle / 40.0)))


def scattering(separation_deg: ArrayLike, *, wavelength_nm: float = REFERENCE_NM) -> Values:
    """Return the scattering function f = fR + fM at an angle from the Moon (eqs. 16, 21).

    Examples
    --------
    >>> scattering([30.0, 90.0]).round(1)
    array([665835.7, 250775.3])
    """
    return rayleigh(separation_deg, wavelength_nm=wavelength_nm) + mie(separation_deg)


def moonlight(
    separation_deg: ArrayLike,
    *,
    phase_angle_deg: ArrayLike,
    target_zenith_deg: ArrayLike,
    moon_zenith_deg: ArrayLike,
    extinction: float,
    wavelength_nm: float = REFERENCE_NM,
) -> Values:
    """Return the brightness of scattered moonlight in nL.

    B = f(rho) I* 10^(-0.4 k X(Zm)) (1 - 10^(-0.4 k X(Z)))    (eq. 15)

    Parameters
    ----------
    separation_deg : array-like, degrees, 0 to 180
        rho, between target and Moon.
    phase_angle_deg : array-like, degrees, -180 to 180
        Of the Moon, 0 at full; not its lit share.
    target_zenith_deg, moon_zenith_deg : array-like, degrees, 0 to 180
        Z and Zm. A Moon below the horizon, Zm > 90, gives 0; a target there gives NaN.
    extinction : float
        k in V, magnitudes per airmass.
    wavelength_nm : float
        Scales the Rayleigh term alone (`rayleigh`); 550 is the paper's V.

    Returns
    -------
    float64 array, nL

    Notes
    -----
    The model has no twilight and no Moon's afterglow: its light goes out at the horizon from its value there.
    """
    target_zenith = np.asarray(target_zenith_deg, dtype=np.float64)
    moon_zenith = np.asarray(moon_zenith_deg, dtype=np.float64)
    light = (
        scattering(separation_deg, wavelength_nm=wavelength_nm)
        * moon_illuminance(phase_angle_deg)
        * 10.0 ** (-0.4 * extinction * scattering_airmass(moon_zenith))
        * (1.0 - 10.0 ** (-0.4 * extinction * scattering_airmass(target_zenith)))
    )
    light = np.where(moon_zenith > 90.0, 0.0, light)
    return np.asarray(np.where(target_zenith > 90.0, np.nan, light))


def brightening(moonlight_nl: ArrayLike, dark_nl: ArrayLike) -> Values:
    """Return the change of the sky in magnitudes, negative where the Moon brightens it.

    dV = -2.5 log10((Bmoon + B0) / B0)    (eq. 22; number from memory)
    """
    dark = np.asarray(dark_nl, dtype=np.float64)
    return np.asarray(-2.5 * np.log10((np.asarray(moonlight_nl, dtype=np.float64) + dark) / dark))


def scattering_slope(separation_deg: ArrayLike, *, wavelength_nm: float = REFERENCE_NM) -> Values:
    """Return d ln f / d rho per degree: how moonlight changes away from the Moon, negative where it falls.

    Notes
    -----
    Derived here from eqs. 17 to 19. At 10 degrees the published function steps; the slope is that of eq. 18.
    """
    angle = np.maximum(np.abs(np.asarray(separation_deg, dtype=np.float64)), _MOON_RADIUS_DEG)
    of_rayleigh = -_RAYLEIGH * (REFERENCE_NM / wavelength_nm) ** 4 * np.sin(2.0 * _PER_DEGREE * angle)
    of_mie = mie(angle) * np.where(angle < _MIE_SPLIT_DEG, -2.0 / angle, -_LN10 / 40.0)
    return np.asarray((of_rayleigh * _PER_DEGREE + of_mie) / scattering(angle, wavelength_nm=wavelength_nm))


def moonlight_zenith_slope(zenith_distance_deg: ArrayLike, *, extinction: float) -> Values:
    """Return d ln(1 - 10^(-0.4 k X)) / dZ per degree: moonlight's growth to the horizon (from eq. 15)."""
    dimmed = 10.0 ** (-0.4 * extinction * scattering_airmass(zenith_distance_deg))
    path_slope = _airmass_slope(zenith_distance_deg)
    return np.asarray(0.4 * _LN10 * extinction * path_slope * dimmed / (1.0 - dimmed))


def dark_sky_zenith_slope(zenith_distance_deg: ArrayLike, *, extinction: float) -> Values:
    """Return d ln B0 / dZ per degree: the dark sky's growth to the horizon (from eq. 2)."""
    path = scattering_airmass(zenith_distance_deg)
    return np.asarray(_airmass_slope(zenith_distance_deg) * (1.0 / path - 0.4 * _LN10 * extinction))


def _airmass_slope(zenith_distance_deg: ArrayLike) -> Values:
    """Return dX / dZ per degree."""
    angle = _PER_DEGREE * np.asarray(zenith_distance_deg, dtype=np.float64)
    return np.asarray(0.48 * np.sin(2.0 * angle) * scattering_airmass(zenith_distance_deg) ** 3 * _PER_DEGREE)
