"""Noise that neighbouring pixels share: of masters that were smoothed, resampled, drizzled or demosaiced.

Differences of neighbours show little of it. White noise looks the same at any distance, shared noise grows with it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, bin_mean, difference_noise, median, second_differences

SHARED = 1.25
"""Noise two pixels apart over noise one pixel apart that makes it shared. Measured on the darker half of frames: 0.98
to 1.02 on unsmoothed masters, invented and real, 1.5 to 1.8 on four real frames that were resampled, 1.5 and more
after smoothing by 0.5 px."""
SMOOTHED = 2.0
"""From here on, differences of neighbours are no noise of a pixel any more: smoothing by 0.8 px gives 4.2."""
SETTLED = 1.25
"""Noise that grows by less from one distance to the next has been seen whole: faint stars make it grow by 1.2, too."""
CELL_PX = 64
"""Side of the cells of which the darker half is measured: wide against a star, as `noise.TILE`."""
_LAGS = (2, 3, 5, 10, 20, 40)
"""Distances in pixels, each up to twice the one before: what is shared over more is taken for light."""
_BLOCKS = (4, 8, 16)
"""Sides of means: larger ones hold more of faint stars than of noise."""
_FEWEST, _LEAST_SIDE = 100, 6
"""Differences that tell a noise to 12 %; and the side of means of which some do."""


def shared_noises(plane: NDArray[np.floating]) -> tuple[float, float]:
    """Return the noise of one pixel of a smoothed plane, and that which would, were it white, be that of large areas.

    sigma = 1.4826 median|I * N_d| / 6 in the darker half of the plane, N_d second differences at the distance d from
    which it does not grow any more; size * sigma(size) of means over size x size pixels there, twice as large as that
    distance: right to a third up to smoothing by 3 px, too low beyond.

    Parameters
    ----------
    plane : (rows, columns)
        NaN where pixels are not to be used. For a plane that is not smoothed, or white, NaN is returned.

    Examples
    --------
    >>> from scipy.ndimage import gaussian_filter
    >>> sites = np.random.default_rng(1).normal(size=(400, 400))
    >>> smooth = gaussian_filter(sites, 2.0)
    >>> pixel, broad = shared_noises(smooth)
    >>> bool(abs(pixel / smooth.std() - 1.0) < 0.1), bool(abs(broad - 1.0) < 0.33), shared_noises(sites)
    (True, True, (nan, nan))
    """
    dark = _darker_half(plane)
    noise_at = cache(partial(_noise_at, dark))
    pixel, _ = _settled(noise_at, SMOOTHED)
    noise, reach = _settled(noise_at, SHARED)
    if not noise > 0.0:
        return pixel, float("nan")
    size = next((size for size in _BLOCKS if size >= 2 * reach), _BLOCKS[-1])
    means = bin_mean(dark, size)
    return pixel, size * difference_noise(means) if min(means.shape) >= _LEAST_SIDE else float("nan")


def _darker_half(plane: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return the plane with the brighter half of its cells NaN: stars and nebula bend, and are no noise."""
    means = bin_mean(plane, CELL_PX)
    if not np.isfinite(means).any():
        return np.full((1, 1), np.nan)
    keep = np.kron(means <= np.nanmedian(means), np.ones((CELL_PX, CELL_PX), dtype=np.bool_))
    cut = np.asarray(plane[: keep.shape[0], : keep.shape[1]], dtype=np.float64)
    return np.where(keep, cut, np.nan)


def _noise_at(plane: NDArray[np.float64], lag: int) -> float:
    if min(plane.shape) <= 2 * lag:
        return float("nan")
    apart = np.abs(second_differences(plane, lag=lag))
    apart = apart[np.isfinite(apart)]
    return MAD_TO_SIGMA * median(apart) / 6.0 if apart.size >= _FEWEST else float("nan")


def _settled(noise_at: Callable[[int], float], least: float) -> tuple[float, int]:
    """Return the noise where it does not grow any more, and the distance; NaN where it does not grow by ``least``."""
    last = noise_at(2)
    if not last > least * noise_at(1):
        return float("nan"), 1
    for lag, beyond in pairwise(_LAGS):
        value = noise_at(beyond)
        if not value > SETTLED * last:
            return (max(last, value) if np.isfinite(value) else last), lag
        last = value
    return last, _LAGS[-1]
