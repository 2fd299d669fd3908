"""The fit of a sky to block values: a Chebyshev surface, and beside it the halo of the largest object.

A galaxy's outskirts reach further than any mask. Left alone they lift the sky around them, the fit follows, and
the disc loses light. So one smooth halo on ellipses about the object is fitted together with the sky;
it is never taken off, and the uncertainty of the sky contains what the halo leaves open.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, bin_mean
from blend.science.sky.blocks import SkyBlocks, chebyshev_terms, unit_coordinates
from blend.science.sky.halo import HALO_DOUBT, Ellipse, Halo, fit_with_halo, halo_slopes
from blend.science.sky.profiles import Profiles

RING = (0.8, 1.6)
"""Radii, in units of the outline, between which masked blocks hold the halo's profile down."""
CLIP_ABOVE = 2.5
CLIP_BELOW = 4.0
"""Light only adds, so a block that is too bright is left out sooner than one that is too dark."""


@dataclass(frozen=True, eq=False)
class SkyProblem:
    """What a fit works on.

    ``sky`` marks the blocks outside the mask, ``good`` these and the ring of the object, ``values`` and ``errors``
    belong to ``good``; ``ellipse`` outlines the object whose halo is fitted, ``profiles`` are
    all that its halo may be.
    """

    blocks: SkyBlocks
    u: NDArray[np.float64]
    v: NDArray[np.float64]
    sky: NDArray[np.bool_]
    good: NDArray[np.bool_]
    values: NDArray[np.float64]
    errors: NDArray[np.float64]
    ellipse: Ellipse | None = None
    profiles: Profiles | None = None

    def terms(self, degree: int) -> NDArray[np.float64]:
        """Return the Chebyshev terms at all blocks."""
        return chebyshev_terms(self.u, self.v, degree=degree)


@dataclass(frozen=True, eq=False)
class Solution:
    """One fitted sky.

    ``sigma`` holds the error of every block, its share of the common scatter and the halo's doubt included;
    ``patch`` is the number of blocks that share one error (1 for independent blocks). ``index_pull`` tells how far the
    coefficients move where the halo's true index lies 1 above the fitted one; ``covariance`` does not contain that.
    ``doubt`` is the halo's, of every block, where `averages` asked for it.
    """

    degree: int
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]
    sigma: NDArray[np.float64]
    used: NDArray[np.bool_]
    patch: float
    halo: Halo | None = None
    index_pull: NDArray[np.float64] | None = None
    doubt: NDArray[np.float64] | None = None

    @property
    def parameters(self) -> int:
        """Number of fitted numbers."""
        return int(self.coefficients.size) + (2 if self.halo is not None else 0)


def sky_problem(blocks: SkyBlocks, shape: tuple[int, int], *, sky: NDArray[np.bool_]) -> SkyProblem:
    """Gather what the fits of one plane share, without a halo."""
    u, v = unit_coordinates(blocks.xy, shape)
    values = np.where(sky, blocks.values, 0.0)
    errors = np.where(sky, blocks.errors, 1.0)
    return SkyProblem(blocks, u, v, sky, sky, values, errors)


def with_ring(problem: SkyProblem, ellipse: Ellipse) -> SkyProblem:
    """Add the masked blocks in the ring about an outline, with the light of all their pixels as value."""
    blocks = problem.blocks
    radius = ellipse.radius(blocks.xy)
    ring = ~problem.sky & np.isfinite(blocks.light) & (radius > RING[0]) & (radius < RING[1])
    typical = float(np.median(problem.errors[problem.sky]))
    return replace(
        problem,
        good=problem.sky | ring,
        values=np.where(ring, blocks.light, problem.values),
        errors=np.where(ring, typical, problem.errors),
        ellipse=ellipse,
    )


def solve_sky(problem: SkyProblem, *, degree: int, halo: bool = False, rounds: int = 12) -> Solution:
    """Fit a sky of one degree by weighted least squares, leaving out blocks that are too bright.

    Parameters
    ----------
    problem : SkyProblem
    degree : int
        Total degree of the surface.
    halo : bool
        Fit the halo of the problem's object as well. Without it only blocks outside the mask count.
    rounds : int
        Most rounds of clipping and weighting.
    """
    halo = halo and problem.ellipse is not None
    good = problem.good if halo else problem.sky
    sigma = np.maximum(problem.errors, least_sigma(problem))
    if halo:
        # At first nothing is known of the halo: the ring counts by a share of all its light.
        first = problem.values - float(np.median(problem.values[problem.sky]))
        sigma = np.where(good & ~problem.sky, np.hypot(sigma, HALO_DOUBT * first), sigma)
    solution = solve_given(problem, degree=degree, halo=halo, sigma=sigma, used=good)
    for _ in range(rounds):
        sigma = _block_sigma(problem, solution)
        pull = np.where(good, solution.residuals / sigma, 0.0)
        middle = float(np.median(pull[solution.used]))
        fresh = good & (pull - middle < CLIP_ABOVE) & (pull - middle > -CLIP_BELOW)
        if fresh.sum() < min(good.sum(), 2 * solution.parameters + 4):
            fresh = solution.used
        settled = bool((fresh == solution.used).all()) and bool(np.allclose(sigma, solution.sigma, rtol=0.02))
        solution = solve_given(problem, degree=degree, halo=halo, sigma=sigma, used=fresh)
        if settled:
            break
    return solution


def solve_given(
    problem: SkyProblem,
    *,
    degree: int,
    halo: bool,
    sigma: NDArray[np.float64],
    used: NDArray[np.bool_],
    patch: float | None = None,
) -> Solution:
    """Fit one sky with the errors and the choice of blocks given; ``patch`` is measured if not given."""
    terms = problem.terms(degree)
    count = terms.shape[1]
    given = problem.values
    problem = replace(problem, values=given + clipped_away(problem, sigma, used))
    found = best_halo(problem, terms, sigma, used) if halo and problem.ellipse is not None else None
    if found is None:
        used = used & problem.sky
        answer = weighted_fit(terms[used], problem.values[used], sigma[used])
        model, jacobian, prior = terms @ answer, terms, np.zeros(count)
    else:
        answer, shape = found
        model = terms @ answer + shape.shine(problem.blocks.xy)
        more, doubts = halo_slopes(shape, problem.blocks.xy)
        jacobian = np.column_stack([terms, more])
        prior = np.concatenate([np.zeros(count), doubts])
    residuals = np.where(problem.good, given - model, 0.0)
    if patch is None:
        patch = blocks_per_error(problem, residuals, sigma, used)
    covariance = _covariance(jacobian[used] / sigma[used, None], prior / patch)[:count, :count] * patch
    return Solution(
        degree, answer, covariance, residuals, sigma, used, patch, found[1] if found is not None else None
    )


def misfit(solution: Solution, sky: NDArray[np.bool_]) -> float:
    """Return the Bayesian information criterion over the blocks outside the mask.

    BIC = chi^2 / p + k ln(n / p), where p blocks share one error.

    References
    ----------
    Schwarz (1978), Annals of Statistics 6, 461; the count of independent blocks is derived here.
    """
    judged = solution.used & sky
    pull = solution.residuals[judged] / solution.sigma[judged]
    count = max(judged.sum() / solution.patch, 2.0)
    return float(pull @ pull) / solution.patch + solution.parameters * float(np.log(count))


def best_halo(
    problem: SkyProblem, terms: NDArray[np.float64], sigma: NDArray[np.float64], used: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], Halo] | None:
    """Return the sky's answer and the halo that fit best together, or None where no halo above 0 does."""
    assert problem.ellipse is not None
    radius = problem.ellipse.radius(problem.blocks.xy)[used]
    found = fit_with_halo(terms[used], radius, problem.values[used], sigma[used], weighted_fit)
    if found is None:
        return None
    _, answer, steepness, sersic = found
    return answer[:-1], Halo(problem.ellipse, float(answer[-1]), steepness, sersic)


def _block_sigma(problem: SkyProblem, solution: Solution) -> NDArray[np.float64]:
    """Return the error of every block: its own, the scatter all blocks show beyond it, the halo's doubt."""
    own = problem.errors
    doubt = np.zeros_like(own)
    if solution.halo is not None:
        doubt = HALO_DOUBT * solution.halo.shine(problem.blocks.xy)
    calm = solution.used & problem.sky & (doubt <= own)
    if calm.sum() < 12:
        calm = solution.used & problem.sky
    left = solution.residuals[calm]
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left))))
    # The median absolute deviation of few blocks about a fit that follows them comes out low.
    scatter *= float(np.sqrt(calm.sum() / max(calm.sum() - solution.parameters, 1)))
    extra = max(0.0, scatter**2 - float(np.median(own[calm])) ** 2)
    return np.asarray(np.maximum(np.sqrt(own**2 + extra + doubt**2), least_sigma(problem)))


def clipped_away(
    problem: SkyProblem, sigma: NDArray[np.float64], used: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Return how far one-sided clipping lowers the mean of every block's noise: 0.018 of it at 2.5 above, 4 below.

    mean{x : -b < x < a} of unit Gaussian noise = -(phi(a) - phi(b)) / (Phi(a) - Phi(-b)). Where the halo's doubt
    raises the limit the noise is clipped less.

    References
    ----------
    Mean of the truncated normal distribution (Johnson, Kotz & Balakrishnan (1994), Continuous Univariate
    Distributions 1, ch. 13; from memory).
    """
    from scipy.special import ndtr

    judged = used & problem.sky
    if not judged.any():
        return np.zeros_like(sigma)
    shared = max(0.0, float((sigma[judged] ** 2 - problem.errors[judged] ** 2).min()))
    noise = np.where(sigma > least_sigma(problem), np.sqrt(problem.errors**2 + shared), 0.0)
    limit = sigma / np.maximum(noise, 1e-3 * sigma)
    above, below = CLIP_ABOVE * limit, CLIP_BELOW * limit
    less = np.exp(-0.5 * above**2) - np.exp(-0.5 * below**2)
    return np.asarray(noise * less / np.sqrt(2.0 * np.pi) / (ndtr(above) - ndtr(-below)))


def least_sigma(problem: SkyProblem) -> float:
    """Return an error no block falls below: float32 pixels hold no more digits than that."""
    return 1e-8 * float(np.abs(problem.values[problem.sky]).max(initial=0.0)) + 1e-30


def weighted_fit(
    terms: NDArray[np.float64], values: NDArray[np.float64], sigma: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the least-squares answer of terms x = values with errors sigma."""
    design = terms / sigma[:, None]
    size = np.sqrt((design**2).sum(axis=0)) + 1e-30
    answer = np.linalg.lstsq(design / size, values / sigma, rcond=1e-10)[0]
    return np.asarray(answer / size)


def surface_under(
    terms: NDArray[np.float64], values: NDArray[np.float64], share: float
) -> NDArray[np.float64]:
    """Return the answer of terms x under which a share of the values lies (quantile regression).

    Minimises the sum of (values - terms x) times share above and (1 - share) below, by reweighted least squares.
    """
    weights = np.ones(values.size)
    answer: NDArray[np.float64] = np.zeros(terms.shape[1])
    for _ in range(100):
        root = np.sqrt(weights)
        fresh = np.linalg.lstsq(terms * root[:, None], values * root, rcond=1e-10)[0]
        off = values - terms @ fresh
        scale = MAD_TO_SIGMA * float(np.median(np.abs(off - np.median(off))))
        if np.abs(fresh - answer).max() <= 1e-4 * scale:
            return np.asarray(fresh)
        answer = np.asarray(fresh, dtype=np.float64)
        weights = np.where(off > 0.0, share, 1.0 - share) / np.maximum(np.abs(off), 0.01 * scale + 1e-30)
        weights /= weights.max()
    return np.asarray(answer)


def bounded_error(free: float, error: float) -> float:
    """Return the error of a number that cannot be negative, came out as ``free`` and is held at 0 if that is below.

    Above 0 it is the error as given. Below, it is the root mean square about 0 of a Gaussian (free, error) of which
    only the part above 0 is left:

        x = free / error,  held^2 = error^2 (1 + x^2 + x phi(x) / Phi(x))

    Examples
    --------
    >>> [round(bounded_error(free, 1.0), 4) for free in (2.0, 0.0, -1.0, -3.0)]
    [1.0, 1.0, 0.6891, 0.3882]

    References
    ----------
    Moments of the truncated normal distribution (Johnson, Kotz & Balakrishnan (1994), Continuous Univariate
    Distributions 1, ch. 13; from memory), with a flat prior above 0.
    """
    from scipy.special import erfcx

    if free >= 0.0 or not error > 0.0:
        return error
    pull = free / error
    if pull < -50.0:
        # The terms cancel there; what is left above 0 falls off exponentially with the length error / |x|.
        return float(error * np.sqrt(2.0) / -pull)
    # phi / Phi by the scaled complementary error function, which does not underflow.
    ratio = float(np.sqrt(2.0 / np.pi) / erfcx(-pull / np.sqrt(2.0)))
    return float(error * np.sqrt(max(1.0 + pull * pull + pull * ratio, 0.0)))


def _covariance(design: NDArray[np.float64], prior: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of design^T design + diag(prior)."""
    normal = design.T @ design + np.diag(prior)
    size = np.sqrt(np.diag(normal)) + 1e-30
    return np.asarray(np.linalg.pinv(normal / np.outer(size, size), rcond=1e-10) / np.outer(size, size))


def blocks_per_error(
    problem: SkyProblem, residuals: NDArray[np.float64], sigma: NDArray[np.float64], used: NDArray[np.bool_]
) -> float:
    """Return how many neighbouring blocks share one error, at least 1.

    Means of g x g independent blocks scatter by 1/g of a block; what they scatter more, squared, is the number.
    """
    if not used.any():
        return 1.0
    pull = np.where(used, residuals / sigma, np.nan).reshape(problem.blocks.grid)
    single = float(np.nanmean(pull**2))
    shared = 1.0
    for group in (2, 3, 4):
        cells = bin_mean(pull, group)
        cells = cells[np.isfinite(cells)]
        if cells.size >= 12 and single > 0.0:
            shared = max(shared, group**2 * float(np.mean(cells**2)) / single)
    return min(shared, 25.0)
