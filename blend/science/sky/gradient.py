"""The sky of a plane: what is fitted to the blocks that are not an object.

Moonlight and light pollution add to the picture, so the sky is subtracted, never divided by. A plane
describes moonlight over a field of two degrees to half a percent and degree 2 to 0.02 %: more than degree 2 is
never chosen by itself.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.sky.averages import averaged_sky
from blend.science.sky.blocks import (
    faint_light_doubt,
    resized,
    sky_blocks,
    small_bins,
    term_powers,
    usable_blocks,
)
from blend.science.sky.faint_light import without_faint_light
from blend.science.sky.fit import SkyFit, Strength, build_sky
from blend.science.sky.guide import LineGuide, basis_of, guide_by_line, strength_of
from blend.science.sky.halo import find_ellipse
from blend.science.sky.solver import (
    SkyProblem,
    Solution,
    inverse_of,
    misfit,
    robust_fit,
    sky_problem,
    solve_given,
    weighted_fit,
    with_ring,
)

LEAST_SKY = 0.02
"""Share of the frame that must be sky for a fit to mean anything."""
SHARE_FOR_DEGREE_2 = 0.15
"""With less sky than this a curved surface is an extrapolation: the automatic degree stops at 1."""
HIGHEST_DEGREE = 4
AUTO_DEGREE = 2


def fit_sky(
    plane: NDArray[np.float32],
    *,
    masked: NDArray[np.bool_],
    degree: int | Literal["auto"] = "auto",
    shape_terms: NDArray[np.float64] | None = None,
    guide: LineGuide | None = None,
    sky_only: NDArray[np.bool_] | None = None,
    closed: NDArray[np.bool_] | None = None,
    where: str = "gradient",
) -> SkyFit:
    """Fit the sky of one plane.

    plane = sky [+ halo of the largest object] [+ a (line - sky of the line)],  a >= 0

    Parameters
    ----------
    plane : (rows, columns) float32
        Linear, any unit, NaN where there is no data.
    masked : (rows, columns) bool
        True on objects, as from `object_mask`.
    degree : 0 to 4 or "auto"
        Total degree of the Chebyshev surface. "auto" takes 0, 1 or 2, whichever the Bayesian
        information criterion prefers, and at most 1 where less than 15 % of the frame is sky; beside a halo it is the
        mean of all. Where less than 2 % is sky, it is the level under the least light of all blocks, ``sky_share`` is 0
        and the uncertainty tells how little that is.
    shape_terms : (3,) or (6,) float64, optional
        From `moon_shape` or `shape_towards`: then only a level and a strength, 0 or more, of that shape are free,
        sky = level + strength (shape - its middle). What a free surface of degree 2 would have taken more is in the
        uncertainty.
    guide : LineGuide, optional
        With it all blocks count but those of ``closed``, their emission taken out.
    sky_only : (rows, columns) bool, optional
        Nothing outside is taken as sky. Where the mask would leave nearly nothing inside, it is overruled.
    closed : (rows, columns) bool, optional
        True where nothing may be looked at, whatever shines there; left out, where there is no data.
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
    Chebyshev surfaces: common practice; the joint fits are derived here. Mode = 3 median - 2 mean: Pearson
    (1895), Phil. Trans. R. Soc. A 186, 343; from memory.
    """
    shape = (int(plane.shape[0]), int(plane.shape[1]))
    if degree != "auto" and not 0 <= degree <= HIGHEST_DEGREE:
        raise ValueError(f"degree {degree} is outside 0 to {HIGHEST_DEGREE}")
    closed = ~np.isfinite(plane) if closed is None else closed
    unusable = _unusable(masked, sky_only) if guide is None else closed
    light = small_bins(plane)
    blocks = sky_blocks(plane, light, unusable=unusable)
    share, good = float(blocks.share.mean()), usable_blocks(blocks)
    if guide is not None:
        good &= np.isfinite(guide.excess)
    elif share < LEAST_SKY or good.sum() < (4 if shape_terms is None else 8):
        if shape_terms is None and degree not in (0, "auto"):
            raise _too_little_sky(share, where)
        dark = guide_by_line(
            plane,
            masked=~np.isfinite(plane) if shape_terms is None else closed,
            shape_terms=shape_terms,
            degree=0,
            where=where,
        ).fit
        return replace(dark, sky_share=0.0, name=_name(shape_terms))
    problem = sky_problem(blocks, shape, sky=good, line=None if guide is None else guide.excess)
    strength = None
    if shape_terms is None:
        solution = _surface(problem, _degrees_for(degree, share, int(good.sum()), where))
        solution = _with_mask_doubt(problem, solution)
    else:
        solution, strength = _known_shape(problem, shape_terms)
    fit = _as_sky(problem, solution, guide, shape)
    if shape_terms is None and guide is None:
        return without_faint_light(light, fit, unusable=unusable)
    return replace(fit, name=_name(shape_terms), strength=strength)


def _name(shape_terms: NDArray[np.float64] | None) -> Literal["polynomial", "moonlight"]:
    return "polynomial" if shape_terms is None else "moonlight"


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


def _degrees_for(degree: int | Literal["auto"], share: float, blocks: int, where: str) -> list[int]:
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


def _surface(problem: SkyProblem, degrees: list[int]) -> Solution:
    """Return a surface: beside an object the mean over all degrees and halos, else the likeliest degree.

    How far the other degrees lie away is in the covariance, each by its weight.
    """
    blocks, top = problem.blocks, problem.terms(degrees[-1])
    first = robust_fit(problem, top)
    ellipse = (
        None if problem.line is not None else find_ellipse(blocks, top @ first.coefficients, sky=problem.sky)
    )
    if ellipse is not None:
        beside = averaged_sky(with_ring(problem, ellipse), first, degrees)
        if beside is not None:
            return beside
    # All candidates answer to the same blocks with the same errors, or their misfits could not be compared.
    candidates = [
        solve_given(problem, problem.terms(d), sigma=first.sigma, used=first.used, patch=first.patch)
        for d in degrees
    ]
    marks = np.array([misfit(candidate) for candidate in candidates])
    weights = np.exp(-0.5 * (marks - marks.min()))
    chosen = robust_fit(problem, problem.terms(degrees[int(np.argmin(marks))]))
    count, covariance = chosen.coefficients.size, chosen.covariance.copy()
    for weight, other in zip(weights / weights.sum(), candidates, strict=True):
        if other.coefficients.size != count:
            off = resized(other.coefficients, count) - chosen.coefficients
            covariance += weight * np.outer(off, off)
    return replace(chosen, covariance=covariance)


def _with_mask_doubt(problem: SkyProblem, solution: Solution) -> Solution:
    """Return a solution with what its mask may have left of the objects' light in the covariance.

        blocks = sky + spill (1 - share),  share: of the 3 x 3 blocks around

    Beside what is masked a real sky is brighter than far from it: wings of stars, and what a mask cuts off of a sky
    that is uneven. Whether the free blocks hold none of that or as much is open, and anything between is as likely: so
    a third of the squared difference of the skies with and without ``spill`` is added, less what noise makes of it.
    """
    from scipy.ndimage import uniform_filter

    used = solution.used & problem.sky
    share = uniform_filter(problem.blocks.share.reshape(problem.blocks.grid), 3, mode="nearest").ravel()
    terms, sigma = problem.terms(solution.degree)[used], solution.sigma[used]
    design = np.column_stack([terms, 1.0 - share[used]])
    free = weighted_fit(design, solution.residuals[used], sigma)
    off = free[:-1] - weighted_fit(terms, solution.residuals[used], sigma)
    scaled = design / sigma[:, None]
    noise = solution.patch * float(inverse_of(scaled.T @ scaled)[-1, -1])
    sure = max(0.0, 1.0 - noise / max(float(free[-1]) ** 2, 1e-300))
    return replace(solution, covariance=solution.covariance + sure / 3.0 * np.outer(off, off))


def _known_shape(problem: SkyProblem, shape_terms: NDArray[np.float64]) -> tuple[Solution, Strength]:
    """Return a level and a strength of a known shape, as a surface of degree 2."""
    basis, whole = basis_of(resized(shape_terms, 6), 0), problem.terms(2)
    found = robust_fit(problem, whole @ basis, bounded=True)
    strength, covariance = strength_of(found.free, found.covariance)
    # A sky that is not the Moon's leaves a bend or a slope: what a free surface would have taken more is a doubt.
    used = found.used
    missed = weighted_fit(whole[used], found.residuals[used], found.sigma[used])
    covariance = basis @ covariance @ basis.T + np.outer(missed, missed)
    return replace(found, coefficients=basis @ found.coefficients, covariance=covariance), strength


def _as_sky(
    problem: SkyProblem, solution: Solution, guide: LineGuide | None, shape: tuple[int, int]
) -> SkyFit:
    """Return a solution as a sky, the doubts of faint light and of the line's own sky in the covariance."""
    blocks, covariance = problem.blocks, solution.covariance.copy()
    used = solution.used & problem.sky
    covariance[0, 0] += faint_light_doubt(blocks, used) ** 2
    if guide is not None and problem.line is not None:
        blocks = replace(blocks, values=blocks.values - solution.factor * problem.line)
        count = min(len(covariance), len(guide.fit.covariance))
        covariance[:count, :count] += solution.factor**2 * guide.fit.covariance[:count, :count]
    fit = build_sky(
        solution.coefficients,
        covariance,
        blocks=blocks,
        shape=shape,
        used=used,
        residuals=solution.residuals,
        halo=solution.halo,
    )
    return replace(fit, line_factor=None if guide is None else solution.factor, waves=solution.waves)
