"""A flat field that does not fit: the centred bowl or ring it leaves in a sky, and its division.

Moonlight over two degrees is a plane to half a percent and never centred on the frame. A sky that bends by more, the
same way all around the middle, is not the Moon's: it is light multiplied by a wrong flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA
from blend.base.rowblocks import map_row_blocks
from blend.science.sky.blocks import chebyshev_terms, unit_axis, unit_coordinates
from blend.science.sky.fit import SkyFit, sky_uncertainty
from blend.science.sky.halo import HALO_DOUBT
from blend.science.sky.solver import CLIP_ABOVE, weighted_fit

LEAST_FAULT = 0.005
"""Share of the sky's level: what moonlight itself may bend over a field of two degrees."""
SURE_SIGMA = 5.0
MOST_LOPSIDED = 0.5
"""Bend that differs with the direction, over the centred one: a flat's fault is the same all around."""
MOST_FAULT = 0.6
"""Share of the sky's level: no flat is so wrong, but a sky near 0 makes any bend as large."""
SURE_LEVEL = 5.0
"""A sky's level counts from so many times its uncertainty: a share of less is a share of nothing."""
FEWEST_BLOCKS = 60
LEAST_SHARE = 0.3
"""Of a block that must be sky."""


@dataclass(frozen=True, kw_only=True)
class FlatFault:
    """What a wrong flat multiplied the light with: 1 + bowl r^2 + ring r^4, r = 1 at the corners, mean 1.

    Attributes
    ----------
    bowl, ring : float
    percent : float
        Largest minus smallest factor over the frame, in %.
    sigma : float
        The same over its standard error.
    level : float
        Of the sky that showed it.
    """

    bowl: float
    ring: float
    percent: float
    sigma: float
    level: float

    @property
    def kind(self) -> str:
        """Bowl or ring: which of the two the factor is, seen from the middle outwards."""
        turn = -self.bowl / (2.0 * self.ring) if self.ring else 2.0
        return "ring" if 0.2 < turn < 0.8 else "bowl"

    @property
    def edge_percent(self) -> float:
        """The corners against the middle, in %: below 0 where vignetting is left."""
        return 100.0 * (self.bowl + self.ring)

    def factor(self, radius_squared: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the factor at squared distances from the middle, in units of the corner's."""
        # Means of r^2 and r^4 over the frame are nearly those over a square: 1/3 and 7/45.
        return np.asarray(
            1.0 + self.bowl * (radius_squared - 1.0 / 3.0) + self.ring * (radius_squared**2 - 7.0 / 45.0)
        )


def find_flat_fault(fit: SkyFit) -> FlatFault | None:
    """Return the centred bowl or ring in the blocks of a fitted sky, or None where there is none to speak of.

    blocks = plane + bowl r^2 + ring r^4 + lopsided (x^2 - y^2) + turned (2 x y)

    Parameters
    ----------
    fit : SkyFit
        Its level must be light: no bias, no dark current.

    Returns
    -------
    FlatFault or None
        None where the bend is under 0.5 % of the sky or under five times its error, where half as much bend differs
        with the direction, where an object's halo could be it, where the level is not well above its uncertainty, or
        where the bend is 60 % of it and more. The outskirts of a target bend a sky alike; see `starbowl`.

    References
    ----------
    Derived here.
    """
    used = _trusted(fit)
    if not fit.level > SURE_LEVEL * sky_uncertainty(fit.even) or used.sum() < FEWEST_BLOCKS:
        return None
    values, sigma = fit.block_values.copy(), np.maximum(fit.block_errors, 1e-9 * fit.level)
    if fit.halo is not None:
        shine = fit.halo.shine(fit.block_xy)
        values, sigma = values - shine, np.hypot(sigma, HALO_DOUBT * shine)
    u, v = unit_coordinates(fit.block_xy, fit.shape)
    squared = _radius_squared(u, v, fit.shape)
    x, y = u * fit.shape[1] / np.hypot(*fit.shape), v * fit.shape[0] / np.hypot(*fit.shape)
    lopsided = np.column_stack([x**2 - y**2, 2.0 * x * y])
    design = np.column_stack([chebyshev_terms(u, v, degree=1), squared, squared**2, lopsided])
    used, sigma = _agreeing(design, values, sigma, used)
    answer = weighted_fit(design[used], values[used], sigma[used])
    fault = _fault(answer, design[used] / sigma[used, None], fit.level)
    uneven = 100.0 * float(np.ptp(lopsided @ answer[5:])) / fit.level
    return fault if fault is not None and uneven <= MOST_LOPSIDED * fault.percent else None


def _trusted(fit: SkyFit) -> NDArray[np.bool_]:
    """Return the blocks to look at: a plane's fit has cut off the corners of a bowl, so it is not asked."""
    finite = np.isfinite(fit.block_values)
    if fit.line_factor is not None or fit.degree >= 2:
        return np.asarray(fit.block_used & finite)
    return np.asarray(finite & (fit.block_share >= LEAST_SHARE))


def divide_flat_fault(plane: NDArray[np.float32], fault: FlatFault) -> NDArray[np.float32]:
    """Return the plane divided by the factor of a fault, float32; its mean light stays."""
    rows, columns = plane.shape
    out = np.empty(plane.shape, dtype=np.float32)
    u = np.linspace(-1.0, 1.0, columns)[None, :]

    def fill_rows(block: slice) -> None:
        v = unit_axis(np.arange(block.start, block.stop, dtype=np.float64), rows)[:, None]
        factor = fault.factor(_radius_squared(u, v, (rows, columns)))
        out[block] = plane[block] / factor.astype(np.float32)

    map_row_blocks(fill_rows, rows)
    return out


def _fault(answer: NDArray[np.float64], design: NDArray[np.float64], level: float) -> FlatFault | None:
    bowl, ring = answer[3:5] / level
    radius_squared = np.linspace(0.0, 1.0, 41)
    curve = bowl * radius_squared + ring * radius_squared**2
    size = float(np.ptp(curve))
    covariance = np.linalg.pinv(design.T @ design)[3:5, 3:5] / level**2
    high, low = radius_squared[curve.argmax()], radius_squared[curve.argmin()]
    step = np.array([high - low, high**2 - low**2])
    error = float(np.sqrt(max(step @ covariance @ step, 0.0)))
    if not LEAST_FAULT <= size < MOST_FAULT or size < SURE_SIGMA * error:
        return None
    return FlatFault(
        bowl=float(bowl), ring=float(ring), percent=100.0 * size, sigma=size / max(error, 1e-30), level=level
    )


def _agreeing(
    terms: NDArray[np.float64],
    values: NDArray[np.float64],
    sigma: NDArray[np.float64],
    used: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], NDArray[np.float64]]:
    """Leave out what does not fit any bend, and raise the errors to the scatter."""
    fresh = used
    for _ in range(4):
        left = values - terms @ weighted_fit(terms[fresh], values[fresh], sigma[fresh])
        scatter = MAD_TO_SIGMA * float(np.median(np.abs(left[fresh] - np.median(left[fresh]))))
        whole = np.hypot(sigma, max(0.0, scatter**2 - float(np.median(sigma[fresh])) ** 2) ** 0.5)
        fresh = used & (np.abs(left) < CLIP_ABOVE * whole)
        if fresh.sum() < FEWEST_BLOCKS // 2:
            return used, whole
    return fresh, whole


def _radius_squared(
    u: NDArray[np.float64], v: NDArray[np.float64], shape: tuple[int, int]
) -> NDArray[np.float64]:
    rows, columns = shape
    return np.asarray(((u * columns) ** 2 + (v * rows) ** 2) / (rows**2 + columns**2))
