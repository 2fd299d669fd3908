"""Combine frames pixel by pixel: mean, median, sigma-clipped mean, winsorised mean.

A tile holds the same rows of every frame. Each value is first brought to a common level, v = scale x + offset; then
the values of a pixel are sorted, limits are found, and the mean is taken over the values themselves with the frames'
weights. NaN is no value. Every pixel is computed alone, so tiles and threads change no bit of the result.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA, converged_clip_factor
from blend.base.rowblocks import map_row_blocks

METHODS = ("mean", "median", "clip", "winsorised")
MOST_FRAMES = 4096

Method = Literal["mean", "median", "clip", "winsorised"]

_CODES = {"mean": 0, "median": 1, "clip": 2, "winsorised": 3}
_WIDE = 128
"""Pixels sorted side by side: 40 frames of them are 20 KiB, in a core's first-level cache."""

_ROWS = 8
"""Rows a thread takes at a time."""


@dataclass(frozen=True, kw_only=True)
class Rule:
    """How the values of one pixel become one.

    Attributes
    ----------
    method : "mean", "median", "clip" or "winsorised"
    kappa_low, kappa_high : float
        clip: limits below and above the median, in standard deviations.
    spread : "robust" or "std"
        clip: std takes the standard deviation of the values that are still in. Three of 20 frames with one satellite
        move it so far that nothing is clipped. robust begins with 1.4826 times the median absolute deviation, which
        they do not move, then takes the standard deviation of what that left, freed of the clipping's own bias, and
        lets values back in: the first number alone is so uncertain for 20 values that it costs 7 % in noise.
    rounds : int
        clip: most rounds.
    least_sigma : float
        clip: the standard deviation counts as no less than this, after scaling. Whole numbers that nearly all agree
        would otherwise lose every value but one.
    share : float
        winsorised: this share of the values at either end is replaced by the nearest value that is left, 0 to 0.5.
    """

    method: Method = "clip"
    kappa_low: float = 3.0
    kappa_high: float = 3.0
    spread: Literal["robust", "std"] = "robust"
    rounds: int = 5
    least_sigma: float = 0.0
    share: float = 0.1


@dataclass(frozen=True, kw_only=True, eq=False)
class Combined:
    """One tile, combined.

    Attributes
    ----------
    values : (rows, columns) float32
        NaN where no frame holds a value.
    kept : (rows, columns) uint16
        Values that were used as they are.
    rejected : (rows, columns) uint16
        Values that were clipped, or replaced.
    rejected_by_frame : (frames,) int64
    values_by_frame : (frames,) int64
        How many values each frame had.
    """

    values: NDArray[np.float32]
    kept: NDArray[np.uint16]
    rejected: NDArray[np.uint16]
    rejected_by_frame: NDArray[np.int64]
    values_by_frame: NDArray[np.int64]


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
    Sorting is a network of comparisons that 64 pixels run through side by side. 40 frames of 24 Mpx take some seconds
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
            converged_clip_factor(max(1.5, min(rule.kappa_low, rule.kappa_high))),
        ]
    )
    network = sorting_network(frames)

    def work(block: slice) -> NDArray[np.int64]:
        counts = np.zeros((2, frames), dtype=np.int64)
        _combine_rows(
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
        np.sum(map_row_blocks(work, rows, height=_ROWS), axis=0) if rows else np.zeros((2, frames), np.int64)
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
        good = np.isfinite(f) & np.isfinite(g) & (f > 5.0 * df) & (g > 5.0 * dg)
    if good.sum() < 3:
        return 1.0
    f, g, df, dg = f[good], g[good], df[good], dg[good]
    ratio = float(np.median(f / g))
    for _ in range(5):
        sigma = np.sqrt(df**2 + (ratio * dg) ** 2 + (0.02 * f) ** 2)
        apart = np.abs(f - ratio * g) / sigma
        used = apart < 4.0 * max(1.0, MAD_TO_SIGMA * float(np.median(apart)))
        w = used / sigma**2
        # squares of both, so that exchanging the frames gives the inverse
        ratio = float(np.sqrt(np.sum(w * f * f) / np.sum(w * g * g)))
    return ratio


@kernel
def _combine_rows(
    tile: Any,
    weights: Any,
    scales: Any,
    offsets: Any,
    settings: Any,
    network: Any,
    values: Any,
    kept: Any,
    rejected: Any,
    counts: Any,
    start: int,
    stop: int,
) -> None:  # pragma: no cover - compiled
    frames, _, columns = tile.shape
    kappa_low, kappa_high, floor, share = settings[0], settings[1], settings[2], settings[3]
    rounds, method, robust, left_of_sigma = int(settings[4]), int(settings[5]), settings[6] > 0.5, settings[7]
    wide = _WIDE
    # constants of the arrays' own width: a float64 one would widen the whole loop
    beyond, greatest = np.float32(np.inf), np.float32(3.4028235e38)
    raw = np.full((frames, wide), beyond)
    ranked = np.empty((frames, wide), dtype=np.float32)
    # the bits of floats as whole numbers of the same order: compilers order those side by side, floats one by one
    keys, sign_bit, others = ranked.view(np.int32), np.int32(31), np.int32(0x7FFFFFFF)
    found = np.empty(wide, dtype=np.int32)
    outside = np.empty(wide, dtype=np.int32)
    first = np.empty(wide, dtype=np.int32)
    last = np.empty(wide, dtype=np.int32)
    going = np.empty(wide, dtype=np.bool_)
    low = np.empty(wide, dtype=np.float32)
    high = np.empty(wide, dtype=np.float32)
    total = np.empty(wide, dtype=np.float64)
    weight = np.empty(wide, dtype=np.float64)
    pivot = np.empty(wide, dtype=np.float64)
    sigmas = np.empty(wide, dtype=np.float64)
    for y in range(start, stop):
        for left in range(0, columns, wide):
            count = min(wide, columns - left)
            found[:] = 0
            outside[:] = 0
            low[:] = -greatest
            high[:] = greatest
            for n in range(frames):
                a, b = scales[n], offsets[n]
                for w in range(count):
                    v = a * tile[n, y, left + w] + b
                    v = v if abs(v) <= greatest else beyond
                    raw[n, w] = v
                    found[w] += np.int32(v <= greatest)
                for w in range(count, wide):
                    raw[n, w] = beyond
            if method != 0:
                ranked[:] = raw
                for n in range(frames):
                    for w in range(wide):
                        bits = keys[n, w]
                        keys[n, w] = bits ^ ((bits >> sign_bit) & others)
                for k in range(network.shape[0]):
                    # unsigned: no test for places counted from the end
                    one, two = np.uint32(network[k, 0]), np.uint32(network[k, 1])
                    for w in range(wide):
                        up, down = keys[one, w], keys[two, w]
                        keys[one, w] = min(up, down)
                        keys[two, w] = max(up, down)
                for n in range(frames):
                    for w in range(wide):
                        bits = keys[n, w]
                        keys[n, w] = bits ^ ((bits >> sign_bit) & others)
            if method == 3:
                for w in range(count):
                    m = found[w]
                    if m > 0:
                        end = min(int(share * m), (m - 1) // 2)
                        low[w], high[w] = ranked[end, w], ranked[m - end - 1, w]
            if method == 2:
                first[:] = 0
                last[:] = found
                going[:] = found >= 3
                for turn in range(rounds):
                    summed = turn > 0 or not robust
                    active = 0
                    for w in range(count):
                        size = last[w] - first[w]
                        going[w] = going[w] and size >= 3
                        if not going[w]:
                            continue
                        active += 1
                        below, above = first[w] + (size - 1) // 2, first[w] + size // 2
                        middle = 0.5 * (np.float64(ranked[below, w]) + np.float64(ranked[above, w]))
                        pivot[w] = middle
                        if not robust or turn > 0:
                            continue
                        # The deviations below and above the median are two rising lists; of their ``need``
                        # smallest, ``part`` are below. Halving finds it: each list's next is no less than
                        # the other's last.
                        need = size // 2 + 1
                        fewest = max(0, need - (last[w] - below - 1))
                        part = min(need, below - first[w] + 1)
                        while fewest < part:
                            try_part = (fewest + part) // 2
                            down = middle - ranked[below - try_part, w]
                            up = ranked[below + need - try_part, w] - middle
                            if down < up:
                                fewest = try_part + 1
                            else:
                                part = try_part
                        down = middle - ranked[below - part + 1, w] if part > 0 else -1.0
                        up = ranked[below + need - part, w] - middle if part < need else -1.0
                        deviation = max(down, up)
                        if size % 2 == 0:
                            if down > up:
                                down = middle - ranked[below - part + 2, w] if part > 1 else -1.0
                            else:
                                up = ranked[below + need - part - 1, w] - middle if part < need - 1 else -1.0
                            deviation = 0.5 * (deviation + max(down, up))
                        sigmas[w] = MAD_TO_SIGMA * deviation * size / (size - 0.8)
                        summed = summed or sigmas[w] == 0.0
                    if active == 0:
                        break
                    if summed:
                        # sums about the median, all pixels side by side
                        total[:] = 0.0
                        weight[:] = 0.0
                        for n in range(frames):
                            place = np.int32(n)
                            for w in range(wide):
                                apart = np.float64(ranked[n, w]) - pivot[w]
                                apart = apart if (place >= first[w]) & (place < last[w]) else 0.0
                                total[w] += apart
                                weight[w] += apart * apart
                    for w in range(count):
                        if not going[w]:
                            continue
                        size = last[w] - first[w]
                        sigma = sigmas[w]
                        if turn > 0 or not robust or sigma == 0.0:
                            mean = total[w] / size
                            sigma = np.sqrt(max(weight[w] / size - mean * mean, 0.0))
                            if robust and turn > 0:
                                sigma *= np.sqrt(size / (size - 1.0)) / left_of_sigma
                        sigma = max(sigma, floor)
                        least, most = pivot[w] - kappa_low * sigma, pivot[w] + kappa_high * sigma
                        new_first, new_last = (0, found[w]) if robust else (first[w], last[w])
                        while ranked[new_first, w] < least:
                            new_first += 1
                        while ranked[new_last - 1, w] > most:
                            new_last -= 1
                        going[w] = new_first != first[w] or new_last != last[w]
                        first[w], last[w] = new_first, new_last
                for w in range(count):
                    if found[w] > 0:
                        low[w], high[w] = ranked[first[w], w], ranked[last[w] - 1, w]
            total[:] = 0.0
            weight[:] = 0.0
            for n in range(frames):
                share_of = np.float64(weights[n])
                valid, lost = np.int32(0), np.int32(0)
                for w in range(count):
                    v = raw[n, w]
                    good = v <= greatest
                    inside = (low[w] <= v) & (v <= high[w])
                    valid += np.int32(good)
                    out = np.int32(good & ~inside)
                    lost += out
                    outside[w] += out
                    bounded = v if v > low[w] else low[w]
                    bounded = bounded if bounded < high[w] else high[w]
                    use = share_of if (good if method == 3 else inside) else 0.0
                    weight[w] += use
                    total[w] += use * bounded
                counts[0, n] += lost
                counts[1, n] += valid
            for w in range(count):
                m = found[w]
                kept[y, left + w], rejected[y, left + w] = m - outside[w], outside[w]
                if method == 1:
                    middle = 0.5 * (np.float64(ranked[(m - 1) // 2, w]) + np.float64(ranked[m // 2, w]))
                    values[y, left + w] = middle if m > 0 else np.nan
                else:
                    values[y, left + w] = total[w] / weight[w] if weight[w] > 0.0 else np.nan
