"""The one fit of columns to block values: weighted least squares that leaves out what is too bright, errors included.

Columns are a sky's terms and, where a line tells the emission, the line's light. What only adds is held at 0 where the
blocks ask for less. A large object's halo is fitted by `averages`, with errors and choice of blocks as judged here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, bin_mean
from blend.science.sky.blocks import SkyBlocks, chebyshev_terms, degree_of, unit_coordinates
from blend.science.sky.halo import Ellipse, Halo, Profiles, profiles_at

RING = (0.8, 1.6)
"""Radii, in units of the outline, between which masked blocks hold the halo's profile down."""
CLIP_ABOVE = 2.5
CLIP_BELOW = 4.0
"""Light only adds, so a block that is too bright is left out sooner than one that is too dark."""
CALM_SHARE = 0.25
"""Of the used blocks of sky: those where the halo's doubt is least tell the noise."""
ROUNDS = 12
"""Most rounds of clipping and weighting."""


@dataclass(frozen=True, eq=False)
class SkyProblem:
    """What a fit works on.

    ``sky`` marks the blocks outside the mask, ``good`` these and the ring of the object, ``values`` and ``errors``
    belong to ``good``. ``line`` is a line's light in every block; ``profiles`` are all that the object's halo may be.
    """

    blocks: SkyBlocks
    u: NDArray[np.float64]
    v: NDArray[np.float64]
    sky: NDArray[np.bool_]
    good: NDArray[np.bool_]
    values: NDArray[np.float64]
    errors: NDArray[np.float64]
    line: NDArray[np.float64] | None = None
    profiles: Profiles | None = None

    def terms(self, degree: int) -> NDArray[np.float64]:
        """Return the Chebyshev terms at all blocks."""
        return chebyshev_terms(self.u, self.v, degree=degree)


@dataclass(frozen=True, eq=False)
class Solution:
    """One fitted sky: the factors of its terms, ``free`` as they are without a bound, and that of the line.

    ``sigma`` holds the error of every block, its share of the common scatter and the halo's doubt included;
    ``patch`` is the number of blocks that share one error (1 for independent blocks); ``doubt`` is the halo's, of every
    block; ``waves`` is what an uneven sky adds to the covariance.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]
    sigma: NDArray[np.float64]
    used: NDArray[np.bool_]
    patch: float
    free: NDArray[np.float64]
    factor: float = 0.0
    halo: Halo | None = None
    doubt: NDArray[np.float64] | None = None
    waves: NDArray[np.float64] | None = None

    @property
    def degree(self) -> int:
        """Of a polynomial sky."""
        return degree_of(self.coefficients.size)

    @property
    def parameters(self) -> int:
        """Number of fitted numbers."""
        return int(self.coefficients.size) + (2 if self.halo is not None else 0)


def sky_problem(
    blocks: SkyBlocks,
    shape: tuple[int, int],
    *,
    sky: NDArray[np.bool_],
    line: NDArray[np.float64] | None = None,
) -> SkyProblem:
    """Gather what the fits of one plane share, without a halo."""
    u, v = unit_coordinates(blocks.xy, shape)
    values = np.where(sky, blocks.values, 0.0)
    errors = np.where(sky, blocks.errors, 1.0)
    return SkyProblem(
        blocks, u, v, sky, sky, values, errors, None if line is None else np.where(sky, line, 0.0)
    )


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
        profiles=profiles_at(ellipse, blocks.xy),
    )


def robust_fit(problem: SkyProblem, terms: NDArray[np.float64], *, bounded: bool = False) -> Solution:
    """Fit a sky to the blocks outside the mask, round after round without those that are too bright.

    values = terms c [+ factor line],  factor >= 0

    Parameters
    ----------
    problem : SkyProblem
    terms : (n, k) float64
        Of the sky, at all blocks.
    bounded : bool
        The last of them only adds.
    """
    sigma = np.maximum(problem.errors, least_sigma(problem))
    solution = solve_given(problem, terms, sigma=sigma, used=problem.sky, bounded=bounded)
    for _ in range(ROUNDS):
        sigma, used = judged(problem, solution)
        settled = bool((used == solution.used).all()) and bool(np.allclose(sigma, solution.sigma, rtol=0.02))
        solution = solve_given(problem, terms, sigma=sigma, used=used, bounded=bounded)
        if settled:
            break
    return solution


def solve_given(
    problem: SkyProblem,
    terms: NDArray[np.float64],
    *,
    sigma: NDArray[np.float64],
    used: NDArray[np.bool_],
    bounded: bool = False,
    patch: float | None = None,
) -> Solution:
    """Fit one sky with the errors and the choice of blocks given; ``patch`` is measured if not given."""
    count = terms.shape[1]
    columns = terms if problem.line is None else np.column_stack([terms, problem.line])
    adds = np.arange(columns.shape[1]) >= count - bounded
    values = (problem.values + clipped_away(problem, sigma, used))[used]
    free = answer = weighted_fit(columns[used], values, sigma[used])
    held = np.zeros_like(adds)
    while (adds & (answer < 0.0)).any():
        held |= adds & (answer < 0.0)
        # What a bound forbids scatters the blocks, but is no noise: nothing is put back for its clipping.
        values, answer = problem.values[used], np.zeros(held.size)
        answer[~held] = weighted_fit(columns[used][:, ~held], values, sigma[used])
    residuals = np.where(problem.good, problem.values - columns @ answer, 0.0)
    if patch is None:
        patch = blocks_per_error(residuals / sigma, used, problem.blocks.grid)
    covariance = (
        inverse_of((columns[used] / sigma[used, None]).T @ (columns[used] / sigma[used, None])) * patch
    )
    factor = float(answer[count]) if problem.line is not None else 0.0
    return Solution(
        answer[:count], covariance[:count, :count], residuals, sigma, used, patch, free[:count], factor
    )


def misfit(solution: Solution) -> float:
    """Return the Bayesian information criterion: chi^2 / p + k ln(n / p), where p blocks share one error.

    References
    ----------
    Schwarz (1978), Annals of Statistics 6, 461; the count of independent blocks is derived here.
    """
    pull = solution.residuals[solution.used] / solution.sigma[solution.used]
    count = max(pull.size / solution.patch, 2.0)
    return float(pull @ pull) / solution.patch + solution.parameters * float(np.log(count))


def judged(problem: SkyProblem, solution: Solution) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return the errors of the blocks by a solution, and which of them agree with it.

    An error is the block's own, the scatter that all blocks show beyond it, and the halo's doubt.
    """
    good = problem.good if solution.halo is not None else problem.sky
    own, near = problem.errors, calm(problem, solution)
    extra = max(0.0, _scatter(problem, solution, near) ** 2 - float(np.median(own[near])) ** 2)
    doubt = 0.0 if solution.doubt is None else solution.doubt
    sigma = np.maximum(np.sqrt(own**2 + extra + doubt**2), least_sigma(problem))
    pull = np.where(good, solution.residuals / sigma, 0.0)
    middle = float(np.median(pull[solution.used]))
    fresh = good & (pull - middle < CLIP_ABOVE) & (pull - middle > -CLIP_BELOW)
    enough = fresh.sum() >= min(good.sum(), 2 * solution.parameters + 4)
    return sigma, fresh if enough else solution.used


def calm(problem: SkyProblem, solution: Solution) -> NDArray[np.bool_]:
    """Return the used blocks of sky whose error is not the halo's; at least the quarter where that is least."""
    used = solution.used & problem.sky
    if solution.doubt is None:
        return used
    limit = np.maximum(problem.errors, float(np.quantile(solution.doubt[used], CALM_SHARE)))
    return np.asarray(used & (solution.doubt <= limit))


def _scatter(problem: SkyProblem, solution: Solution, near: NDArray[np.bool_]) -> float:
    """Return the scatter of calm blocks: beside a halo of neighbours, which what is wrong with it shifts alike."""
    if solution.halo is not None:
        left = np.where(near, solution.residuals, np.nan).reshape(problem.blocks.grid)
        apart = np.concatenate([np.diff(left, axis=0).ravel(), np.diff(left, axis=1).ravel()])
        apart = apart[np.isfinite(apart)]
        if apart.size >= 12:
            return MAD_TO_SIGMA * float(np.median(np.abs(apart))) / float(np.sqrt(2.0))
    left = solution.residuals[near]
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left))))
    # The median absolute deviation of few blocks about a fit that follows them comes out low.
    return scatter * float(np.sqrt(near.sum() / max(near.sum() - solution.parameters, 1)))


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


def inverse_of(normal: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse of a normal matrix, its terms brought to one size first."""
    size = np.sqrt(np.diag(normal)) + 1e-30
    return np.asarray(np.linalg.pinv(normal / np.outer(size, size), rcond=1e-10) / np.outer(size, size))


def blocks_per_error(pull: NDArray[np.float64], used: NDArray[np.bool_], grid: tuple[int, int]) -> float:
    """Return how many neighbouring blocks share one error, at least 1, from residuals over their errors.

    Means of g x g independent blocks scatter by 1/g of a block; what they scatter more, squared, is the number.
    """
    if not used.any():
        return 1.0
    shown = np.where(used, pull, np.nan).reshape(grid)
    single = float(np.nanmean(shown**2))
    shared = 1.0
    for group in (2, 3, 4):
        cells = bin_mean(shown, group)
        cells = cells[np.isfinite(cells)]
        if cells.size >= 12 and single > 0.0:
            shared = max(shared, group**2 * float(np.mean(cells**2)) / single)
    return min(shared, 25.0)
