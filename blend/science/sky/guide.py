"""A sky behind a nebula that fills the frame: a line's master tells where emission is, and how much.

Where every block holds some light, no mask leaves a sky. But moonlight hardly reaches the line's master, so that what
shines there is emission: a plane that is fitted as sky plus a factor times the line gives the sky as the intercept.
The line's own sky is a plane under its least light, and below that by as much as that light thins out downwards.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.sky.blocks import (
    SkyBlocks,
    chebyshev_terms,
    degree_of,
    faint_light_doubt,
    sky_blocks,
    small_bins,
    term_powers,
    unit_coordinates,
    usable_blocks,
)
from blend.science.sky.fit import SkyFit, Strength, build_sky
from blend.science.sky.solver import surface_under

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
    blocks = sky_blocks(line, small_bins(line), unusable=masked)
    good = usable_blocks(blocks)
    if good.sum() < FEWEST_BLOCKS:
        raise StepError(
            where,
            found=f"{int(good.sum())} blocks with data",
            expected=f"at least {FEWEST_BLOCKS}",
        )
    fit = _least_light(blocks, shape, good, basis_of(shape_terms, degree))
    if degree > 0 and surely_below(fit.strength):
        fit = _least_light(blocks, shape, good, basis_of(None, degree))
    u, v = unit_coordinates(blocks.xy, shape)
    sky = chebyshev_terms(u, v, degree=fit.degree) @ fit.coefficients
    return LineGuide(np.where(good, blocks.values - sky, np.nan), fit)


def basis_of(shape_terms: NDArray[np.float64] | None, degree: int) -> Columns:
    """Return the matrix that makes Chebyshev coefficients out of the numbers that are fitted, one column each."""
    if shape_terms is None:
        return np.eye(len(term_powers(degree)))
    basis = np.zeros((shape_terms.size, 2))
    basis[0, 0] = 1.0
    basis[1:, 1] = shape_terms[1:]
    return basis


def _least_light(
    blocks: SkyBlocks, shape: tuple[int, int], good: NDArray[np.bool_], basis: Columns
) -> SkyFit:
    degree = degree_of(basis.shape[0])
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
