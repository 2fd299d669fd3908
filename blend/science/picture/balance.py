"""White balance: gains that make the typical star white, or of a stated colour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.plane import RatioFit, line_log_ratio, mean_log_ratio
from blend.science.stars import FEWEST_MATCHES

FEWEST_STARS = 3
"""Fewer stars cannot show that one of them is an outlier."""

LEAST_SIGNAL = 5.0
"""A star tells a first white if every plane has it at five sigma: below, a logarithm of its flux is biased."""

LEAST_EXPECTED, LEAST_MEASURED = 8.0, 1.0
"""In sigma: what a plane should have of a star by its green and the first white, and what it must have at all.

Stars chosen by their measured blue are those that are blue, or that noise made blue: over seven simulated nights the
blue gain then was up to 2.4 % off that of its own stars and 7.4 % off the scene's white, chosen by green 1.2 and 4.1 %.
"""


COLOUR_REACH = 0.6
"""Stars so many magnitudes of B - V either side of the white tell it.

Over this range log colour goes with B - V along a line; beyond, molecules and the Balmer jump bend it.
"""

LEAST_RISE_SIGMA = 3.0
"""Colour that does not follow b_v at three sigma is the colour of other stars."""


@dataclass(frozen=True, eq=False)
class Gains:
    """What red, green and blue are multiplied by; green is 1. ``how`` is "stars", "given" or "catalogue".

    By a catalogue, ``slopes`` and ``slope_errors`` (2,) are d ln(gain) / d(B - V) of red and of blue, ``b_v_range`` the
    bluest and the reddest star used.
    """

    values: NDArray[np.float64]
    errors: NDArray[np.float64]
    stars: int
    how: str
    slopes: tuple[float, ...] = ()
    slope_errors: tuple[float, ...] = ()
    b_v_range: tuple[float, ...] = ()


def white_from_stars(
    fluxes: NDArray[np.float64],
    errors: NDArray[np.float64],
    *,
    star_colour: Sequence[float] = (1.0, 1.0, 1.0),
) -> Gains:
    """Return the gains that give the typical star a stated colour, white by default.

    g_c = (C_c / C_G) exp(<ln(F_G / F_c)>), robust mean over stars that are bright enough by their green: see
    `stars_that_tell`.

    Parameters
    ----------
    fluxes, errors : (3, n)
        Sky-free star fluxes in red, green, blue, and their standard deviations; NaN where a star was not
        measured.
    star_colour : three floats
        C, linear, above 0: what the typical star shall look like.

    Raises
    ------
    StepError
        With fewer than three stars at five sigma in every plane.

    Notes
    -----
    On a nebula the mean of the frame is no white; its stars, sky taken off, are a better one. One gain a
    plane is a diagonal correction: it sets white, not every hue.

    Examples
    --------
    >>> fluxes = np.outer([0.8, 1.0, 0.5], [300.0, 200.0, 100.0])
    >>> white_from_stars(fluxes, 0.01 * fluxes).values.round(6)
    array([1.25, 1.  , 2.  ])
    """
    flux, sigma = np.asarray(fluxes, dtype=np.float64), np.asarray(errors, dtype=np.float64)
    values, spread = np.ones(3), np.zeros(3)
    used = np.ones(flux.shape[1], dtype=bool)
    for plane, chosen in stars_that_tell(flux, sigma, where="balance.white").items():
        fit = _ratio(flux, sigma, plane, chosen)
        values[plane] = np.exp(fit.value) * star_colour[plane] / star_colour[1]
        spread[plane] = values[plane] * fit.error
        used[~chosen] = False
        used[np.flatnonzero(chosen)] &= fit.used
    return Gains(values, spread, int(used.sum()), "stars")


def white_from_catalogue(
    fluxes: NDArray[np.float64],
    errors: NDArray[np.float64],
    b_v: NDArray[np.float64],
    *,
    white: float,
    where: str = "balance.white",
) -> Gains:
    """Return the gains at which a star of B - V = ``white`` has equal red, green and blue.

    ln(F_G / F_c) = ln g_c + k_c (B-V - white), a robust line over stars within 0.6 mag of it: see `line_log_ratio`.

    Parameters
    ----------
    fluxes, errors : (3, n)
        See `white_from_stars`.
    b_v : (n,)
        The stars' B - V in a catalogue, mag.
    white : float
        B - V of the star that shall be white.

    Raises
    ------
    StepError
        Fewer than eight such stars bright enough, all of them on one side of ``white``, or colours that do not follow
        b_v.

    Notes
    -----
    The filters' own colour comes out with the gains, and so does dust between the stars as far as b_v holds it too.

    Examples
    --------
    >>> b_v = np.linspace(0.2, 1.2, 30)
    >>> fluxes = 900 * np.exp(np.outer([0.4, 0.0, -0.6], b_v - 0.65)) * np.array([[0.8], [1.0], [0.5]])
    >>> white_from_catalogue(fluxes, 0.01 * fluxes, b_v, white=0.65).values.round(6)
    array([1.25, 1.  , 2.  ])
    """
    near = np.abs(b_v - white) <= COLOUR_REACH
    flux, sigma, index = fluxes[:, near], errors[:, near], b_v[near]
    told = stars_that_tell(flux, sigma, where=where)
    values, spread, slopes = np.ones(3), np.zeros(3), []
    used = np.ones(index.size, dtype=bool)
    for plane, chosen in told.items():
        _refuse_few(index[chosen], white, where)
        pair = (sigma[1, chosen], sigma[plane, chosen])
        fit = line_log_ratio(flux[1, chosen], flux[plane, chosen], index[chosen] - white, errors=pair)
        values[plane] = np.exp(fit.value)
        spread[plane] = values[plane] * fit.error
        slopes.append((fit.slope, fit.slope_error))
        used[~chosen] = False
        used[np.flatnonzero(chosen)] &= fit.used
    _refuse_flat(slopes, where)
    ends = (float(index[used].min()), float(index[used].max())) if used.any() else ()
    steep = tuple(slope for slope, _ in slopes)
    return Gains(values, spread, int(used.sum()), "catalogue", steep, tuple(e for _, e in slopes), ends)


def _refuse_few(b_v: NDArray[np.float64], white: float, where: str) -> None:
    """Raise `StepError` where stars cannot tell the colour at ``white``."""
    advice = 'name more stars in the catalogue, another colour, or "stars"'
    reach = f"within {COLOUR_REACH:g} mag of B - V = {white:g}, bright enough in every plane"
    if b_v.size < FEWEST_MATCHES:
        found = f"{b_v.size} matched stars {reach}"
        raise StepError(where, found=found, expected=f"at least {FEWEST_MATCHES}", advice=advice)
    if not b_v.min() <= white <= b_v.max():
        found = f"the matched stars {reach} have B - V from {b_v.min():.2f} to {b_v.max():.2f}"
        raise StepError(where, found=found, expected=f"stars on both sides of {white:g}", advice=advice)


def _refuse_flat(slopes: list[tuple[float, float]], where: str) -> None:
    """Raise `StepError` where stars do not get redder with B - V."""
    (red, red_error), (blue, blue_error) = slopes
    rise, error = blue - red, float(np.hypot(red_error, blue_error))
    if rise < LEAST_RISE_SIGMA * error:
        raise StepError(
            where,
            found=f"ln(red / blue) of the matched stars changes by {rise:.2f} +- {error:.2f} a magnitude of B - V",
            expected="a rise, about 1 for black bodies",
            advice="check that b_v is B - V in magnitudes and that the world coordinates belong to this picture",
        )


def stars_that_tell(
    flux: NDArray[np.float64], sigma: NDArray[np.float64], *, where: str = "balance.white"
) -> dict[int, NDArray[np.bool_]]:
    """Return which stars tell the gain of red (0) and of blue (2), bool (n,): by what their green makes expected there.

    Parameters
    ----------
    flux, sigma, where
        See `white_from_stars`.

    Raises
    ------
    StepError
        See `white_from_stars`.
    """
    with np.errstate(invalid="ignore"):
        known = np.isfinite(flux) & (sigma >= 0) & (flux > 0)
        good = np.asarray((known & (flux > LEAST_SIGNAL * sigma)).all(axis=0))
    count = int(good.sum())
    if count < FEWEST_STARS:
        raise StepError(
            where,
            found=f"{count} of {flux.shape[1]} stars are at five sigma in red, green and blue",
            expected=f"at least {FEWEST_STARS}",
            advice='give the gains as three numbers, or "none"',
        )
    told: dict[int, NDArray[np.bool_]] = {}
    for plane in (0, 2):
        expected = flux[1] * np.exp(-_ratio(flux, sigma, plane, good).value)
        with np.errstate(invalid="ignore", divide="ignore"):
            chosen = known[1] & known[plane] & (flux[plane] > LEAST_MEASURED * sigma[plane])
            chosen &= np.minimum(flux[1] / sigma[1], expected / sigma[plane]) > LEAST_EXPECTED
        told[plane] = np.asarray(chosen if np.count_nonzero(chosen) >= FEWEST_STARS else good)
    return told


def _ratio(
    flux: NDArray[np.float64], sigma: NDArray[np.float64], plane: int, chosen: NDArray[np.bool_]
) -> RatioFit:
    errors = (sigma[1, chosen], sigma[plane, chosen])
    return mean_log_ratio(flux[1, chosen], flux[plane, chosen], errors=errors)


def given_gains(gains: Sequence[float]) -> Gains:
    """Return gains the user gave for red, green and blue, divided by green's.

    Raises
    ------
    ValueError
        Unless there are three, finite and above 0.

    Examples
    --------
    >>> given_gains([2.4, 1.2, 1.8]).values
    array([2. , 1. , 1.5])
    """
    values = np.asarray(gains, dtype=np.float64)
    if values.shape != (3,) or not (np.isfinite(values).all() and (values > 0).all()):
        raise ValueError(f"gains are three numbers above 0, not {list(gains)}")
    return Gains(values / values[1], np.zeros(3), 0, "given")
