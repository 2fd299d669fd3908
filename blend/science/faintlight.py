"""The light of stars too faint to be masked, which lifts every level that is fitted to the sky between them.

Seen one by one they are noise. But how much light they hold shows in the stars that are just bright enough for a mask:
it is what the level rises by when the mask leaves out all that is less than twice as bright.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.objects import above_noise, bin_size
from blend.science.skyblocks import bin_light, chebyshev_terms, unit_coordinates
from blend.science.skyfit import SkyFit

LARGEST_STAR = 0.001
"""Masked patches that cover more of the frame than this are no stars."""
MOST_BRIGHT = 0.2
"""With more of the sky than this above the limit it holds a nebula, or the fit lies below it: no stars to tell."""
NOISE_TAKEN = 0.001
"""By how much the limits cut noise down, in sigma of a bin: phi(4) + phi(3.5) (1/2 + 1/4 + ...), phi the Gaussian."""
LIFT_DOUBT = 0.2
"""Doubt of the lift, as a share of itself: likeliest for the levels of 232 scenes whose true sky is known."""


def without_faint_light(plane: NDArray[np.float32], fit: SkyFit, *, unusable: NDArray[np.bool_]) -> SkyFit:
    """Return the fit with its level, and its blocks, lowered by `faint_light`, whose doubt is in the covariance.

    Parameters
    ----------
    plane, fit, unusable
        As for `faint_light`.
    """
    lift = faint_light(plane, fit, unusable=unusable)
    coefficients, covariance = fit.coefficients.copy(), fit.covariance.copy()
    coefficients[0] -= lift
    covariance[0, 0] += (LIFT_DOUBT * lift) ** 2
    return replace(
        fit,
        coefficients=coefficients,
        covariance=covariance,
        level=fit.level - lift,
        block_values=fit.block_values - lift,
    )


def faint_light(plane: NDArray[np.float32], fit: SkyFit, *, unusable: NDArray[np.bool_]) -> float:
    """Return how far light of stars too faint to be masked lifts a fitted level, unit of the plane, at least 0.

    Be L(t) the mean light above the true sky of bins where whatever passes a limit t is masked, and l(t) the same
    above the fitted level, which lies too high by a lift d: l = L - d. If the bins that hold light are as many in
    every step of its logarithm, as within a star's Gaussian wings, then L(2 t) = 2 L(t), and

        d = l(2 t) - 2 l(t)

    t is the limit of `blend.science.objects.object_mask`; the noise that it cuts off is put back.

    Parameters
    ----------
    plane : (rows, columns) float32
    fit : SkyFit
        Of this plane. Bins of blocks it left out do not count.
    unusable : (rows, columns) bool
        Mask of that fit. Of what it covers only patches as small as stars are looked at.

    Notes
    -----
    Light that is smooth over the frame stays sky: no picture tells one from the other. So does half the light of stars
    whose number goes on rising below the limit as flux^-0.75, of those as flux^-0.4 a tenth. 0.08 s for 24 Mpx.

    References
    ----------
    The relation between a background of sources and their counts is that of Scheuer (1957), Proc. Cambridge Phil.
    Soc. 53, 764 (from memory); the extrapolation is derived here.
    """
    size = bin_size(fit.shape)
    bins = bin_light(plane, size=size)
    noise = difference_noise(bins)
    if not noise > 0.0:
        return 0.0
    xy = _bin_centres(bins.shape, size)
    light = (bins.ravel() - _sky_and_halo(fit, xy)).reshape(bins.shape) / noise
    column, row = np.minimum(xy + 0.5, np.array(fit.shape[::-1]) - 1.0).astype(np.int64).T
    masked = unusable[row, column].reshape(bins.shape)
    field = np.isfinite(light) & (~masked | _small_patches(masked)) & _in_used_blocks(fit, xy, bins.shape)
    sky = field & ~masked
    bright = above_noise(light, reach=1.0)
    if not sky.any() or bright[sky].mean() > MOST_BRIGHT:
        return 0.0
    usual, doubled = light[field & ~bright].mean(), light[field & ~above_noise(light, reach=0.5)].mean()
    return float(max(0.0, doubled - 2.0 * (usual + NOISE_TAKEN)) * noise)


def _bin_centres(grid: tuple[int, ...], size: int) -> NDArray[np.float64]:
    y, x = (np.arange(count) * size + 0.5 * (size - 1) for count in grid)
    return np.stack([np.tile(x, y.size), np.repeat(y, x.size)], axis=1)


def _sky_and_halo(fit: SkyFit, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    sky = chebyshev_terms(*unit_coordinates(xy, fit.shape), degree=fit.degree) @ fit.coefficients
    return np.asarray(sky if fit.halo is None else sky + fit.halo.shine(xy))


def _in_used_blocks(fit: SkyFit, xy: NDArray[np.float64], grid: tuple[int, ...]) -> NDArray[np.bool_]:
    """Tell which bins lie in blocks the fit did not leave out as too bright or too dark."""
    down, across = fit.block_grid
    rows, columns = fit.shape
    column = np.minimum(xy[:, 0] * across / columns, across - 1).astype(np.int64)
    row = np.minimum(xy[:, 1] * down / rows, down - 1).astype(np.int64)
    return np.asarray(fit.block_used.reshape(down, across)[row, column].reshape(grid))


def _small_patches(masked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import label

    names, count = label(masked, structure=np.ones((3, 3)))
    area = np.bincount(names.ravel(), minlength=count + 1)
    small = area <= LARGEST_STAR * masked.size
    small[0] = False
    return np.asarray(small[names])
