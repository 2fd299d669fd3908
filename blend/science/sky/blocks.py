"""Robust sky values of the blocks of a plane, and the Chebyshev terms that are fitted to them.

A block's value is Huber's M-estimate of its bins after clipping at three standard deviations, so that a star in it
hardly counts, and noise moves it by a sixth less than it moves their median. Bins are plain means of few pixels, which
keep all faint light: the search for objects uses them, too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.blocksums import block_means
from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA, MEDIAN_ERROR
from blend.base.rowblocks import map_row_blocks

WANTED_BINS = 120_000
LARGEST_BIN = 8
"""Most pixels across a bin: with larger ones every star would mask more sky, and hide more of its light in a bin."""

LEAST_SHARE_OF_BLOCK = 0.1
"""Share of a block that must be usable for its value to count as sky."""

CLIP_SIGMA = 3.0
"""Pixels further from the median, in standard deviations, do not count at all: stars."""
HUBER_LIMIT = 1.0
"""Pixels further from the sky than this, in standard deviations, count as if they lay there."""
HUBER_ERROR = 1.0523
"""Error of a Gaussian sample's M-estimate with that limit over that of its mean; a median's would be 1.2533."""
HUBER_LIFT = 1.17
"""How far faint light lifts that estimate, over how far it lifts a median: 1.46 f sigma over 1.25 f sigma."""
SURE_SKEW = 2.0
"""From how many of its standard deviations on the skew of the blocks is taken for light."""
HUBER_STEPS = 2
"""Newton steps from the median: what is left after them is below a hundredth of the block's error."""


@dataclass(frozen=True, eq=False)
class SkyBlocks:
    """Robust statistics of the blocks of one plane."""

    size_px: int  # side of a block
    grid: tuple[int, int]  # (rows, columns); blocks down and across; every array below is flat, row by row
    # (n, 2) float64; where the usable pixels lie on the mean; the centre of a block of which less than a tenth is
    # usable
    xy: NDArray[np.float64]
    # values and errors: (n,) float64; M-estimate of the usable pixels and its standard error; NaN where too few
    # are usable
    values: NDArray[np.float64]
    errors: NDArray[np.float64]
    # (n,) float64; median of all finite pixels, usable or not: what the objects look like at this scale
    light: NDArray[np.float64]
    share: NDArray[np.float64]  # (n,) float64; usable pixels over pixels of the block, 0 to 1
    # (n,) float64; mean minus median of the pixels left by the clip: 0 for noise, above 0 where faint stars shine
    skew: NDArray[np.float64]


def term_powers(degree: int) -> list[tuple[int, int]]:
    """Return the pairs (i, j) of T_i(u) T_j(v) with i + j <= degree, lowest total degree first.

    Examples
    --------
    >>> term_powers(2)
    [(0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2)]
    """
    return [(total - j, j) for total in range(degree + 1) for j in range(total + 1)]


def degree_of(count: int) -> int:
    """Return the degree of a surface with so many terms."""
    return next(degree for degree in range(9) if len(term_powers(degree)) == count)


def resized(terms: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Return terms, the last axis, cut or filled up with 0 to a count."""
    out = np.zeros((*terms.shape[:-1], count))
    out[..., : terms.shape[-1]] = terms[..., :count]
    return out


def unit_coordinates(xy: NDArray[np.floating], shape: tuple[int, int]) -> tuple[NDArray[np.float64], ...]:
    """Map pixel points (n, 2) to (u, v): -1 at the first pixel's centre, +1 at the last one's."""
    rows, columns = shape
    points = np.asarray(xy, dtype=np.float64)
    return unit_axis(points[:, 0], columns), unit_axis(points[:, 1], rows)


def unit_axis(places: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Map places along one axis of ``count`` pixels to -1 at the first pixel's centre, +1 at the last one's."""
    return 2.0 * places / max(count - 1, 1) - 1.0


def chebyshev_terms(u: NDArray[np.floating], v: NDArray[np.floating], *, degree: int) -> NDArray[np.float64]:
    """Return T_i(u) T_j(v) for every pair of `term_powers`, one column a pair.

    T_0 = 1, T_1(x) = x, T_n+1(x) = 2 x T_n(x) - T_n-1(x).

    Parameters
    ----------
    u, v : (n,)
        Coordinates in -1..1.
    degree : int
        Highest total degree, 0 or more.

    Returns
    -------
    (n, (degree + 1)(degree + 2) / 2) float64

    Examples
    --------
    >>> chebyshev_terms(np.array([0.5]), np.array([0.0]), degree=2)
    array([[ 1. ,  0.5,  0. , -0.5,  0. , -1. ]])
    """
    t_u = np.polynomial.chebyshev.chebvander(np.asarray(u, dtype=np.float64), degree)
    t_v = np.polynomial.chebyshev.chebvander(np.asarray(v, dtype=np.float64), degree)
    return np.stack([t_u[:, i] * t_v[:, j] for i, j in term_powers(degree)], axis=1)


def chebyshev_surface(
    answer: NDArray[np.float64], u: NDArray[np.floating], v: NDArray[np.floating], *, degree: int
) -> NDArray[np.float64]:
    """Return the sum of coefficients times the terms of `chebyshev_terms` on a grid of (v, u), one line at a time.

    Parameters
    ----------
    answer : (k,)
    u : (columns,)
    v : (rows,)
    degree : int

    Examples
    --------
    >>> chebyshev_surface(np.array([1.0, 0.5, 0.0]), np.array([-1.0, 1.0]), np.array([0.0]), degree=1)
    array([[0.5, 1.5]])
    """
    t_u = np.polynomial.chebyshev.chebvander(np.asarray(u, dtype=np.float64), degree)
    t_v = np.polynomial.chebyshev.chebvander(np.asarray(v, dtype=np.float64), degree)
    surface: NDArray[np.float64] = np.zeros((t_v.shape[0], t_u.shape[0]))
    for j in range(degree + 1):
        along = np.zeros(t_u.shape[0])
        for value, (i, power) in zip(answer, term_powers(degree), strict=True):
            if power == j:
                along += value * t_u[:, i]
        np.add(surface, t_v[:, j, None] * along, out=surface)
    return surface


def block_size(shape: tuple[int, int], *, blocks: int = 1200, least: int = 8) -> int:
    """Return the side, in pixels, of the blocks that cut a frame into about ``blocks`` of them.

    Examples
    --------
    >>> block_size((4000, 6000)), block_size((1000, 1000)), block_size((64, 64))
    (141, 29, 8)
    """
    return max(least, round(float(np.sqrt(shape[0] * shape[1] / blocks))))


def bin_size(shape: tuple[int, int]) -> int:
    """Return the side, in pixels, of the bins the search for objects works on.

    Examples
    --------
    >>> bin_size((4000, 6000)), bin_size((900, 1350)), bin_size((200, 300))
    (7, 3, 1)
    """
    size = max(1, round(float(np.sqrt(shape[0] * shape[1] / WANTED_BINS))))
    # Halved, so that the largest groups of bins stay what they are.
    while size > LARGEST_BIN:
        size //= 2
    return size


def bin_light(
    plane: NDArray[np.float32], *, size: int, invalid: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """Return means of ``size`` x ``size`` bins, the last ones narrower; NaN where less than half is valid.

    Parameters
    ----------
    plane : (rows, columns)
    size : int
        Side of a bin in pixels.
    invalid : (rows, columns) bool, optional
        True where a pixel must not be used. Pixels that are not finite never are.
    """
    return block_means(plane, size, least=0.5, invalid=invalid)


def small_bins(plane: NDArray[np.float32]) -> NDArray[np.float64]:
    """Return `bin_light` of a whole plane, in bins of `bin_size`."""
    return bin_light(plane, size=bin_size((plane.shape[0], plane.shape[1])))


def sky_blocks(
    plane: NDArray[np.float32], light: NDArray[np.float64], *, unusable: NDArray[np.bool_] | None = None
) -> SkyBlocks:
    """Measure a plane in some 1200 blocks of `small_bins`, its ``light``, as `measure_blocks` does those of pixels."""
    size = bin_size((plane.shape[0], plane.shape[1]))
    seen = bin_light(plane, size=size, invalid=unusable)
    bins = np.where(np.isfinite(seen), seen, light).astype(np.float32)
    shape = (int(bins.shape[0]), int(bins.shape[1]))
    blocks = measure_blocks(bins, size=block_size(shape), unusable=~np.isfinite(seen))
    return replace(blocks, size_px=size * blocks.size_px, xy=size * blocks.xy + 0.5 * (size - 1))


def measure_blocks(
    plane: NDArray[np.float32], *, size: int, unusable: NDArray[np.bool_] | None = None
) -> SkyBlocks:
    """Measure the sky in every block of a plane.

    The value m solves sum of max(-c, min(c, x - m)) = 0 with c = 1 sigma over the x with |x - median| <= 3
    1.4826 MAD, error = 1.0523 sigma / sqrt(n). Both limits are symmetric, so the value of Gaussian noise has no bias; a
    share f of pixels with positive light moves it by about 1.46 f sigma at most, where a median would move by 1.25 f
    sigma and a mean without limit.

    Parameters
    ----------
    plane : (rows, columns) float32
    size : int
        Side of a block in pixels.
    unusable : (rows, columns) bool, optional
        True on objects and on pixels without data.

    References
    ----------
    Huber (1964), Annals of Mathematical Statistics 35, 73; from memory. Error and bias follow from its influence
    function.
    """
    rows, columns = plane.shape
    down, across = max(1, round(rows / size)), max(1, round(columns / size))
    edges_y = np.linspace(0, rows, down + 1).round().astype(np.int64)
    edges_x = np.linspace(0, columns, across + 1).round().astype(np.int64)
    table = np.empty((down, across, 7), dtype=np.float64)
    has_skip = unusable is not None
    skip = np.asarray(unusable if has_skip else [[False]], dtype=np.bool_)

    most = int(np.diff(edges_y).max() * np.diff(edges_x).max())

    def fill_rows(rows_of_blocks: slice) -> None:
        room = np.empty((3, most), dtype=np.float32)
        for j in range(rows_of_blocks.start, rows_of_blocks.stop):
            _measure_row(
                plane, skip, has_skip, edges_y[j], edges_y[j + 1], edges_x, CLIP_SIGMA, room, table[j]
            )

    map_row_blocks(fill_rows, down, height=1)
    x = 0.5 * (edges_x[:-1] + edges_x[1:] - 1)
    y = 0.5 * (edges_y[:-1] + edges_y[1:] - 1)
    centres = np.stack([np.tile(x, down), np.repeat(y, across)], axis=1)
    flat = table.reshape(-1, 7)
    # Half a block under a mask has its value where the other half is: a steep sky shows the difference.
    xy = np.where(flat[:, 3, None] >= LEAST_SHARE_OF_BLOCK, flat[:, 5:], centres)
    return SkyBlocks(size, (down, across), xy, *flat[:, :5].T)


def usable_blocks(blocks: SkyBlocks) -> NDArray[np.bool_]:
    """Return the blocks with enough usable pixels for a value."""
    return np.asarray(np.isfinite(blocks.values) & (blocks.share >= LEAST_SHARE_OF_BLOCK))


def faint_light_doubt(blocks: SkyBlocks, used: NDArray[np.bool_]) -> float:
    """Return how far stars too faint to be told from sky may lift the level: median - mode = 2 (mean - median).

    A block's value is lifted by `HUBER_LIFT` of what its median is. What noise alone makes of the blocks' mean minus
    median, at `SURE_SKEW` standard deviations, is taken off, squared: with one, noise alone would raise the stated
    error of a level by an eighth.
    """
    skew = blocks.skew[used]
    skew = skew[np.isfinite(skew)]
    if not skew.size:
        return 0.0
    middle = float(np.median(skew))
    noise = MEDIAN_ERROR * MAD_TO_SIGMA * float(np.median(np.abs(skew - middle))) / np.sqrt(skew.size)
    return float(2.0 * HUBER_LIFT * np.sqrt(max(0.0, max(0.0, middle) ** 2 - (SURE_SKEW * noise) ** 2)))


@kernel
def _measure_row(plane, skip, has_skip, y0, y1, edges_x, kappa, room, out):  # type: ignore[no-untyped-def]
    usable, light, kept = room[0], room[1], room[2]
    for c in range(out.shape[0]):
        n_usable = n_light = 0
        sum_x = sum_y = 0.0
        for y in range(y0, y1):
            for x in range(edges_x[c], edges_x[c + 1]):
                value = plane[y, x]
                if value - value == 0.0:
                    light[n_light] = value
                    n_light += 1
                    if not (has_skip and skip[y, x]):
                        usable[n_usable] = value
                        n_usable += 1
                        sum_x += x
                        sum_y += y
        n_seen = (y1 - y0) * (edges_x[c + 1] - edges_x[c])
        thin = max(1, n_usable // 1024)
        middle = middle_of_light = sigma = np.nan
        # The medians of what is usable, of all light, and of a thousand distances from the first, by Hoare's selection:
        # `np.median` takes longer to compile than all else here.
        for turn in range(3):
            count = n_usable if turn == 0 else n_light if turn == 1 else (n_usable + thin - 1) // thin
            # Where nothing is masked, the first two are of one sample.
            if count == 0 or (turn == 1 and n_light == n_usable):
                continue
            for k in range(count):
                if turn == 2:
                    kept[k] = abs(usable[k * thin] - np.float32(middle))
                else:
                    kept[k] = light[k] if turn else usable[k]
            half, low, high = count // 2, 0, count - 1
            while low < high:
                pivot, i, j = kept[half], low, high
                while i <= j:
                    while kept[i] < pivot:
                        i += 1
                    while kept[j] > pivot:
                        j -= 1
                    if i <= j:
                        kept[i], kept[j] = kept[j], kept[i]
                        i += 1
                        j -= 1
                low = i if j < half else low
                high = j if half < i else high
            below = kept[0] if count % 2 == 0 else kept[half]
            for k in range(1, half if count % 2 == 0 else 0):
                below = max(below, kept[k])
            found = (below + kept[half]) / 2
            if turn == 2:
                sigma = 1.482602218505602 * found
            else:
                middle_of_light = found
                middle = middle if turn else found
        out[c, 0] = out[c, 1] = out[c, 4] = np.nan
        out[c, 2] = middle_of_light if 2 * n_light >= n_seen else np.nan
        out[c, 3] = n_usable / max(n_seen, 1)
        out[c, 5] = sum_x / max(n_usable, 1)
        out[c, 6] = sum_y / max(n_usable, 1)
        if n_usable < 8:
            continue
        n = above = 0
        total = squares = 0.0
        for k in range(n_usable):
            off = usable[k] - middle
            if abs(off) <= kappa * sigma or sigma == 0.0:
                kept[n] = off
                n += 1
                total += off
                squares += off * off
            elif off > 0.0:
                above += 1
        spread = max(np.sqrt(max(0.0, squares / n - (total / n) ** 2)), sigma)
        # The clip takes more from above: the median of the rest lies lower by half as many pixels.
        start = 1.2533141373155001 * sigma * (n_usable - n - 2 * above) / n
        limit = np.float32(HUBER_LIMIT * spread)
        level = total / n if sigma == 0.0 else start
        for _ in range(HUBER_STEPS if sigma > 0.0 else 0):
            middle_of_step = np.float32(level)
            pull, inside = 0.0, 0
            for k in range(n):
                off = kept[k] - middle_of_step
                held = off if off < limit else limit
                held = held if held > -limit else -limit
                pull += float(held)
                inside += held == off
            level = float(middle_of_step) + pull / max(inside, 1)
        out[c, 0] = middle + level
        out[c, 1] = HUBER_ERROR * spread / np.sqrt(n)
        out[c, 4] = total / n - start
