"""One corner that is brighter than the sky: an amplifier's glow, or light that strays into the tube.

Moonlight is a plane over a field of two degrees and a wrong flat darkens four corners alike. Light that gathers in one
corner alone is neither, and a low-order sky leaves it where it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA
from blend.science.sky.blocks import chebyshev_terms, unit_coordinates
from blend.science.sky.fit import SkyFit
from blend.science.sky.halo import HALO_DOUBT
from blend.science.sky.solver import blocks_per_error, weighted_fit

REACHES = (0.12, 0.16, 0.2, 0.25, 0.3)
"""Distances from the corner, in short sides of the frame, over which a glow falls to 1 / e that are tried."""
SURE_SIGMA = 6.0
LEAST_GLOW = 0.002
"""Of the sky's level: what a flat may be wrong by in one corner without anybody's fault."""
MOST_ELSEWHERE = 0.4
"""Light in the next brightest or darkest corner over that in the corner told: more is a bend of the whole sky."""
MOST_UNLIKE = 0.3
"""Scatter of the corner's blocks about the shape of a glow, over its light at the corner: more is an object."""
MOST_SHINING = 0.4
"""Share of the frame that may be half as bright above the sky as the corner: more is a nebula that fills the frame."""
NEAR = 0.1
"""Blocks with more than this share of a corner's glow are that corner's."""
FEWEST_BLOCKS = 80
LEAST_SHARE = 0.3
"""Of a block that must be sky."""
CORNERS = ((0, 0), (1, 0), (0, 1), (1, 1))


@dataclass(frozen=True, kw_only=True)
class CornerGlow:
    """Light in one corner above the sky.

    Attributes
    ----------
    high_x, high_y : bool
        Which corner: of the last column or the first, of the last row or the first.
    amount, error : float
        At the corner itself, unit of the plane.
    percent : float
        The same in % of the sky's level, NaN where that is not above 0.
    """

    high_x: bool
    high_y: bool
    amount: float
    error: float
    percent: float

    @property
    def sigma(self) -> float:
        """The amount over its error."""
        return self.amount / self.error


def find_corner_glow(fit: SkyFit) -> CornerGlow | None:
    """Return the light that gathers in one corner of a fitted sky, or None where no corner stands out.

    blocks = sky of the fit's degree + sum over corners of a_k exp(-(d_k / reach)^2)

    with d_k the distance from corner k; of five reaches the one that fits best.

    Parameters
    ----------
    fit : SkyFit

    Returns
    -------
    CornerGlow or None
        None unless one a_k is above six of its errors and 0.2 % of the level, and no other corner has 0.4 of it.

    Notes
    -----
    Masked blocks of a corner count with all their light, and rejected ones too: a glow is what they were masked and
    rejected for. What they hold must have the shape of a glow. A nebula that fades away from a corner alike cannot be
    told from one. The error contains the scatter of the blocks and what neighbouring blocks share of it.

    References
    ----------
    Derived here.
    """
    found = [_by_reach(fit, reach) for reach in REACHES]
    corners = min((one for one in found if one is not None), key=lambda one: one.misfit, default=None)
    if corners is None:
        return None
    brightest = int(np.argmax(corners.amounts))
    amount, error = float(corners.amounts[brightest]), float(corners.errors[brightest])
    others = float(np.abs(np.delete(corners.amounts, brightest)).max())
    if amount < max(SURE_SIGMA * error, LEAST_GLOW * fit.level) or others > MOST_ELSEWHERE * amount:
        return None
    if (
        corners.unlike[brightest] > MOST_UNLIKE * amount
        or _as_bright_elsewhere(fit, 0.5 * amount) > MOST_SHINING
    ):
        return None
    high_x, high_y = CORNERS[brightest]
    percent = 100.0 * amount / fit.level if fit.level > 0.0 else float("nan")
    return CornerGlow(high_x=bool(high_x), high_y=bool(high_y), amount=amount, error=error, percent=percent)


@dataclass(frozen=True, eq=False)
class _Corners:
    """What four corners hold: their light and its errors, the scatter about the shape of a glow beyond noise."""

    amounts: NDArray[np.float64]
    errors: NDArray[np.float64]
    unlike: list[float]
    misfit: float


def _by_reach(fit: SkyFit, reach: float) -> _Corners | None:
    """Return what the corners hold of a glow that falls to 1 / e over a distance; None where too little is seen."""
    shapes = _corner_shapes(fit, reach)
    near = shapes > NEAR
    values, sigma, seen = _light(fit, np.asarray(near.any(axis=1)))
    if seen.sum() < FEWEST_BLOCKS or not (seen[:, None] & near).any(axis=0).all():
        return None
    surface = chebyshev_terms(*unit_coordinates(fit.block_xy, fit.shape), degree=max(1, min(fit.degree, 2)))
    design = np.column_stack([surface, shapes])
    used = seen
    for _ in range(4):
        answer = weighted_fit(design[used], values[used], sigma[used])
        pull = np.where(seen, (values - design @ answer) / sigma, np.nan)
        scatter = max(1.0, MAD_TO_SIGMA * float(np.median(np.abs(pull[used] - np.median(pull[used])))))
        fresh = seen & (near.any(axis=1) | (np.abs(np.nan_to_num(pull)) < 4.0 * scatter))
        if fresh.sum() < FEWEST_BLOCKS // 2:
            break
        used = fresh
    weight = design[used] / sigma[used, None]
    variance = np.diag(np.linalg.pinv(weight.T @ weight))[-4:] * scatter**2
    unlike = [
        _beyond_noise(pull[seen & one] * sigma[seen & one], scatter * sigma[seen & one]) for one in near.T
    ]
    return _Corners(
        np.asarray(answer[-4:]),
        np.sqrt(np.maximum(variance, 1e-300) * blocks_per_error(pull, used, fit.block_grid)),
        unlike,
        float(np.minimum(pull[seen] ** 2, (5.0 * scatter) ** 2).sum()),
    )


def _light(
    fit: SkyFit, corner: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Return values, errors and which blocks are seen: sky, and in the corners all light."""
    values = fit.block_values
    whole = np.isfinite(values) & (fit.block_share >= LEAST_SHARE)
    typical = float(np.median(fit.block_errors[whole])) if whole.any() else 1.0
    sigma = np.where(whole, fit.block_errors, typical)
    if fit.line_factor is None:
        values = np.where(corner, fit.block_light, values)
        whole = np.where(corner, np.isfinite(values), whole)
    if fit.halo is not None and not _in_a_corner(fit):
        shine = fit.halo.shine(fit.block_xy)
        values, sigma = values - shine, np.hypot(sigma, HALO_DOUBT * shine)
    floor = 1e-9 * abs(fit.level) + 1e-30
    return np.where(whole, values, 0.0), np.where(whole, np.maximum(sigma, floor), 1.0), whole


def _in_a_corner(fit: SkyFit) -> bool:
    """Tell whether the object whose halo was fitted lies in a corner: it may be the glow itself."""
    assert fit.halo is not None
    rows, columns = fit.shape
    off = min(fit.halo.ellipse.x, columns - 1 - fit.halo.ellipse.x)
    down = min(fit.halo.ellipse.y, rows - 1 - fit.halo.ellipse.y)
    return bool(np.hypot(max(off, 0.0), max(down, 0.0)) < max(REACHES) * min(rows, columns))


def _as_bright_elsewhere(fit: SkyFit, amount: float) -> float:
    """Return the share of the blocks with all their light above the sky by an amount."""
    light = fit.block_values if fit.line_factor is not None else fit.block_light
    above = light[np.isfinite(light)] - fit.at(fit.block_xy[np.isfinite(light)])[0]
    return float(np.mean(above > amount)) if above.size else 0.0


def _beyond_noise(left: NDArray[np.float64], sigma: NDArray[np.float64]) -> float:
    return float(np.sqrt(max(0.0, float(np.mean(left**2 - sigma**2))))) if left.size else 0.0


def _corner_shapes(fit: SkyFit, reach: float) -> NDArray[np.float64]:
    """Return what a glow of unit height in each corner puts into the blocks, a column a corner."""
    rows, columns = fit.shape
    length = reach * min(rows, columns)
    shapes = []
    for high_x, high_y in CORNERS:
        away = np.hypot(fit.block_xy[:, 0] - high_x * (columns - 1), fit.block_xy[:, 1] - high_y * (rows - 1))
        shapes.append(np.exp(-((away / length) ** 2)))
    return np.column_stack(shapes)
