"""A bending sky: a thin-plate spline through the sky blocks, for street light and reflections.

It follows whatever is as wide as its smoothing lets it: also a galaxy's halo or a nebula. It is never chosen by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA
from blend.science.sky.blocks import unit_coordinates
from blend.science.sky.fit import Bumps, SkyFit, lattice
from blend.science.sky.gradient import fit_sky

MOST_KNOTS = 400
"""Sky blocks are averaged until at most this many knots are left: the work grows with their cube."""
FOLDS = 5
SMOOTHINGS = tuple(10.0**k for k in np.arange(-4.0, 3.1, 1.0))
"""Tried, in units where one knot's error is 1 and the longer half edge is 1."""
STEPS = 65
CAN_EAT = (
    "the spline follows everything that is wide and smooth: a galaxy's halo or a faint nebula goes with the sky "
    "where no object mask or object box lies over it"
)


def fit_spline(
    plane: NDArray[np.float32],
    *,
    masked: NDArray[np.bool_],
    sky_only: NDArray[np.bool_] | None = None,
    where: str = "gradient",
) -> SkyFit:
    """Fit a thin-plate spline to the sky blocks of a plane.

    f(p) = a0 + a1 x + a2 y + sum of w_i U(|p - p_i|), U = r^2 ln r, with the smoothing that predicts blocks left out
    best (five-fold cross-validation); beyond the outermost blocks it goes on nearly straight.

    Parameters
    ----------
    plane, masked, sky_only, where
        As for `blend.science.sky.gradient.fit_sky`, whose choice of blocks is taken over.

    Returns
    -------
    SkyFit
        Named ``spline``: a plane and, as ``bumps``, what bends. Its uncertainty is that of the left-out blocks.

    Raises
    ------
    StepError
        As `blend.science.sky.gradient.fit_sky`.

    Notes
    -----
    A glow that the mask took for an object is not followed, and stays; a sky box over it overrules the mask.

    References
    ----------
    Bookstein (1989), IEEE PAMI 11, 567; Wahba (1990), Spline Models for Observational Data; both from memory.
    scipy ``RBFInterpolator``.
    """
    start = fit_sky(plane, degree=1, masked=masked, sky_only=sky_only, where=where)
    used = _trusted(start)
    xy, values, errors = _knots(start, used)
    points = _plain_coordinates(xy, start.shape)
    left = values - start.at(xy)[0]
    best, error = _best_smoothing(points, left, errors)
    grid = lattice(start.shape, STEPS)
    bumps = _spline(points, left, errors, best)(_plain_coordinates(grid, start.shape)).reshape(STEPS, STEPS)
    fit = replace(start, name="spline", halo=None, block_used=used, bumps=Bumps(bumps, error), waves=None)
    surface = fit.at(lattice(fit.shape))[0]
    rest = fit.block_values[used] - fit.at(fit.block_xy[used])[0]
    return replace(
        fit,
        level=float(np.median(surface)),
        amplitude=float(np.ptp(surface)),
        residual=MAD_TO_SIGMA * float(np.median(np.abs(rest - np.median(rest)))),
    )


def _trusted(fit: SkyFit) -> NDArray[np.bool_]:
    """Return the blocks to lay the spline through: the plane's clip would cut off the very bends that are sought."""
    good = np.isfinite(fit.block_values) & (fit.block_share >= 0.3)
    return good if good.sum() >= 24 else fit.block_used


def _knots(
    fit: SkyFit, used: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return positions, values and errors of used blocks, medians of neighbours where there are too many."""
    down, across = fit.block_grid
    group = 1
    while (down // group) * (across // group) > MOST_KNOTS:
        group += 1
    row, column = np.divmod(np.arange(fit.block_values.size), across)
    cell = (row // group) * across + column // group
    knots = []
    for name in np.unique(cell[used]):
        member = used & (cell == name)
        count = int(member.sum())
        knots.append(
            (
                *fit.block_xy[member].mean(axis=0),
                float(np.median(fit.block_values[member])),
                float(np.median(fit.block_errors[member])) / np.sqrt(count),
            )
        )
    table = np.array(knots)
    return table[:, :2], table[:, 2], table[:, 3]


def _best_smoothing(
    points: NDArray[np.float64], values: NDArray[np.float64], errors: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the smoothing that predicts left-out knots best, and the typical error of its prediction."""
    fold = np.arange(values.size) * 7 % FOLDS
    typical = float(np.median(errors)) + 1e-30
    marks = []
    for smoothing in SMOOTHINGS:
        off = np.empty(values.size)
        for number in range(FOLDS):
            out = fold == number
            spline = _spline(points[~out], values[~out], errors[~out], smoothing)
            off[out] = spline(points[out]) - values[out]
        # Stars that were not masked must not choose the smoothing.
        marks.append((float(np.median(np.abs(off))), smoothing))
    least = min(marks)[0]
    # Of smoothings that predict alike, the stiffest eats least.
    best = max(s for mark, s in marks if mark <= 1.02 * least)
    predicted = MAD_TO_SIGMA * {s: mark for mark, s in marks}[best]
    return best, float(np.sqrt(max(predicted**2 - typical**2, 0.0) + typical**2 / 4.0))


def _spline(
    points: NDArray[np.float64], values: NDArray[np.float64], errors: NDArray[np.float64], smoothing: float
) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    from scipy.interpolate import RBFInterpolator

    scale = float(np.median(errors)) + 1e-30
    spline = RBFInterpolator(
        points,
        values / scale,
        kernel="thin_plate_spline",
        smoothing=smoothing * (errors / scale) ** 2,
        degree=1,
    )
    return lambda where: scale * spline(where)


def _plain_coordinates(xy: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return coordinates with one unit along both axes, the longer half edge 1."""
    u, v = unit_coordinates(xy, shape)
    longer = max(shape)
    return np.stack([u * shape[1] / longer, v * shape[0] / longer], axis=1)
