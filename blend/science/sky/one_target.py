"""One target in several planes: its light has nearly one shape in all, so that their skies are told together.

Where a target reaches every border the level and the slope beneath it are known to a few sigma of a pixel only. Fitted
plane by plane those errors differ, and the frame gets a colour; told together they are one error, of the target's own
colour.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blend.science.sky.blocks import chebyshev_terms, degree_of, resized, unit_coordinates
from blend.science.sky.fit import SkyFit, sky_uncertainty, with_surface
from blend.science.sky.solver import weighted_fit

COLOUR_DOUBT = 0.1
"""By what share of itself the light in a plane may differ from that of the mean colour: a tenth of a magnitude,
as arms and discs differ (chosen)."""

LEAST_SHARE = 0.05
"""Of the planes' mean: a target that hardly shines in a plane tells nothing of its sky (chosen)."""
ROUNDS = 8
HUBER = 2.0
"""In errors: beyond, a block's weight falls with its distance."""


def skies_of_one_target(fits: Sequence[SkyFit]) -> list[SkyFit]:
    """Return the skies of planes that show one target.

        light_c = sky_c + k_c T

    over all blocks, with a doubt of `COLOUR_DOUBT` of k_c T, where T is the mean of what the planes' own skies leave,
    each over its k_c and weighted by its own uncertainty. What T is wrong by comes back in every plane, times k_c.

    Parameters
    ----------
    fits : sequence of SkyFit
        Polynomials on the same blocks, one a plane, each with its halo.

    Returns
    -------
    list of SkyFit
        As they are where a plane hardly shows the target; else with the covariance of the plane's fit to T, and k_c
        times that of T, which is the mean of the planes' own: what halos are mistaken in, all planes share.
    """
    lights = np.array([_block_light(fit) - fit.at(fit.block_xy)[0] for fit in fits])
    known = np.isfinite(lights).all(axis=0)
    whole = lights[:, known].mean(axis=0)
    shares = lights[:, known] @ whole / (whole @ whole)
    if not shares.min() > LEAST_SHARE:
        return list(fits)
    weights = (shares / [sky_uncertainty(fit.even) for fit in fits]) ** 2
    weights /= weights.sum()
    target = (weights / shares) @ lights
    size = max(len(fit.covariance) for fit in fits)
    common = sum(
        weight / share**2 * resized(resized(fit.covariance, size).T, size)
        for weight, share, fit in zip(weights, shares, fits, strict=True)
    )
    return [
        _beside(fit, target, np.asarray(common), known, share)
        for fit, share in zip(fits, shares, strict=True)
    ]


def _beside(
    fit: SkyFit,
    target: NDArray[np.float64],
    common: NDArray[np.float64],
    known: NDArray[np.bool_],
    share: float,
) -> SkyFit:
    """Return the sky of a plane beside the light of a target; ``common`` is the covariance of the sky in it."""
    degree = degree_of(len(common))
    terms = chebyshev_terms(*unit_coordinates(fit.block_xy, fit.shape), degree=degree)
    columns, values = np.column_stack([terms, target])[known], _block_light(fit)[known]
    typical = float(np.median(fit.block_errors[fit.block_used]))
    own, pull = np.where(fit.block_used, fit.block_errors, typical)[known], np.zeros(int(known.sum()))
    for _ in range(ROUNDS):
        sigma = np.hypot(own, COLOUR_DOUBT * share * target[known])
        sigma *= np.sqrt(np.maximum(np.abs(pull) / HUBER, 1.0))
        answer = weighted_fit(columns, values, sigma)
        share = float(answer[-1])
        pull = (values - columns @ answer) / sigma
    scatter = max(1.0, float(pull @ pull) / max(len(pull) - len(answer), 1))
    design = columns / sigma[:, None]
    covariance = scatter * np.linalg.pinv(design.T @ design)[:-1, :-1] + share**2 * common
    return with_surface(fit, answer[:-1], covariance)


def _block_light(fit: SkyFit) -> NDArray[np.float64]:
    """Return the values of blocks of sky, and of the others the median of all that shines there."""
    return np.where(fit.block_used, fit.block_values, fit.block_light)
