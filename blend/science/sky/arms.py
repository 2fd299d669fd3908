"""Arms and lopsided outskirts beside a smooth halo: light that neighbouring blocks share.

A halo on ellipses is wrong by a share of itself, and wrong the same way over a whole arm. Blocks that are wrong
together count as few, not as many: without that an arm's end bends the sky of a disc that fills the frame.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.science.sky.halo import HALO_DOUBT, Ellipse, Halo, halo_slopes, index_slope, moved
from blend.science.sky.model import SkyProblem, Solution, clipped_away

ARM_LENGTH = 0.5
"""Over what a halo's error is shared: radians about the object, and a factor exp(0.5) in its radius."""
LEAST_RADIUS = 0.3
KNOT_SPACING = 0.6
"""Distance of the knots that carry the shared error, in lengths over which it is shared."""
KNOTS_AROUND = 22
CURVE_SHARES = (0.03, 0.1, 0.3)
"""What a term of a sky's curvature may be beside its slope, beforehand, each as likely: moonlight bends by the first,
a town's glow by the last."""
RING_WIDTH = 0.15
"""Over what, in its ln radius, a profile is wrong all around: no disc is one of those that are tried."""
LEAST_WEIGHT = 0.02
LEAST_DOUBT = 0.005
"""Shared errors below this share of a block's own do not count, not even over all blocks together."""


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
    terms = problem.terms(solution.degree)
    more, doubts = halo_slopes(halo, problem.blocks.xy)
    design = np.column_stack([terms, more])[used]
    shine = halo.shine(problem.blocks.xy)[used]
    own = np.sqrt(
        np.maximum(solution.sigma[used] ** 2 - (HALO_DOUBT * shine) ** 2, problem.errors[used] ** 2)
    )
    scale = float(np.median(own))
    known = np.concatenate([np.zeros(terms.shape[1]), doubts]) * scale**2
    # What is known beforehand counts: the turn of a round outline changes nothing, and must not outweigh the rest.
    size = np.sqrt((design**2).sum(axis=0) + known) + 1e-30
    shared = shared_errors(halo.ellipse, problem.blocks.xy[used], HALO_DOUBT * shine / scale, own / scale)
    weighed = shared.undo(design / size)
    normal = (design / size).T @ weighed
    normal += np.diag(known / size**2)
    inverse = np.linalg.pinv(normal, rcond=1e-12)
    left = solution.residuals + clipped_away(problem, solution.sigma, used)
    step = inverse @ (weighed.T @ left[used]) / size
    count = terms.shape[1]
    covariance = (inverse * scale**2 / np.outer(size, size))[:count, :count] * solution.patch
    pull = inverse @ (weighed.T @ index_slope(halo, problem.blocks.xy)[used]) / size
    fresh = _stepped(halo, step[count:])
    coefficients = solution.coefficients + step[:count]
    model = terms @ coefficients + fresh.shine(problem.blocks.xy)
    return replace(
        solution,
        coefficients=coefficients,
        covariance=covariance,
        residuals=np.where(problem.good, problem.values - model, 0.0),
        halo=fresh,
        index_pull=pull[:count],
    )


def hold_curve(solution: Solution) -> Solution | None:
    """Return the mean of straight and curved skies, each by its probability, or None where next to none is curved.

    A curved sky has three terms k, with covariance V from errors shared along arms, and beforehand each is 0 +- s slope
    for an s of 0.03, 0.1 or 0.3. Straight and curved are equally likely beforehand, and so is each s; then the sky with
    T = (s slope)^2 has, beside the straight one with T = 0 and prior 1 / 2, a probability that goes as

    prior / sqrt(det (V + T)) exp(-k (V + T)^-1 k / 2)

    Parameters
    ----------
    solution : Solution
        Of degree 2, from `allow_arms`.

    Returns
    -------
    Solution or None
        Of degree 2. How far the skies lie apart is in its covariance.

    References
    ----------
    Hoeting et al. (1999), Statistical Science 14, 382 (averaging over models; from memory); the rest is derived here.
    """
    if solution.halo is None:
        return None
    answer, covariance = solution.coefficients, solution.covariance
    curve, own = answer[3:], covariance[3:, 3:]
    slope = float(np.abs(answer[1:3]).sum())
    wide = [own + (share * slope) ** 2 * np.eye(3) for share in (0.0, *CURVE_SHARES)]
    sure = [np.linalg.pinv(each) for each in wide]
    odds = np.array(
        [-0.5 * (curve @ s @ curve + np.linalg.slogdet(w)[1]) for w, s in zip(wide, sure, strict=True)]
    )
    odds[0] += np.log(len(CURVE_SHARES))
    weights = np.exp(odds - odds.max())
    weights /= weights.sum()
    if weights[1:].sum() < LEAST_WEIGHT:
        return None
    gains = [covariance[:, 3:] @ each for each in sure]
    skies = np.array([answer - gain @ curve for gain in gains])
    mean = weights @ skies
    apart = skies - mean
    spread = covariance + (apart * weights[:, None]).T @ apart
    for weight, gain in zip(weights, gains, strict=True):
        spread = spread - weight * gain @ covariance[3:, :]
    pull = solution.index_pull
    if pull is not None:
        pull = pull - np.einsum("w,wij,j->i", weights, np.array(gains), pull[3:])
    return replace(solution, coefficients=mean, covariance=spread, index_pull=pull)


@dataclass(frozen=True, eq=False)
class Errors:
    """The covariance diag(variance) + common common^T of n blocks: few columns say what they share."""

    variance: NDArray[np.float64]
    common: NDArray[np.float64]

    def undo(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return covariance^-1 columns (Woodbury's identity, common practice): no n x n matrix."""
        light = self.common / self.variance[:, None]
        inner = np.eye(self.common.shape[1]) + self.common.T @ light
        plain = columns / self.variance[:, None]
        return np.asarray(plain - light @ np.linalg.solve(inner, self.common.T @ plain))


def shared_errors(
    ellipse: Ellipse,
    xy: NDArray[np.float64],
    doubt: NDArray[np.float64],
    own: NDArray[np.float64],
    *,
    around: float = 0.0,
) -> Errors:
    """Return the covariance of blocks by way of knots on the object, close enough for all that blocks can share.

    ``around`` is the share of the doubt that is wrong all around. What the knots do not carry stays with each block, so
    that no variance is lost.

    References
    ----------
    Snelson & Ghahramani (2006), Advances in Neural Information Processing Systems 18, 1257; from memory.
    """
    radius, angle = ellipse.polar(xy)
    depth = np.log(np.maximum(radius, LEAST_RADIUS)) / ARM_LENGTH
    felt = doubt > LEAST_DOUBT * own
    if not felt.any():
        return Errors(own**2, np.zeros((own.size, 0)))
    low, high = float(depth[felt].min()), float(depth[felt].max())
    rings = np.linspace(low, high, 2 + int((high - low) / KNOT_SPACING))
    turns = np.linspace(0.0, 2.0 * np.pi, KNOTS_AROUND, endpoint=False)
    knots = np.repeat(rings, turns.size), np.tile(turns, rings.size)
    heights, axes = np.linalg.eigh(_error_correlation(knots, knots))
    kept = heights > 1e-9 * heights[-1]
    common = np.zeros((own.size, int(kept.sum())))
    common[felt] = _error_correlation((depth[felt], angle[felt]), knots) @ (
        axes[:, kept] / np.sqrt(heights[kept])
    )
    rest = np.maximum(1.0 - (common**2).sum(axis=1), 0.0)
    if around > 0.0:
        rings = np.arange(low * ARM_LENGTH, high * ARM_LENGTH + RING_WIDTH, RING_WIDTH)
        apart = np.square((ARM_LENGTH * depth[:, None] - rings) / RING_WIDTH)
        common = np.column_stack([common, around * np.exp(-0.5 * apart)])
    return Errors(own**2 + rest * doubt**2, common * doubt[:, None])


def _error_correlation(
    one: tuple[NDArray[np.float64], NDArray[np.float64]], two: tuple[NDArray[np.float64], NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Return how far the halo's errors at two sets of (ln R / L, phi) go together, 0 to 1: (n, m)."""
    apart = np.square(one[0][:, None] - two[0][None, :]) * -0.5
    turned = np.outer(np.cos(one[1]), np.cos(two[1])) + np.outer(np.sin(one[1]), np.sin(two[1]))
    return np.asarray(np.exp(apart + (turned - 1.0) / ARM_LENGTH**2))


def _stepped(halo: Halo, step: NDArray[np.float64]) -> Halo:
    step = np.clip(step, -0.5, 0.5)
    return replace(
        halo,
        ellipse=moved(halo.ellipse, step[2:]),
        strength=halo.strength * float(np.exp(step[0])),
        steepness=halo.steepness * float(np.exp(step[1])),
    )
