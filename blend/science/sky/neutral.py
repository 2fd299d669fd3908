"""How far from neutral a sky was left: its slope, and the largest deviation of a wide area of the frame."""

from __future__ import annotations

import numpy as np

from blend.base.robust import bin_mean
from blend.science.sky.blocks import chebyshev_terms, unit_coordinates
from blend.science.sky.fit import SkyFit
from blend.science.sky.solver import weighted_fit

AREA = 3
"""Blocks across an area: 9 of 1200 are a hundredth of the frame, which the eye sees; a galaxy seldom covers it."""
LEAST_SHARE = 0.5
"""Of a block that no object covers. Smooth light at the border is no object, whether the fit used it or not."""
LEAST_SKY = 0.35
"""With less of the frame than this the search for objects lets their light pass for sky."""


def slope_of_blocks(fit: SkyFit) -> float:
    """Return the peak-to-peak, corner to corner, of a degree-1 surface through what the used blocks leave."""
    used = fit.block_used
    xy, errors = fit.block_xy[used], np.maximum(fit.block_errors[used], 1e-30)
    left = fit.block_values[used] - fit.at(xy)[0]
    if fit.halo is not None:
        left, errors = left - fit.halo.shine(xy), np.hypot(errors, fit.halo.doubt(xy))
    answer = weighted_fit(chebyshev_terms(*unit_coordinates(xy, fit.shape), degree=1), left, errors)
    return float(2.0 * (abs(answer[1]) + abs(answer[2])))


def largest_deviation(fit: SkyFit) -> float | None:
    """Return the largest mean of an area of blocks above or below the sky that was taken off, unit of the plane.

    Blocks that the fit left out as too bright count like all others. Beside a halo it is what the halo's doubt does not
    explain; what noise alone makes of the largest of so many is taken off. None where emission was taken out by a line,
    or too little of the frame is surely free of objects.

    References
    ----------
    Derived here.
    """
    if fit.line_factor is not None or fit.sky_share < LEAST_SKY:
        return None
    left = fit.block_values - fit.at(fit.block_xy)[0]
    doubt = np.zeros(left.size)
    if fit.halo is not None:
        left, doubt = left - fit.halo.shine(fit.block_xy), 2.0 * fit.halo.doubt(fit.block_xy)
    left = np.sign(left) * np.maximum(np.abs(left) - doubt, 0.0)
    seen = np.isfinite(left) & (fit.block_share >= LEAST_SHARE)
    areas, chance = (
        bin_mean(np.where(seen, each, np.nan).reshape(fit.block_grid), AREA)
        for each in (left, fit.block_errors**2)
    )
    known = np.isfinite(areas)
    if not known.any():
        return None
    # The largest of n Gaussian numbers is sqrt(2 ln n) of their errors: so much is chance.
    chance = np.sqrt(chance[known] * 2.0 * np.log(max(int(known.sum()), 2))) / AREA
    return float(np.maximum(np.abs(areas[known]) - chance, 0.0).max())
