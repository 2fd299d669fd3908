"""Moonlight band by band: what V tells of other colours, and how much of a moonless sky is airglow.

References
----------
Benn & Ellison (1998), La Palma Technical Note 115: moonless sky at sunspot minimum B = 22.7, V = 21.9, R = 21.0; in V
zodiacal light 34 nL and starlight 13 nL of it.
Patat (2003), A&A 400, 1183: V - I = 21.6 - 19.7 of the moonless sky.
Ramirez et al. (2012), ApJ 752, 5: the Sun's B - V = 0.653, V - R = 0.352, V - I = 0.702.
"""

from __future__ import annotations

import math

import numpy as np

from blend.science.moon.ephemeris import SkyPlace
from blend.science.moon.forecast import Conditions, dark_level, moon_level
from blend.science.moon.sky_brightness import REFERENCE_NM, nanolamberts, scattering_airmass

BAND_NM = {"B": 440.0, "V": 550.0, "R": 640.0}
"""Middles of three standard bands (B and V of Johnson, R of Cousins), rounded."""

_NM = (440.0, 550.0, 640.0, 790.0)
_DARK = (-0.8, 0.0, 0.9, 1.9)
_SUN = (-0.653, 0.0, 0.352, 0.702)
_DARK_V = 21.9
_RAYLEIGH_MAG = 0.10
"""Extinction by molecules alone at 550 nm and sea level, magnitudes per airmass (from memory, good to some %)."""
_SUNLIT_NL = 34.0 + 13.0
"""Zodiacal light and starlight in V: sunlight and light of much the same colour; the rest is airglow."""


def airglow_share(wavelength_nm: float) -> float:
    """Return the share of a moonless sky without town light that is airglow, in a broad band.

    Notes
    -----
    What is left of the band's sky when zodiacal light and starlight, with the Sun's colour, are taken off. At sunspot
    minimum; at maximum airglow is up to four times as bright. A line filter between airglow's lines sees far less.

    Examples
    --------
    >>> [round(airglow_share(nm), 2) for nm in BAND_NM.values()]
    [0.09, 0.21, 0.52]
    """
    sunlit = _SUNLIT_NL / float(nanolamberts(_DARK_V))
    redder = float(np.interp(wavelength_nm, _NM, _SUN) - np.interp(wavelength_nm, _NM, _DARK))
    return max(0.0, 1.0 - sunlit * float(10.0 ** (0.4 * redder)))


def sky_in_band(
    place: SkyPlace, conditions: Conditions, wavelength_nm: float, *, narrow: bool = False
) -> tuple[float, float]:
    """Return the moonless sky and the moonlight at a target in one band, both in nL of the band.

    Parameters
    ----------
    place : SkyPlace
    conditions : Conditions
    wavelength_nm : float
        Middle of the band, 350 to 1000.
    narrow : bool
        A line filter between airglow's lines: its moonless sky has the Sun's colour.

    Notes
    -----
    Moonlight is sunlight: in magnitudes it is fainter than in V by the Sun's colour, and by what molecules take out of
    the Moon's beam; its Rayleigh part grows as (550 / wavelength)^4. The moonless sky is redder than the Sun by
    airglow. Our extrapolation of a model of V. NaN where the target is below the horizon.
    """
    lost = _RAYLEIGH_MAG * ((REFERENCE_NM / wavelength_nm) ** 4 - 1.0)
    path = float(scattering_airmass(90.0 - max(0.0, place.moon_altitude_deg)))
    sun = float(np.interp(wavelength_nm, _NM, _SUN))
    dark = sun if narrow else float(np.interp(wavelength_nm, _NM, _DARK))
    return (
        dark_level(place, conditions) * 10.0 ** (0.4 * dark),
        moon_level(place, conditions, wavelength_nm) * 10.0 ** (0.4 * (sun - lost * path)),
    )


def band_growth(
    place: SkyPlace, conditions: Conditions, wavelength_nm: float, *, narrow: bool = False
) -> float:
    """Return how many times brighter the Moon makes the sky in one band, 1 without it; see `sky_in_band`."""
    dark, moon = sky_in_band(place, conditions, wavelength_nm, narrow=narrow)
    return 1.0 + moon / dark if dark > 0 else math.nan
