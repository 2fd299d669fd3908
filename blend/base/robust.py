"""Robust statistics: location, scale and noise that a few stars or bad pixels do not move.

Sums run in float64. A float32 mean over a large picture is wrong by percents, and a sum in an order that depends
on threads is not repeatable.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blend.base.blocksums import block_means

MAD_TO_SIGMA = 1.482602218505602
"""1 / Phi^-1(3/4): turns a median absolute deviation into the standard deviation of a Gaussian."""

MEDIAN_ERROR = 1.2533141373155001
"""sqrt(pi / 2): error of a Gaussian sample's median over that of its mean (Kendall & Stuart; common practice)."""


def median(values: ArrayLike) -> float:
    """Return the median of all values, to the bit as numpy has it, in a tenth of its time; NaN where one is or none is.

    Notes
    -----
    One selection, and the greatest value below it in place of a second one, among the values near the middle.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 2.0])), median(np.array([4.0, 1.0, 2.0, 3.0])), median(np.array([]))
    (2.0, 2.5, nan)
    """
    flat: NDArray[np.floating] = np.asarray(values).ravel()
    if not np.issubdtype(flat.dtype, np.floating):
        flat = flat.astype(np.float64)
    if flat.size == 0 or np.isnan(flat.max()):
        return float("nan")
    even = flat.size % 2 == 0
    flat, half = _near_middle(flat)
    parted = np.partition(flat, half)
    high = parted[half]
    return float((parted[:half].max() + high) / 2 if even else high)


_MANY = 2000
"""Values of which it takes longer to select than to see first where the middle lies (measured)."""


def _near_middle(flat: NDArray[np.floating]) -> tuple[NDArray[np.floating], int]:
    """Return values of which some lie below the median and some not, and the upper middle one's place among them.

    Selection moves what it selects from time and again, which takes 6 to 10 ns a value where vectors are compressed
    slowly; to compare each once takes 1.
    """
    half = flat.size // 2
    if flat.size >= _MANY:
        sample = np.sort(flat[:: int(flat.size ** (1 / 3))])
        # the sample's median is off by half of this in one sigma, of independent values
        reach = 2 * int(sample.size**0.5)
        low, high = sample[sample.size // 2 - reach], sample[sample.size // 2 + reach]
        below = flat < low
        near = np.flatnonzero(below ^ (flat <= high))
        left = half - int(np.count_nonzero(below))
        if 0 < left < near.size:
            return flat[near], left
    return flat, half


def row_medians(values: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the median of each row of (..., n), to the bit as numpy has it; NaN where one is.

    Sorting rows runs on vectors: of 64 to 256 numbers it takes a tenth of the time of numpy's own.

    Examples
    --------
    >>> row_medians(np.array([[3.0, 1.0, 2.0, 5.0], [1.0, np.nan, 2.0, 2.0]]))
    array([2.5, nan])
    """
    count = values.shape[-1]
    ordered = np.sort(values, axis=-1)
    middle = (ordered[..., (count - 1) // 2] + ordered[..., count // 2]) / 2
    return np.where(np.isnan(ordered[..., -1]), np.nan, middle)


def sorted_finite(rows: NDArray[np.floating]) -> tuple[NDArray[np.floating], NDArray[np.int64]]:
    """Return rows (n, m) of numbers by size, NaN last, and how many of each are finite."""
    finite = np.isfinite(rows)
    return np.sort(np.where(finite, rows, rows.dtype.type(np.nan)), axis=1), np.count_nonzero(finite, axis=1)


def middles(ordered: NDArray[np.floating], count: NDArray[np.integer]) -> NDArray[np.floating]:
    """Return the median of the first ``count`` (n,) numbers of each sorted row (n, m); of none, what comes."""
    row = np.arange(len(count))
    return np.asarray((ordered[row, (count - 1) // 2] + ordered[row, count // 2]) / 2)


def median_and_sigma(values: NDArray[np.floating]) -> tuple[float, float]:
    """Return the median and the scaled median absolute deviation of the finite values.

    References
    ----------
    The factor is 1 / Phi^-1(3/4), as in ``astropy.stats.mad_std``.

    Examples
    --------
    >>> median_and_sigma(np.array([1.0, 2.0, 3.0, 4.0, 100.0]))
    (3.0, 1.482602218505602)
    """
    flat = np.asarray(values, dtype=np.float64).ravel()
    finite = np.isfinite(flat)
    flat = flat if finite.all() else flat[finite]
    if flat.size == 0:
        return float("nan"), float("nan")
    middle = median(flat)
    return middle, MAD_TO_SIGMA * median(np.abs(flat - middle))


def converged_clip_factor(kappa: float) -> float:
    """Return what is left of a Gaussian's standard deviation after clipping at +-kappa to convergence.

    Solves s = f(kappa s), f(k) = sqrt(1 - 2 k phi(k) / (2 Phi(k) - 1)). Divide a clipped standard deviation by it.

    Examples
    --------
    >>> round(converged_clip_factor(3.0), 5), round(converged_clip_factor(2.5), 5)
    (0.98485, 0.93656)
    """
    from math import erf, exp, pi, sqrt

    s = 1.0
    for _ in range(2000):
        k = kappa * s
        phi = exp(-0.5 * k * k) / sqrt(2.0 * pi)
        inside = erf(k / sqrt(2.0))
        s = sqrt(max(0.0, 1.0 - 2.0 * k * phi / inside))
    return s


def clipped_mean(
    values: NDArray[np.floating], *, kappa: float = 3.0, rounds: int = 10
) -> tuple[float, float, int]:
    """Return the clipped mean, its unbiased standard deviation and the number of values kept.

    Values further than ``kappa`` standard deviations from the median are left out, over and over until none is.

    Examples
    --------
    >>> mean, sigma, kept = clipped_mean(np.array([1.0, 2.0, 3.0, 2.0, 1.0, 2.0, 3.0, 2.0, 900.0]), rounds=5)
    >>> mean, kept
    (2.0, 8)
    """
    kept = np.asarray(values, dtype=np.float64).ravel()
    kept = kept[np.isfinite(kept)]
    if kept.size == 0:
        return float("nan"), float("nan"), 0
    _, sigma = median_and_sigma(kept)
    if sigma == 0.0:
        sigma = float(kept.std())
    clipped = False
    for _ in range(rounds):
        inside = np.abs(kept - median(kept)) <= kappa * sigma
        if inside.all() or inside.sum() < 3:
            break
        kept = kept[inside]
        clipped = True
        sigma = float(kept.std())
    factor = converged_clip_factor(kappa) if clipped else 1.0
    return float(kept.mean()), float(kept.std()) / factor, int(kept.size)


def difference_noise(plane: NDArray[np.floating], *, lag: int = 1) -> float:
    """Estimate the noise of one pixel from second differences, in the plane's unit.

    sigma = 1.4826 median|I * N| / 6 with N = [[1, -2, 1], [-2, 4, -2], [1, -2, 1]], its entries ``lag`` pixels apart,
    over the valid region only, so that any plane-shaped sky cancels and stars do not count.

    References
    ----------
    Immerkaer (1996), CVIU 64, 300, for the kernel; the median in place of the mean is derived here.

    Examples
    --------
    >>> y, x = np.mgrid[:20, :30]
    >>> difference_noise(0.5 * x - 2.0 * y)
    0.0
    """
    p = np.asarray(plane, dtype=np.float64)
    if min(p.shape) < 2 * lag + 1:
        return float("nan")
    both = second_differences(p, lag=lag)
    both = np.abs(both[np.isfinite(both)])
    return MAD_TO_SIGMA * median(both) / 6.0 if both.size else float("nan")


PHASES_AGREE = 0.8
"""Noise of the quietest of four phases by the loudest: 0.97 or more on white noise, 0.4 or less after a demosaic."""

FAR_PX = 5
"""Odd, so that pixels of all phases are compared; pixels 3 px apart share 1 % of a bilinear demosaic's noise."""


def interpolated_noise(plane: NDArray[np.floating]) -> float:
    """Return the noise of one pixel of a demosaiced plane, NaN for a plane that is none.

    Interpolated pixels lie between their neighbours, and what `difference_noise` sees of them is nothing. Pixels of the
    four phases of a mosaic then differ by far; where they do, second differences five pixels apart are taken, which
    share no noise: sigma = 1.4826 median|I * N_5| / 6.

    Examples
    --------
    >>> sites = np.random.default_rng(1).normal(size=(200, 200))
    >>> interpolated_noise(sites)
    nan
    >>> plane = np.zeros((399, 399))
    >>> plane[::2, ::2] = sites
    >>> plane[1::2] = 0.5 * (plane[:-1:2] + plane[2::2])
    >>> plane[:, 1::2] = 0.5 * (plane[:, :-1:2] + plane[:, 2::2])
    >>> bool(abs(interpolated_noise(plane) / plane.std() - 1) < 0.02), difference_noise(plane) < 1e-6
    (True, True)
    """
    p = np.asarray(plane, dtype=np.float64)
    if min(p.shape) < 4 * FAR_PX:
        return float("nan")
    near = np.abs(second_differences(p))
    phases = [known_median(near[y::2, x::2]) for y in (0, 1) for x in (0, 1)]
    if not max(phases) > 0 or min(phases) >= PHASES_AGREE * max(phases):
        return float("nan")
    return MAD_TO_SIGMA * known_median(np.abs(second_differences(p, lag=FAR_PX))) / 6.0


def known_median(values: NDArray[np.floating]) -> float:
    """Return the median of the values that are numbers; NaN, and no warning, where none is.

    Examples
    --------
    >>> known_median(np.array([1.0, np.nan, 3.0])), known_median(np.array([np.nan]))
    (2.0, nan)
    """
    known = values[~np.isnan(values)]
    return median(known)


def second_differences(plane: NDArray[np.floating], *, lag: int = 1) -> NDArray[np.float64]:
    """Return I * N with N = [[1, -2, 1], [-2, 4, -2], [1, -2, 1]], its entries ``lag`` pixels apart.

    Parameters
    ----------
    plane : (rows, columns)
    lag : int
        Above 0.

    Returns
    -------
    (rows - 2 lag, columns - 2 lag) float64
        Empty for a smaller plane. White noise of standard deviation s gives 6 s; a sky of degree 1 gives 0.

    Examples
    --------
    >>> second_differences(np.eye(5)[:3])
    array([[ 6., -4.,  1.]])
    """
    p = np.asarray(plane, dtype=np.float64)
    across = p[:, : -2 * lag] - 2.0 * p[:, lag:-lag] + p[:, 2 * lag :]
    return np.asarray(across[: -2 * lag] - 2.0 * across[lag:-lag] + across[2 * lag :])


def bin_mean(plane: NDArray[np.floating], size: int) -> NDArray[np.float64]:
    """Return means over whole ``size`` x ``size`` blocks; a block with more than half its pixels NaN is NaN.

    Rows and columns beyond the last whole block are left out.

    Examples
    --------
    >>> bin_mean(np.arange(16.0).reshape(4, 4), 2)
    array([[ 2.5,  4.5],
           [10.5, 12.5]])
    """
    rows, columns = plane.shape[0] // size * size, plane.shape[1] // size * size
    whole = np.asarray(plane[:rows, :columns])
    if whole.dtype == np.float32:
        return block_means(whole, size, least=0.5)
    # Only small pictures have 64 bits: compiling the kernel for them takes longer. The order of the sums is its own.
    blocks = whole.reshape(rows // size, size, columns // size, size)
    good = np.isfinite(blocks)
    counts, light = good.sum(axis=(1, 3)), np.where(good, blocks, 0.0)
    down, sums = np.zeros((*counts.shape, size)), np.zeros(counts.shape)
    for k in range(size):
        down += light[:, k]
    for k in range(size):
        sums += down[..., k]
    return np.where(counts >= max(1.0, 0.5 * size**2), sums / np.maximum(counts, 1), np.nan)


def noise_at_scales(
    plane: NDArray[np.floating], *, scales: tuple[int, ...] = (1, 4, 16, 64)
) -> dict[int, float]:
    """Return the noise of block means at several block sizes, in the plane's unit.

    White noise falls as 1 / size; noise that falls more slowly is correlated (demosaicing, walking patterns). To be
    measured before resampling, which hides noise from every estimator; NaN where fewer than 6 x 6 blocks fit.
    """
    result = {}
    for size in scales:
        binned = np.asarray(plane, dtype=np.float64) if size == 1 else bin_mean(plane, size)
        result[size] = difference_noise(binned) if min(binned.shape) >= 6 else float("nan")
    return result
