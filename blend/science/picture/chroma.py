"""Colour noise told from colour: what a finished picture may lose, worked out on means of 4 x 4 pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise, median, median_and_sigma
from blend.base.rowblocks import map_row_blocks, map_together
from blend.science.picture.colourspace import linear_to_oklab, srgb_decode
from blend.science.picture.luma_noise_loops import smooth_rows

Array = NDArray[np.float32]

BANDS = 5
"""Starlet bands of the block means: structures of 4, 8, 16, 32 and 64 px."""

WHITE_NOISE_IN_BANDS = (0.8908, 0.2007, 0.0856, 0.0413, 0.0205)
"""Standard deviation of white noise of 1 in each band of the B3 starlet, two dimensions; measured
by `tests/science/picture/test_chroma.py`."""

MOST_CORRELATION = 3.0
"""A coarse band's scatter counts as noise up to this many times what white noise would leave there; beyond, it is
colour. Of an invented sky, resampled, the coarsest band had 1.4 times; of a real nebula that fills its frame, 21."""

MOST_OF_COLOUR = 1.7
"""The same for colour: at 3, a nebula's scatter passed for noise of three times its own, and took colour with it."""

KEPT_SIGMA = 3.5
"""Colour of so many sigma of a band along an axis, root mean square over the neighbours, loses half of what noise would
lose. Of 2.5 to 4, nebulae of `benchmarks/accuracy/look.py` are nearest to the truth at 2.5, by 0.02 in CIEDE2000; at
3.5 a tenth less of their noise is left, and they are as near as they were with one limit for both axes."""

MOST_OF_ONE = 10.0
"""Sigma at which a pixel counts no more for the axes of colour; a filament's are beyond it seldom. Chosen."""

CHANCE = 0.15
"""Mean square, in sigma, of what noise alone in a and b seems to have to do with light: 2 times the sum of squares of
the B3 weights, (70 / 256)^2."""

SURE_SLOPE = 3.0
"""Times that chance of a slope nearby that counts by half: 1, 3, 5 leave 0.346, 0.334, 0.328 of a nebula's noise and
are off the truth by 0.961, 0.976, 0.990 in CIEDE2000; galaxies, clusters and skies are nearest to it by 3."""

SURE_LIGHT = 2.0
"""Variances of a band of L at which half of the colour that goes with it counts as real: 1 leaves a tenth more noise
in a galaxy's sky, 4 takes a tenth more of a nebula's colour; measured there, too."""

VIVID = 0.15
"""OKLab chroma of a colour that gets half of a change of saturation; sRGB ends at 0.26 in red, 0.31 in blue."""

SURE_CHROMA_SIGMA = 3.0
"""Colour this many sigma of its noise gets half of a change of saturation, the usual bound of what is not chance."""

SAMPLE = 200_000
"""Pixels that a median is taken of: its error is 0.3 % of their scatter, 1.25 / sqrt(SAMPLE)."""

LEAST_SIDE = 6
"""Blocks a side, below which there is no noise to be measured."""


def noise_shifts(
    means: Array, *, chroma_reduction: float, green_limit: float, spared: Array | None = None
) -> Array:
    """Return what a picture loses of its colour noise, block by block.

    Parameters
    ----------
    means : (4, rows, columns)
        Means of red, green, blue (code values) and of green's excess x; NaN in blocks without data.
    chroma_reduction, green_limit : float
        As `blend.science.picture.finish.finish_picture`, which says the rules.
    spared : (rows, columns) float32, optional
        Share of each block's chroma that loses nothing, 0 to 1.

    Returns
    -------
    (3, rows, columns) float32
        n, the mean of x that noise alone makes; what OKLab's a and b lose.

    Notes
    -----
    Light is surer than colour. In each starlet band, what of a and b goes with L is kept: by the slope far around, and
    by what the slope nearby differs from it, as far as that is more than chance,

    r = a - L (q + d t^2 / (1 + t^2)), q = <<a L>> / (<<L^2>> + 2 s_L^2), d = (<a L> - q <L^2>) / n,

    n = <L^2> + 2 s_L^2, and so with b, t = n ((d_a / s_a)^2 + (d_b / s_b)^2) / (2 `CHANCE` `SURE_SLOPE`); q is 0 in the
    finest band. r in units of s is turned to its principal axes, p and q: light of a nebula has one hue, noise has all,
    so that q holds noise alone. p / (1 + (<<p^2>> / 3.5^2)^4) is lost, and so of q. <> are B3 means over neighbours as
    far apart as the band's width, << >> those again over twice that, s the noise of the bands in the darker half of the
    picture, white noise's own up to `MOST_OF_COLOUR`. The slope of 25 neighbours alone goes with their noise, too,
    and carried 0.28 of it on.

    References
    ----------
    He, Sun & Tang (2010), ECCV, "Guided image filtering", for the first (from memory); by bands here.
    """
    means = np.stack(map_together(_without_holes, means))
    shift = np.zeros((3, *means.shape[1:]), dtype=np.float32)
    green = means[1]
    if green_limit > 0.0:
        shift[0] = _green_of_noise(means)
        green = green - np.float32(green_limit) * (means[3] - shift[0])
    if chroma_reduction > 0.0:
        lab = linear_to_oklab(srgb_decode(np.stack([means[0], np.maximum(green, 0.0), means[2]])))
        shift[1:] = np.float32(chroma_reduction) * _noise_of_chroma(lab)
        if spared is not None:
            shift[1:] *= np.float32(1.0) - spared
    return shift


def saturation_shares(means: Array, shift: Array) -> Array:
    """Return how much of a change of saturation each block gets: none where its colour may be noise, less at the edge.

    n / (1 + (c / 0.15)^2), n = c^2 / (c^2 + (3 s)^2), with c the OKLab chroma of the block's mean, less what it loses
    as noise, and s the noise of c: a grey sky stays grey, and what is as red as an H II region comes to no edge. c
    times the factor rises with c for factors up to 9.

    Parameters
    ----------
    means, shift
        As `noise_shifts` takes and returns them.

    Returns
    -------
    (rows, columns) float32
    """
    lab = linear_to_oklab(srgb_decode(np.stack(map_together(_without_holes, means[:3]))))
    a, b = lab[1] - shift[1], lab[2] - shift[2]
    sigma = np.hypot(difference_noise(a), difference_noise(b)) if min(a.shape) >= LEAST_SIDE else 0.0
    chroma = a * a + b * b
    sure = chroma / np.maximum(
        chroma + np.float32(SURE_CHROMA_SIGMA**2 * np.nan_to_num(sigma) ** 2), np.float32(1e-12)
    )
    return np.asarray(sure / (1.0 + chroma * np.float32(1.0 / VIVID**2)), dtype=np.float32)


def _without_holes(plane: Array) -> Array:
    """Return a plane whose missing values are the median of the others."""
    missing = np.isnan(plane)
    return np.where(missing, median(plane[~missing]), plane) if missing.any() else plane


def _green_of_noise(means: Array) -> Array:
    """Return how much of the local mean of the green excess is noise: n of `finish_picture`."""
    local = means
    for step in (1, 2):
        local = _smooth(local, step)
    difference = local[1] - np.maximum(local[0], local[2])
    # The next band holds sqrt(3/4) of what white noise leaves in the local means, and little of the sky's own colour.
    band = difference - _smooth(difference[None], 4)[0]
    sigma = float(np.sqrt(4 / 3)) * median_and_sigma(_sample(band))[1]
    # Noise that is left in the local means would pass for excess half of the time: only 2 sigma of it count.
    real = np.maximum(difference - np.float32(2.0 * sigma), 0.0)
    noise = np.maximum(local[3] - real, 0.0)
    # At the edges of stars, planes of different sharpness differ both ways: no more than twice what the neutral sky
    # has is noise.
    neutral = _sample(noise)[np.abs(_sample(difference)) < 2.0 * sigma]
    most = 2.0 * median(neutral) if neutral.size else np.inf
    return np.asarray(np.minimum(noise, most), dtype=np.float32)


def _noise_of_chroma(lab: Array) -> Array:
    """Return the part of (a, b) that passes for noise at 4 to 64 px, (2, blocks down, blocks across)."""
    dark = _sample(lab[0]) <= median(_sample(lab[0]))
    lost = np.zeros_like(lab[1:])
    smooth, finest = lab, np.zeros(3)
    # Fresh memory for every band would cost a fifth of the time.
    room = [np.empty_like(lab) for _ in range(5)]
    for band in range(BANDS):
        coarser = _smooth(smooth, 2**band, out=room[band % 2])

        def scatter(pair: tuple[Array, Array]) -> float:
            fine, coarse = (_sample(plane)[dark] for plane in pair)
            return median_and_sigma(fine - coarse)[1]

        sigmas = np.array(map_together(scatter, zip(smooth, coarser, strict=True)))
        finest = sigmas if band == 0 else finest
        most = MOST_OF_COLOUR * WHITE_NOISE_IN_BANDS[band] / WHITE_NOISE_IN_BANDS[0]
        _add_insignificant(lost, smooth, coarser, np.minimum(sigmas, most * finest), 2**band, room[2:])
        smooth = coarser
    # Straight lines between blocks blur what is taken from each by B = (1, 6, 1) / 8, down and across.
    return _sharpened(lost)


def _add_insignificant(
    lost: Array,
    fine: Array,
    coarse: Array,
    sigmas: NDArray[np.float64],
    step: int,
    room: list[Array] | None = None,
) -> None:
    """Add to ``lost`` what a band of (L, a, b) holds of noise in a and b: the rule of `noise_shifts`.

    ``room`` may be three arrays such as ``fine`` to be written over.
    """
    light, *colour = (np.float32(max(sigma, 1e-9)) for sigma in sigmas)
    sure = np.float32(SURE_LIGHT) * light * light
    detail, products, near = room or [np.empty_like(fine) for _ in range(3)]

    def multiply(rows: slice) -> None:
        np.subtract(fine[:, rows], coarse[:, rows], out=detail[:, rows])
        np.multiply(detail[:, rows], detail[:1, rows], out=products[:, rows])

    map_row_blocks(multiply, lost.shape[1])
    _smooth(products, step, out=near)
    # What is as small as a block has a colour of its own each, a star or an H II region: no slope goes for all of them.
    far = _smooth(near, 2 * step, out=products) if step > 1 else None

    def squares(pair: Array, unit: float) -> Array:
        """Return the sum of squares of values in a and b, in ``unit`` times their noise."""
        first, second = (
            plane * np.float32(1.0 / (unit * sigma)) for plane, sigma in zip(pair, colour, strict=True)
        )
        return np.asarray(first * first + second * second)

    def part(rows: slice) -> None:
        known = np.float32(1.0) / (near[0, rows] + sure)
        more, slopes = near[1:, rows], np.zeros((), dtype=np.float32)
        if far is not None:
            slopes = far[1:, rows] / (far[0, rows] + sure)
            more = more - slopes * near[0, rows]
        real = (
            np.minimum(known * squares(more, float(np.sqrt(2.0 * CHANCE * SURE_SLOPE))), np.float32(1e4)) ** 2
        )
        detail[1:, rows] -= detail[0, rows] * (slopes + more * (known * real / (np.float32(1.0) + real)))

    map_row_blocks(part, lost.shape[1])
    turn = _axes(detail[1:], colour)
    turned, energy = detail[1:], products[:2]

    def square_parts(rows: slice) -> None:
        turned[:, rows] = np.einsum("ij,j...->i...", turn, turned[:, rows])
        energy[:, rows] = np.minimum(turned[:, rows] ** 2 * np.float32(1.0 / KEPT_SIGMA**2), np.float32(1e4))

    map_row_blocks(square_parts, lost.shape[1])
    energy = _smooth(_smooth(energy, step, out=near[:2]), 2 * step, out=energy)
    back = np.linalg.inv(turn.astype(np.float64)).astype(np.float32)

    def lose(rows: slice) -> None:
        square = energy[:, rows] * energy[:, rows]
        noise = turned[:, rows] / (np.float32(1.0) + square * square)
        lost[:, rows] += np.einsum("ij,j...->i...", back, noise)

    map_row_blocks(lose, lost.shape[1])


def _axes(pair: Array, colour: list[np.float32]) -> Array:
    """Return the matrix to the principal axes of a and b in units of their noise, (2, 2); of a sample.

    Beyond `MOST_OF_ONE` sigma a pixel counts no more: a few stars are no field of nebula.
    """
    a, b = ((_sample(plane) / sigma).astype(np.float64) for plane, sigma in zip(pair, colour, strict=True))
    weight = 1.0 / np.maximum(1.0, (a * a + b * b) / MOST_OF_ONE**2)
    angle = 0.5 * np.arctan2(2.0 * np.mean(weight * a * b), np.mean(weight * (a * a - b * b)))
    axes = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return np.asarray(axes / np.array(colour, dtype=np.float64), dtype=np.float32)


def _sharpened(planes: Array) -> Array:
    """Return planes of which straight lines between blocks have nearly these block means: x + (planes - B x), thrice.

    Van Cittert's iteration (1931, from memory). Once left half of the colour noise of 4-px means of invented scenes,
    thrice a third; what more would find is finer than two blocks.
    """
    rows, columns = planes.shape[1:]
    left, right = (mirror(np.arange(columns) + way, columns) for way in (-1, 1))
    most, least = np.float32(0.75), np.float32(0.125)
    known, spare = planes, [np.empty_like(planes) for _ in range(2)]
    for turn in range(3):
        out = spare[turn % 2]

        def fill_rows(block: slice, known: Array = known, out: Array = out) -> None:
            index = np.arange(block.start, block.stop)
            up, down = (known[:, mirror(index + way, rows)] for way in (-1, 1))
            line = most * known[:, block] + least * (up + down)
            blurred = most * line + least * (line[:, :, left] + line[:, :, right])
            out[:, block] = known[:, block] + (planes[:, block] - blurred)

        map_row_blocks(fill_rows, rows)
        known = out
    return known


def _smooth(planes: Array, step: int, *, out: Array | None = None) -> Array:
    """Return planes smoothed by the B3 spline (1, 4, 6, 4, 1) / 16 with holes of ``step``, mirrored at the edges."""
    rows, columns = planes.shape[1:]
    across = mirror(np.arange(-2 * step, columns + 2 * step), columns)
    out = made = np.empty_like(planes) if out is None else out

    def fill_rows(block: slice) -> None:
        around = slice(block.start - 2 * step, block.stop + 2 * step)
        inside = around.start >= 0 and around.stop <= rows
        index = around if inside else mirror(np.arange(around.start, around.stop), rows)
        line = np.empty(across.size, dtype=np.float32)
        for plane, filled in zip(planes, made, strict=True):
            smooth_rows(plane[index], step, across, line, filled[block])

    map_row_blocks(fill_rows, rows)
    return out


def mirror(index: NDArray[np.intp], size: int) -> NDArray[np.intp]:
    folded = np.abs(index) % max(2 * (size - 1), 1)
    back: NDArray[np.intp] = np.minimum(folded, 2 * (size - 1) - folded)
    return back if size > 1 else np.zeros_like(folded)


def sample_step(plane: Array) -> int:
    """Return the step of a regular grid of about `SAMPLE` pixels, enough for a median; 1 for a small plane."""
    return max(1, int(np.sqrt(plane.size / SAMPLE)))


def _sample(plane: Array) -> Array:
    step = sample_step(plane)
    return plane[::step, ::step]
