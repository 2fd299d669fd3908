"""The light of stars too faint to be masked, which lifts every level that is fitted to the sky between them.

Seen one by one they are noise. But how much light they hold shows in the stars that are just bright enough for a mask:
it is what the level rises by when the mask leaves out all that is less than twice as bright.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.sky.blocks import (
    bin_light,
    chebyshev_surface,
    chebyshev_terms,
    unit_axis,
    unit_coordinates,
)
from blend.science.sky.fit import SkyFit, lattice
from blend.science.sky.objects import FINE_SIGMA, above_noise, bin_size

LARGEST_STAR = 0.001
"""Masked patches that cover more of the frame than this are no stars."""
MOST_BRIGHT = 0.2
"""With more of the sky than this above the limit it holds a nebula, or the fit lies below it: no stars to tell."""
NOISE_TAKEN = 0.001
"""By how much the limits cut noise down, in sigma of a bin: phi(4) + phi(3.5) (1/2 + 1/4 + ...), phi the Gaussian."""
LIFT_DOUBT = 0.2
"""Doubt of the lift, as a share of itself: by so much it is off for scenes of 24 megapixels whose true sky is known,
where noise hardly counts; of star counts that rise otherwise it is off by a tenth to a half."""
LEAST_STARS = 20
"""With fewer nothing is said of where they lie."""


@dataclass(frozen=True, eq=False)
class _Bins:
    """Means of small bins of a plane above its fitted sky and halo, in units of their noise, and what they are for.

    ``light`` is a grid, ``x`` and ``y`` are the centres of its columns and rows. ``field`` marks bins of sky and stars,
    ``masked`` what the fit's mask covers, ``stars`` those of its patches that are as small as stars.
    """

    light: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    noise: float
    field: NDArray[np.bool_]
    masked: NDArray[np.bool_]
    stars: NDArray[np.bool_]


def without_faint_light(plane: NDArray[np.float32], fit: SkyFit, *, unusable: NDArray[np.bool_]) -> SkyFit:
    """Return the fit, and its blocks, lowered by the light of stars too faint to be masked.

    How much that is in the mean says `faint_light`. It lies where brighter stars lie: of a crowd in the frame's middle
    it would leave a hill, of a rich side a slope. So it goes as a surface of the fit's own degree through the share of
    bins that stars mask, drawn towards its mean as far as chance would make it slope and bend that much; beside a halo
    it is level. The doubt of both is in the covariance.

    Parameters
    ----------
    plane, fit, unusable
        As for `faint_light`.

    References
    ----------
    The drawing towards the mean: James & Stein (1961), Proc. 4th Berkeley Symposium 1, 361; from memory.
    """
    bins = _bins(plane, fit, unusable)
    lift = 0.0 if bins is None else _lift(bins)
    if bins is None or lift == 0.0:
        return fit
    crowd, doubt = _crowding(bins, fit)
    coefficients = fit.coefficients - lift * crowd
    covariance = fit.covariance + (LIFT_DOUBT * lift) ** 2 * np.outer(crowd, crowd) + lift**2 * doubt
    surface = _terms(fit, lattice(fit.shape)) @ coefficients
    return replace(
        fit,
        coefficients=coefficients,
        covariance=covariance,
        level=float(np.median(surface)),
        amplitude=float(np.ptp(surface)),
        block_values=fit.block_values - lift * (_terms(fit, fit.block_xy) @ crowd),
    )


def faint_light(plane: NDArray[np.float32], fit: SkyFit, *, unusable: NDArray[np.bool_]) -> float:
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
    plane : (rows, columns) float32
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
    bins = _bins(plane, fit, unusable)
    return 0.0 if bins is None else _lift(bins)


def _bins(plane: NDArray[np.float32], fit: SkyFit, unusable: NDArray[np.bool_]) -> _Bins | None:
    """Return the plane's bins, None where they have no noise."""
    size = bin_size(fit.shape)
    bins = bin_light(plane, size=size)
    noise = difference_noise(bins)
    if not noise > 0.0:
        return None
    y, x = (np.arange(count, dtype=np.float64) * size + 0.5 * (size - 1) for count in bins.shape)
    sky = chebyshev_surface(
        fit.coefficients, unit_axis(x, fit.shape[1]), unit_axis(y, fit.shape[0]), degree=fit.degree
    )
    if fit.halo is not None:
        sky += fit.halo.shine(_grid(x, y)).reshape(bins.shape)
    light = (bins - sky) / noise
    row, column = (
        np.minimum(along + 0.5, last - 1).astype(np.int64)
        for along, last in zip((y, x), fit.shape, strict=True)
    )
    masked = unusable[row][:, column]
    stars = _small_patches(masked)
    field = np.isfinite(light) & (~masked | stars) & _in_used_blocks(fit, row, column)
    return _Bins(light, x, y, noise, field, masked, stars)


def _lift(bins: _Bins) -> float:
    light, field = bins.light, bins.field
    sky = field & ~bins.masked
    bright = above_noise(light, reach=1.0)
    if not sky.any() or bright[sky].mean() > MOST_BRIGHT:
        return 0.0
    # A bright bin that no mask covers counts no more than a robust location of its pixels lets it.
    used = np.minimum(light[sky], FINE_SIGMA).mean()
    usual, doubled = light[field & ~bright].mean(), light[field & ~above_noise(light, reach=0.5)].mean()
    return float(max(0.0, doubled - 2.0 * (usual + NOISE_TAKEN) + min(0.0, used)) * bins.noise)


def _crowding(bins: _Bins, fit: SkyFit) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where stars lie as coefficients of a surface whose mean over the field is 1, and their covariance."""
    from scipy.ndimage import label

    even, none = np.zeros(fit.coefficients.size), np.zeros_like(fit.covariance)
    even[0] = 1.0
    field = bins.field.ravel()
    starred = bins.stars.ravel()[field]
    count = label(bins.stars & bins.field, structure=np.ones((3, 3)))[1]
    # Beside a galaxy knots of its own would pass for stars.
    if count < LEAST_STARS or even.size == 1 or fit.halo is not None:
        return even, none
    terms = _terms(fit, _grid(bins.x, bins.y)[field])
    inverse = np.linalg.pinv(terms.T @ terms)
    share = float(starred.mean())
    varied = (inverse @ (terms.T @ starred))[1:] / share
    # Bins of one star come together: what is counted is stars, and their number scatters as its root.
    scatter = inverse[1:, 1:] * starred.sum() / count / share
    chance = float(varied @ np.linalg.pinv(scatter) @ varied)
    kept = max(0.0, 1.0 - varied.size / chance) if chance > 0.0 else 0.0
    with_mean_1 = np.vstack([-terms.mean(axis=0)[1:], np.eye(varied.size)])
    return even + kept * (with_mean_1 @ varied), kept**2 * (with_mean_1 @ scatter @ with_mean_1.T)


def _terms(fit: SkyFit, xy: NDArray[np.float64]) -> NDArray[np.float64]:
    return chebyshev_terms(*unit_coordinates(xy, fit.shape), degree=fit.degree)


def _grid(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.stack([np.tile(x, y.size), np.repeat(y, x.size)], axis=1)


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
