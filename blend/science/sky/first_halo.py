"""A first halo beside a first sky, where nothing is known of either, and the errors that their residuals tell."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.science.sky.halo import HALO_DOUBT, Ellipse, Halo, halo_slopes, moved, profiles_at
from blend.science.sky.solver import (
    SkyProblem,
    Solution,
    blocks_per_error,
    calm,
    inverse_of,
    judged,
    least_sigma,
    weighted_fit,
)

SHAPING = 4
"""Steps in which a first halo finds its outline, each by `MOST_STEP` at most."""
MOST_STEP = 0.3


def about(problem: SkyProblem, ellipse: Ellipse) -> SkyProblem:
    """Return the problem with the profiles about another outline."""
    return replace(problem, profiles=profiles_at(ellipse, problem.blocks.xy))


def first_halo(problem: SkyProblem, plain: Solution) -> Solution | None:
    """Return a sky and the halo that fits best beside it, or None where no halo above 0 does.

    Nothing is known of the halo yet: every block counts by a share of its light above the sky that fits without one.

    Parameters
    ----------
    problem : SkyProblem
        With profiles.
    plain : Solution
        Without a halo, of the highest degree there may be.
    """
    terms = problem.terms(plain.degree)
    light = np.maximum(problem.values - terms @ plain.coefficients, 0.0)
    sigma = np.hypot(np.maximum(problem.errors, least_sigma(problem)), HALO_DOUBT * light)
    found = _best_profile(problem, terms, sigma, problem.good)
    for _ in range(SHAPING):
        if found is None:
            return None
        problem = about(problem, _shaped(problem, terms, sigma, *found))
        found = _best_profile(problem, terms, sigma, problem.good)
    if found is None:
        return None
    answer, halo = found
    residuals = np.where(problem.good, problem.values - terms @ answer - halo.shine(problem.blocks.xy), 0.0)
    unknown = np.zeros((answer.size, answer.size))
    return Solution(answer, unknown, residuals, sigma, problem.good, 1.0, answer, halo=halo)


def _shaped(
    problem: SkyProblem,
    terms: NDArray[np.float64],
    sigma: NDArray[np.float64],
    answer: NDArray[np.float64],
    halo: Halo,
) -> Ellipse:
    """Return the outline that fits better: one Gauss-Newton step of sky, halo, centre, ratio of axes and turn."""
    good = problem.good
    more, known = halo_slopes(halo, problem.blocks.xy)
    columns = np.column_stack([terms, more])[good] / sigma[good, None]
    left = (problem.values - terms @ answer - halo.shine(problem.blocks.xy))[good] / sigma[good]
    normal = columns.T @ columns + np.diag(np.concatenate([np.zeros(terms.shape[1]), known]))
    step = inverse_of(normal) @ (columns.T @ left)
    return moved(halo.ellipse, np.clip(step[-4:], -MOST_STEP, MOST_STEP))


def settled_errors(problem: SkyProblem, solution: Solution) -> Solution:
    """Return a solution with errors, choice of blocks and shared errors as its own residuals tell them.

    The halo's doubt may only fall from one to the next: a brighter halo would allow itself still more light.
    """
    assert solution.halo is not None
    doubt = solution.halo.doubt(problem.blocks.xy)
    solution = replace(solution, doubt=doubt if solution.doubt is None else np.minimum(doubt, solution.doubt))
    sigma, used = judged(problem, solution)
    near = calm(problem, solution) & used
    patch = blocks_per_error(solution.residuals / sigma, near, problem.blocks.grid)
    return replace(solution, sigma=sigma, used=used, patch=patch)


def _best_profile(
    problem: SkyProblem, terms: NDArray[np.float64], sigma: NDArray[np.float64], used: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], Halo] | None:
    """Return the sky's answer and the halo that fit best together, or None where no halo above 0 does."""
    profiles = problem.profiles
    assert profiles is not None
    root = 1.0 / sigma[used]
    frame = np.linalg.qr(terms[used] * root[:, None])[0]
    shapes = profiles.shapes[used] * root[:, None]
    values = problem.values[used] * root
    left = values - frame @ (frame.T @ values)
    room = (shapes**2).sum(axis=0) - ((frame.T @ shapes) ** 2).sum(axis=0)
    strength = (left @ shapes) / np.maximum(room, 1e-300)
    gain = np.where((strength > 0.0) & (room > 1e-9 * (shapes**2).sum(axis=0)), strength**2 * room, 0.0)
    best = int(np.argmax(gain))
    if gain[best] <= 0.0:
        return None
    halo = profiles.halo(best, float(strength[best]))
    return weighted_fit(
        terms[used], problem.values[used] - halo.shine(problem.blocks.xy)[used], sigma[used]
    ), halo
