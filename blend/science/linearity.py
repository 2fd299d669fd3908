"""Is a picture still linear? Two tests of physics, which no header can answer.

In a linear picture every star has one profile, faint or bright, and the noise never falls where the light
grows. Any curve that lifts the sky flattens the tops: bright stars come out wider at half their height than
faint ones, and the noise shrinks towards the light. The level of the sky proves nothing: moonlight alone can
fill a third of the range.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA
from blend.science.figures import greatest, sample_pixels, saturation_level, sky_mode, sky_spread

_BLOCK = 8
_MOST_BLOCKS = 40_000
_CROP = 2048
_NAN = float("nan")


@dataclass(frozen=True)
class Linearity:
    """What the two tests found; NaN where there was too little to test.

    Attributes
    ----------
    confidence : float
        0 to 1, that the picture was stretched. Above 0.9 it may be called so.
    star_ratio, star_error : float
        Width of the bright stars over that of the faint ones, 1 for a linear picture, and its error.
    stars : int
        Stars used.
    noise_ratio : float
        Noise of one pixel in the brightest smooth regions over that of the sky; never below 1 in a linear
        picture.
    blocks : int
        Bright regions used.
    """

    confidence: float
    star_ratio: float = _NAN
    star_error: float = _NAN
    stars: int = 0
    noise_ratio: float = _NAN
    blocks: int = 0


def judge_linearity(
    plane: NDArray[np.floating],
    *,
    invalid: NDArray[np.bool_] | None = None,
    saturation: float | Literal["measure"] | None = "measure",
) -> Linearity:
    """Tell how surely a plane was stretched.

    Parameters
    ----------
    plane : (rows, columns)
        Any unit; NaN is left out.
    invalid : (rows, columns) bool, optional
        True where pixels are not to be used: a border without data.
    saturation : float, None or "measure"
        `saturation_level` of the plane, if it is at hand; None where no pixels pile up.

    Returns
    -------
    Linearity

    Notes
    -----
    c = 1 - (1 - c_stars) (1 - c_noise). Each test has its say only with enough stars, or regions,
    of different brightness. Stars that keep their width over a wide range (within 6 %, error below 3 %)
    veto: noise can also fall towards the light where more frames overlap. The stars of the middle
    2048 x 2048 pixels stand for the rest.

    Examples
    --------
    >>> sky = np.random.default_rng(8).normal(0.3, 0.002, (64, 64))
    >>> judge_linearity(sky).confidence
    0.0
    """
    if saturation == "measure":
        saturation = saturation_level(plane, invalid=invalid)
    noise_ratio, blocks, by_noise = noise_against_level(plane, invalid=invalid, saturation=saturation)
    ratio, error, stars, by_stars = width_against_peak(plane, invalid=invalid, saturation=saturation)
    confidence = 1.0 - (1.0 - by_stars) * (1.0 - by_noise)
    if abs(ratio - 1.0) < 0.06 and error < 0.03:
        confidence *= 0.2
    return Linearity(confidence, ratio, error, stars, noise_ratio, blocks)


def width_against_peak(
    plane: NDArray[np.floating], *, invalid: NDArray[np.bool_] | None, saturation: float | None
) -> tuple[float, float, int, float]:
    """Return width of bright over faint stars, its error, the number of stars and the confidence of a
    stretch.

    Notes
    -----
    Stars up to half the height of the brightest, in four groups of equal number by peak: above that,
    saturation that a flat has smeared would widen stars too. The brightest group is held against the fainter
    half. A stretch must show as 8 % and 7 errors at least, or 12 % and 5, and grow from group to group.
    """
    from blend.science.stars import find_stars

    rows, columns = _middle(plane.shape[0]), _middle(plane.shape[1])
    mask = None if invalid is None else invalid[rows, columns]
    stars = find_stars(plane[rows, columns], invalid=mask, saturation=saturation)
    if len(stars) < 16:
        return _NAN, _NAN, len(stars), 0.0
    usable = ~stars.saturated & (stars.elongation < 1.4) & (stars.peak <= 0.5 * stars.peak.max())
    chosen = stars.select(usable & np.isfinite(stars.fwhm_px) & (stars.flux > 6.0 * stars.flux_error))
    if len(chosen) < 16:
        return _NAN, _NAN, len(chosen), 0.0
    order = np.argsort(chosen.peak, kind="stable")
    quarter = len(order) // 4
    groups = [order[:quarter], order[quarter : 2 * quarter], order[2 * quarter : -quarter], order[-quarter:]]
    widths, errors = zip(*(_centre(chosen.fwhm_px[group]) for group in groups), strict=True)
    faint, faint_error = _centre(chosen.fwhm_px[order[: 2 * quarter]])
    ratio = widths[3] / faint
    error = ratio * float(np.hypot(errors[3] / widths[3], faint_error / faint))
    grows = widths[3] > widths[2] > faint
    span = float(np.median(chosen.peak[groups[3]]) / np.median(chosen.peak[order[: 2 * quarter]]))
    if span < 1.5:
        return _NAN, _NAN, len(chosen), 0.0
    return ratio, error, len(chosen), _star_confidence(ratio, error) if grows else 0.0


def _star_confidence(ratio: float, error: float) -> float:
    excess = ratio - 1.0
    if excess < 0.08 or excess < (5.0 if excess > 0.12 else 7.0) * error:
        return 0.0
    if excess < 0.12:
        return 0.6
    return 0.95 if excess > 0.2 or (excess > 0.15 and excess > 6.0 * error) else 0.7


def _centre(values: NDArray[np.float64]) -> tuple[float, float]:
    """Return the median and its error; never below 0.5 % of it, what sampling leaves."""
    middle = float(np.median(values))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(values - middle)))
    # 1.2533 = sqrt(pi / 2): a median is that much less certain than a mean
    return middle, max(1.2533 * spread / values.size**0.5, 0.005 * middle)


def _middle(length: int) -> slice:
    start = max(0, (length - _CROP) // 2)
    return slice(start, start + _CROP)


def noise_against_level(
    plane: NDArray[np.floating], *, invalid: NDArray[np.bool_] | None, saturation: float | None
) -> tuple[float, int, float]:
    """Return noise of the brightest smooth regions over that of the sky, their number, the confidence of a
    stretch.

    Notes
    -----
    Blocks of 8x8 pixels, each with its median and the noise of its second differences. Structure can only
    raise that noise, so a fall is the curve's doing. The sky's noise is that of the quietest of 16 parts of
    the frame, since a flat makes corners noisy. Blocks that touch saturation, or nine tenths of the highest
    pixel, are left out: clipped cores have no noise. Three groups by level must each be quieter than the one
    before.
    """
    level, noise, place = _block_figures(plane, invalid, saturation)
    sample = sample_pixels(plane, invalid=invalid)
    if level.size < 64 or sample.size == 0:
        return _NAN, 0, 0.0
    nearby = _noise_nearby(level, noise, place)
    if nearby[2] >= 0.9:
        return nearby
    sky = sky_mode(sample)
    spread = sky_spread(sample, sky)
    at_sky = np.abs(level - sky) < 2.0 * spread
    parts = [noise[at_sky & (place == part)] for part in range(16)]
    quiet = [float(np.quantile(part, 0.35)) for part in parts if part.size >= 20]
    bright = np.flatnonzero(level > sky + 3.0 * spread)
    if not quiet or min(quiet) <= 0.0 or bright.size < 18:
        return nearby
    order = bright[np.argsort(level[bright], kind="stable")]
    ratios = [float(np.quantile(noise[group], 0.35)) / min(quiet) for group in np.array_split(order, 3)]
    falls = ratios[0] < 0.9 and ratios[1] < ratios[0] and ratios[2] <= 1.5 * ratios[1]
    confidence = 0.0
    if falls and ratios[2] < 0.6:
        confidence = 0.95 if ratios[2] < 0.4 else 0.8
    whole = (ratios[2], int(bright.size), confidence)
    return max(whole, nearby, key=lambda told: told[2])


def _noise_nearby(
    level: NDArray[np.float64], noise: NDArray[np.float64], place: NDArray[np.int64]
) -> tuple[float, int, float]:
    """Compare the brighter with the fainter third of the blocks inside each part of the frame.

    Needs no sky, so it also sees a nebula that fills the frame; inside one part no flat changes the noise
    much. A part counts when the thirds differ by 5 sigma of a pixel; four parts must agree to within one in
    five.
    """
    ratios, blocks = [], 0
    for part in range(16):
        here = np.flatnonzero(place == part)
        third = here.size // 3
        if third < 10:
            continue
        order = here[np.argsort(level[here], kind="stable")]
        low, high = order[:third], order[-third:]
        quiet = float(np.quantile(noise[low], 0.35))
        if quiet > 0.0 and np.median(level[high]) - np.median(level[low]) > 5.0 * quiet:
            ratios.append(float(np.quantile(noise[high], 0.35)) / quiet)
            blocks += third
    if len(ratios) < 4:
        return _NAN, blocks, 0.0
    ratio = float(np.median(ratios))
    agree = float(np.mean(np.array(ratios) < 0.9))
    if ratio >= 0.7 or agree < 0.8:
        return ratio, blocks, 0.0
    return ratio, blocks, 0.95 if ratio < 0.6 else 0.8


def _block_figures(
    plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None, saturation: float | None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return level, noise and part of the frame (0 to 15) of whole blocks spread over the plane."""
    rows, columns = plane.shape[0] // _BLOCK, plane.shape[1] // _BLOCK
    stride = max(1, -(-rows * columns // _MOST_BLOCKS))
    chosen = np.arange(0, rows, stride)
    if rows == 0 or columns == 0:
        return np.empty(0), np.empty(0), np.empty(0, dtype=np.int64)
    limit = _brightest_of_use(plane, invalid) if saturation is None else saturation
    levels, noises, parts = [], [], []
    for row in chosen:
        strip = (slice(row * _BLOCK, (row + 1) * _BLOCK), slice(columns * _BLOCK))
        block = np.array(plane[strip], dtype=np.float64)
        if invalid is not None:
            block[invalid[strip]] = np.nan
        block[block >= limit] = np.nan
        squares = block.reshape(_BLOCK, columns, _BLOCK).transpose(1, 0, 2)
        good = np.isfinite(squares).all(axis=(1, 2))
        squares = squares[good]
        across = squares[:, :, :-2] - 2.0 * squares[:, :, 1:-1] + squares[:, :, 2:]
        both = np.abs(across[:, :-2] - 2.0 * across[:, 1:-1] + across[:, 2:]).reshape(-1, (_BLOCK - 2) ** 2)
        levels.append(np.median(squares.reshape(-1, _BLOCK * _BLOCK), axis=1))
        noises.append(MAD_TO_SIGMA * np.median(both, axis=1) / 6.0)
        parts.append((4 * row // rows) * 4 + 4 * np.flatnonzero(good) // columns)
    return np.concatenate(levels), np.concatenate(noises), np.concatenate(parts)


def _brightest_of_use(plane: NDArray[np.floating], invalid: NDArray[np.bool_] | None) -> float:
    """Return the level nine tenths of the way from sky to the highest pixel; cores above may be clipped."""
    sky = sky_mode(sample_pixels(plane, invalid=invalid))
    return sky + 0.9 * (greatest(plane, invalid=invalid) - sky)
