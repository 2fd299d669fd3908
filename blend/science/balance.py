"""White balance: gains that make the typical star white, or of a stated colour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.ratio import RatioFit, mean_log_ratio

FEWEST_STARS = 3
"""Fewer stars cannot show that one of them is an outlier."""

LEAST_SIGNAL = 5.0
"""A star tells a first white if every plane has it at five sigma: below, a logarithm of its flux is biased."""

LEAST_EXPECTED, LEAST_MEASURED = 8.0, 1.0
"""In sigma: what a plane should have of a star by its green and the first white, and what it must have at all.

Stars chosen by their measured blue are those that are blue, or that noise made blue: over seven simulated nights the
blue gain then was up to 2.4 % off that of its own stars and 7.4 % off the scene's white, chosen by green 1.2 and 4.1 %.
"""


@dataclass(frozen=True, eq=False)
class Gains:
    """What red, green and blue are multiplied by; green is 1. ``how`` is "stars" or "given"."""

    values: NDArray[np.float64]
    errors: NDArray[np.float64]
    stars: int
    how: str


def white_from_stars(
    fluxes: NDArray[np.float64],
    errors: NDArray[np.float64],
    *,
    star_colour: Sequence[float] = (1.0, 1.0, 1.0),
    where: str = "balance.white",
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
    where : str
        Who asks, for the message of a fault.

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
    for plane, chosen in stars_that_tell(flux, sigma, where=where).items():
        fit = _ratio(flux, sigma, plane, chosen)
        values[plane] = np.exp(fit.value) * star_colour[plane] / star_colour[1]
        spread[plane] = values[plane] * fit.error
        used[~chosen] = False
        used[np.flatnonzero(chosen)] &= fit.used
    return Gains(values, spread, int(used.sum()), "stars")


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
