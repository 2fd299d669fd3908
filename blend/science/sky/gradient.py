"""Take the gradient out: a low-order sky fitted to what is not an object, and subtracted.

Moonlight and light pollution add to the picture, so the model is subtracted, never divided by. A plane
describes moonlight over a field of two degrees to half a percent and degree 2 to 0.02 %: more than degree 2 is
never chosen by itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.robust import MAD_TO_SIGMA, MEDIAN_ERROR
from blend.science.sky.arms import allow_arms, hold_curve
from blend.science.sky.blocks import (
    HUBER_LIFT,
    LEAST_SHARE_OF_BLOCK,
    SkyBlocks,
    block_size,
    measure_blocks,
    term_powers,
)
from blend.science.sky.faint_light import without_faint_light
from blend.science.sky.fit import SkyFit, build_sky, sky_uncertainty, slope_sigma, subtract_sky
from blend.science.sky.halo import find_ellipse, index_doubt
from blend.science.sky.model import (
    HALO_DOUBT,
    SkyProblem,
    Solution,
    misfit,
    sky_problem,
    solve_given,
    solve_sky,
    with_ring,
)
from blend.science.sky.objects import Region, object_mask, region_mask

__all__ = [
    "Region",
    "SkyFit",
    "fit_sky",
    "object_mask",
    "region_mask",
    "sky_uncertainty",
    "slope_left",
    "slope_sigma",
    "subtract_sky",
]

LEAST_SKY = 0.02
"""Share of the frame that must be sky for a fit to mean anything."""
SHARE_FOR_DEGREE_2 = 0.15
"""With less sky than this a curved surface is an extrapolation: the automatic degree stops at 1."""
CLEAN_SHARE_FOR_DEGREE_2 = 0.25
"""Share of the frame where the halo's doubt is below the noise, for a small curvature to be believed."""
SURE_SKEW = 2.0
"""From how many of its standard deviations on the skew of the blocks is taken for light."""
HIGHEST_DEGREE = 4
AUTO_DEGREE = 2


def fit_sky(
    plane: NDArray[np.float32],
    *,
    degree: int | Literal["auto"] = "auto",
    masked: NDArray[np.bool_],
    sky_only: NDArray[np.bool_] | None = None,
    where: str = "gradient",
) -> SkyFit:
    """Fit a low-order sky to one plane.

    Parameters
    ----------
    plane : (rows, columns) float32
        Linear, any unit, NaN where there is no data.
    degree : 0 to 4 or "auto"
        Total degree of the Chebyshev surface. "auto" takes 0, 1 or 2, whichever the Bayesian
        information criterion prefers, and at most 1 where less than 15 % of the frame is sky. Where less than 2 %
        is, it is the level of the darkest blocks, ``sky_share`` is 0 and the uncertainty tells how little that is.
    masked : (rows, columns) bool
        True on objects, as from `object_mask`.
    sky_only : (rows, columns) bool, optional
        Nothing outside is taken as sky. Where the mask would leave nearly nothing inside, it is overruled.
    where : str
        Name of the step, for messages.

    Raises
    ------
    StepError
        Less than 2 % of the frame is sky and the degree is fixed above 0, or a fixed degree has more terms than the
        sky has blocks.

    Notes
    -----
    Two passes over the plane: 0.4 s of one core for 24 Mpx. Light of stars too faint to be masked lifts a level by 0.01
    sigma of a pixel and less; `blend.science.sky.faint_light` takes it off, its doubt is in the uncertainty. Where
    light shines in many pixels at once, as of a crowded field, their mean lies above their median: twice that is in it
    too.

    References
    ----------
    Chebyshev surfaces: common practice; the joint fit of a halo is derived here. Mode = 3 median - 2 mean: Pearson
    (1895), Phil. Trans. R. Soc. A 186, 343; from memory.
    """
    shape = (int(plane.shape[0]), int(plane.shape[1]))
    if degree != "auto" and not 0 <= degree <= HIGHEST_DEGREE:
        raise ValueError(f"degree {degree} is outside 0 to {HIGHEST_DEGREE}")
    unusable = _unusable(masked, sky_only)
    blocks = measure_blocks(plane, size=block_size(shape), unusable=unusable)
    share = float(blocks.share.mean())
    good = usable_blocks(blocks)
    if share < LEAST_SKY or good.sum() < 4:
        if degree not in (0, "auto"):
            raise _too_little_sky(share, where)
        return _darkest_blocks(plane, blocks, shape, where)
    choices = degrees_for(degree, share, int(good.sum()), where)
    chosen, others = choose_sky(blocks, shape, good, choices)
    fit = finish_sky(chosen, others, blocks, shape, good)
    return without_faint_light(plane, fit, unusable=unusable)


def slope_left(plane: NDArray[np.float32], masked: NDArray[np.bool_]) -> float:
    """Return the peak-to-peak, corner to corner, of a degree-1 sky fitted to what is left."""
    return fit_sky(plane, degree=1, masked=masked).amplitude


def usable_blocks(blocks: SkyBlocks) -> NDArray[np.bool_]:
    """Return the blocks with enough usable pixels for a value."""
    return np.asarray(np.isfinite(blocks.values) & (blocks.share >= LEAST_SHARE_OF_BLOCK))


def _unusable(masked: NDArray[np.bool_], sky_only: NDArray[np.bool_] | None) -> NDArray[np.bool_]:
    if sky_only is None:
        return masked
    outside = ~np.asarray(sky_only, dtype=np.bool_)
    both = outside | masked
    inside = outside.size - np.count_nonzero(outside)
    left = outside.size - np.count_nonzero(both)
    # Who draws a box on a nebula that fills the frame means the box, not the mask.
    return outside if left < 0.1 * inside else both


def _too_little_sky(share: float, where: str) -> StepError:
    return StepError(
        where,
        found=f"only {100.0 * share:.1f} % of the frame is sky, the rest is objects or has no data",
        expected=f"at least {100.0 * LEAST_SKY:.0f} %",
        advice="mark sky by hand in sky_boxes, or set degree = 0 to take off a level only",
    )


def degrees_for(degree: int | Literal["auto"], share: float, blocks: int, where: str) -> list[int]:
    """Return the degrees to try, with a share of the frame and a number of blocks that are sky.

    Raises
    ------
    StepError
        Too few blocks of sky for the degree.
    """
    if degree == "auto":
        top = AUTO_DEGREE if share >= SHARE_FOR_DEGREE_2 else 1
        return [d for d in range(top + 1) if 3 * len(term_powers(d)) <= blocks] or [0]
    needed = 2 * len(term_powers(degree))
    if blocks < needed and degree > 0:
        raise StepError(
            where,
            found=f"a sky of degree {degree} and {blocks} blocks of sky",
            expected=f"at least {needed} blocks",
            advice="lower the degree, or mark more sky in sky_boxes",
        )
    return [degree]


def choose_sky(
    blocks: SkyBlocks,
    shape: tuple[int, int],
    good: NDArray[np.bool_],
    degrees: list[int],
    *,
    halo: bool = True,
) -> tuple[Solution, list[tuple[float, Solution]]]:
    """Fit every candidate degree, with and without a halo; return the best, and all others with their weights."""
    plain = sky_problem(blocks, shape, sky=good)
    top = degrees[-1]
    first = solve_sky(plain, degree=top)
    ellipse = find_ellipse(blocks, plain.terms(top) @ first.coefficients, sky=good) if halo else None
    ringed = plain if ellipse is None else with_ring(plain, ellipse)
    fullest = solve_sky(ringed, degree=top, halo=True)
    problems = [plain]
    if fullest.halo is not None:
        problems.append(replace(ringed, good=good))
    # All candidates answer to the same blocks with the same errors, or their misfits could not be compared.
    candidates = [
        (
            problem,
            solve_given(
                problem,
                degree=d,
                halo=True,
                sigma=fullest.sigma,
                used=fullest.used & good,
                patch=fullest.patch,
            ),
        )
        for d in degrees
        for problem in problems
    ]
    marks = np.array([misfit(candidate, good) for _, candidate in candidates])
    weights = np.exp(-0.5 * (marks - marks.min()))
    doubtful = fullest.halo is not None and len(degrees) > 1 and _curve_is_halo(ringed, fullest, good)
    if doubtful:
        marks = np.where([c.degree > 1 for _, c in candidates], np.inf, marks)
    problem, best = candidates[int(np.argmin(marks))]
    chosen = _settled(problem, ringed, best.degree)
    if doubtful and top == AUTO_DEGREE:
        bent = hold_curve(_settled(problems[-1], ringed, top))
        chosen = chosen if bent is None else bent
    others = zip(weights / weights.sum(), (candidate for _, candidate in candidates), strict=True)
    return chosen, [(w, c) for w, c in others if c.degree != chosen.degree or c.halo is None]


def _settled(problem: SkyProblem, ringed: SkyProblem, degree: int) -> Solution:
    """Fit one degree with errors and blocks of its own; a halo is held down by its ring and may have arms."""
    free = solve_sky(problem, degree=degree, halo=True)
    if free.halo is None:
        return free
    held = solve_sky(ringed, degree=degree, halo=True)
    chosen = _hold_down(free, held)
    return allow_arms(ringed if chosen is held else problem, chosen)


def _curve_is_halo(problem: SkyProblem, fullest: Solution, sky: NDArray[np.bool_]) -> bool:
    """Tell whether the curvature of a sky may be the halo's: little clean sky, and no more curve than halo.

    A disc seen from above that fills the frame shines on all the sky there is, and what its arms leave of the halo's
    fit looks like a curved sky. A plane is then the safer answer; `hold_curve` tells how much more is believed.
    """
    assert fullest.halo is not None
    shine = fullest.halo.shine(problem.blocks.xy)
    clean = sky & (HALO_DOUBT * shine < problem.errors)
    if clean.mean() >= CLEAN_SHARE_FOR_DEGREE_2:
        return False
    curved = fullest.coefficients.copy()
    curved[:3] = 0.0
    curve = float(np.ptp(problem.terms(fullest.degree) @ curved))
    return curve < 2.0 * float(shine[sky].max())


def _hold_down(free: Solution, ringed: Solution) -> Solution:
    """Return the fit held down by the object's ring if the free one does not contradict it.

    The ring makes the halo and so the sky far more certain, but some objects change their profile outside the mask.
    The free fit does not suffer from that: the two must agree within its own errors.

    References
    ----------
    The comparison of a safe with a sharp estimate: Hausman (1978), Econometrica 46, 1251; from memory.
    """
    off = ringed.coefficients - free.coefficients
    distance = float(off @ np.linalg.pinv(free.covariance) @ off)
    return ringed if distance <= off.size else free


def finish_sky(
    chosen: Solution,
    others: list[tuple[float, Solution]],
    blocks: SkyBlocks,
    shape: tuple[int, int],
    good: NDArray[np.bool_],
) -> SkyFit:
    """Return the chosen solution as a sky, the doubts of degree, level and the halo's index in the covariance."""
    used = chosen.used & good
    covariance = _with_choice(chosen, others)
    covariance[0, 0] += faint_light_doubt(blocks, used) ** 2
    if chosen.halo is not None and chosen.index_pull is not None:
        covariance += index_doubt(chosen.halo) ** 2 * np.outer(chosen.index_pull, chosen.index_pull)
    return build_sky(
        chosen.coefficients,
        covariance,
        blocks=blocks,
        shape=shape,
        used=used,
        residuals=chosen.residuals,
        halo=chosen.halo,
    )


def faint_light_doubt(blocks: SkyBlocks, used: NDArray[np.bool_]) -> float:
    """Return how far stars too faint to be told from sky may lift the level: median - mode = 2 (mean - median).

    A block's value is lifted by `HUBER_LIFT` of what its median is. What noise alone makes of the blocks' mean minus
    median, at `SURE_SKEW` standard deviations, is taken off, squared: with one, noise alone would raise the stated
    error of a level by an eighth.
    """
    skew = blocks.skew[used]
    skew = skew[np.isfinite(skew)]
    if not skew.size:
        return 0.0
    middle = float(np.median(skew))
    noise = MEDIAN_ERROR * MAD_TO_SIGMA * float(np.median(np.abs(skew - middle))) / np.sqrt(skew.size)
    return float(2.0 * HUBER_LIFT * np.sqrt(max(0.0, max(0.0, middle) ** 2 - (SURE_SKEW * noise) ** 2)))


def _with_choice(chosen: Solution, others: list[tuple[float, Solution]]) -> NDArray[np.float64]:
    """Add to the covariance how far the other candidates lie, each by its weight."""
    count = chosen.coefficients.size
    covariance = chosen.covariance.copy()
    for weight, other in others:
        padded = np.zeros(max(count, other.coefficients.size))
        padded[: other.coefficients.size] = other.coefficients
        off = padded[:count] - chosen.coefficients
        covariance += weight * np.outer(off, off)
    return covariance


def _darkest_blocks(
    plane: NDArray[np.float32], blocks: SkyBlocks, shape: tuple[int, int], where: str
) -> SkyFit:
    """Return a level only, from the darkest twentieth of all blocks, where no sky is left."""
    good = np.isfinite(blocks.light)
    if not good.any():
        raise _too_little_sky(0.0, where)
    dark = good & (blocks.light <= np.quantile(blocks.light[good], 0.05))
    level = float(np.median(blocks.light[dark]))
    # Nobody knows how much of the darkest light is sky: the step to the next darkest is a fair doubt.
    doubt = float(np.quantile(blocks.light[good], 0.15)) - level
    fit = build_sky(
        np.array([level]),
        np.array([[doubt**2]]),
        blocks=replace(blocks, values=blocks.light, errors=np.full(blocks.light.shape, abs(doubt))),
        shape=shape,
        used=dark,
        residuals=blocks.light - level,
    )
    return replace(fit, sky_share=0.0)
