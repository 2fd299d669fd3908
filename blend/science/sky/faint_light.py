"""The light of stars too faint to be masked, which lifts every level that is fitted to the sky between them.

Seen one by one they are noise. But how much light they hold shows in the stars that are just bright enough for a mask:
it is what the level rises by when the mask leaves out all that is less than twice as bright.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.sky.blocks import bin_size, chebyshev_surface, unit_axis
from blend.science.sky.fit import SkyFit
from blend.science.sky.objects import FINE_SIGMA, above_noise

LARGEST_STAR = 0.001
"""Masked patches that cover more of the frame than this are no stars."""
MOST_BRIGHT = 0.2
"""With more of the sky than this above the limit it holds a nebula, or the fit lies below it: no stars to tell."""
NOISE_TAKEN = 0.001
"""By how much the limits cut noise down, in sigma of a bin: phi(4) + phi(3.5) (1/2 + 1/4 + ...), phi the Gaussian."""
LIFT_DOUBT = 0.2
"""Doubt of the lift, as a share of itself: by so much it is off for scenes of 24 megapixels whose true sky is known,
where noise hardly counts; of star counts that rise otherwise it is off by a tenth to a half."""


def without_faint_light(bins: NDArray[np.float64], fit: SkyFit, *, unusable: NDArray[np.bool_]) -> SkyFit:
    """Return the fit, and its blocks, lowered by `faint_light`, its doubt in the covariance."""
    lift = faint_light(bins, fit, unusable=unusable)
    level = np.arange(fit.coefficients.size) == 0
    return replace(
        fit,
        coefficients=fit.coefficients - lift * level,
        covariance=fit.covariance + (LIFT_DOUBT * lift) ** 2 * np.outer(level, level),
        level=fit.level - lift,
        block_values=fit.block_values - lift,
    )


def faint_light(bins: NDArray[np.float64], fit: SkyFit, *, unusable: NDArray[np.bool_]) -> float:
    """Return how far light of stars too faint to be masked lifts a fitted level, unit of the plane, at least 0.

    Be L(t) the mean light above the true sky of bins where whatever passes a limit t is masked, and l(t) the same
    above the fitted level, which lies too high by a lift d: l = L - d. If the bins that hold light are as many in
    every step of its logarithm, as within a star's Gaussian wings, then L(2 t) = 2 L(t), and

        d = l(2 t) - 2 l(t)

    The level is a robust one, so it lies at most as much too high as the mean light under the mask that was used:

        d <= [l(used) - l(t)] + [l(2 t) - l(t)]

    Where there is no faint light both are noise, and the second one next to none: it needs no zero. t is the limit of
    `blend.science.sky.objects.object_mask`; the noise that it cuts off is put back.

    Parameters
    ----------
    bins : (rows, columns) float64
        `small_bins` of a plane.
    fit : SkyFit
        Of this plane. Bins of blocks it left out do not count.
    unusable : (rows, columns) bool
        Mask of that fit. Of what it covers only patches as small as stars are looked at.

    Notes
    -----
    Light that is smooth over the frame stays sky: no picture tells one from the other. So does half the light of stars
    whose number goes on rising below the limit as flux^-0.75, of those as flux^-0.4 a tenth. 0.1 s of one core for
    24 Mpx.

    References
    ----------
    The relation between a background of sources and their counts is that of Scheuer (1957), Proc. Cambridge Phil.
    Soc. 53, 764 (from memory); the extrapolation is derived here.
    """
    size = bin_size(fit.shape)
    noise = difference_noise(bins)
    if not noise > 0.0:
        return 0.0
    y, x = (np.arange(count, dtype=np.float64) * size + 0.5 * (size - 1) for count in bins.shape)
    u, v = unit_axis(x, fit.shape[1]), unit_axis(y, fit.shape[0])
    sky = chebyshev_surface(fit.coefficients, u, v, degree=fit.degree)
    if fit.halo is not None:
        places = np.stack([np.tile(x, y.size), np.repeat(y, x.size)], axis=1)
        sky += fit.halo.shine(places).reshape(bins.shape)
    light = (bins - sky) / noise
    row, column = (
        np.minimum(along + 0.5, last - 1).astype(np.int64)
        for along, last in zip((y, x), fit.shape, strict=True)
    )
    masked = unusable[row][:, column]
    field = np.isfinite(light) & (~masked | _small_patches(masked)) & _in_used_blocks(fit, row, column)
    sky_bins = field & ~masked
    bright = above_noise(light, reach=1.0)
    if not sky_bins.any() or bright[sky_bins].mean() > MOST_BRIGHT:
        return 0.0
    # A bright bin that no mask covers counts no more than a robust location of its pixels lets it.
    used = np.minimum(light[sky_bins], FINE_SIGMA).mean()
    usual, doubled = light[field & ~bright].mean(), light[field & ~above_noise(light, reach=0.5)].mean()
    return float(max(0.0, doubled - 2.0 * (usual + NOISE_TAKEN) + min(0.0, used)) * noise)


def _in_used_blocks(fit: SkyFit, row: NDArray[np.int64], column: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Tell which bins lie in blocks the fit did not leave out as too bright or too dark."""
    (down, across), (rows, columns) = fit.block_grid, fit.shape
    used = fit.block_used.reshape(down, across)
    return np.asarray(used[row * down // rows][:, column * across // columns])


def _small_patches(masked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    from scipy.ndimage import label

    names, count = label(masked, structure=np.ones((3, 3)))
    area = np.bincount(names.ravel(), minlength=count + 1)
    small = area <= LARGEST_STAR * masked.size
    small[0] = False
    return np.asarray(small[names])
