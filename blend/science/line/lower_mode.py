"""Which of the points in a field are stars, by their ratio of line to broad light: gas only ever adds to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP, BELOW, MOST = 0.01, 1.0, 60
"""Of the ratios' logarithm: the grid's step, half of what a bright star's error is, and how far below the lowest point
it begins, since all may be gas; and how many of the brightest are asked: more change no mode."""

LIKELY = 0.2
"""The lowest mode counts that is so probable by the highest one: gas makes modes above the stars', nothing below."""

SCATTERS = (0.01, 0.02, 0.04, 0.07, 0.1, 0.14)
SCATTER_LIKELY = (1.0, 1.0, 1.0, 0.7, 0.2, 0.03)
"""Star-to-star scatter of the logarithm that may be, and how likely: 2 to 5 % in simulated fields, 9 to 13 % in a real
one of thirty stars, which need no help; few points that scatter so are stars and gas sooner."""

STAR_SHARES = (0.15, 0.3, 0.5, 0.7, 0.9, 0.97)
"""Share of stars among the points that may be."""

TAIL = 0.7
"""Mean of the exponential tail of H II regions: with equivalent widths of 1 to 100 nm through 7 nm they reach a factor
of 1.1 to 8 (derived here)."""

PURE_SCATTER = 0.2
"""Scatter of the logarithm of sources that are nothing but gas, at the ratio that the widths of the bands tell."""

ODD, ODD_RANGE = 0.01, 5.0
"""Share of points that are neither (cosmic rays, blends), and over what range of the logarithm they spread. Small:
nothing but such a point lies below the stars."""


@dataclass(frozen=True, eq=False)
class LowerMode:
    """Mode of the stars' ln(line / broad), its error where other modes are possible, and who is a star (n,)."""

    value: float
    error: float
    stars: NDArray[np.bool_]


def lower_mode(ratios: Floats, errors: Floats, *, pure: float = 2.66) -> LowerMode:
    """Return the mode of stars among points of which some are gas.

    p N(l; mu, e^2 + tau^2) + (1 - p) G(l - mu) + odd ones, G being 0 below 0: an exponential tail, an even part up to
    the ratio of pure gas, and a share near it; posterior over mu, with p and tau marginalised on grids.

    Parameters
    ----------
    ratios, errors : (n,)
        ln(line / broad) and its standard deviation, the brightest first; n at least 1.
    pure : float
        ln(t / r), how much higher than a star's the ratio of pure gas is.

    Returns
    -------
    LowerMode
        ``value`` is the lowest likely mode of mu; ``error`` the rms of the posterior about it.

    References
    ----------
    Hogg, Bovy & Lang (2010), arXiv:1008.4686, section 3, for marginalised mixtures (from memory); derived here.
    """
    asked, e = ratios[:MOST], np.clip(errors[:MOST], 0.003, 1.0)
    mu = np.arange(float(asked.min()) - BELOW, float(asked.max()) + 0.1 + STEP, STEP)
    x = asked - mu[:, None]
    gas = (1.0 - ODD) * _gas(x, e, pure)
    stars = (1.0 - ODD) * np.stack([_normal(x, e**2 + tau**2) for tau in SCATTERS])
    odd = ODD / ODD_RANGE
    fits = np.stack([np.log(p * stars + (1.0 - p) * gas + odd).sum(axis=-1) for p in STAR_SHARES])
    weight = np.exp(fits - fits.max()) * np.array(SCATTER_LIKELY)[:, None]
    over_mu = weight.sum(axis=(0, 1))
    over_mu /= over_mu.sum()
    best = int(np.argmax(over_mu >= LIKELY * over_mu.max()))
    while best + 1 < len(mu) and over_mu[best + 1] > over_mu[best]:
        best += 1
    error = float(np.sqrt((over_mu * (mu - mu[best]) ** 2).sum()))
    share, tau2 = _expected(weight[:, :, best])
    x = ratios - mu[best]
    own = share * _normal(x, np.clip(errors, 0.003, 1.0) ** 2 + tau2)
    other = (1.0 - share) * _gas(x, np.clip(errors, 0.003, 1.0), pure) + ODD / ODD_RANGE
    return LowerMode(float(mu[best]), error, np.asarray(own > other))


def _expected(weight: Floats) -> tuple[float, float]:
    """Return the mean share of stars and the mean square of their scatter."""
    weight = weight / weight.sum()
    share = float((weight.sum(axis=1) * np.array(STAR_SHARES)).sum())
    return share, float((weight.sum(axis=0) * np.square(SCATTERS)).sum())


def _normal(x: Floats, variance: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * x**2 / variance) / np.sqrt(2.0 * np.pi * variance))


def _gas(x: Floats, e: Floats, pure: float) -> Floats:
    """Return the density of gas at x above the stars; errors soften its lower edge."""
    from scipy.special import ndtr

    above = ndtr(x / e)
    tail = np.exp(-np.maximum(x, 0.0) / TAIL) / TAIL * above
    even = above * ndtr((pure - x) / np.hypot(e, PURE_SCATTER)) / pure
    return np.asarray((tail + even + _normal(x - pure, e**2 + PURE_SCATTER**2)) / 3.0)
