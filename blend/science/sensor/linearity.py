"""Is a picture still linear? Tests of physics, which no header can answer.

In a linear picture every star has one profile, faint or bright; the noise never falls where the light grows; and
noise is as wide below the sky as above it. Any curve that lifts the sky breaks all three: bright stars come out
flatter than faint ones, the noise shrinks towards the light, and it is drawn out towards black. The level of the sky
proves nothing: moonlight alone can fill a third of the range.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import AnyPlane
from blend.base.robust import MAD_TO_SIGMA, row_medians
from blend.science.plane import greatest, sample_pixels, saturation_level, sky_mode, sky_spread
from blend.science.sensor.star_curve import CEILING, StarCurve, fit_star_curve, join_curves
from blend.science.stars import find_stars, native_plane

_Known: TypeAlias = "tuple[AnyPlane, float | None, tuple[float, float]]"
Outcome = Literal["stretched", "perhaps-stretched", "linear", "cannot tell"]

SURE, PERHAPS = 0.9, 0.55
"""Confidence from which a picture is called stretched, or perhaps so: a false alarm stops a run, a miss does not."""

ENOUGH_STARS = 25
"""Fewer stars accuse nobody: of a field with 50 unsaturated ones about half are alone enough to be used, and a sound
master of 20 usable stars once stood at 0.53 +- 0.12."""

STOP_POWER, STOP_SIGMA = 0.8, 2.5
WARN_POWER, WARN_SIGMA = 0.9, 2.3
"""Power of the stars and its distance from 1 in errors, without the star that speaks loudest. Of 300 linear masters
the farthest below 1 stood at 2.2 errors, see benchmarks/accuracy/linearity.py; 0.9 widens a star of 4 skies by 2.5 %,
more than sensors do."""

LINEAR_ERROR, LEAST_LINEAR, LINEAR_SIGMA = 0.1, 0.8, 2.5
"""Stars prove a linear picture when their power is so well known and stands so many errors above the least. In
crowded fields the power comes out up to a quarter too high: of 60 masters raised to 0.75 one passed with 0.75 as the
least, none with 0.8."""

NOISE_ALONE = 0.8
"""Most that noise against level says by itself: where more frames overlap it falls to 0.4 in linear pictures, too."""

ABOVE_ZERO = 5.0
"""Sky over the file's zero, in its noise, from which stars can tell: at zero a power law scales every star alike."""

STOP_SKEW, WARN_SKEW, HINT_SKEW, SKEW_SIGMA = -0.08, -0.05, -0.03, 6.0
"""Skew of the sky's noise. A power g makes it (g - 1) / 2 times noise over level: -0.08 is 1/2.2 at 3.4 sigma over
black. The real frames and invented nights that were tried have -0.03 or more."""

PILE, GAP = 0.05, 0.4
"""Share of pixels at a clip, and pixels just above it over those next to them. x^g leaves 1 / (2^(1/g) - 1): 0.27
for 1/2.2, 0.46 for 0.6. A Gaussian clipped within two sigma of its middle leaves 0.67 to 1.2, as do real frames."""

REPROCESSED = 1.8
"""Noise of whole blocks by that of neighbouring pixels from which it was smoothed: drawn here, white noise has 0.9,
the green of a bilinear demosaic 2.3, red and blue far more."""

_STARS_SURE, _STRONG, _FAIR, _WEAK, _HINT = 0.97, 0.95, 0.8, 0.6, 0.5
"""Confidences of single tests. Chosen, not measured, so that `SURE` takes one strong test, or a weak or hinting one
beside a fair one, and `PERHAPS` takes a weak one."""

RULED_OUT_POWER, RULED_OUT_SIGMA, _OVERRULED = 0.7, 2.0, 0.2
"""Stars whose power is surely above the first leave so little of what the noise says (chosen): a fall of the noise to
0.6 takes a power far below it."""

_FALLS, FALLEN, _SURELY_FALLEN, _GRAVELY_FALLEN = 0.9, 0.7, 0.6, 0.4
"""Noise of brighter blocks over that of fainter ones. 1/2.2 leaves (level / sky)^-0.545: 0.7 at 1.9 times the sky, 0.6
at 2.6, 0.4 at 5.4. Of 34 linear masters drawn here none stood below 0.98; where more frames overlap, see
`NOISE_ALONE`. Each group, or part, must fall below 0.9."""

_BUMP = 1.5
"""Most that the brightest third may rise over the middle one: cores and knots have structure (chosen, not measured)."""

_QUIET = 0.35
"""Quantile of the blocks' noises that stands for all: the quieter third holds neither stars nor the edge of a nebula
(chosen, not measured)."""

_PARTS, _LEAST_PARTS, _AGREE, _STEP_SIGMA = 16, 4, 0.8, 5.0
"""Parts of the frame, 4 x 4; how many must tell, and which share of them agree; and the least step of their light from
faint to bright, in noise of a pixel, over which a curve changes (chosen, not measured)."""

_ENOUGH, _PART_BLOCKS, _THIRD_BLOCKS, _BRIGHT_BLOCKS = 64, 20, 10, 18
"""Fewest blocks in all, of the sky in a part, in a third of a part, and above the sky: the noise of one block, of 36
differences, is good to a fifth, that of six to a tenth (chosen, not measured)."""

_BLOCK, _MOST_BLOCKS = 8, 40_000
"""Side of a block in pixels: narrow against a nebula's structure; and how many are looked at, whole rows of them."""

_GAP_SAMPLE, _GAP_FEWEST, _MOST_CLIPPED = 500_000, 1000, 0.95
_GAP_STEP, _LEAST_NEAR, _LEAST_VALUES = 0.25, 0.03, 8
"""At a clip: pixels looked at, the fewest that tell, and the share at the clip beyond which too few are left. The two
bins above it are a quarter of the way to the median of what is above: the second must hold so much of it, or the sky
lies far above the clip, and the first so many values, or the file's steps are the gap (all chosen, not measured)."""

_FIRST_CROP, _CROP, _NOISE_CROP = 1024, 1536, 512
"""Sides of the middle in which stars, and the noise of blocks, are looked for: a megapixel holds hundreds of stars, and
where those do not decide more than twice as many do."""

_BELOW_TOP = 0.9
"""Where no pile is known, the uppermost tenth may hold clipped cores, which have no noise."""

_NEARBY = 33
"""Pixels of a row among which a clip is strewn: enough for a share to 0.1, few beside the belt of a tilted sky."""

FEW_STARS, FEW_SIGMA = 12, 6.0
"""So many stars accuse where they stand so far from 1: an error from few stars is itself known to a fifth."""

_NAN = float("nan")


@dataclass(frozen=True)
class Linearity:
    """What the tests found; NaN where there was too little to test."""

    confidence: float  # 0 to 1, that the picture was stretched. From `SURE` on it may be called so.
    outcome: Outcome = "cannot tell"  # ``stretched``, ``perhaps-stretched``, ``linear`` or ``cannot tell``
    # power and power_error: power law under which all stars have one profile, 1 for a linear picture, and its
    # error
    power: float = _NAN
    power_error: float = _NAN
    stars: int = 0  # unsaturated stars used
    skew: float = _NAN  # skew of the sky's noise, never far below 0 in a linear picture
    gap: float = _NAN  # pixels just above a clip at black over those next to them
    # noise of one pixel in the brightest smooth regions over that of the sky; never below 1 in a linear picture
    noise_ratio: float = _NAN
    blocks: int = 0  # bright regions used


def judge_linearity(
    plane: AnyPlane,
    *,
    invalid: NDArray[np.bool_] | None = None,
    saturation: float | Literal["measure"] | None = "measure",
    sky: tuple[float, float] | None = None,
    others: Sequence[_Known] = (),
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
    sky : (float, float), optional
        Level and scatter of the plane's sky, if they are at hand.
    others : sequence of ((rows, columns), float or None, (float, float))
        Further planes of the picture, which went through the same curve, with their saturation and sky: their stars are
        asked where those of the plane itself do not decide.

    Returns
    -------
    Linearity

    Notes
    -----
    c = 1 - (1 - c_stars) (1 - c_skew) (1 - c_gap) (1 - c_noise), at most `NOISE_ALONE` where only noise speaks, which
    is then no reason for a warning: it also falls towards the light where more frames overlap. Stars that rule out a
    power of `RULED_OUT_POWER` veto it. The stars of the middle 1024 x 1024 pixels stand for the rest, and those of the
    middle 1536 x 1536 pixels of all planes where the former do not decide.

    Examples
    --------
    >>> sky = np.random.default_rng(8).normal(0.3, 0.002, (64, 64))
    >>> judge_linearity(sky).outcome
    'cannot tell'
    """
    if saturation == "measure":
        saturation = saturation_level(plane, invalid=invalid)
    if sky is None:
        sample = np.sort(sample_pixels(plane, invalid=invalid))
        sky = (sky_mode(sample), sky_spread(sample, sky_mode(sample)))
    noise_ratio, blocks, by_noise = noise_against_level(plane, sky, invalid=invalid, saturation=saturation)
    curve, proved, ruled_out = _ask_stars([(plane, saturation, sky), *others], invalid=invalid)
    gap, by_gap = black_gap(plane, invalid=invalid)
    by_light = 1.0 - (1.0 - _star_confidence(curve)) * (1.0 - _skew_confidence(curve)) * (1.0 - by_gap)
    confidence = 1.0 - (1.0 - by_light) * (1.0 - by_noise * (_OVERRULED if ruled_out else 1.0))
    if by_light == 0.0:
        confidence = min(confidence, NOISE_ALONE)
    outcome: Outcome = "linear" if proved else "cannot tell"
    if confidence >= SURE:
        outcome = "stretched"
    elif by_light >= PERHAPS:
        outcome = "perhaps-stretched"
    known = np.isfinite(curve.error)
    return Linearity(
        confidence,
        outcome,
        curve.power,
        curve.error if known else _NAN,
        curve.stars,
        curve.skew if np.isfinite(curve.skew_error) else _NAN,
        gap,
        noise_ratio,
        blocks,
    )


def _ask_stars(
    planes: Sequence[_Known], *, invalid: NDArray[np.bool_] | None
) -> tuple[StarCurve, bool, bool]:
    """Return the power law of the stars of as many planes as it takes, whether they prove a linear picture, and
    whether they rule out the curve under which noise falls."""
    curves: list[StarCurve] = []
    proved = ruled_out = False
    first = planes[0][0]
    tried = [(*planes[0], _FIRST_CROP), *((*plane, _CROP) for plane in planes)]
    if max(first.shape) <= _FIRST_CROP:
        del tried[0]
    for plane, saturation, (sky, spread), crop in tried:
        if plane is first:
            curves.clear()
        above = sky > ABOVE_ZERO * spread
        if above or not curves:
            curves.append(_star_curve(plane, sky, crop, invalid=invalid, saturation=saturation))
        curve = join_curves(curves)
        if not above and len(curves) == 1:
            break
        least = curve.power - LINEAR_SIGMA * curve.error
        sure = _star_confidence(curve)
        proved = curve.error < LINEAR_ERROR and least > LEAST_LINEAR and sure == 0.0
        ruled_out = proved or curve.power - RULED_OUT_SIGMA * curve.error > RULED_OUT_POWER
        if proved or sure >= SURE:
            break
    return curve, proved, ruled_out


def _star_curve(
    plane: AnyPlane, sky: float, crop: int, *, invalid: NDArray[np.bool_] | None, saturation: float | None
) -> StarCurve:
    rows, columns = _middle(plane.shape[0], crop), _middle(plane.shape[1], crop)
    middle = native_plane(plane[rows, columns])
    mask = None if invalid is None else np.ascontiguousarray(invalid[rows, columns])
    stars = find_stars(middle, invalid=mask, saturation=saturation)
    if len(stars) < 2:
        return StarCurve()
    top = greatest(middle, invalid=mask) if saturation is None else saturation
    return fit_star_curve(middle, stars, invalid=mask, ceiling=sky + CEILING * (top - sky))


def _star_confidence(curve: StarCurve) -> float:
    sigmas = (1.0 - curve.power) / curve.error if np.isfinite(curve.error) else 0.0
    if curve.stars < ENOUGH_STARS and (curve.stars < FEW_STARS or sigmas < FEW_SIGMA):
        return 0.0
    if curve.power <= STOP_POWER and sigmas >= STOP_SIGMA:
        return _STARS_SURE
    return _WEAK if curve.power <= WARN_POWER and sigmas >= WARN_SIGMA else 0.0


def _skew_confidence(curve: StarCurve) -> float:
    if not curve.skew < -SKEW_SIGMA * curve.skew_error:
        return 0.0
    if curve.skew <= WARN_SKEW:
        return _STRONG if curve.skew <= STOP_SKEW else _WEAK
    # no reason for a word on its own, but beside noise that falls towards the light
    return _HINT if curve.skew <= HINT_SKEW else 0.0


def black_gap(plane: AnyPlane, *, invalid: NDArray[np.bool_] | None) -> tuple[float, float]:
    """Return how many pixels stand just above a clip at black, over those next to them, and the confidence.

    Notes
    -----
    Of a sky that is clipped at its lowest value, a linear picture holds as many pixels just above it as a little
    higher; a curve that is steep at black leaves none there. Looked at where `PILE` to 95 % of the pixels nearby in
    their row lie at the clip and are strewn as noise is, not in one piece as a border: of a tilted sky that is a belt
    between a corner that is black and one that is not.
    """
    from scipy.ndimage import uniform_filter1d

    stride = max(1, -(-plane.size // _GAP_SAMPLE))
    rows = np.asarray(plane[::stride], dtype=np.float32)
    good = np.isfinite(rows) if invalid is None else np.isfinite(rows) & ~invalid[::stride]
    if good.sum() < _GAP_FEWEST:
        return _NAN, 0.0
    least = rows[good].min()
    at_least = good & (rows == least)
    if at_least.sum() < PILE * good.sum():
        return _NAN, 0.0
    nearby = uniform_filter1d(at_least.astype(np.float32), _NEARBY, axis=1)
    good &= (nearby >= PILE) & (nearby <= _MOST_CLIPPED)
    if good.sum() < PILE * good.size:
        return _NAN, 0.0
    at_least &= good
    share = float(nearby[at_least].mean())
    beside = float(at_least[:, 1:][at_least[:, :-1]].mean())
    above = rows[good & ~at_least]
    step = _GAP_STEP * (float(np.median(above)) - float(least))
    low = int((above <= least + step).sum())
    high = int(((above > least + step) & (above <= least + 2.0 * step)).sum())
    # noise that was clipped, not a sky far above; and strewn, not in one piece
    if (
        beside > 0.5 * (1.0 + share)
        or high < _LEAST_NEAR * above.size
        or np.unique(above[above <= least + step]).size < _LEAST_VALUES
    ):
        return _NAN, 0.0
    return low / high, _STRONG if low < GAP * high else 0.0


def _middle(length: int, crop: int) -> slice:
    start = max(0, (length - crop) // 2)
    return slice(start, start + crop)


def noise_against_level(
    plane: AnyPlane,
    of_sky: tuple[float, float],
    *,
    invalid: NDArray[np.bool_] | None,
    saturation: float | None,
) -> tuple[float, int, float]:
    """Return noise of the brightest smooth regions over that of the sky, whose level and scatter are given, their
    number, the confidence of a stretch.

    Notes
    -----
    Blocks of 8x8 pixels, each with its median and the noise of its second differences. Structure can only
    raise that noise, so a fall is the curve's doing. The sky's noise is that of the quietest of 16 parts of
    the frame, since a flat makes corners noisy. Blocks that touch saturation, or nine tenths of the highest
    pixel, are left out: clipped cores have no noise. Three groups by level must each be quieter than the one
    before. Noise that was smoothed, or taken away where it was strongest, tells nothing: `REPROCESSED`.
    """
    sky, spread = of_sky
    top = _brightest_of_use(plane, sky, invalid) if saturation is None else saturation
    level, noise, place = _block_figures(plane, invalid, top)
    if level.size < _ENOUGH or np.isnan(sky) or _block_noise(plane) > REPROCESSED * np.median(noise):
        return _NAN, 0, 0.0
    nearby = _noise_nearby(level, noise, place)
    if nearby[2] >= SURE:
        return nearby
    at_sky = np.abs(level - sky) < 2.0 * spread
    parts = [noise[at_sky & (place == part)] for part in range(_PARTS)]
    quiet = [float(np.quantile(part, _QUIET)) for part in parts if part.size >= _PART_BLOCKS]
    bright = np.flatnonzero(level > sky + 3.0 * spread)
    if not quiet or min(quiet) <= 0.0 or bright.size < _BRIGHT_BLOCKS:
        return nearby
    order = bright[np.argsort(level[bright], kind="stable")]
    ratios = [float(np.quantile(noise[group], _QUIET)) / min(quiet) for group in np.array_split(order, 3)]
    falls = ratios[0] < _FALLS and ratios[1] < ratios[0] and ratios[2] <= _BUMP * ratios[1]
    confidence = 0.0
    if falls and ratios[2] < _SURELY_FALLEN:
        confidence = _STRONG if ratios[2] < _GRAVELY_FALLEN else _FAIR
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
    for part in range(_PARTS):
        here = np.flatnonzero(place == part)
        third = here.size // 3
        if third < _THIRD_BLOCKS:
            continue
        order = here[np.argsort(level[here], kind="stable")]
        low, high = order[:third], order[-third:]
        quiet = float(np.quantile(noise[low], _QUIET))
        if quiet > 0.0 and np.median(level[high]) - np.median(level[low]) > _STEP_SIGMA * quiet:
            ratios.append(float(np.quantile(noise[high], _QUIET)) / quiet)
            blocks += third
    if len(ratios) < _LEAST_PARTS:
        return _NAN, blocks, 0.0
    ratio = float(np.median(ratios))
    agree = float(np.mean(np.array(ratios) < _FALLS))
    if ratio >= FALLEN or agree < _AGREE:
        return ratio, blocks, 0.0
    return ratio, blocks, _STRONG if ratio < _SURELY_FALLEN else _FAIR


def _block_figures(
    plane: AnyPlane, invalid: NDArray[np.bool_] | None, limit: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return level, noise and part of the frame (0 to 15) of whole blocks below a limit, spread over the plane."""
    rows, columns = plane.shape[0] // _BLOCK, plane.shape[1] // _BLOCK
    stride = max(1, -(-rows * columns // _MOST_BLOCKS))
    chosen = np.arange(0, rows, stride)
    if rows == 0 or columns == 0:
        return np.empty(0), np.empty(0), np.empty(0, dtype=np.int64)
    levels, noises, parts = [], [], []
    for row in chosen:
        strip = slice(row * _BLOCK, (row + 1) * _BLOCK)
        block = np.array(plane[strip][:, : columns * _BLOCK], dtype=np.float64)
        if invalid is not None:
            block[invalid[strip, : columns * _BLOCK]] = np.nan
        block[block >= limit] = np.nan
        squares = block.reshape(_BLOCK, columns, _BLOCK).transpose(1, 0, 2)
        good = np.isfinite(squares).all(axis=(1, 2))
        squares = squares[good]
        across = squares[:, :, :-2] - 2.0 * squares[:, :, 1:-1] + squares[:, :, 2:]
        both = np.abs(across[:, :-2] - 2.0 * across[:, 1:-1] + across[:, 2:]).reshape(-1, (_BLOCK - 2) ** 2)
        levels.append(row_medians(squares.reshape(-1, _BLOCK * _BLOCK)))
        # 6: root of the sum of squares of the weights 1 -2 1 by 1 -2 1
        noises.append(MAD_TO_SIGMA * row_medians(both) / 6.0)
        parts.append((4 * row // rows) * 4 + 4 * np.flatnonzero(good) // columns)
    return np.concatenate(levels), np.concatenate(noises), np.concatenate(parts)


def _block_noise(plane: AnyPlane) -> float:
    """Return the noise of whole blocks of the middle of the frame, coarse grain included; NaN without any."""
    rows, columns = (min(_NOISE_CROP, length // _BLOCK * _BLOCK) for length in plane.shape)
    top, left = (plane.shape[0] - rows) // 2, (plane.shape[1] - columns) // 2
    middle = np.asarray(plane[top : top + rows, left : left + columns], dtype=np.float64)
    squares = middle.reshape(rows // _BLOCK, _BLOCK, columns // _BLOCK, _BLOCK).transpose(0, 2, 1, 3)
    flat = squares.reshape(-1, _BLOCK * _BLOCK)
    flat = flat[np.isfinite(flat).all(axis=1)]
    if flat.size == 0:
        return _NAN
    spreads = row_medians(np.abs(flat - row_medians(flat)[:, None]))
    return MAD_TO_SIGMA * float(np.quantile(spreads, _QUIET))


def _brightest_of_use(plane: AnyPlane, sky: float, invalid: NDArray[np.bool_] | None) -> float:
    """Return the level nine tenths of the way from sky to the highest pixel; cores above may be clipped."""
    return sky + _BELOW_TOP * (greatest(plane, invalid=invalid) - sky)
