"""Figures of a plane: sky, noise at four scales, slope of the sky, saturation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, TypedDict

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA, difference_noise, interpolated_noise
from blend.base.rowblocks import map_row_blocks
from blend.base.shares import MOST_SLOPE
from blend.science.badpixels import local_noise
from blend.science.sharednoise import broad_noise, pixel_noise

SCALES = (1, 4, 16, 64)
"""Block sizes in pixels at which noise is measured."""


class Figures(TypedDict):
    """What `measure` tells of one plane; levels in its unit, NaN where there is nothing to measure."""

    sky: float
    """Mode of the pixels, which stars and a galaxy move least."""
    sky_position: float
    """Where the sky sits between 0 (or the least pixel, if negative) and saturation (or the greatest)."""
    noise: dict[int, float]
    """Block size in pixels to the standard deviation of block means."""
    saturation: float | None
    """Level at which pixels pile up; None where they do not."""
    slope: float
    """Peak to peak over the four corners of a plane fitted to the sky."""
    slope_percent: float
    """The slope in % of the sky; NaN where the sky is not above its noise, or so low that no light could slope so."""
    least: float
    greatest: float
    missing: float
    """Share of pixels that are NaN or invalid."""


def measure(
    pixels: NDArray[np.floating], planes: Sequence[str], *, invalid: NDArray[np.bool_] | None = None
) -> dict[str, Figures]:
    """Measure every plane of a picture as it came, before anything is done to it.

    Parameters
    ----------
    pixels : (planes, rows, columns)
        Not resampled, or the noise is told too low.
    planes : sequence of str
        Their names.
    invalid : (rows, columns) bool, optional
        True where pixels are not to be used, a border for example.

    Returns
    -------
    dict
        Name of the plane to its `Figures`.

    Notes
    -----
    One pass over all pixels for block means, extremes and NaN; sky and one-pixel noise come from fixed rows
    spread over the frame. Deterministic. 24 million pixels take about 0.3 s a plane on one core.
    """
    return {name: _measure_plane(plane, invalid) for name, plane in zip(planes, pixels, strict=True)}


def measure_noise(
    pixels: NDArray[np.floating], planes: Sequence[str], *, invalid: NDArray[np.bool_] | None = None
) -> dict[str, dict[int, float]]:
    """Measure the noise alone of every plane, as `measure` does: name to block size in pixels to sigma."""
    noise = {}
    for name, plane in zip(planes, pixels, strict=True):
        blocks, share, _, _, good = bin_by_four(plane, invalid)
        noise[name] = _noise(plane, invalid, blocks, share, good)
    return noise


def noise_over_areas(
    plane: NDArray[np.floating], *, invalid: NDArray[np.bool_] | None = None
) -> float | None:
    """Return the noise of one pixel as large areas show it, where pixels share their noise; None where they do not."""
    sigma = broad_noise(middle_rows(plane, invalid))
    return sigma if np.isfinite(sigma) else None


def _measure_plane(plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None) -> Figures:
    blocks, share, least, greatest, good = bin_by_four(plane, invalid)
    sample = sample_pixels(plane, invalid=invalid)
    sky = sky_mode(sample)
    noise = _noise(plane, invalid, blocks, share, good)
    saturation = saturation_level(plane, invalid=invalid)
    level = sky if sky > np.nan_to_num(noise[1]) else float("nan")
    slope = _slope(_coarsen(blocks, share, 4)[0] if min(blocks.shape) >= 24 else blocks, plane.shape)
    low = min(0.0, least)
    span = (greatest if saturation is None else saturation) - low
    return Figures(
        sky=sky,
        sky_position=(sky - low) / span if span > 0.0 else float("nan"),
        noise=noise,
        saturation=saturation,
        slope=slope,
        slope_percent=100.0 * slope / level if slope <= MOST_SLOPE * level else float("nan"),
        least=least,
        greatest=greatest,
        missing=1.0 - good / plane.size,
    )


def sample_pixels(
    plane: NDArray[np.floating], *, invalid: NDArray[np.bool_] | None = None, most: int = 500_000
) -> NDArray[np.float32]:
    """Return the finite pixels of whole rows spread evenly over a plane, about ``most`` of them; all of a
    small one.

    Examples
    --------
    >>> sample_pixels(np.arange(6.0).reshape(3, 2), most=2).tolist()
    [0.0, 1.0]
    """
    stride = max(1, -(-plane.size // most))
    rows = np.asarray(plane[::stride], dtype=np.float32)
    good = np.isfinite(rows)
    if invalid is not None:
        good &= ~invalid[::stride]
    return rows[good]


def sky_mode(values: NDArray[np.floating], *, kappa: float = 3.0) -> float:
    """Estimate the sky from pixels that hold objects as well.

    mode = 2.5 median - 1.5 mean, of the values left by clipping at 3 sigma about the median to convergence

    Parameters
    ----------
    values : (n,)
        Finite pixels.
    kappa : float
        Clipping limit in standard deviations.

    Returns
    -------
    float
        The median where mean and median are more than 0.3 standard deviations apart; NaN for no values.

    References
    ----------
    Bertin & Arnouts (1996), A&AS 117, 393; the rule for the median is that of
    ``photutils.SExtractorBackground``.

    Examples
    --------
    >>> round(sky_mode(np.array([10, 11, 11, 12, 12, 12, 13, 13, 14, 13.5])), 3)
    11.775
    """
    kept = np.sort(np.asarray(values, dtype=np.float64))
    if kept.size == 0:
        return float("nan")
    for _ in range(30):
        middle, spread = float(np.median(kept)), float(kept.std())
        first, last = np.searchsorted(kept, [middle - kappa * spread, middle + kappa * spread], side="left")
        last = max(int(last), int(np.searchsorted(kept, middle, side="right")))
        if last - first == kept.size or last - first < 3:
            break
        kept = kept[first:last]
    middle, mean, spread = float(np.median(kept)), float(kept.mean()), float(kept.std())
    if spread == 0.0 or abs(mean - middle) >= 0.3 * spread:
        return middle
    return 2.5 * middle - 1.5 * mean


def sky_spread(values: NDArray[np.floating], sky: float) -> float:
    """Return the standard deviation of the sky's pixels from those below it, where no object adds to them.

    Examples
    --------
    >>> values = np.random.default_rng(5).normal(1.0, 0.1, 20000)
    >>> round(sky_spread(np.append(values, np.full(4000, 3.0)), 1.0), 2)
    0.1
    """
    below = np.asarray(values)[values <= sky]
    return MAD_TO_SIGMA * float(np.median(sky - below.astype(np.float64))) if below.size else float("nan")


def saturation_level(
    plane: NDArray[np.floating],
    *,
    invalid: NDArray[np.bool_] | None = None,
    noise: NDArray[np.float32] | None = None,
) -> float | None:
    """Find the level at which the pixels of a plane pile up, measured and not taken from a header.

    Parameters
    ----------
    plane : (rows, columns)
        Before a flat is divided out, which spreads the level over the vignetting.
    invalid : (rows, columns) bool, optional
    noise : optional
        `local_noise` of the plane, if it is at hand.

    Returns
    -------
    float or None
        The lowest value of the pile: pixels at or above it are saturated. None where none piles up.

    Notes
    -----
    Looks in the upper half of the range above the sky. The number of pixels falls with brightness in any
    picture of stars; a bin of 1/400 of the range with at least 5 pixels, and 4 times plus 5 sigma more than
    the ten bins below it hold on average, is a pile unless half as many pixels stand above it. A stack's pile
    is a few bins wide.

    Examples
    --------
    >>> y, x = np.mgrid[:64, :64]
    >>> star = 3.0 * np.exp(-((x - 30) ** 2 + (y - 33) ** 2) / 40.0)
    >>> saturation_level(np.minimum(star, 1.0)), saturation_level(star)
    (1.0, None)
    """
    sample = sample_pixels(plane, invalid=invalid, most=200_000)
    if sample.size == 0:
        return None
    sky = sky_mode(sample)
    sigma = float(np.median(local_noise(plane) if noise is None else noise))
    bright = _pixels_above(plane, sky, invalid)
    if bright.size < 5:
        return None
    top = float(bright.max())
    if not top - sky > 20.0 * sigma:
        return None
    bottom = sky + 0.5 * (top - sky)
    # 200 bins over the upper half, ten more below it as the first bin's own background
    width = (top - bottom) / 200.0
    counts, edges = np.histogram(bright, bins=211, range=(bottom - 10.0 * width, top + width))
    return _lowest_of_pile(bright, counts, edges)


def greatest(plane: NDArray[np.floating], *, invalid: NDArray[np.bool_] | None = None) -> float:
    """Return the greatest finite pixel that may be used; minus infinity where there is none.

    Examples
    --------
    >>> greatest(np.array([[1.0, np.inf], [3.0, np.nan]]))
    3.0
    """

    def work(block: slice) -> float:
        part = plane[block]
        if invalid is None or not invalid[block].any():
            top = float(part.max())  # NaN passes through
            if np.isfinite(top):
                return top
        usable = np.isfinite(part) if invalid is None else np.isfinite(part) & ~invalid[block]
        return float(np.max(part, where=usable, initial=-np.inf))

    return max(map_row_blocks(work, plane.shape[0]))


def _pixels_above(
    plane: NDArray[np.floating], sky: float, invalid: NDArray[np.bool_] | None
) -> NDArray[np.float32]:
    """Return the pixels in the upper 55 % of the range above the sky, in the order of the rows."""
    limit = np.float32(sky + 0.45 * (greatest(plane, invalid=invalid) - sky))

    def above(block: slice) -> NDArray[np.float32]:
        part = np.asarray(plane[block], dtype=np.float32)
        usable = part >= limit
        if not usable.any():
            return part[:0, 0]
        usable &= np.isfinite(part)
        if invalid is not None:
            usable &= ~invalid[block]
        return part[usable]

    return np.concatenate(map_row_blocks(above, plane.shape[0]))


def _lowest_of_pile(
    bright: NDArray[np.float32], counts: NDArray[np.int64], edges: NDArray[np.float64]
) -> float | None:
    for place in range(counts.size - 1, 9, -1):
        below = float(counts[place - 10 : place].mean())
        if counts[place] < 5 or counts[place] < 4.0 * below + 5.0 * below**0.5:
            continue
        first = place
        while first > 10 and counts[first - 1] > 3.0 * max(1.0, float(counts[first - 10 : first - 1].mean())):
            first -= 1
        last = place
        while last + 1 < counts.size and counts[last + 1] > max(2.0, 3.0 * below):
            last += 1
        inside = bright[(bright >= edges[first]) & (bright <= edges[last + 1])]
        # hot pixels may stand above a pile, the rest of a star may not
        if 2 * int((bright > edges[last + 1]).sum()) > inside.size:
            return None
        return float(inside.min())
    return None


def bin_by_four(
    plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.float32], NDArray[np.float32], float, float, int]:
    """Return means of 4x4 blocks, the share of each that is usable, the extremes and the number of usable
    pixels.

    Parameters
    ----------
    plane : (rows, columns)
    invalid : (rows, columns) bool, optional

    Returns
    -------
    means, shares : (rows // 4, columns // 4) float32
        A block less than half usable has mean NaN.
    least, greatest : float
        NaN where no pixel is usable.
    good : int
    """
    pixels = np.ascontiguousarray(plane, dtype=np.float32)
    unused = np.zeros((1, 1), dtype=np.bool_) if invalid is None else invalid
    rows, columns = pixels.shape
    means = np.full((rows // 4, columns // 4), np.nan, dtype=np.float32)
    shares = np.zeros_like(means)

    def work(block: slice) -> tuple[float, float, int]:
        result: tuple[float, float, int] = _bin_rows(pixels, unused, means, shares, block.start, block.stop)
        return result

    parts = map_row_blocks(work, rows)
    good = sum(part[2] for part in parts)
    if good == 0:
        return means, shares, float("nan"), float("nan"), 0
    return means, shares, min(p[0] for p in parts), max(p[1] for p in parts), good


@kernel
def _bin_rows(
    pixels: Any, invalid: Any, means: Any, shares: Any, start: int, stop: int
) -> Any:  # pragma: no cover - compiled
    columns = pixels.shape[1]
    masked = invalid.shape[0] == pixels.shape[0] and invalid.shape[1] == columns
    least = np.float32(np.inf)
    greatest = np.float32(-np.inf)
    good = 0
    sums = np.zeros(columns // 4 + 1, dtype=np.float64)
    counts = np.zeros(columns // 4 + 1, dtype=np.int64)
    for y in range(start, stop):
        for x in range(columns):
            v = pixels[y, x]
            if np.isfinite(v) and not (masked and invalid[y, x]):
                least = min(least, v)
                greatest = max(greatest, v)
                sums[x >> 2] += v
                counts[x >> 2] += 1
        if y % 4 == 3 or y == stop - 1:
            for i in range(columns // 4 + 1):
                good += counts[i]
                if y % 4 == 3 and i < columns // 4:
                    shares[y >> 2, i] = counts[i] / 16.0
                    if counts[i] >= 8:
                        means[y >> 2, i] = sums[i] / counts[i]
                sums[i] = 0.0
                counts[i] = 0
    return least, greatest, good


def _coarsen(
    means: NDArray[np.floating], shares: NDArray[np.floating], size: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    rows, columns = means.shape[0] // size, means.shape[1] // size
    cut = (slice(rows * size), slice(columns * size))
    weight = np.where(np.isfinite(means[cut]), shares[cut], 0.0).reshape(rows, size, columns, size)
    value = np.nan_to_num(means[cut]).astype(np.float64).reshape(rows, size, columns, size)
    total = weight.sum(axis=(1, 3), dtype=np.float64)
    mean = (weight * value).sum(axis=(1, 3)) / np.maximum(total, 1e-9)
    share = total / (size * size)
    return np.where(share >= 0.5, mean, np.nan), share


def _noise(
    plane: NDArray[np.floating],
    invalid: NDArray[np.bool_] | None,
    blocks: NDArray[np.float32],
    shares: NDArray[np.float32],
    good: int,
) -> dict[int, float]:
    if plane.size <= 1 << 20:
        single = difference_noise(plane if invalid is None else np.where(invalid, np.float32(np.nan), plane))
    else:
        single = float(np.median(local_noise(plane, invalid=invalid)))
    shared = interpolated_noise(middle_rows(plane, invalid))
    if not np.isfinite(shared):
        shared = pixel_noise(middle_rows(plane, invalid))
    single = shared if np.isfinite(shared) else single
    result = {1: single if good else float("nan")}
    means: NDArray[np.floating] = blocks
    weights: NDArray[np.floating] = shares
    for size in SCALES[1:]:
        if size > 4:
            means, weights = _coarsen(means, weights, 4)
        result[size] = difference_noise(means) if min(means.shape) >= 6 else float("nan")
    return result


def middle_rows(
    plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None = None
) -> NDArray[np.floating]:
    """Return rows of the middle, at most half a million pixels: enough to tell the noise of a pixel to 1 %."""
    half = max(16, (1 << 18) // plane.shape[1])
    rows = slice(max(plane.shape[0] // 2 - half, 0), plane.shape[0] // 2 + half)
    return plane[rows] if invalid is None else np.where(invalid[rows], np.float32(np.nan), plane[rows])


def _slope(blocks: NDArray[np.floating], shape: tuple[int, ...]) -> float:
    """Return peak to peak over the frame of a plane fitted to block means, bright blocks clipped."""
    y, x = np.nonzero(np.isfinite(blocks))
    if y.size < 9:
        return float("nan")
    value = blocks[y, x].astype(np.float64)
    u, v = 2.0 * (x + 0.5) / blocks.shape[1] - 1.0, 2.0 * (y + 0.5) / blocks.shape[0] - 1.0
    design = np.stack([np.ones_like(u), u, v], axis=1)
    used = np.ones(value.size, dtype=np.bool_)
    for _ in range(12):
        rows = design[used]
        # einsum adds in one order on any number of threads
        normal, right = np.einsum("ni,nj->ij", rows, rows), np.einsum("ni,n->i", rows, value[used])
        fit = np.linalg.solve(normal + 1e-12 * np.eye(3), right)
        left = value - (fit[0] + fit[1] * u + fit[2] * v)
        middle = float(np.median(left[used]))
        # the scatter below the middle is sky alone; stars and the galaxy only add above it
        below = middle - left[used & (left <= middle)]
        spread = MAD_TO_SIGMA * float(np.median(below))
        keep = (left - middle < 2.5 * spread) & (left - middle > -4.0 * spread)
        if keep.sum() < 9 or (keep == used).all():
            break
        used = keep
    grid_rows, grid_columns = blocks.shape
    # from block centres to pixel centres at the corners of the frame
    reach_x = (shape[1] - 1.0) / shape[1] if grid_columns > 1 else 0.0
    reach_y = (shape[0] - 1.0) / shape[0] if grid_rows > 1 else 0.0
    return float(2.0 * (abs(fit[1]) * reach_x + abs(fit[2]) * reach_y))
