"""Take the gradient out: a low-order sky fitted to what is not an object, and subtracted.

Moonlight and light pollution add to the picture, so the model is subtracted, never divided by. A plane
describes moonlight over a field of two degrees to half a percent and degree 2 to 0.02 %: more than degree 2 is
never chosen by itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA
from blend.base.rowblocks import map_row_blocks
from blend.science.halo import Halo, find_ellipse
from blend.science.objects import Region, object_mask, region_mask
from blend.science.skyblocks import (
    SkyBlocks,
    block_size,
    chebyshev_terms,
    measure_blocks,
    term_powers,
    unit_coordinates,
)
from blend.science.skymodel import (
    HALO_DOUBT,
    SkyProblem,
    Solution,
    misfit,
    sky_problem,
    solve_given,
    solve_sky,
    with_ring,
)

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
LEAST_SHARE_OF_BLOCK = 0.1
HIGHEST_DEGREE = 4
AUTO_DEGREE = 2


@dataclass(frozen=True, eq=False)
class SkyFit:
    """A fitted sky: sum over i + j <= degree of c_ij T_i(u) T_j(v), u and v from -1 to 1 across the frame.

    Attributes
    ----------
    degree : int
    coefficients : (n,) float64
        In the order of `skyblocks.term_powers`, unit of the plane.
    covariance : (n, n) float64
        Of the coefficients; noise, scatter shared by neighbouring blocks, the open halo of the largest object
        and the choice of the degree are in it.
    shape : (rows, columns)
    level, amplitude : float
        Median and peak-to-peak of the model over the frame.
    residual : float
        Robust scatter of the used blocks about the model.
    block_xy, block_values, block_errors, block_used
        What was fitted: (n, 2), (n,), (n,) and (n,) bool.
    sky_share : float
        Share of the frame that was taken as sky, 0 to 1.
    halo : Halo or None
        Outskirts of the largest object that were fitted beside the sky (not part of the model).
    """

    degree: int
    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    shape: tuple[int, int]
    level: float
    amplitude: float
    residual: float
    block_xy: NDArray[np.float64]
    block_values: NDArray[np.float64]
    block_errors: NDArray[np.float64]
    block_used: NDArray[np.bool_]
    sky_share: float = 1.0
    halo: Halo | None = None

    def model(self, rows: slice | None = None) -> NDArray[np.float32]:
        """Return the sky over the whole frame, or over a slice of its rows, float32."""
        start, stop, _ = (rows or slice(None)).indices(self.shape[0])
        out = np.zeros((max(stop - start, 0), self.shape[1]), dtype=np.float32)
        _take_sky(out, self, first_row=start, sign=1.0, out=out)
        return out

    def at(self, xy: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the sky and its standard error at pixel points (n, 2)."""
        u, v = unit_coordinates(xy, self.shape)
        terms = chebyshev_terms(u, v, degree=self.degree)
        variance = np.einsum("ni,ij,nj->n", terms, self.covariance, terms)
        return terms @ self.coefficients, np.sqrt(np.maximum(variance, 0.0))


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
        information criterion prefers, and at most 1 where less than 15 % of the frame is sky.
    masked : (rows, columns) bool
        True on objects, as from `object_mask`.
    sky_only : (rows, columns) bool, optional
        Nothing outside is taken as sky. Where the mask would leave nearly nothing inside, it is overruled.
    where : str
        Name of the step, for messages.

    Raises
    ------
    StepError
        Less than 2 % of the frame is sky (for degree 0 the darkest blocks are taken instead), or a fixed degree
        has more terms than the sky has blocks.

    Notes
    -----
    One pass over the plane: 0.3 s of one core for 24 Mpx. Light of stars too faint to be seen one by one is part
    of the level; it cannot be told from sky and is not in the stated uncertainty.

    References
    ----------
    Chebyshev surfaces: common practice; the joint fit of a halo is derived here.
    """
    shape = (int(plane.shape[0]), int(plane.shape[1]))
    if degree != "auto" and not 0 <= degree <= HIGHEST_DEGREE:
        raise ValueError(f"degree {degree} is outside 0 to {HIGHEST_DEGREE}")
    blocks = measure_blocks(plane, size=block_size(shape), unusable=_unusable(masked, sky_only))
    share = float(blocks.share.mean())
    good = np.isfinite(blocks.values) & (blocks.share >= LEAST_SHARE_OF_BLOCK)
    if share < LEAST_SKY or good.sum() < 4:
        if degree != 0:
            raise _too_little_sky(share, where)
        return _darkest_blocks(plane, blocks, shape, where)
    choices = _degrees(degree, share, int(good.sum()), where)
    chosen, others = _choose(blocks, shape, good, choices)
    return _finish(chosen, others, blocks, shape, share, good)


def subtract_sky(plane: NDArray[np.float32], fit: SkyFit) -> NDArray[np.float32]:
    """Return the plane minus the fitted sky, float32: sky 0, negatives kept, NaN kept.

    Parameters
    ----------
    plane : (rows, columns) float32
    fit : SkyFit
        Of a frame of the same shape.
    """
    if plane.shape != fit.shape:
        raise ValueError(f"a sky of shape {fit.shape} does not fit a plane of shape {plane.shape}")
    out = np.empty(fit.shape, dtype=np.float32)
    _take_sky(plane, fit, first_row=0, sign=-1.0, out=out)
    return out


def slope_left(plane: NDArray[np.float32], masked: NDArray[np.bool_]) -> float:
    """Return the peak-to-peak, corner to corner, of a degree-1 sky fitted to what is left."""
    return fit_sky(plane, degree=1, masked=masked).amplitude


def slope_sigma(fit: SkyFit, noise: float) -> float:
    """Return the fitted sky's amplitude over the noise of one pixel; NaN where the noise is not above 0."""
    return fit.amplitude / noise if noise > 0.0 else float("nan")


def sky_uncertainty(fit: SkyFit) -> float:
    """Return the standard error of the fitted sky, root mean square over the frame, unit of the plane."""
    _, errors = fit.at(_lattice(fit.shape))
    return float(np.sqrt(np.mean(errors**2)))


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


def _degrees(degree: int | Literal["auto"], share: float, blocks: int, where: str) -> list[int]:
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


def _choose(
    blocks: SkyBlocks, shape: tuple[int, int], good: NDArray[np.bool_], degrees: list[int]
) -> tuple[Solution, list[tuple[float, Solution]]]:
    """Fit every candidate; return the best, all with their weights."""
    plain = sky_problem(blocks, shape, sky=good)
    top = degrees[-1]
    first = solve_sky(plain, degree=top)
    ellipse = find_ellipse(blocks, plain.terms(top) @ first.coefficients, sky=good)
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
    if fullest.halo is not None and len(degrees) > 1 and _curve_is_halo(ringed, fullest, good):
        marks = np.where([c.degree > 1 for _, c in candidates], np.inf, marks)
    problem, best = candidates[int(np.argmin(marks))]
    chosen = solve_sky(problem, degree=best.degree, halo=True)
    if chosen.halo is not None:
        chosen = _hold_down(chosen, solve_sky(ringed, degree=best.degree, halo=True))
    others = zip(weights / weights.sum(), (candidate for _, candidate in candidates), strict=True)
    return chosen, [(w, c) for w, c in others if c.degree != chosen.degree or c.halo is None]


def _curve_is_halo(problem: SkyProblem, fullest: Solution, sky: NDArray[np.bool_]) -> bool:
    """Tell whether the curvature of a sky may be the halo's: little clean sky, and no more curve than halo.

    A disc seen from above that fills the frame shines on all the sky there is, and what its arms leave of the halo's
    fit looks like a curved sky. A plane is then the safer answer.
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


def _finish(
    chosen: Solution,
    others: list[tuple[float, Solution]],
    blocks: SkyBlocks,
    shape: tuple[int, int],
    share: float,
    good: NDArray[np.bool_],
) -> SkyFit:
    u, v = unit_coordinates(_lattice(shape), shape)
    surface = chebyshev_terms(u, v, degree=chosen.degree) @ chosen.coefficients
    left = chosen.residuals[chosen.used & good]
    return SkyFit(
        degree=chosen.degree,
        coefficients=chosen.coefficients,
        covariance=_with_choice(chosen, others),
        shape=shape,
        level=float(np.median(surface)),
        amplitude=float(np.ptp(surface)),
        residual=MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left)))),
        block_xy=blocks.xy,
        block_values=blocks.values,
        block_errors=blocks.errors,
        block_used=chosen.used & good,
        sky_share=share,
        halo=chosen.halo,
    )


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
    return SkyFit(
        degree=0,
        coefficients=np.array([level]),
        covariance=np.array([[doubt**2]]),
        shape=shape,
        level=level,
        amplitude=0.0,
        residual=float(np.std(blocks.light[dark])),
        block_xy=blocks.xy,
        block_values=blocks.light,
        block_errors=np.full(blocks.light.shape, abs(doubt)),
        block_used=dark,
        sky_share=0.0,
    )


def _lattice(shape: tuple[int, int], steps: int = 33) -> NDArray[np.float64]:
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, steps), np.linspace(0, shape[0] - 1, steps))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _take_sky(
    plane: NDArray[np.float32], fit: SkyFit, *, first_row: int, sign: float, out: NDArray[np.float32]
) -> None:
    """Write plane + sign * sky into ``out``; row by row the sky is one polynomial in the column."""
    rows, columns = fit.shape
    table = np.zeros((fit.degree + 1, fit.degree + 1))
    for value, (i, j) in zip(fit.coefficients, term_powers(fit.degree), strict=True):
        table[i, j] = value
    v = 2.0 * (first_row + np.arange(out.shape[0])) / max(rows - 1, 1) - 1.0
    by_row = np.polynomial.chebyshev.chebvander(v, fit.degree) @ table.T
    to_powers = np.zeros((fit.degree + 1, fit.degree + 1))
    for i in range(fit.degree + 1):
        powers = np.polynomial.chebyshev.cheb2poly(np.eye(fit.degree + 1)[i])
        to_powers[i, : powers.size] = powers
    powers_by_row = np.ascontiguousarray(sign * (by_row @ to_powers))
    step = 2.0 / max(columns - 1, 1)

    def work(block: slice) -> None:
        _add_rows(plane[block], powers_by_row[block], step, out[block])

    map_row_blocks(work, out.shape[0])


@kernel
def _add_rows(plane, powers, step, out):  # type: ignore[no-untyped-def]
    last = powers.shape[1] - 1
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            u = step * x - 1.0
            sky = powers[y, last]
            for k in range(last - 1, -1, -1):
                sky = sky * u + powers[y, k]
            out[y, x] = plane[y, x] + sky
