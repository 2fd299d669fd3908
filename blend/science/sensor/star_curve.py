"""Which power law makes all stars of a plane one profile: 1 for a linear picture, below 1 under a stretch.

In a linear picture a star of any brightness is the same profile, scaled: what rings and windows of several widths
hold of it stands in the same ratios. Under a curve, the tops of bright stars and their wings near the sky are
stretched differently, and the ratios run with brightness. For every trial power g, pixels are taken to the power 1/g;
the g that leaves the least run is the answer. Curves that are no power law come out as the power law that is next to
them over the range of the stars. Neither scale nor level of the sky matters, only the zero of the file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, middles, sorted_finite
from blend.science.sensor.field_sources import on_target, single_stars
from blend.science.sensor.star_curve_loops import (
    cut_boxes,
    level_boxes,
    ring_levels,
    shared_noise,
    window_sums,
)
from blend.science.stars import FWHM_PER_SIGMA, Stars, typical_fwhm

Floats = NDArray[np.float64]

POWERS = np.array([0.22, 0.32, 0.46, 0.68, 1.0, 1.4])
"""Trial powers, steps of 1.4 to 1.5: from the best of them three steps of Newton's find the valley."""

WINDOWS = np.array([0.7, 1.0, 1.5, 2.1])
"""Widths of the windows by the star's sigma; wider ones see neighbours, narrower ones the pixel's phase."""

EDGES = np.array([0.65, 0.85, 1.05, 1.25, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9])
"""Edges of the rings by the star's FWHM: the wings, all that a saturated star has left."""

SKY = (4.0, 5.5)
"""The ring of the local sky by the FWHM, just beyond the last ring."""

WINDOW_FLOOR, RING_FLOOR = 0.004, 0.02
"""Least scatter of a profile beyond noise, by where its centre lies in a pixel; what stars scatter more counts."""

MOST_STARS = 200
"""The brightest so many: what is fainter weighs nothing beside them, and time is linear in it."""

CLEAR = 20.0
"""Signal to noise, in a window, of stars that are used; their centres are then certain to 0.07 of a sigma."""

FEWEST = 10
"""Stars below which 5 terms of position and a dozen of the profile leave nothing to judge by."""

BRIGHTER_FATTER = 0.005
"""Widening that a sensor may bring at full scale, standard deviation: charge repels charge, 0.5 to 1 % is usual
(Antilogus et al. 2014, JINST 9, C03048, from memory)."""

CEILING = 0.7
"""Share of the way from sky to full scale above which pixels are left out: where seeing changes from frame to frame,
a mean peak of 0.7 was clipped in frames a third sharper."""

_LEAST_FWHM_PX = 2.6
"""Windows and rings made for narrower stars see the pixel's phase: stars of 1.7 px told 1.07 +- 0.01 of a linear
picture, with those of 2.6 px 1.01."""

_TOLD_SIGMA, _MISSED = 8.0, 0.3
"""Light that a star of this brightness should have in a window or ring, in noise, for it to be used; and the share of
it that it must have, or something is wrong there (chosen, not measured)."""

_DOWN, _UP, _LAST, _RANGE = 0.2, 0.25, 0.1, (0.1, 3.0)
"""Most that a step of Newton's takes off a power and adds to it, less than the grid's steps; what the last may do; and
what the power is held between, well beyond `POWERS`."""

_HUBER, _DECIDES = 2.0, 0.9
"""Residuals, in sigma, from which they count by their first power (common practice: 1.3 to 2); and most of the curve
that one star is taken to decide, which makes its own residual ten times as large."""

_ROUNDS = 10
"""Of medians by star and by ring in turn, which then move no more (chosen, not measured)."""

_FULL_QUANTILE = 0.98
"""Of the peaks, which is taken for full scale: a few cores above may be hot."""

MARGIN = 0.7
"""Pixels round those that are left out: half a pixel's diagonal, as far as a resampled clip reaches."""


@dataclass(frozen=True)
class StarCurve:
    """The power law of a plane."""

    # power and error: 1 for a linear picture; its standard error, scatter of stars and sensor's widening included
    power: float = float("nan")
    error: float = float("inf")
    # twice the loss of likelihood of a linear picture, less what the star gives that speaks loudest: the square
    # of the distance of ``power`` from 1 in errors, as all other stars see it
    against: float = 0.0
    stars: int = 0  # unsaturated stars used, brighter than `CLEAR` times their noise
    reach: float = 0.0  # the highest level used over the sky, in units of the sky
    # skew of the sky's pixels round the stars, 0 for symmetric noise, below 0 where a curve bends within the
    # noise
    skew: float = 0.0
    skew_error: float = float("inf")


def fit_star_curve(
    plane: NDArray[np.float32], stars: Stars, *, invalid: NDArray[np.bool_] | None, ceiling: float
) -> StarCurve:
    """Fit the power law under which all stars have one profile.

    Parameters
    ----------
    plane : (rows, columns) float32
        As the file holds it: its zero is the curve's.
    stars : Stars
        Of this plane, by falling flux.
    invalid : (rows, columns) bool or None
    ceiling : float
        Level from which pixels are not used.

    Returns
    -------
    StarCurve
        Error infinite where fewer than `FEWEST` stars are clear.

    Notes
    -----
    ln(sum_ik) = a_i + p_k + q_k (position terms of i), a star's brightness, the profile's share in window or ring k,
    and a width that may bend over the field in second order; weighted by noise and floors, residuals beyond 2 sigma
    by Huber. The error is that of clustered residuals, star by star.
    """
    fwhm = typical_fwhm(stars)
    chosen = stars.select(single_stars(stars, plane.shape, most=MOST_STARS, fewest=FEWEST))
    if not np.isfinite(fwhm) or len(chosen) < FEWEST:
        return StarCurve()
    fwhm = max(fwhm, _LEAST_FWHM_PX)
    mask = np.zeros((1, 1), dtype=np.bool_) if invalid is None else invalid
    near, reach = _neighbours(chosen, stars, fwhm)
    half = int(np.ceil(SKY[1] * fwhm)) + 1
    boxes = np.full((len(chosen), 2 * half + 1, 2 * half + 1), np.nan)
    cut_boxes(plane, mask, chosen.xy, near, reach, float(ceiling), MARGIN, boxes)
    boxes = level_boxes(boxes, SKY[0] * fwhm, SKY[1] * fwhm)
    levels = ring_levels(boxes, chosen.xy, np.append(EDGES, SKY) * fwhm)
    usable = np.isfinite(levels[:, -1, 0]) & (levels[:, -1, 1] > 0.0)
    if usable.sum() < FEWEST:
        return StarCurve()
    usable[usable] = ~on_target(chosen.xy[usable], levels[usable, -1], plane.shape)
    chosen, boxes, levels = chosen.select(usable), boxes[usable], levels[usable]
    if len(chosen) < FEWEST:
        return StarCurve()
    return _fit(plane.shape, chosen, boxes, levels, fwhm)


def join_curves(curves: Sequence[StarCurve]) -> StarCurve:
    """Return the one power law of several planes of a picture, with an error that no single star decides.

    Parameters
    ----------
    curves : sequence of StarCurve
        At least one. Skew and reach are those of the first.

    Returns
    -------
    StarCurve

    Notes
    -----
    The mean of ln(power) weighted by the inverse squares of its errors, which are wider where planes disagree. The
    error is at least the distance from 1 over the root of the sum of `StarCurve.against`; planes on the other side of
    1 count against it.
    """
    known = [curve for curve in curves if np.isfinite(curve.error)]
    if not known:
        return curves[0]
    powers, errors = np.array([[curve.power, curve.error] for curve in known]).T
    weight = (powers / errors) ** 2
    log = float(np.average(np.log(powers), weights=weight))
    apart = float((weight * (np.log(powers) - log) ** 2).sum()) / max(len(known) - 1, 1)
    power = float(np.exp(log))
    error = power * float(np.sqrt(max(apart, 1.0) / weight.sum()))
    against = float((np.sign(log) * np.sign(np.log(powers)) * [curve.against for curve in known]).sum())
    error = max(error, abs(1.0 - power) / float(np.sqrt(max(against, 1.0))))
    stars = max(curve.stars for curve in known)
    return replace(curves[0], power=power, error=error, against=max(against, 0.0), stars=stars)


def _neighbours(chosen: Stars, stars: Stars, fwhm: float) -> tuple[Floats, Floats]:
    """Return places (n, 8, 2) of the nearest other stars and how far each of them lights, farther if brighter."""
    from scipy.spatial import cKDTree

    # 9: the star itself and the eight nearest
    apart, index = cKDTree(stars.xy).query(chosen.xy, k=9, distance_upper_bound=2.0 * SKY[1] * fwhm)
    other = np.isfinite(apart) & (apart > 0.5 * fwhm)
    index = np.where(other, index, 0)
    ratio = stars.flux[index] / chosen.flux[:, None]
    reach = np.where(other, fwhm * (1.0 + 0.5 * np.log1p(ratio)), 0.0)
    return stars.xy[index], reach


@dataclass(frozen=True, eq=False)
class _Profiles:
    """Windows, then rings, k in all, of n stars."""

    boxes: Floats
    xy: Floats
    sky: Floats
    base: Floats
    """Level of the sky over the curve's zero, at least its noise, (n,)."""
    widths: Floats
    rings: Floats
    """Light of the rings over the sky, (n, rings)."""
    error: Floats
    used: NDArray[np.bool_]
    floor: Floats
    run: Floats
    """d ln(light) by d ln(width), but for a constant, (k,): how a wider star would look."""
    place: Floats
    """Terms of position, (n, 5)."""
    lost: Floats
    """ln of the light that a window loses as noise moves its centre, (n, k)."""
    tops: Floats
    """Highest pixel over the sky, (n,)."""
    fullness: Floats
    """The same as a share of the ceiling, (n,)."""


def _fit(shape: tuple[int, ...], stars: Stars, boxes: Floats, levels: Floats, fwhm: float) -> StarCurve:
    count = levels[:, -1, 3]
    skew = float(np.average(levels[:, -1, 2], weights=count))
    # the error of (q84 + q16 - 2 q50) / (q84 - q16) of n normal numbers is 1.14 / sqrt(n), here a little more: 5000
    # draws of 2000
    skew_error = 1.2 / float(np.sqrt(count.sum()))
    profiles = _profiles(shape, stars, boxes, levels, fwhm)
    if profiles is None:
        return StarCurve(skew=skew, skew_error=skew_error)
    trials = _fit_powers(profiles, POWERS)
    at = int(np.argmin([trial[0].sum() for trial in trials]))
    power, (_, step, error, scatter) = float(POWERS[at]), trials[at]
    profiles = replace(profiles, floor=np.maximum(profiles.floor, scatter))
    for _ in range(3):
        # a step of Newton, no farther than the grid's next
        power = float(np.clip(power + np.clip(step, -_DOWN * power, _UP * power), *_RANGE))
        misfit, step, error, _ = _fit_powers(profiles, np.array([power]))[0]
    straight = _fit_powers(profiles, np.ones(1))[0][0]
    worse = straight - misfit
    against = 2.0 * float(max(worse.sum() - max(worse.max(), 0.0), 0.0))
    power += float(np.clip(step, -_LAST * power, _LAST * power))
    clear = profiles.used[:, : WINDOWS.size].any(axis=1)
    reach = float(np.max(np.where(clear, profiles.tops / profiles.base, 0.0), initial=0.0))
    return StarCurve(power, error, against, int(clear.sum()), reach, skew, skew_error)


def _profiles(
    shape: tuple[int, ...], stars: Stars, boxes: Floats, levels: Floats, fwhm: float
) -> _Profiles | None:
    """Measure windows and rings, and pick those that are predicted to be clear of noise.

    Predicted, by the star's brightness and the profile of all: a faint ring that is picked because noise lifts it
    would make faint stars wider.
    """
    # copied: a kernel is compiled anew for arrays with gaps
    sky, noise, _, count = levels[:, -1].T.copy()
    sigma = fwhm / FWHM_PER_SIGMA
    widths = WINDOWS * sigma
    # far above zero nothing is cut off below it
    sums = window_sums(boxes, stars.xy, sky, 1e4 * noise, widths, np.ones(1))[0, 0]
    rings = levels[:, : EDGES.size - 1, 0] - sky[:, None]
    noise = noise * shared_noise(boxes, sky, noise, SKY[0] * fwhm)
    # 1.2533: the median of n values has pi/2 times the variance of their mean; a window of width w has the sum 2 pi w^2
    # and the root of its sum of squares is sqrt(pi) w
    sky_error = 1.2533 * noise / np.sqrt(count)
    by_window = np.hypot(
        noise[:, None] * np.sqrt(np.pi) * widths, sky_error[:, None] * 2.0 * np.pi * widths**2
    )
    in_ring = np.maximum(levels[:, : EDGES.size - 1, 3], 1.0)
    by_ring = np.hypot(1.2533 * noise[:, None] / np.sqrt(in_ring), sky_error[:, None])
    light, error = np.concatenate([sums, rings], axis=1), np.concatenate([by_window, by_ring], axis=1)
    clear = np.isfinite(light) & (np.nan_to_num(light) > CLEAR * error)
    kept = clear.sum(axis=1) >= 3
    if kept.sum() < FEWEST:
        return None
    light, error, stars = light[kept], error[kept], stars.select(kept)
    used, profile = _predicted(light, error, clear[kept])
    used &= used.sum(axis=0) >= 4
    to_noise = np.where(used[:, 1], np.nan_to_num(light[:, 1]) / error[:, 1], np.inf)
    lost = np.zeros_like(light)
    # a centre is uncertain to sqrt(2) sigma / (signal to noise) on each axis (derived here for a window of one sigma)
    lost[:, : WINDOWS.size] = 2.0 / (1.0 + WINDOWS**2) / to_noise[:, None] ** 2
    x, y = (2.0 * stars.xy / np.array(shape[::-1]) - 1.0).T
    return _Profiles(
        boxes=boxes[kept],
        xy=stars.xy,
        sky=sky[kept],
        base=np.maximum(sky, noise)[kept],
        widths=widths,
        rings=light[:, WINDOWS.size :],
        error=error,
        used=used,
        floor=np.where(np.arange(light.shape[1]) < WINDOWS.size, WINDOW_FLOOR, RING_FLOOR),
        run=_run_by_width(profile),
        place=np.stack([x, y, x * x - 1.0 / 3.0, x * y, y * y - 1.0 / 3.0], axis=1),
        lost=lost,
        tops=stars.peak,
        fullness=np.minimum(stars.peak / np.quantile(stars.peak, _FULL_QUANTILE), 1.0),
    )


def _run_by_width(profile: Floats) -> Floats:
    """Return d ln(light) by d ln(width) of a star of this profile in all windows and rings.

    A star that is wider by s and keeps its light shows the window w what it showed w / s, and a ring at r the level
    that it had at r / s, over s^2.
    """
    middles = 0.5 * (EDGES[1:] + EDGES[:-1])
    windows, rings = profile[: WINDOWS.size], profile[WINDOWS.size :]
    run = np.concatenate([-np.gradient(windows, np.log(WINDOWS)), -np.gradient(rings, np.log(middles)) - 2.0])
    known: Floats = np.nan_to_num(run, nan=0.0, posinf=0.0, neginf=0.0)
    return known


def _predicted(light: Floats, error: Floats, clear: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], Floats]:
    """Return which windows and rings a star so bright should fill to `_TOLD_SIGMA` times the noise, and did not miss;
    and ln of the profile, NaN where no star tells it."""
    known = np.where(clear, np.log(np.where(clear, light, 1.0)), np.nan)
    some = clear.any(axis=0)
    known = known[:, some]
    profile: NDArray[np.floating] = np.zeros(known.shape[1])
    for _ in range(_ROUNDS):
        bright = middles(*sorted_finite(known - profile))
        profile = middles(*sorted_finite((known - bright[:, None]).T))
    told, whole = np.zeros_like(light), np.full(light.shape[1], np.nan)
    told[:, some], whole[some] = np.exp(bright[:, None] + profile), profile
    used: NDArray[np.bool_] = (
        np.isfinite(light) & (told > _TOLD_SIGMA * error) & (np.nan_to_num(light) > _MISSED * told)
    )
    return used, whole


def _fit_powers(profiles: _Profiles, powers: Floats) -> list[tuple[Floats, float, float, Floats]]:
    """Return for each trial power the stars' misfits, the step to the best one, its error, and scatters as floors."""
    p = profiles
    sums, slopes = window_sums(p.boxes, p.xy, p.sky, p.base, p.widths, powers)
    base, over = np.log(p.base)[:, None], np.log(p.base[:, None] + np.maximum(np.nan_to_num(p.rings), 0.0))
    done = []
    for at, power in enumerate(powers):
        e = 1.0 / power
        rings = np.exp(e * over) - np.exp(e * base)
        light = np.concatenate([sums[at], rings], axis=1)
        slope = np.concatenate(
            [slopes[at], -e * e * (np.exp(e * over) * over - np.exp(e * base) * base)], axis=1
        )
        steep = e * np.exp((e - 1.0) * np.concatenate([np.broadcast_to(base, sums[at].shape), over], axis=1))
        used = p.used & (np.nan_to_num(light) > 0.0)
        share = np.where(used, light, 1.0)
        noise = np.where(used, steep * p.error / share, 0.0)
        # half its square is what noise takes from the mean of a logarithm
        log = np.where(used, np.log(share) + 0.5 * noise**2 + p.lost, 0.0)
        weight = np.where(used, 1.0 / (noise**2 + p.floor**2), 0.0)
        done.append(_two_way(p, log, weight, np.where(used, slope / share, 0.0)))
    return done


def _two_way(p: _Profiles, log: Floats, weight: Floats, slope: Floats) -> tuple[Floats, float, float, Floats]:
    """Fit brightness, profile and place; return the stars' misfits, the step in power that lessens them most, its
    error, and the scatter of every window and ring."""
    some = weight.any(axis=0)
    log, weight, slope, run = log[:, some], weight[:, some], slope[:, some], p.run[some]
    rings = np.eye(log.shape[1])[1:]
    terms = [np.broadcast_to(ring, log.shape) for ring in rings]
    terms += [place[:, None] * run for place in p.place.T]
    design = np.stack([*terms, log, slope], axis=-1)
    huber = np.ones_like(log)
    for _ in range(3):
        w = weight * huber
        total = np.maximum(w.sum(axis=1), 1e-300)
        # the star's own brightness goes with its weighted mean
        centred = design - (np.einsum("nk,nka->na", w, design) / total[:, None])[:, None]
        fitted, rest = centred[..., :-2], centred[..., -2:]
        weighed = (w[..., None] * fitted).reshape(-1, fitted.shape[-1]).T
        normal = weighed @ fitted.reshape(weighed.shape[::-1])
        normal[np.diag_indices_from(normal)] += 1e-9 * np.trace(normal) + 1e-300
        solved = np.linalg.solve(normal, weighed @ rest.reshape(-1, 2))
        left = rest - fitted @ solved
        residual, lever = left[..., 0], left[..., 1]
        sigmas = np.abs(residual) * np.sqrt(weight)
        huber = np.where(sigmas > _HUBER, _HUBER / np.maximum(sigmas, _HUBER), 1.0)
    w = weight * huber
    held = float((w * lever * lever).sum())
    if not held > 0.0:
        return np.full(len(log), np.inf), 0.0, float("inf"), np.zeros_like(p.floor)
    pull = (w * lever * residual).sum(axis=1)
    # a star that decides alone fits itself: its residual is told larger by what it decides
    alone = np.minimum((w * lever * lever).sum(axis=1) / held, _DECIDES)
    scatter = float(((pull / (1.0 - alone)) ** 2).sum())
    # all stars wider by their share of BRIGHTER_FATTER at once
    fatter = BRIGHTER_FATTER * float((w * lever * run * p.fullness[:, None]).sum())
    error = np.sqrt(max(scatter, held) + fatter**2) / held
    misfit = np.where(sigmas < _HUBER, 0.5 * sigmas**2, _HUBER * sigmas - 0.5 * _HUBER**2)
    scatters = np.zeros_like(p.floor)
    seen = np.where(weight > 0.0, np.abs(residual), np.nan)
    scatters[some] = MAD_TO_SIGMA * middles(*sorted_finite(seen.T))
    return misfit.sum(axis=1), -float(pull.sum()) / held, float(error), scatters
