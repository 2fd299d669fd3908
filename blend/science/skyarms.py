"""Arms and lopsided outskirts beside a smooth halo: light that neighbouring blocks share.

A halo on ellipses is wrong by a share of itself, and wrong the same way over a whole arm. Blocks that are wrong
together count as few, not as many: without that an arm's end bends the sky of a disc that fills the frame.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.science.halo import Ellipse, Halo, halo_slopes, moved
from blend.science.skymodel import HALO_DOUBT, SkyProblem, Solution

ARM_LENGTH = 0.5
"""Over what a halo's error is shared: radians about the object, and a factor exp(0.5) in its radius."""
LEAST_RADIUS = 0.3


def allow_arms(problem: SkyProblem, solution: Solution) -> Solution:
    """Fit sky and halo once more, the halo's error shared by blocks near each other on the object.

    values = terms c + shine (1 + e),  <e_i e_j> = doubt^2 exp(-(d ln R)^2 / 2 L^2) exp((cos(d phi) - 1) / L^2)

    with R and phi radius and angle on the ellipses of the outline. One Gauss-Newton step of generalised least squares
    from the given solution; without a halo that is what is returned.

    Parameters
    ----------
    problem : SkyProblem
    solution : Solution
        Of this problem.

    References
    ----------
    Aitken (1935), Proc. R. Soc. Edinburgh 55, 42 (generalised least squares; from memory); the error is derived here.
    """
    halo, used = solution.halo, solution.used
    if halo is None:
        return solution
    from scipy.linalg import cho_factor, cho_solve

    terms = problem.terms(solution.degree)
    more, doubts = halo_slopes(halo, problem.blocks.xy)
    design = np.column_stack([terms, more])[used]
    shine = halo.shine(problem.blocks.xy)[used]
    own = np.sqrt(
        np.maximum(solution.sigma[used] ** 2 - (HALO_DOUBT * shine) ** 2, problem.errors[used] ** 2)
    )
    scale = float(np.median(own))
    error = (
        _shared(halo.ellipse, problem.blocks.xy[used]) * np.outer(shine, shine) * (HALO_DOUBT / scale) ** 2
    )
    error[np.diag_indices_from(error)] += (own / scale) ** 2
    factor = cho_factor(error, lower=True, overwrite_a=True, check_finite=False)
    size = np.sqrt((design**2).sum(axis=0)) + 1e-30
    weighed = cho_solve(factor, design / size, check_finite=False)
    normal = (design / size).T @ weighed
    normal += np.diag(np.concatenate([np.zeros(terms.shape[1]), doubts]) * (scale / size) ** 2)
    inverse = np.linalg.pinv(normal, rcond=1e-12)
    step = inverse @ (weighed.T @ solution.residuals[used]) / size
    count = terms.shape[1]
    covariance = (inverse * scale**2 / np.outer(size, size))[:count, :count] * solution.patch
    fresh = _stepped(halo, step[count:])
    coefficients = solution.coefficients + step[:count]
    model = terms @ coefficients + fresh.shine(problem.blocks.xy)
    return replace(
        solution,
        coefficients=coefficients,
        covariance=covariance,
        residuals=np.where(problem.good, problem.values - model, 0.0),
        halo=fresh,
    )


def _shared(ellipse: Ellipse, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far the halo's errors at two points go together, 0 to 1: (n, n)."""
    radius, angle = ellipse.polar(xy)
    depth = np.log(np.maximum(radius, LEAST_RADIUS)) / ARM_LENGTH
    apart = np.square(depth[:, None] - depth[None, :]) * -0.5
    turned = np.outer(np.cos(angle), np.cos(angle)) + np.outer(np.sin(angle), np.sin(angle))
    return np.asarray(np.exp(apart + (turned - 1.0) / ARM_LENGTH**2))


def _stepped(halo: Halo, step: NDArray[np.float64]) -> Halo:
    step = np.clip(step, -0.5, 0.5)
    return replace(
        halo,
        ellipse=moved(halo.ellipse, step[2:]),
        strength=halo.strength * float(np.exp(step[0])),
        steepness=halo.steepness * float(np.exp(step[1])),
    )
