"""A sky behind a nebula that fills the frame: a line's master tells where emission is, and how much.

Where every block holds some light, no mask leaves a sky. But moonlight hardly reaches the line's master, so that what
shines there is emission: a plane that is fitted as sky plus a factor times the line gives the sky as the intercept.
The line's own sky is a plane under its least light, and below that by as much as that light thins out downwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.robust import MAD_TO_SIGMA
from blend.science.sky.blocks import SkyBlocks, block_size, chebyshev_terms, measure_blocks, unit_coordinates
from blend.science.sky.fit import SkyFit, Strength, build_sky
from blend.science.sky.gradient import choose_sky, degrees_for, faint_light_doubt, finish_sky, usable_blocks
from blend.science.sky.model import CLIP_ABOVE, CLIP_BELOW, bounded_error, surface_under, weighted_fit

LEAST_SHARE = 0.02
"""Share of the blocks under the surface that tells a line's sky: few enough to be dark, enough to be many."""
NOISE_PULL = 1.7
"""How far noise alone takes that surface below a sky without light, times how far apart noise sets the surfaces under
half and twice the share, in a block's noise squared: Gaussian quantiles, 1.66 for a frame of sky, 1.74 for half."""
NOISE_SPAN = 0.58
"""And how far apart it sets those two in a frame of sky, in a block's noise."""
DOUBT_SHARES = (0.02, 0.20)
"""The skies under these shares stand for what nobody knows: how much of the least light is sky."""
FEWEST_BLOCKS = 24
SURE_SIGMA = 3.0
STRENGTH_COLUMNS = 2
"""Numbers that are free where the sky's shape is known: its level and its strength."""

Columns = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LineGuide:
    """Where emission is: the line's light above its own sky in every block, and that sky.

    Attributes
    ----------
    excess : (n,) float64
        Unit of the line's master, NaN where unknown.
    fit : SkyFit
        The line's own sky.
    """

    excess: NDArray[np.float64]
    fit: SkyFit


def guide_by_line(
    line: NDArray[np.float32],
    *,
    masked: NDArray[np.bool_],
    shape_terms: NDArray[np.float64] | None = None,
    degree: int = 1,
    where: str = "gradient",
) -> LineGuide:
    """Return the sky under a line's least light, and the light above it.

    Parameters
    ----------
    line : (rows, columns) float32
        The line's master, any unit, NaN where there is no data.
    masked : (rows, columns) bool
        True where there is no data, and on regions marked by hand; emission must not be masked.
    shape_terms : (k,) float64, optional
        Chebyshev coefficients of the sky's known shape, see `blend.science.sky.moonlit`; then only its level and its
        strength, 0 or more, are free.
    degree : 0 or 1
        Of the sky, where its shape is not known, or where the line's least light surely darkens where that shape
        brightens: then it is not of that shape.
    where : str
        Name of the step, for messages.

    Raises
    ------
    StepError
        Fewer than 24 blocks hold data.

    Notes
    -----
    The sky has the shape of the surface under which 2 % of the blocks lie (quantile regression: Koenker & Bassett
    (1978), Econometrica 46, 33; from memory), and lies below it by `depth_of_light`. A floor of light that is the
    same everywhere stays in it, since no plane of the picture could tell it from sky; the stated uncertainty is the
    distance between the surfaces under 2 and 20 %.
    """
    shape = (int(line.shape[0]), int(line.shape[1]))
    blocks = measure_blocks(line, size=block_size(shape), unusable=masked)
    good = usable_blocks(blocks)
    if good.sum() < FEWEST_BLOCKS:
        raise StepError(
            where,
            found=f"{int(good.sum())} blocks of the line's master with data",
            expected=f"at least {FEWEST_BLOCKS}",
        )
    fit = _least_light(blocks, shape, good, basis_of(shape_terms, degree))
    if degree > 0 and surely_below(fit.strength):
        fit = _least_light(blocks, shape, good, basis_of(None, degree))
    u, v = unit_coordinates(blocks.xy, shape)
    sky = chebyshev_terms(u, v, degree=fit.degree) @ fit.coefficients
    return LineGuide(np.where(good, blocks.values - sky, np.nan), fit)


def fit_behind_line(
    plane: NDArray[np.float32],
    guide: LineGuide,
    *,
    degree: int | Literal["auto"] = "auto",
    masked: NDArray[np.bool_],
    where: str = "gradient",
) -> SkyFit:
    """Fit the sky of a plane behind emission that a line's master shows.

    plane = sky + a (line - sky of the line), a >= 0, over all blocks; what is too bright for that is left out.

    Parameters
    ----------
    plane : (rows, columns) float32
        On the grid of the line's master.
    guide : LineGuide
    degree : 0 to 4 or "auto"
        As for `blend.science.sky.gradient.fit_sky`.
    masked : (rows, columns) bool
        As for `guide_by_line`.
    where : str

    Returns
    -------
    SkyFit
        With ``line_factor`` = a and, as ``block_values``, the blocks with the emission taken out.

    References
    ----------
    Derived here.
    """
    shape = (int(plane.shape[0]), int(plane.shape[1]))
    blocks = measure_blocks(plane, size=block_size(shape), unusable=masked)
    good = usable_blocks(blocks) & np.isfinite(guide.excess)
    choices = degrees_for(degree, float(blocks.share.mean()), int(good.sum()), where)
    u, v = unit_coordinates(blocks.xy, shape)
    terms = chebyshev_terms(u, v, degree=choices[-1])
    factor, error, used = line_factor(terms, guide.excess, blocks, good)
    emission = np.where(good, factor * guide.excess, 0.0)
    dark = replace(blocks, values=blocks.values - emission)
    chosen, others = choose_sky(dark, shape, used, choices, halo=False)
    fit = finish_sky(chosen, others, dark, shape, used)
    of_factor = weighted_fit(terms[used][:, : fit.coefficients.size], guide.excess[used], blocks.errors[used])
    covariance = fit.covariance + error**2 * np.outer(of_factor, of_factor)
    covariance += factor**2 * _padded(guide.fit.covariance, fit.coefficients.size)
    return replace(fit, covariance=covariance, line_factor=factor)


def line_factor(
    terms: Columns, excess: NDArray[np.float64], blocks: SkyBlocks, good: NDArray[np.bool_]
) -> tuple[float, float, NDArray[np.bool_]]:
    """Return the factor of the line's light in a plane, its standard error, and the blocks that agree with it."""
    design = np.column_stack([terms, np.where(good, excess, 0.0)])
    used = good.copy()
    sigma = np.where(good, np.maximum(blocks.errors, 1e-30), 1.0)
    answer = np.zeros(design.shape[1])
    for _ in range(12):
        answer = weighted_fit(design[used], blocks.values[used], sigma[used])
        if answer[-1] < 0.0:
            # Light only adds: a plane that is darker where the line is bright says nothing of the line.
            answer = np.append(weighted_fit(terms[used], blocks.values[used], sigma[used]), 0.0)
        left = np.where(good, blocks.values - design @ answer, 0.0)
        middle = float(np.median(left[used]))
        scatter = MAD_TO_SIGMA * float(np.median(np.abs(left[used] - middle)))
        sigma = np.where(good, np.hypot(blocks.errors, scatter), 1.0) + 1e-30
        fresh = good & (left - middle < CLIP_ABOVE * sigma) & (left - middle > -CLIP_BELOW * sigma)
        if (fresh == used).all() or fresh.sum() < 2 * design.shape[1] + 4:
            break
        used = fresh
    normal = design[used] / sigma[used, None]
    error = float(np.sqrt(max(np.linalg.pinv(normal.T @ normal)[-1, -1], 0.0)))
    return float(answer[-1]), error, used


def slope_of_blocks(fit: SkyFit) -> float:
    """Return the peak-to-peak, corner to corner, of a degree-1 surface through what the used blocks leave."""
    used = fit.block_used
    u, v = unit_coordinates(fit.block_xy[used], fit.shape)
    left = fit.block_values[used] - fit.at(fit.block_xy[used])[0]
    answer = weighted_fit(chebyshev_terms(u, v, degree=1), left, np.maximum(fit.block_errors[used], 1e-30))
    return float(2.0 * (abs(answer[1]) + abs(answer[2])))


def basis_of(shape_terms: NDArray[np.float64] | None, degree: int) -> Columns:
    """Return the matrix that makes Chebyshev coefficients out of the numbers that are fitted, one column each."""
    if shape_terms is None:
        return np.eye(len(chebyshev_terms(np.zeros(1), np.zeros(1), degree=degree)[0]))
    basis = np.zeros((shape_terms.size, 2))
    basis[0, 0] = 1.0
    basis[1:, 1] = shape_terms[1:]
    return basis


def _least_light(
    blocks: SkyBlocks, shape: tuple[int, int], good: NDArray[np.bool_], basis: Columns
) -> SkyFit:
    degree = {1: 0, 3: 1, 6: 2}[basis.shape[0]]
    u, v = unit_coordinates(blocks.xy, shape)
    terms = chebyshev_terms(u, v, degree=degree) @ basis
    values = blocks.values[good]
    free = surface_under(terms[good], values, LEAST_SHARE)
    bounded = basis.shape[1] == STRENGTH_COLUMNS
    answer, low, high = (
        _surface_of_light(terms[good], values, share)
        if bounded
        else surface_under(terms[good], values, share)
        for share in (LEAST_SHARE, *DOUBT_SHARES)
    )
    residuals = np.where(good, blocks.values - terms @ answer, 0.0)
    used = good & (residuals <= max(float(np.quantile(residuals[good], 2.0 * LEAST_SHARE)), 0.0))
    noise = _quantile_noise(terms[good], residuals[good])
    # Of the two surfaces beside it the depth has twice the variance that the surface has.
    noise[0, 0] += 2.0 * _quantile_noise(terms[good, :1], residuals[good])[0, 0]
    depth = depth_of_light(residuals[good], float(np.median(blocks.errors[used])))
    answer, residuals = answer - depth * (np.arange(answer.size) == 0), residuals + np.where(good, depth, 0.0)
    # What a bound forbids, but the data ask for, is a doubt of the shape; how far the light was followed, of the level.
    doubt = np.outer(high - low, high - low) + np.outer(free - answer, free - answer)
    strength = None
    if bounded:
        strength, noise = strength_of(free, noise)
    covariance = basis @ (noise + doubt) @ basis.T
    covariance[0, 0] += faint_light_doubt(blocks, used) ** 2
    fit = build_sky(basis @ answer, covariance, blocks=blocks, shape=shape, used=used, residuals=residuals)
    return replace(fit, strength=strength)


def depth_of_light(off: NDArray[np.float64], noise: float) -> float:
    """Return how far a sky lies below the surface under 2 % of the blocks; below 0 where noise took that too low.

    depth = sqrt(2) D - 1.7 noise^2 / D,  D = Q(4 %) - Q(1 %), at least 0.58 noise.

    Parameters
    ----------
    off : (n,)
        Blocks less the surface; Q are their quantiles.
    noise : float
        Standard error of a block.

    Notes
    -----
    Where light that varies smoothly falls towards a corner of the frame, the area that is darker than h above its
    least grows as h^2: Q(q) = least + a sqrt(q), which lies sqrt(2) D under Q(2 %). Towards an edge it grows as
    h^1.5, round a hollow inside the frame as h, and this goes too far by 0.4 D or 0.75 D. With no light at all, D and
    the place of the surface are those of noise.

    References
    ----------
    Derived here.

    Examples
    --------
    Light that falls evenly to a corner of a square.

    >>> u, v = np.meshgrid(np.arange(0.005, 1.0, 0.01), np.arange(0.005, 1.0, 0.01))
    >>> ramp = (u + v).ravel()
    >>> surface = np.quantile(ramp, 0.02)
    >>> round(float(surface), 3), round(float(surface) - depth_of_light(ramp - surface, 0.0), 2)
    (0.2, 0.0)
    """
    low, high = np.quantile(off, [0.5 * LEAST_SHARE, 2.0 * LEAST_SHARE])
    span = max(float(high - low), NOISE_SPAN * noise, 1e-30)
    return float(np.sqrt(2.0) * span - NOISE_PULL * noise**2 / span)


def surely_below(strength: Strength | None) -> bool:
    """Tell whether a free strength lies below 0 by more than noise: the sky is not of the shape it was fitted with."""
    return strength is not None and strength.free < -SURE_SIGMA * strength.free_error


def strength_of(free: NDArray[np.float64], covariance: Columns) -> tuple[Strength, Columns]:
    """Return the strength in the answer (level, strength) of a free fit, and the covariance once it is held at 0.

    A strength above 0 leaves the covariance as it is. Else the level keeps its error at a known strength, and what is
    open of the strength is what `bounded_error` says.
    """
    error = float(np.sqrt(covariance[1, 1]))
    held = bounded_error(float(free[1]), error)
    less = (held / error) ** 2 - 1.0 if error > 0.0 else 0.0
    column = covariance[:, 1]
    after = covariance + less * np.outer(column, column) / max(error**2, 1e-300)
    return Strength(float(free[1]), error, held), after


def _surface_of_light(terms: Columns, values: NDArray[np.float64], share: float) -> NDArray[np.float64]:
    """Return the level and the strength, held at or above 0, under which a share of the values lies."""
    free = surface_under(terms, values, share)
    return free if free[1] >= 0.0 else np.append(surface_under(terms[:, :1], values, share), 0.0)


def _quantile_noise(terms: Columns, off: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the covariance of a surface under which a share q of the values lies: q (1 - q) / f^2 (terms^T terms)^-1.

    f is the density of the values at the surface, here between those under which q / 2 and 2 q of them lie.

    References
    ----------
    Koenker & Bassett (1978), Econometrica 46, 33, theorem 4.2 (number from memory); the estimate of f is common
    practice.
    """
    low, high = np.quantile(off, [0.5 * LEAST_SHARE, 2.0 * LEAST_SHARE])
    width = float(high - low) / (1.5 * LEAST_SHARE)
    return np.asarray(LEAST_SHARE * (1.0 - LEAST_SHARE) * width**2 * np.linalg.pinv(terms.T @ terms))


def _padded(covariance: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    out = np.zeros((size, size))
    least = min(size, covariance.shape[0])
    out[:least, :least] = covariance[:least, :least]
    return out
