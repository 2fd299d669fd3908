"""Figures of a plane: sky, noise at four scales, slope of the sky, saturation."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypedDict

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import AnyPlane
from blend.base.robust import MAD_TO_SIGMA, median
from blend.base.rowblocks import map_row_blocks
from blend.base.shares import MOST_SLOPE
from blend.science.plane.noise import bin_by_four, coarser_blocks, local_noise, noise_of_blocks

SAMPLE, PILE_SAMPLE = 500_000, 200_000
"""Pixels that tell a sky to 0.2 % of their scatter, and one that only limits where piles are looked for."""

CLIP_SIGMA, CLIP_ROUNDS, SKEWED = 3.0, 30, 0.3
"""Where a sky is clipped, in standard deviations, and most rounds of it (chosen, not measured); and mean less median,
in sigma, from which the mode's formula does not hold (the rule of ``photutils.SExtractorBackground``)."""

PILE_BINS, BEFORE, FEWEST_PILED, PILE_SIGMA = 200, 10, 5, 20.0
"""Bins over the upper half of the range, those before each that tell its background, the fewest pixels of a pile, and
how far the range reaches over the sky's noise, or a pile is the sky's own (chosen, not measured)."""

_ROWS = 16
"""Rows at a time that stay in the processor's cache while they are looked at."""

HIGHER, SURER, GOES_ON, LEAST_ON = 4.0, 5.0, 3.0, 2.0
"""A pile holds so many times what the bins before it do, and so many of its standard errors more; a bin beside it
belongs to it from so many times on, and so many pixels (chosen, not measured)."""

SLOPE_LOW, SLOPE_HIGH, SLOPE_ROUNDS, FEWEST_BLOCKS, MANY_BLOCKS = -4.0, 2.5, 12, 9, 24
"""Blocks of a slope's fit are kept between, in sigma: light only adds. Its rounds; three blocks a term; and sides from
which means over 16 px do instead of 4 (chosen, not measured)."""


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


def _measure_plane(plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None) -> Figures:
    blocks, share, good = bin_by_four(plane, invalid)
    least, most = (
        (-greatest(-plane, invalid=invalid), greatest(plane, invalid=invalid)) if good else (np.nan, np.nan)
    )
    sample = sample_pixels(plane, invalid=invalid)
    sky = sky_mode(sample)
    noise, _ = noise_of_blocks(plane, invalid, blocks, share, good)
    saturation = saturation_level(plane, invalid=invalid)
    level = sky if sky > np.nan_to_num(noise[1]) else float("nan")
    slope = _slope(
        coarser_blocks(blocks, share, 4)[0] if min(blocks.shape) >= MANY_BLOCKS else blocks, plane.shape
    )
    low = min(0.0, least)
    span = (most if saturation is None else saturation) - low
    return Figures(
        sky=sky,
        sky_position=(sky - low) / span if span > 0.0 else float("nan"),
        noise=noise,
        saturation=saturation,
        slope=slope,
        slope_percent=100.0 * slope / level if slope <= MOST_SLOPE * level else float("nan"),
        least=least,
        greatest=most,
        missing=1.0 - good / plane.size,
    )


def sample_pixels(
    plane: AnyPlane, *, invalid: NDArray[np.bool_] | None = None, most: int = SAMPLE
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


def sky_mode(values: NDArray[np.floating]) -> float:
    """Estimate the sky from pixels that hold objects as well.

    mode = 2.5 median - 1.5 mean, of the values left by clipping at 3 sigma about the median to convergence

    Parameters
    ----------
    values : (n,)
        Finite pixels.

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
    kept = np.asarray(values)
    if kept.size == 0:
        return float("nan")
    # who asks for more of a sample than its sky has it by size already
    kept = (kept if (kept[1:] >= kept[:-1]).all() else np.sort(kept)).astype(np.float64)
    for _ in range(CLIP_ROUNDS):
        middle, spread = _middle(kept), float(kept.std())
        first, last = np.searchsorted(
            kept, [middle - CLIP_SIGMA * spread, middle + CLIP_SIGMA * spread], side="left"
        )
        last = max(int(last), int(np.searchsorted(kept, middle, side="right")))
        if last - first == kept.size or last - first < 3:
            break
        kept = kept[first:last]
    middle, mean, spread = _middle(kept), float(kept.mean()), float(kept.std())
    if spread == 0.0 or abs(mean - middle) >= SKEWED * spread:
        return middle
    return 2.5 * middle - 1.5 * mean


def _middle(ordered: NDArray[np.float64]) -> float:
    return float((ordered[(ordered.size - 1) // 2] + ordered[ordered.size // 2]) / 2)


def sky_spread(values: NDArray[np.floating], sky: float) -> float:
    """Return the standard deviation of the sky's pixels from those below it, where no object adds to them.

    Examples
    --------
    >>> values = np.random.default_rng(5).normal(1.0, 0.1, 20000)
    >>> round(sky_spread(np.append(values, np.full(4000, 3.0)), 1.0), 2)
    0.1
    """
    below = np.asarray(values)[values <= sky]
    return MAD_TO_SIGMA * median(sky - below.astype(np.float64)) if below.size else float("nan")


def saturation_level(
    plane: AnyPlane,
    *,
    invalid: NDArray[np.bool_] | None = None,
    noise: NDArray[np.float32] | None = None,
    sample: NDArray[np.float32] | None = None,
) -> float | None:
    """Find the level at which the pixels of a plane pile up, measured and not taken from a header.

    Parameters
    ----------
    plane : (rows, columns)
        Before a flat is divided out, which spreads the level over the vignetting.
    invalid : (rows, columns) bool, optional
    noise, sample : optional
        `local_noise` of the plane and its `sample_pixels`, if they are at hand.

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
    sample = sample_pixels(plane, invalid=invalid, most=PILE_SAMPLE) if sample is None else sample
    if sample.size == 0:
        return None
    sky = sky_mode(sample)
    sigma = median(local_noise(plane) if noise is None else noise)
    bright = _pixels_above(plane, sky, float(sample.max()), invalid)
    if bright.size < FEWEST_PILED:
        return None
    top = float(bright.max())
    if not top - sky > PILE_SIGMA * sigma:
        return None
    bottom = sky + 0.5 * (top - sky)
    # and bins below the upper half, as the first bin's own background, and one for the top itself
    width = (top - bottom) / PILE_BINS
    bins = PILE_BINS + BEFORE + 1
    counts, edges = np.histogram(bright, bins=bins, range=(bottom - BEFORE * width, top + width))
    return _lowest_of_pile(bright, counts, edges)


def greatest(plane: AnyPlane, *, invalid: NDArray[np.bool_] | None = None) -> float:
    """Return the greatest finite pixel that may be used; minus infinity where there is none.

    Examples
    --------
    >>> greatest(np.array([[1.0, np.inf], [3.0, np.nan]]))
    3.0
    """

    def measure_rows(block: slice) -> float:
        part = plane[block]
        if invalid is None or not invalid[block].any():
            top = float(part.max())  # NaN passes through
            if np.isfinite(top):
                return top
        usable = np.isfinite(part) if invalid is None else np.isfinite(part) & ~invalid[block]
        return float(np.max(part, where=usable, initial=-np.inf))

    return max(map_row_blocks(measure_rows, plane.shape[0]))


def _pixels_above(
    plane: AnyPlane, sky: float, top: float, invalid: NDArray[np.bool_] | None
) -> NDArray[np.float32]:
    """Return the pixels in the upper 55 % of the range above the sky, in the order of the rows.

    ``top`` is one of the pixels: those above the limit it gives hold all that are wanted, and the greatest of all.
    """
    # 0.45: the upper half and the bins below it
    first = np.float32(sky + 0.45 * (top - sky))

    def above(block: slice) -> NDArray[np.float32]:
        part = np.asarray(plane[block], dtype=np.float32)
        usable = part >= first
        if not usable.any():
            return part[:0, 0]
        usable &= np.isfinite(part)
        if invalid is not None:
            usable &= ~invalid[block]
        return part[usable]

    found = np.concatenate(map_row_blocks(above, plane.shape[0], height=_ROWS))
    return found[found >= np.float32(sky + 0.45 * (float(found.max(initial=top)) - sky))]


def _lowest_of_pile(
    bright: NDArray[np.float32], counts: NDArray[np.int64], edges: NDArray[np.float64]
) -> float | None:
    for place in range(counts.size - 1, BEFORE - 1, -1):
        below = float(counts[place - BEFORE : place].mean())
        if counts[place] < FEWEST_PILED or counts[place] < HIGHER * below + SURER * below**0.5:
            continue
        first = place
        while first > BEFORE and counts[first - 1] > GOES_ON * max(
            1.0, float(counts[first - BEFORE : first - 1].mean())
        ):
            first -= 1
        last = place
        while last + 1 < counts.size and counts[last + 1] > max(LEAST_ON, GOES_ON * below):
            last += 1
        inside = bright[(bright >= edges[first]) & (bright <= edges[last + 1])]
        # hot pixels may stand above a pile, the rest of a star may not
        if 2 * int((bright > edges[last + 1]).sum()) > inside.size:
            return None
        return float(inside.min())
    return None


def _slope(blocks: NDArray[np.floating], shape: tuple[int, ...]) -> float:
    """Return peak to peak over the frame of a plane fitted to block means, bright blocks clipped."""
    y, x = np.nonzero(np.isfinite(blocks))
    if y.size < FEWEST_BLOCKS:
        return float("nan")
    value = blocks[y, x].astype(np.float64)
    u, v = 2.0 * (x + 0.5) / blocks.shape[1] - 1.0, 2.0 * (y + 0.5) / blocks.shape[0] - 1.0
    design = np.stack([np.ones_like(u), u, v], axis=1)
    used = np.ones(value.size, dtype=np.bool_)
    for _ in range(SLOPE_ROUNDS):
        rows = design[used]
        # einsum adds in one order on any number of threads
        normal, right = np.einsum("ni,nj->ij", rows, rows), np.einsum("ni,n->i", rows, value[used])
        fit = np.linalg.solve(normal + 1e-12 * np.eye(3), right)
        left = value - (fit[0] + fit[1] * u + fit[2] * v)
        middle = median(left[used])
        # the scatter below the middle is sky alone; stars and the galaxy only add above it
        below = middle - left[used & (left <= middle)]
        spread = MAD_TO_SIGMA * median(below)
        keep = (left - middle < SLOPE_HIGH * spread) & (left - middle > SLOPE_LOW * spread)
        if keep.sum() < FEWEST_BLOCKS or (keep == used).all():
            break
        used = keep
    grid_rows, grid_columns = blocks.shape
    # from block centres to pixel centres at the corners of the frame
    reach_x = (shape[1] - 1.0) / shape[1] if grid_columns > 1 else 0.0
    reach_y = (shape[0] - 1.0) / shape[0] if grid_rows > 1 else 0.0
    return float(2.0 * (abs(fit[1]) * reach_x + abs(fit[2]) * reach_y))
