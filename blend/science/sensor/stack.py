"""Combine frames pixel by pixel: mean, median, sigma-clipped mean, winsorised mean.

A tile holds the same rows of every frame. Each value is first brought to a common level, v = scale x + offset; then
the values of a pixel are sorted, limits are found, and the mean is taken over the values themselves with the frames'
weights. NaN is no value. Every pixel is computed alone, so tiles and threads change no bit of the result.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, converged_clip_factor
from blend.base.rowblocks import map_row_blocks
from blend.science.sensor.stack_loops import combine_rows

MOST_FRAMES = 4096
"""Numbers of frames fit into 16 bits, and the network of so many values into memory: 139,263 comparisons."""

Method = Literal["mean", "median", "clip", "winsorised"]

_CODES = {"mean": 0, "median": 1, "clip": 2, "winsorised": 3}
_ROWS = 8
"""Rows a thread takes at a time."""

_LEAST_KAPPA = 1.8
"""Tighter clipping is taken for this when its bias is undone: below sqrt 3 a spread clipped over and over goes to 0."""

_STAR_SIGMA, _OUTLIER_SIGMA, _STAR_SHARE, _TURNS = 5.0, 4.0, 0.02, 5
"""Of stars that tell a frame's brightness: signal to noise, limit of outliers, scatter of their fluxes beyond the sky's
noise, and turns of the fit (chosen, not measured)."""


@dataclass(frozen=True, kw_only=True)
class Rule:
    """How the values of one pixel become one."""

    method: Method = "clip"
    # kappa_low and kappa_high: clip: limits below and above the median, in standard deviations
    kappa_low: float = 3.0
    kappa_high: float = 3.0
    # clip: std takes the standard deviation of the values that are still in. Three of 20 frames with one
    # satellite move it so far that nothing is clipped. robust begins with 1.4826 times the median absolute
    # deviation, which they do not move, then takes the standard deviation of what that left, freed of the
    # clipping's own bias, and lets values back in: the first number alone is so uncertain for 20 values that it
    # costs 7 % in noise.
    spread: Literal["robust", "std"] = "robust"
    rounds: int = 5  # clip: most rounds
    # clip: the standard deviation counts as no less than this, after scaling. Whole numbers that nearly all agree
    # would otherwise lose every value but one.
    least_sigma: float = 0.0
    # winsorised: this share of the values at either end is replaced by the nearest value that is left, 0 to 0.5
    share: float = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Combined:
    """One tile, combined."""

    values: NDArray[np.float32]  # (rows, columns) float32; naN where no frame holds a value
    kept: NDArray[np.uint16]  # (rows, columns) uint16; values that were used as they are
    rejected: NDArray[np.uint16]  # (rows, columns) uint16; values that were clipped, or replaced
    rejected_by_frame: NDArray[np.int64]  # (frames,) int64
    values_by_frame: NDArray[np.int64]  # (frames,) int64; how many values each frame had


def combine(
    tile: NDArray[np.float32],
    rule: Rule,
    *,
    weights: NDArray[np.floating] | None = None,
    scales: NDArray[np.floating] | None = None,
    offsets: NDArray[np.floating] | None = None,
) -> Combined:
    """Combine the frames of one tile.

    mean = sum(w v) / sum(w), v = scale x + offset. clip: over the values within kappa sigma of the median, over and
    over until none is left out. winsorised: over all values, the outermost replaced by the next. The median takes no
    weights.

    Parameters
    ----------
    tile : (frames, rows, columns) float32
        NaN and infinities are no values.
    rule : Rule
    weights, scales, offsets : (frames,), optional
        1, 1 and 0 without. Weights are not negative.

    Returns
    -------
    Combined

    Raises
    ------
    ValueError
        No frame, more than 4096, or arrays that do not fit.

    Notes
    -----
    Sorting is a network of comparisons that 128 pixels run through side by side. 40 frames of 24 Mpx take some seconds
    on two cores. A value on the limit stays in.

    References
    ----------
    Batcher (1968), Proc. AFIPS 32, 307, for the network; Tukey (1962), Annals of Mathematical Statistics 33, 1, for the
    winsorised mean; Croux & Rousseeuw (1992), Computational Statistics 1, 411, for the factor n / (n - 0.8) that makes
    the median absolute deviation of few values unbiased (all from memory).

    Examples
    --------
    >>> tile = np.ones((10, 1, 1), dtype=np.float32)
    >>> tile[3] = 50.0
    >>> done = combine(tile, Rule(method="clip"))
    >>> float(done.values[0, 0]), int(done.rejected[0, 0]), done.rejected_by_frame.tolist()
    (1.0, 1, [0, 0, 0, 1, 0, 0, 0, 0, 0, 0])
    """
    if tile.ndim != 3 or not 1 <= len(tile) <= MOST_FRAMES:
        raise ValueError(f"a tile of shape {tile.shape} does not hold 1 to {MOST_FRAMES} frames")
    frames, rows, columns = tile.shape
    per_frame = [
        _per_frame(given, frames, default)
        for given, default in ((weights, 1.0), (scales, 1.0), (offsets, 0.0))
    ]
    stack = np.ascontiguousarray(tile, dtype=np.float32)
    values = np.empty((rows, columns), dtype=np.float32)
    kept = np.empty((rows, columns), dtype=np.uint16)
    rejected = np.empty((rows, columns), dtype=np.uint16)
    settings = np.array(
        [
            rule.kappa_low,
            rule.kappa_high,
            rule.least_sigma,
            rule.share,
            rule.rounds,
            _CODES[rule.method],
            rule.spread == "robust",
            converged_clip_factor(max(_LEAST_KAPPA, min(rule.kappa_low, rule.kappa_high))),
            bool(per_frame[0].min() == per_frame[0].max() > 0.0),
        ]
    )
    network = sorting_network(frames)

    def measure_rows(block: slice) -> NDArray[np.int64]:
        counts = np.zeros((2, frames), dtype=np.int64)
        combine_rows(
            stack,
            *per_frame,
            settings,
            network,
            values,
            kept,
            rejected,
            counts,
            block.start,
            block.stop,
        )
        return counts

    counts = (
        np.sum(map_row_blocks(measure_rows, rows, height=_ROWS), axis=0)
        if rows
        else np.zeros((2, frames), np.int64)
    )
    return Combined(
        values=values, kept=kept, rejected=rejected, rejected_by_frame=counts[0], values_by_frame=counts[1]
    )


def _per_frame(given: NDArray[np.floating] | None, frames: int, default: float) -> NDArray[np.float32]:
    if given is None:
        return np.full(frames, default, dtype=np.float32)
    array = np.ascontiguousarray(given, dtype=np.float32)
    if array.shape != (frames,) or not np.isfinite(array).all():
        raise ValueError(f"weights, scales and offsets are one finite number for each of {frames} frames")
    return array


@lru_cache(maxsize=16)
def sorting_network(count: int) -> NDArray[np.int32]:
    """Return the comparisons (n, 2) of Batcher's odd-even merge sort for ``count`` values; a pair is put in order.

    The network of the next power of two, without the pairs that reach beyond the last value: those would hold the
    greatest of all and never move.

    Examples
    --------
    >>> sorting_network(4).tolist()
    [[0, 1], [2, 3], [0, 2], [1, 3], [1, 2]]
    """
    size = 1
    while size < count:
        size *= 2
    pairs = []
    p = 1
    while p < size:
        k = p
        while k >= 1:
            for j in range(k % p, size - k, 2 * k):
                for i in range(min(k, size - j - k)):
                    first, second = i + j, i + j + k
                    if first // (2 * p) == second // (2 * p) and second < count:
                        pairs.append((first, second))
            k //= 2
        p *= 2
    return np.array(pairs, dtype=np.int32).reshape(-1, 2)


def mean_noise(sigmas: NDArray[np.floating], weights: NDArray[np.floating]) -> float:
    """Return the noise of a weighted mean of independent values.

    sigma = sqrt(sum(w^2 sigma^2)) / sum(w)

    Examples
    --------
    >>> round(mean_noise(np.full(16, 2.0), np.ones(16)), 6)
    0.5
    """
    w, s = np.asarray(weights, dtype=np.float64), np.asarray(sigmas, dtype=np.float64)
    return float(np.sqrt(np.sum((w * s) ** 2)) / np.sum(w))


def effective_frames(weights: NDArray[np.floating]) -> float:
    """Return how many equal frames the weighted ones are worth.

    n = (sum w)^2 / sum(w^2)

    Examples
    --------
    >>> effective_frames(np.array([1.0, 1.0, 1.0, 0.0]))
    3.0
    """
    w = np.asarray(weights, dtype=np.float64)
    return float(np.sum(w) ** 2 / np.sum(w * w))


def flux_ratio(
    mine: NDArray[np.floating],
    theirs: NDArray[np.floating],
    my_error: NDArray[np.floating],
    their_error: NDArray[np.floating],
) -> float:
    """Return how many times as bright the same stars are in one frame as in another; 1 for fewer than three.

    r^2 = sum(w F^2) / sum(w G^2), w = 1 / (var F + r^2 var G + (0.02 F)^2), outliers beyond 4 sigma left out

    Parameters
    ----------
    mine, theirs, my_error, their_error : (n,)
        F and G with their errors; NaN is left out, and so are stars below 5 sigma.

    Notes
    -----
    The 2 % stand for what the noise of the sky does not cover: photons of the star, sampling, the flat.

    Examples
    --------
    >>> flux = np.array([1.0, 2.0, 5.0, 30.0])
    >>> round(flux_ratio(0.8 * flux, flux, 0.01 * flux, 0.01 * flux), 6)
    0.8
    """
    f, g, df, dg = (np.asarray(values, dtype=np.float64) for values in (mine, theirs, my_error, their_error))
    with np.errstate(invalid="ignore"):
        good = np.isfinite(f) & np.isfinite(g) & (f > _STAR_SIGMA * df) & (g > _STAR_SIGMA * dg)
    if good.sum() < 3:
        return 1.0
    f, g, df, dg = f[good], g[good], df[good], dg[good]
    ratio = float(np.median(f / g))
    for _ in range(_TURNS):
        sigma = np.sqrt(df**2 + (ratio * dg) ** 2 + (_STAR_SHARE * f) ** 2)
        apart = np.abs(f - ratio * g) / sigma
        used = apart < _OUTLIER_SIGMA * max(1.0, MAD_TO_SIGMA * float(np.median(apart)))
        w = used / sigma**2
        # squares of both, so that exchanging the frames gives the inverse
        ratio = float(np.sqrt(np.sum(w * f * f) / np.sum(w * g * g)))
    return ratio
