"""Which of the points in a field are stars, by their ratio of line to broad light: gas only ever adds to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP, MOST = 0.01, 60
"""Of the grid of ln(line / broad), half of what a bright star's error is; and how many of the brightest points are
asked: more change no mode."""

SEEN = 2.0
"""In its error: a point that shines so in the line bounds the grid."""

LIKELY = 0.2
"""The lowest mode counts that is so probable by the highest one: gas makes modes above the stars', nothing below."""

SCATTERS = (0.01, 0.02, 0.04, 0.07, 0.1, 0.14)
SCATTER_LIKELY = (1.0, 1.0, 1.0, 0.7, 0.2, 0.03)
"""Star-to-star scatter of the logarithm that may be, and how likely: 2 to 5 % in simulated fields, 9 to 13 % in a real
one of thirty stars, which need no help; few points that scatter so are stars and gas sooner."""

STAR_SHARES = (0.15, 0.3, 0.5, 0.7, 0.9, 0.97)
"""Share of stars among the points that may be."""

WIDTH, WIDTH_SPREAD = 0.25, 1.3
"""Equivalent width of H II regions by the width of the broad band, and the scatter of its logarithm: 25 nm in 100 nm,
from 7 to 90 (5.5 Myr to newborn, by models of starbursts: Leitherer et al. 1999, ApJS 123, 3, from memory)."""

WEAK_SHARE, WEAK = 0.2, 0.7
"""Share of gas whose ratio falls off exponentially above a star's, with this mean: clusters that have little gas left,
chosen."""

PURE_SHARE, PURE_SCATTER = 0.1, 0.2
"""Share of gas without any starlight, at the ratio that the widths of the bands tell, and the scatter of its
logarithm."""

ODD, ODD_RANGE = 0.01, 5.0
"""Share of points that are neither (cosmic rays, blends), and over what range of the logarithm they spread. Small:
nothing but such a point lies below the stars."""

FAR_BELOW = 5.0
"""ln of how far below the grid a point is looked for that does not shine in the line at all."""


@dataclass(frozen=True, eq=False)
class LowerMode:
    """Mode of the stars' ln(line / broad), its error where other modes are possible, and who is a star (n,)."""

    value: float
    error: float
    stars: NDArray[np.bool_]


def lower_mode(
    ratios: Floats, errors: Floats, *, pure: float = 2.66, expected: tuple[float, float] | None = None
) -> LowerMode:
    """Return the mode of stars among points of which some are gas.

    p N(q; e^mu, e^2 + (tau e^mu)^2) + (1 - p) N(q; e^(mu + u), e^2) * G(u) + odd ones, G being what their equivalent
    widths make of it; posterior over mu, with p and tau
    marginalised on grids. Fluxes, no logarithms: a point that does not shine in the line tells that stars do not.

    Parameters
    ----------
    ratios, errors : (n,)
        q = line / broad, of either sign, and its standard deviation, the brightest first; one at least shines.
    pure : float
        ln(t / r), how much higher than a star's the ratio of pure gas is.
    expected : two floats, optional
        What else tells mu, and its standard deviation.

    Returns
    -------
    LowerMode
        ``value`` is the lowest likely mode of mu; ``error`` the rms of the posterior about it.

    References
    ----------
    Hogg, Bovy & Lang (2010), arXiv:1008.4686, section 3, for marginalised mixtures (from memory); derived here.
    """
    e = np.maximum(errors, STEP * np.abs(ratios))
    asked, error = ratios[:MOST], e[:MOST]
    seen = asked > SEEN * error
    seen = seen if seen.any() else asked == asked.max()
    least, most = (float(np.log(limit(asked[seen]))) for limit in (np.min, np.max))
    mu = np.arange(least - pure - 3.0 * PURE_SCATTER, most + 0.1 + STEP, STEP)
    odd, gas = _densities(asked, error, mu, pure)
    stars = np.stack(
        [
            _normal(asked - np.exp(mu)[:, None], error**2 + (tau * np.exp(mu)[:, None]) ** 2)
            for tau in SCATTERS
        ]
    )
    fits = np.stack(
        [np.log((1.0 - ODD) * (p * stars + (1.0 - p) * gas) + ODD * odd).sum(axis=-1) for p in STAR_SHARES]
    )
    if expected is not None:
        fits += -0.5 * ((mu - expected[0]) / expected[1]) ** 2
    weight = np.exp(fits - fits.max()) * np.array(SCATTER_LIKELY)[:, None]
    over_mu = weight.sum(axis=(0, 1))
    over_mu /= over_mu.sum()
    best = int(np.argmax(over_mu >= LIKELY * over_mu.max()))
    while best + 1 < len(mu) and over_mu[best + 1] > over_mu[best]:
        best += 1
    rms = float(np.sqrt((over_mu * (mu - mu[best]) ** 2).sum()))
    share, tau2 = _expected(weight[:, :, best])
    value = float(np.exp(mu[best]))
    own = (1.0 - ODD) * share * _normal(ratios - value, e**2 + tau2 * value**2)
    odd, gas = _densities(ratios, e, mu[best : best + 1], pure)
    return LowerMode(float(mu[best]), rms, own > (1.0 - ODD) * (1.0 - share) * gas[0] + ODD * odd)


def _densities(ratios: Floats, errors: Floats, mu: Floats, pure: float) -> tuple[Floats, Floats]:
    """Return the density of ratios (n,) that are odd, and of gas above stars at mu (m, n)."""
    u = np.arange(0.0, pure + 3.0 * PURE_SCATTER, STEP)
    gas = _gas(u, pure)
    gas /= gas.sum()
    below = round(FAR_BELOW / STEP)
    v = mu[0] + STEP * np.arange(-below, len(mu) + len(u) - 1)
    at = _normal(ratios[:, None] - np.exp(v), errors[:, None] ** 2)
    odd = at.sum(axis=1) * STEP / ODD_RANGE
    return odd, np.stack([np.correlate(one[below:], gas, "valid") for one in at], axis=1)


def _expected(weight: Floats) -> tuple[float, float]:
    """Return the mean share of stars and the mean square of their scatter."""
    weight = weight / weight.sum()
    share = float((weight.sum(axis=1) * np.array(STAR_SHARES)).sum())
    return share, float((weight.sum(axis=0) * np.square(SCATTERS)).sum())


def _normal(x: Floats, variance: Floats | float) -> Floats:
    return np.asarray(np.exp(-0.5 * x**2 / variance) / np.sqrt(2.0 * np.pi * variance))


def _gas(u: Floats, pure: float) -> Floats:
    """Return the density of ln(line / broad) of gas above that of stars, from that of its equivalent widths.

    e^u = (1 + x e^pure) / (1 + x), x being lognormal.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        x = np.expm1(u) / (np.exp(pure) - np.exp(u))
        slope = np.exp(u) * (1.0 / np.expm1(u) + 1.0 / (np.exp(pure) - np.exp(u)))
        regions = np.where(
            (x > 0) & np.isfinite(slope), slope * _normal(np.log(x / WIDTH), WIDTH_SPREAD**2), 0.0
        )
    near = _normal(u - pure, PURE_SCATTER**2)
    return (
        (1.0 - PURE_SHARE - WEAK_SHARE) * np.nan_to_num(regions)
        + WEAK_SHARE * np.exp(-u / WEAK) / WEAK
        + PURE_SHARE * near
    )
