"""Are red, green and blue what they are called: of one unit, in this order, and is the white told by stars possible?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA

UNIT_RATIO = 8.0
"""Planes of one unit differ by less: a sky's colours by 2 or 3, its noise by the root of that, both squared by filters
and exposures."""

LEAST_GAIN, MOST_GAIN = 1.0 / 3.0, 5.0
"""White gains over green's that cameras ask for: 0.5 to 3, daylight multipliers of colour cameras and sets of filters
(common practice, from memory), and more than half as much again."""

SKY_LOG_ERROR = 0.46
"""Error of ln(gain) told by the sky: half of ln 2.5. Dark, moonlit and city skies are within a magnitude of the Sun in
B - V and V - R (from memory: Patat 2003, A&A 400, 1183; Krisciunas & Schaefer 1991), which is taken for two sigma."""

DISAGREE_SIGMA = 3.0
"""From which two estimates of one gain contradict each other."""

LEAST_SIGNAL = 8.0
"""In sigma, in the line and in all planes, of stars that tell the order: fainter ones scatter by noise."""

FEWEST_STARS, ORDER_SIGMA, ORDER_RATIO = 8, 3.0, 1.5
"""Fewer stars tell no scatter; and how surely, and by how much, the scatters must differ. Over seven invented nights
the blue plane's was 7 to 25 times the red one's."""

SCATTER_ERROR = 1.65
"""Error of the logarithm of a ratio of two median deviations, times sqrt(n): sqrt(2) 1.17."""


@dataclass(frozen=True)
class Order:
    """Which plane a line's starlight follows closest: its number, the scatter about each (3,), and the test.

    ``sigma`` is how surely that plane's scatter is smaller than that of the one they should follow.
    """

    closest: int
    scatter: tuple[float, float, float]
    stars: int
    sigma: float


def odd_units(levels: NDArray[np.float64], noise: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return by what each plane should be multiplied to be of one unit with the middle one; None where all are.

    A unit k times larger makes sky, noise, and noise squared over sky all k times larger. More light by k makes them k,
    sqrt(k) and 1: no unit.

    Parameters
    ----------
    levels, noise : (3,)
        Typical level and noise of a pixel of each plane as it came.

    Examples
    --------
    >>> odd_units(np.array([0.1, 0.0015, 5.4]), np.array([3e-4, 4e-6, 0.012])).round(3).tolist()
    [1.0, 75.0, 0.025]
    >>> odd_units(np.array([0.1, 0.15, 0.18]), np.array([3e-4, 4e-4, 4e-4])) is None
    True
    """
    if not ((levels > 3.0 * noise) & (noise > 0)).all():
        return None
    middle = int(np.argsort(noise)[1])
    ratios = np.log(np.stack([levels, noise, noise**2 / levels]))
    ratios -= ratios[:, [middle]]
    odd = (np.abs(ratios) > np.log(UNIT_RATIO)).all(axis=0) & (np.abs(np.sign(ratios).sum(axis=0)) == 3)
    return np.asarray(np.exp(-np.where(odd, ratios[1], 0.0))) if odd.any() else None


def possible(gain: float) -> bool:
    """Return whether a camera may ask for such a gain of red or blue over green."""
    return LEAST_GAIN <= gain <= MOST_GAIN


def disagreement(gain: float, error: float, other: float) -> float:
    """Return by how many sigma a gain told by stars and one told by the sky contradict each other.

    |ln(g / g_sky)| / sqrt((e / g)^2 + 0.46^2)

    Examples
    --------
    >>> round(disagreement(0.15, 0.02, 1.4), 1), round(disagreement(0.15, 0.02, 0.3), 1)
    (4.7, 1.4)
    """
    return float(abs(np.log(gain / other)) / np.hypot(error / gain, SKY_LOG_ERROR))


def line_order(
    line: tuple[NDArray[np.float64], NDArray[np.float64]],
    planes: tuple[NDArray[np.float64], NDArray[np.float64]],
    *,
    holds: int,
) -> Order | None:
    """Return which plane's starlight a line's follows, or None where stars cannot tell.

    The line's continuum lies within the plane that holds it: ln(line / plane) is one number for stars of all colours
    there, and goes with their colour elsewhere. Compared are the median deviations from the median.

    Parameters
    ----------
    line : flux and error, each (n,)
    planes : flux and error, each (3, n)
    holds : int
        The plane that should hold the line.

    References
    ----------
    Rousseeuw & Croux (1993), JASA 88, 1273, for a median deviation's error: 1.17 / sqrt(n) of itself (from memory).
    """
    flux = np.concatenate([line[0][None], planes[0]])
    error = np.concatenate([line[1][None], planes[1]])
    with np.errstate(invalid="ignore"):
        good = (flux > LEAST_SIGNAL * error).all(axis=0) & (error > 0).all(axis=0)
    if np.count_nonzero(good) < FEWEST_STARS:
        return None
    logs = np.log(flux[0, good] / flux[1:, good])
    away = np.abs(logs - np.median(logs, axis=1, keepdims=True))
    scatter = MAD_TO_SIGMA * np.median(away, axis=1)
    red, green, blue = (max(float(value), 1e-6) for value in scatter)
    closest, stars = int(np.argmin(scatter)), away.shape[1]
    ratio = (red, green, blue)[holds] / min(red, green, blue)
    return Order(closest, (red, green, blue), stars, float(np.log(ratio) * np.sqrt(stars) / SCATTER_ERROR))


def out_of_order(order: Order, *, holds: int) -> bool:
    """Return whether stars say that the line belongs to another plane than it should."""
    worse = order.scatter[holds] > ORDER_RATIO * order.scatter[order.closest]
    return order.closest != holds and worse and order.sigma > ORDER_SIGMA
