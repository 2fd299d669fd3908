"""The sky beside a large object: the mean over all skies and halos that the blocks allow, each by its probability.

What a halo does beyond where it is seen, and whether a sky bends or the halo does, no picture tells for sure. So no
profile and no degree is chosen here: how far the skies lie apart that fit alike is in the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.science.sky.arms import shared_errors
from blend.science.sky.blocks import degree_of, resized, term_powers
from blend.science.sky.first_halo import about, first_halo, settled_errors
from blend.science.sky.halo import halo_slopes, moved
from blend.science.sky.solver import SkyProblem, Solution, blocks_per_error, clipped_away

CURVE_SHARES = (0.03, 0.1, 0.3)
"""What a term of a sky's curvature may be beside its slope, beforehand, each as likely: moonlight bends by the first,
a town's glow by the last."""
UNEVEN_DEGREE = 4
"""A sky's waves are as long as a quarter of the frame and longer: shorter ones no disc hides."""
UNEVEN = (1.0, 2.0, 4.0, 8.0)
"""What its every term may be besides, in errors of a block, each as likely as none: less is not seen, and nine terms
tell a factor of 2."""
CHANCE_PATCH = 1.5
"""So many blocks may seem to share one error where none do: 1.36 at most in 40 drawn frames."""
FREE_SHARE = 0.1
"""Of all blocks: as many as tell from one another what they share."""
LEAST_WEIGHT = 0.02
"""Of all probability that skies of a degree must have to count."""
STEEPNESS_STEP = 0.09
"""Doubt of ln steepness about each that is tried: half the distance to the next."""
RING_SHARE = 0.5
"""By how much of the halo's doubt a profile is wrong all around: no disc is one of those that are tried."""
TOLD_SHARES = (0.125, 0.25, 0.5, 1.0)
"""Of the halo's doubt: so much of it may be true of an object, each as likely. Smooth discs of a frame's height had
errors stated 1.6 times too large where all of it was held to be; more than all is an uneven sky's."""
LEAST_POWER = 1e-200
"""Sum of squares of a profile, in errors, below which it shines in no block: a steep one far from its outline."""
LEAST_WIDTH = 1e-3
"""Narrower than this, in errors of a block, nothing is."""


def averaged_sky(ringed: SkyProblem, plain: Solution, degrees: list[int]) -> Solution | None:
    """Return the mean sky beside the object of a problem, or None where no halo above 0 fits; ``plain`` has none."""
    found = first_halo(ringed, plain)
    if found is None:
        return None
    assert found.halo is not None
    ringed = about(ringed, found.halo.ellipse)
    return average_skies(ringed, settled_errors(ringed, found), degrees)


@dataclass(frozen=True)
class Bend:
    """How far a sky may slope and bend beforehand: 0 +- ``widths`` for every term after the level, and its odds."""

    widths: tuple[float, ...]
    odds: float


def bends(degrees: list[int], slope: float, scale: float, patch: float = 1.0) -> list[Bend]:
    """Return what a sky may be: every degree as likely, degree 2 by its slope (`CURVE_SHARES`) or by anything.

    Where blocks share errors no sky is of a low degree: what is uneven over a few blocks is so over the frame. There
    every term may be as large as sqrt(patch - `CHANCE_PATCH`) errors of a block: held to be flat, a frame that bends by
    a tenth of a pixel's noise has its bend counted as the object's light.

    Parameters
    ----------
    degrees : list of int
        One that was chosen by hand is free.
    slope, scale : float
        Of the sky, about, and the most that a term may be, in errors of a block.
    patch : float
        Blocks that share one error.
    """
    count = len(term_powers(degrees[-1])) - 1
    if len(degrees) == 1:
        return [Bend((np.inf,) * count, 1.0)]
    uneven = float(np.sqrt(max(patch - CHANCE_PATCH, 0.0)))
    found = []
    for degree in degrees:
        if degree < 2:
            more = count - 2 * degree if uneven > 0.0 else 0
            found.append(Bend((scale,) * (2 * degree) + (uneven,) * more, 1.0))
            continue
        curves = [max(float(np.hypot(share * slope, uneven)), LEAST_WIDTH) for share in CURVE_SHARES]
        found += [Bend((scale, scale) + (curve,) * 3, 1.0 / (len(curves) + 1)) for curve in [*curves, scale]]
    return found


def uneven(allowed: list[Bend]) -> list[Bend]:
    """Return the same with waves of `UNEVEN_DEGREE` beside each bend, of every size of `UNEVEN`."""
    count = len(term_powers(UNEVEN_DEGREE)) - 1
    return [
        Bend(tuple(np.hypot(resized(np.array(bend.widths), max(count, len(bend.widths))), waves)), bend.odds)
        for bend in allowed
        for waves in UNEVEN
    ]


def average_skies(problem: SkyProblem, solution: Solution, degrees: list[int]) -> Solution:
    """Return the mean of all skies beside all halos, each by its probability.

    values = terms c + strength p_k (1 + e),  <e_i e_j> = doubt^2 exp(-(d ln R)^2 / 2 L^2) exp((cos(d phi) - 1) / L^2)

    for every profile p_k of `halo.profiles_at` and every bend b of `bends`, with R and phi radius and angle on the
    ellipses of the outline, whose centre, ratio and turn are fitted with their doubts. For each pair the answer is
    linear; its probability is

        odds_k odds_b exp(-chi^2 / 2 p) sigma(strength) / strength / sqrt(det A det W)

    with A the normal matrix, W the variances allowed beforehand and p the blocks that share one error. How much of the
    halo's doubt is true is told first, by all pairs' probability with sqrt(det) of the errors under it. With skies that
    are `uneven` among them the covariance about this mean is larger by ``waves``: as the seen part waves, so may the
    sky below the object. They do not move the mean: a wave is no reason to bend the sky into a halo.

    Parameters
    ----------
    problem : SkyProblem
    solution : Solution
        Of this problem, with a halo: its errors and choice of blocks serve all pairs.
    degrees : list of int
        That the sky may have.

    References
    ----------
    Aitken (1935), Proc. R. Soc. Edinburgh 55, 42 (generalised least squares); Hoeting et al. (1999), Statistical
    Science 14, 382 (averaging over models); both from memory. The error and the odds are derived here.
    """
    halo, used, profiles = solution.halo, solution.used, problem.profiles
    assert halo is not None and profiles is not None and solution.doubt is not None
    terms = problem.terms(max(degrees[-1], UNEVEN_DEGREE))
    free = _free_blocks(problem, solution)
    share = _doubt_told(problem, solution, terms, degrees[-1])
    data = _gathered(problem, solution, terms, share)
    slope = float(np.abs(solution.coefficients[1:3]).sum()) / data.scale
    most = float(np.ptp(data.values[problem.sky[used]]))
    # Of free blocks: what a halo lacks is uneven over many, too, and would let the sky bend into the object.
    shared = blocks_per_error(solution.residuals / solution.sigma, free, problem.blocks.grid)
    allowed = bends(degrees, slope, most, shared)
    # Not those of free blocks: what an object's profile lacks is no reason to fit the sky beside it less well.
    data = _gathered(
        problem, solution, terms, share, np.where(free, 1.0, np.sqrt(_misfit(problem, data, degrees[-1])))
    )
    even = [_answers(data, bend, profiles.odds) for bend in allowed]
    kept = _believed(even)
    best = kept[int(np.argmax([each.odds.max() for each in kept]))]
    which = int(np.argmax(best.odds))
    mean, covariance = _mean(kept)
    every = even + [_answers(data, bend, profiles.odds) for bend in uneven(allowed)]
    fresh = profiles.halo(which, float(best.strengths[which]) * data.scale)
    fresh = replace(fresh, ellipse=moved(profiles.ellipse, np.clip(best.shifts[which], -0.5, 0.5)))
    coefficients = mean * data.scale
    coefficients[0] += data.level
    model = terms[:, : mean.size] @ coefficients + fresh.shine(problem.blocks.xy)
    return replace(
        solution,
        coefficients=coefficients,
        covariance=covariance * data.scale**2,
        waves=(_mean(every, mean)[1] - covariance) * data.scale**2,
        residuals=np.where(problem.good, problem.values - model, 0.0),
        halo=fresh,
    )


def _free_blocks(problem: SkyProblem, solution: Solution) -> NDArray[np.bool_]:
    """Return the blocks of sky where the halo's error is less than a block's; none where these are few."""
    assert solution.doubt is not None
    free = solution.used & problem.sky & (solution.doubt <= problem.errors)
    return np.asarray(free & (free.mean() >= FREE_SHARE))


def _mean(
    answers: list[_Answers], mean: NDArray[np.float64] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the mean sky, or one given, and its covariance: of each answer, and of the answers about it."""
    odds = np.concatenate([each.odds for each in answers])
    weights = np.exp(odds - odds.max())
    weights /= weights.sum()
    count = max(each.own.shape[0] for each in answers) if mean is None else mean.size
    skies = np.concatenate([resized(each.skies, count) for each in answers])
    mean = weights @ skies if mean is None else mean
    covariance = (skies - mean).T @ ((skies - mean) * weights[:, None])
    for each, part in zip(answers, np.split(weights, len(answers)), strict=True):
        pulls = resized(each.pulls, count)
        covariance += part.sum() * resized(resized(each.own, count).T, count)
        covariance += pulls.T @ (pulls * part[:, None])
    return mean, covariance


@dataclass(frozen=True, eq=False)
class _Data:
    """Normal matrices of all blocks that are used, errors shared: sky and outline (t), all profiles (p), values (y).

    ``count`` is how many independent errors the blocks have, ``log_volume`` ln det of their covariance.
    """

    values: NDArray[np.float64]
    level: float
    scale: float
    known: NDArray[np.float64]
    tt: NDArray[np.float64]
    tp: NDArray[np.float64]
    pp: NDArray[np.float64]
    ty: NDArray[np.float64]
    py: NDArray[np.float64]
    yy: float
    count: float
    log_volume: float


@dataclass(frozen=True, eq=False)
class _Answers:
    """Of one bend and every profile: log odds, sky, what the strength does to it, shift of the outline, strength."""

    degree: int
    odds: NDArray[np.float64]
    skies: NDArray[np.float64]
    pulls: NDArray[np.float64]
    shifts: NDArray[np.float64]
    strengths: NDArray[np.float64]
    gains: NDArray[np.float64]
    own: NDArray[np.float64]


def _gathered(
    problem: SkyProblem,
    solution: Solution,
    terms: NDArray[np.float64],
    share: float,
    raised: NDArray[np.float64] | float = 1.0,
) -> _Data:
    """Weigh blocks by the solution's errors and what they share of its halo's, in units of a typical block's error.

    ``raised`` are factors of all errors, one a block.
    """
    halo, used, profiles = solution.halo, solution.used, problem.profiles
    assert halo is not None and profiles is not None and solution.doubt is not None
    scale = float(np.median(solution.sigma[used]))
    more, known = halo_slopes(halo, problem.blocks.xy)
    known[1] = STEEPNESS_STEP**-2
    own = np.sqrt(
        np.maximum(solution.sigma[used] ** 2 - solution.doubt[used] ** 2, problem.errors[used] ** 2)
    )
    unit = scale / np.broadcast_to(raised, used.shape)[used]
    shared = shared_errors(
        halo.ellipse,
        problem.blocks.xy[used],
        share * solution.doubt[used] / unit,
        own / unit,
        around=RING_SHARE,
    )
    values = (problem.values + clipped_away(problem, solution.sigma, used))[used]
    level = float(np.median(values))
    values = (values - level) / scale
    columns = np.column_stack([terms, more[:, 1:] / scale])[used]
    weighed = shared.undo(np.column_stack([columns, values])) / solution.patch
    shapes = profiles.shapes[used]
    normal = np.column_stack([columns, values]).T @ weighed
    across = weighed.T @ shapes
    own_power = shared.power(shapes) / solution.patch
    return _Data(
        values, level, scale, known[1:], normal[:-1, :-1], across[:-1], own_power, normal[:-1, -1], across[-1],
        float(normal[-1, -1]), values.size / solution.patch, shared.log_volume / solution.patch,
    )  # fmt: skip


def _doubt_told(problem: SkyProblem, solution: Solution, terms: NDArray[np.float64], degree: int) -> float:
    """Return what share of the halo's doubt is true: the mean of `TOLD_SHARES`, each by its probability.

    log odds = ln(sum of those of all profiles) - (chi^2 of the values alone + ln det of the errors) / 2 p
    """
    found = []
    for share in TOLD_SHARES:
        data = _gathered(problem, solution, terms, share)
        odds = float(np.logaddexp.reduce(_freely(problem, data, degree).odds))
        found.append(odds - 0.5 * (data.yy + data.log_volume))
    weights = np.exp(np.array(found) - max(found))
    return float(np.exp(weights @ np.log(TOLD_SHARES) / weights.sum()))


def _misfit(problem: SkyProblem, data: _Data, degree: int) -> float:
    """Return chi^2 of the best of all pairs by what chance makes of it, at least 1.

    Already each block counts as one of ``patch`` that share an error, so chi^2 is that of ``count`` numbers.
    """
    best = float(_freely(problem, data, degree).gains.max())
    free = data.count - len(term_powers(degree)) - data.known.size - 2
    return float(max((data.yy - 2.0 * best) / max(free, 1), 1.0))


def _freely(problem: SkyProblem, data: _Data, degree: int) -> _Answers:
    """Return the answers where nothing is known of the sky but its degree."""
    assert problem.profiles is not None
    return _answers(data, Bend((np.inf,) * (len(term_powers(degree)) - 1), 1.0), problem.profiles.odds)


def _answers(data: _Data, bend: Bend, odds: NDArray[np.float64]) -> _Answers:
    """Solve for sky, outline and strength with every profile."""
    count, outline = 1 + len(bend.widths), data.known.size
    rows = np.r_[0:count, data.tt.shape[0] - outline : data.tt.shape[0]]
    widths = np.array(bend.widths)
    prior = np.concatenate([[0.0], widths**-2.0, data.known])
    normal = data.tt[np.ix_(rows, rows)] + np.diag(prior)
    size = np.sqrt(np.diag(normal))
    inverse = np.linalg.pinv(normal / np.outer(size, size), rcond=1e-13) / np.outer(size, size)
    to_profile = inverse @ data.tp[rows]
    alone = inverse @ data.ty[rows]
    lit = data.pp > LEAST_POWER
    room = np.where(lit, np.maximum(data.pp - (data.tp[rows] * to_profile).sum(axis=0), 1e-12 * data.pp), 1.0)
    # Light only adds: a profile that would take some away is left out.
    strength = np.where(lit, np.maximum((data.py - data.tp[rows].T @ alone) / room, 0.0), 0.0)
    # A strength known to a share of itself is as likely at any scale; one that may be 0, as its error says.
    above = strength + 1.0 / np.sqrt(room)
    gains = 0.5 * (strength**2 * room + float(data.ty[rows] @ alone))
    finite = widths[np.isfinite(widths)]
    volume = (
        0.5 * np.linalg.slogdet(normal / np.outer(size, size))[1] + np.log(size).sum() + np.log(finite).sum()
    )
    log_odds = np.where(lit, gains - 0.5 * np.log(room) - np.log(above), -np.inf)
    answers = (alone[:, None] - to_profile * strength).T
    return _Answers(
        degree=degree_of(count),
        odds=log_odds + np.log(odds * bend.odds) - volume,
        skies=answers[:, :count],
        pulls=(to_profile / np.sqrt(room)).T[:, :count],
        shifts=answers[:, -4:],
        strengths=strength,
        gains=gains,
        own=inverse[:count, :count],
    )


def _believed(found: list[_Answers]) -> list[_Answers]:
    """Return the answers without degrees that next to no probability has."""
    top = max(float(each.odds.max()) for each in found)
    found = [replace(each, odds=each.odds - top) for each in found]
    whole = sum(float(np.exp(each.odds).sum()) for each in found)
    highest = max(
        degree
        for degree in {each.degree for each in found}
        if sum(float(np.exp(e.odds).sum()) for e in found if e.degree >= degree) >= LEAST_WEIGHT * whole
    )
    return [each for each in found if each.degree <= highest]
