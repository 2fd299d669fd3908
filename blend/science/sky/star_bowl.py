"""Do the stars show a bowl that the sky shows: a wrong flat takes from both alike, a galaxy's outskirts from neither.

Fluxes of the same stars in a master that went through another flat are the measure: ln(a / b) = c + k ln(factor), with
the factor by which the flat would be wrong at each star. k is 1 where the bowl is the flat's, 0 where it is light.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA

AGREE_SIGMA = 2.5
"""The stars agree with the sky's bowl where they are no further from it than this, in their own errors."""
SURE_SIGMA = 3.0
"""And they show it at all where they are so far from none."""
FEWEST_STARS = 20
LEAST_SIGNAL = 7.0
"""Flux over its error: of fainter stars the logarithm is skew."""
CLIP = 3.0


@dataclass(frozen=True)
class StarBowl:
    """How much of a sky's bowl star fluxes show: 1 is all of it."""

    share: float
    error: float
    stars: int
    against: str  # the master that they were compared with

    @property
    def agrees(self) -> bool:
        """Whether the stars show the bowl, in sign and size."""
        return abs(self.share - 1.0) < AGREE_SIGMA * self.error and self.share > SURE_SIGMA * self.error

    @property
    def denies(self) -> bool:
        """Whether the stars surely do not show all of it."""
        return self.share + SURE_SIGMA * self.error < 1.0


Fluxes = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Of some stars, and their errors."""


def compare_bowl(
    mine: Fluxes,
    other: Fluxes,
    factor: NDArray[np.float64],
    *,
    against: str,
    colour: tuple[Fluxes, Fluxes] | None = None,
) -> StarBowl | None:
    """Return how much of a bowl the stars show, or None where they are too few.

    ln(a / b) = c + k ln(factor) + g ln(p / q)

    Parameters
    ----------
    mine, other : two (n,)
        Fluxes a and b of the stars and their errors, in the plane with the bowl and in one of another flat.
    factor : (n,)
        What the light of each star was multiplied with, if the bowl is the flat's.
    against : str
        Name of the other one.
    colour : optional
        Fluxes p and q in two more planes of one master: star colours, which scatter by a tenth and more, are taken out
        by them. A flat's fault that both share is not in their ratio.

    Notes
    -----
    Weighted least squares, clipped; what stars scatter beyond their errors is in the error. Stars whose image widens
    towards the corners in one master alone look like a bowl; circles of 1.5 FWHM keep that small.

    Examples
    --------
    >>> rng = np.random.default_rng(2)
    >>> factor, flux, error = 1.0 - 0.05 * rng.uniform(0.0, 1.0, 400), np.full(400, 1.0), np.full(400, 0.01)
    >>> noisy = rng.normal(1.0, 0.02, 400)
    >>> compare_bowl((factor * noisy, error), (flux, error), factor, against="ha").agrees
    True
    >>> compare_bowl((noisy, error), (flux, error), factor, against="ha").agrees
    False
    """
    pairs = [(mine, other)] + ([] if colour is None else [colour])
    good = np.asarray(factor > 0.0)
    for flux, noise in (fluxes for pair in pairs for fluxes in pair):
        good &= flux > LEAST_SIGNAL * noise
    if good.sum() < FEWEST_STARS:
        return None
    logs = [np.log(a[0][good] / b[0][good]) for a, b in pairs]
    variances = [(a[1][good] / a[0][good]) ** 2 + (b[1][good] / b[0][good]) ** 2 for a, b in pairs]
    design = np.column_stack([np.ones(len(logs[0])), np.log(factor[good]), *logs[1:]])
    share, error, stars = _fitted(design, logs[0], variances)
    return StarBowl(share, error, stars, against) if np.isfinite(error) else None


def _fitted(
    design: NDArray[np.float64], ratio: NDArray[np.float64], variances: list[NDArray[np.float64]]
) -> tuple[float, float, int]:
    """Return the second coefficient, its error, and how many stars were used."""
    used, beyond, slope = np.ones(ratio.size, dtype=np.bool_), 0.0, 0.0
    share = error = float("nan")
    for _ in range(20):
        # The error of a colour counts by how much the ratio goes with it.
        variance = variances[0] + sum(slope**2 * more for more in variances[1:]) + 1e-12
        root = np.where(used, 1.0 / np.sqrt(variance + beyond), 0.0)
        answer, _, rank, _ = np.linalg.lstsq(design * root[:, None], ratio * root, rcond=None)
        if rank < design.shape[1]:
            return float("nan"), float("nan"), 0
        slope = float(answer[2]) if len(answer) > 2 else 0.0
        left = ratio - design @ answer
        # How far the stars scatter in their own errors tells what else they scatter by.
        width = MAD_TO_SIGMA * float(np.median(np.abs(left * root)[used]))
        covariance = np.linalg.inv((design * root[:, None]).T @ (design * root[:, None]))
        share, error = float(answer[1]), max(width, 1.0) * float(np.sqrt(covariance[1, 1]))
        beyond = max(0.0, beyond + (width**2 - 1.0) * float(np.median(variance[used] + beyond)))
        fresh = np.abs(left) < CLIP * max(width, 1.0) * np.sqrt(variance + beyond)
        if fresh.sum() < FEWEST_STARS:
            break
        used = fresh
    return share, error, int(used.sum())
