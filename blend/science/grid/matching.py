"""Pair the stars of two lists under a proposed map, refine the map, and weigh it against chance."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import lgamma, log, log1p, log10
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median
from blend.science.grid.distortion import Warp
from blend.science.grid.transforms import MODELS, Matrix, Points, apply_matrix, fit_model, scale_of, within
from blend.science.grid.wholeframe import Pattern
from blend.science.stars import FWHM_PER_SIGMA, Stars

ACCEPT_PX = 1.5
"""Stars closer than this, in pixels of the coarser frame, count as matched when a map is weighed."""

_FIRST_RADIUS_PX = 6.0
"""Where partners are first looked for, of the coarser frame: a map from four stars errs by several centroid errors of
1 px towards the corners. Chosen, not measured; 0.4 of the stars' spacing bounds it, so that partners stay theirs."""
_ENOUGH_UNSATURATED = 12
"""Pairs without a clipped core that a fit goes by alone: three for each of the four numbers of a similarity. Chosen."""
_ENOUGH_PRECISE = 15
"""Pairs of the more precise half that a map is judged by alone: their scatter is known to 18 %, 1 / sqrt(2 x 15)."""
_STRONG = 6.0
"""Difference of Schwarz' criterion from which evidence counts as strong: Kass & Raftery (1995), JASA 90,
773; from memory."""


@dataclass(frozen=True, eq=False)
class Side:
    """One star list as the matcher sees it: places, their errors in pixels, saturation, frame shape."""

    xy: Points
    error_px: NDArray[np.float64]
    saturated: NDArray[np.bool_]
    index: NDArray[np.int64]
    shape: tuple[int, int]

    @classmethod
    def of(cls, stars: Stars, shape: tuple[int, int]) -> Side:
        """Make a side of stars; a centroid over a bright sky errs by sqrt(2) sigma / SNR (derived here)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            sigma = np.nan_to_num(stars.fwhm_px, nan=3.0) / FWHM_PER_SIGMA
            error = np.sqrt(2.0) * sigma * stars.flux_error / stars.flux
        error = np.clip(np.nan_to_num(error, nan=1.0, posinf=1.0), 0.0, 2.0)
        # Pixel phase and neighbours limit bright stars too.
        error = np.hypot(error, 0.02 * np.maximum(sigma, 1.0))
        return cls(stars.xy, error, stars.saturated, np.arange(len(stars)), (int(shape[0]), int(shape[1])))

    def without(self, taken: NDArray[np.int64]) -> Side:
        """Return the side without the stars at ``taken``, original indices kept in ``index``."""
        keep = np.ones(len(self.xy), dtype=np.bool_)
        keep[taken] = False
        return Side(self.xy[keep], self.error_px[keep], self.saturated[keep], self.index[keep], self.shape)

    def moved(self, xy: Points) -> Side:
        """Return the side with its stars elsewhere."""
        return Side(xy, self.error_px, self.saturated, self.index, self.shape)

    @cached_property
    def tree(self) -> Any:
        """A search tree over the places."""
        from scipy.spatial import cKDTree

        return cKDTree(self.xy)


@dataclass(frozen=True, eq=False)
class Match:
    """A refined map, its pairs and what speaks for it."""

    matrix: Matrix
    model: str
    mirrored: bool
    i: NDArray[np.int64]
    j: NDArray[np.int64]
    rms_px: float
    paired_i: NDArray[np.int64]
    paired_j: NDArray[np.int64]
    radius_px: float
    possible: int
    share: float
    log_chance: float
    in_place: bool
    warp: Warp | None = None
    pattern: Pattern | None = None


def refine(matrix: Matrix, mine: Side, theirs: Side, *, transform: str, mirrored: bool) -> Match | None:
    """Pair and fit with growing freedom and shrinking radius; None where nothing is left to fit."""
    ladder = list(MODELS) if transform == "auto" else list(MODELS)[: list(MODELS).index(transform) + 1]
    model = ladder[0]
    coarser = max(1.0, abs(scale_of(matrix, _centre(mine.shape))))
    accept = ACCEPT_PX * coarser
    spacing = (theirs.shape[0] * theirs.shape[1] / max(len(theirs.xy), 1)) ** 0.5
    radius = max(accept, min(_FIRST_RADIUS_PX * coarser, 0.4 * spacing))
    if _hopeless(matrix, mine, theirs, radius):
        return None
    before, fitted = np.empty((2, 0), dtype=np.int64), ""
    for turn in range(14):
        i, j = pairs = np.array(pair(matrix, mine, theirs, radius=radius))
        if len(i) < 3:
            return None
        # Freedom grows with the number of pairs: a tilted frame agrees at first only near where it was
        # proposed.
        allowed = [name for name in ladder if 2 * len(i) >= 3 * MODELS[name][1]]
        model = allowed[min(turn // 2, len(allowed) - 1)] if allowed else ladder[0]
        if model != fitted or not np.array_equal(pairs, before):  # the same pairs lead to the same map
            matrix, _ = robust_fit(model, mine, theirs, i, j, mirrored=mirrored)
            if not sound(matrix, mine.shape, mirrored):
                return None
        settled = len(i) == before.shape[1] and turn >= 5
        before, fitted = pairs, model
        if settled and radius <= accept:
            break
        if turn >= 1:
            radius = max(accept, 0.7 * radius)
    return _conclude(matrix, mine, theirs, ladder, transform, mirrored, accept)


def _conclude(
    matrix: Matrix, mine: Side, theirs: Side, ladder: list[str], transform: str, mirrored: bool, accept: float
) -> Match | None:
    model, before = ladder[0], np.empty((2, 0), dtype=np.int64)
    for turn in range(8):
        # A wide net once more: a map fitted to part of the frame is off in the rest of it.
        i, j = pairs = np.array(pair(matrix, mine, theirs, radius=max(accept, accept * (3.0 - 0.5 * turn))))
        if len(i) < 3:
            return None
        if not np.array_equal(pairs, before):  # the same pairs lead to the same map
            auto = transform == "auto"
            model = choose_model(ladder, mine, theirs, i, j, mirrored=mirrored) if auto else transform
            if 2 * len(i) < MODELS[model][1]:
                return None
            matrix, _ = robust_fit(model, mine, theirs, i, j, mirrored=mirrored)
            if not sound(matrix, mine.shape, mirrored):
                return None
        if turn >= 4 and len(i) == before.shape[1]:
            break
        before = pairs
    i, j = pair(matrix, mine, theirs, radius=accept)
    if 2 * len(i) < max(MODELS[model][1], 6):
        return None
    precise = precise_pairs(matrix, mine, theirs, i, j)
    all_i, all_j, i, j = i, j, i[precise], j[precise]
    matrix, kept = robust_fit(model, mine, theirs, i, j, mirrored=mirrored)
    if kept.sum() < 2 or not sound(matrix, mine.shape, mirrored):
        return None
    numbers = MODELS[model][1]
    possible, share, chance = weigh(
        matrix, mine, theirs, matched=len(all_i), radius=accept, parameters=numbers
    )
    # Neighbours by chance fill the radius evenly, stars crowd in its middle: two radii are asked, which is two tries.
    close = len(pair(matrix, mine, theirs, radius=accept / 3.0)[0])
    tight = weigh(matrix, mine, theirs, matched=close, radius=accept / 3.0, parameters=numbers)[2]
    chance = min(min(chance, tight) + log10(2.0), 0.0)
    i, j = i[kept], j[kept]
    apart = np.hypot(*(apply_matrix(matrix, mine.xy[i]) - theirs.xy[j]).T)
    weights = weights_of(matrix, mine, theirs, i, j)
    rms = float(np.sqrt((weights * apart**2).sum() / weights.sum()))
    return Match(
        matrix,
        model,
        mirrored,
        mine.index[i],
        theirs.index[j],
        rms,
        mine.index[all_i],
        theirs.index[all_j],
        accept,
        possible,
        share,
        chance,
        _unmoved(matrix, mine),
    )


def pair(
    matrix: Matrix, mine: Side, theirs: Side, *, radius: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return indices of stars that are each other's nearest within ``radius`` reference pixels."""
    from scipy.spatial import cKDTree

    mapped = apply_matrix(matrix, mine.xy)
    mapped = np.where(np.isfinite(mapped), mapped, 1e9)
    apart, nearest = theirs.tree.query(mapped, distance_upper_bound=radius)
    close = np.flatnonzero(np.isfinite(apart) & (nearest < len(theirs.xy)))
    if close.size == 0:
        return close.astype(np.int64), close.astype(np.int64)
    _, back = cKDTree(mapped).query(theirs.xy[nearest[close]])
    mutual = close[back == close]
    return mutual.astype(np.int64), nearest[mutual].astype(np.int64)


def robust_fit(
    model: str, mine: Side, theirs: Side, i: NDArray[np.int64], j: NDArray[np.int64], *, mirrored: bool
) -> tuple[Matrix, NDArray[np.bool_]]:
    """Fit with weights, leaving out what lies beyond 3.5 standard deviations, until nothing changes.

    Saturated stars are left out where a dozen others remain: their centres are flat.
    """
    source, target = mine.xy[i], theirs.xy[j]
    usable = ~(mine.saturated[i] | theirs.saturated[j])
    keep = usable.copy() if usable.sum() >= _ENOUGH_UNSATURATED else np.ones(len(i), dtype=np.bool_)
    allowed = keep.copy()
    least = max(MODELS[model][1] // 2, 2)
    matrix = fit_model(model, source[keep], target[keep], mirrored=mirrored)
    for _ in range(12):
        weights = weights_of(matrix, mine, theirs, i, j)
        apart = np.hypot(*(apply_matrix(matrix, source) - target).T)
        pull = apart * np.sqrt(weights)
        # The median of a distance in two dimensions is 1.1774 sigma.
        limit = 3.5 * max(median(pull[allowed]) / 1.1774, 0.3)
        now = allowed & (pull <= limit)
        if now.sum() < least:
            break
        matrix = fit_model(model, source[now], target[now], weights=weights[now], mirrored=mirrored)
        if np.array_equal(now, keep):
            break
        keep = now
    return matrix, keep


def choose_model(
    ladder: list[str], mine: Side, theirs: Side, i: NDArray[np.int64], j: NDArray[np.int64], *, mirrored: bool
) -> str:
    """Return the kind of map with the least BIC over the pairs that the freest fit keeps.

    BIC = 2n ln(S / 2n) + k ln(2n). Two coordinates a star, k parameters; a kind needs 3 k / 4 stars or more, and must
    win by 6, which Kass & Raftery (1995), JASA 90, 773, call strong evidence (from memory): a freer map that is not
    needed errs most at the corners.
    """
    allowed = [name for name in ladder if 2 * len(i) >= 3 * MODELS[name][1]] or ladder[:1]
    _, keep = robust_fit(allowed[-1], mine, theirs, i, j, mirrored=mirrored)
    i, j = i[keep], j[keep]
    best, least = allowed[0], np.inf
    for name in allowed:
        if 2 * len(i) <= MODELS[name][1]:
            continue
        matrix, _ = robust_fit(name, mine, theirs, i, j, mirrored=mirrored)
        weights = weights_of(matrix, mine, theirs, i, j)
        apart = np.hypot(*(apply_matrix(matrix, mine.xy[i]) - theirs.xy[j]).T)
        squares = float((weights * apart**2).sum())
        count = 2 * len(i)
        # Residuals below a hundredth of their expected size are rounding, not evidence.
        score = count * log(max(squares / count, 1e-4)) + MODELS[name][1] * log(count)
        if score < least - (_STRONG if name != allowed[0] else 0.0):
            best, least = name, score
    return best


def weigh(
    matrix: Matrix, mine: Side, theirs: Side, *, matched: int, radius: float, parameters: int
) -> tuple[int, float, float]:
    """Return stars that could match, the matched share of them, and log10 of the chance of so many.

    The stars that the fit pins down (half its parameters) prove nothing and are taken off.
    """
    inside_mine = within(apply_matrix(matrix, mine.xy), theirs.shape)
    inside_theirs = within(apply_matrix(np.linalg.inv(matrix), theirs.xy), mine.shape)
    n_mine, n_theirs = int(inside_mine.sum()), int(inside_theirs.sum())
    possible = max(min(n_mine, n_theirs), matched)
    area = max(theirs.shape[0] * theirs.shape[1] * max(n_theirs / max(len(theirs.xy), 1), 1e-6), 1.0)
    uniform = n_theirs * np.pi * radius**2 / area
    # Stars crowd: what counts is how many neighbours a matched place has within a ring ten times as wide.
    wide = 10.0 * radius
    mapped = apply_matrix(matrix, mine.xy[inside_mine])
    near = theirs.tree.query_ball_point(mapped, wide, return_length=True) if len(mapped) else np.zeros(1)
    crowded = float(np.maximum(near - 1.0, 0.0).mean()) * (radius / wide) ** 2
    density = min(max(uniform, crowded, 1e-12), 50.0)
    pinned = parameters // 2
    chance = chance_of(matched - pinned, max(n_mine - pinned, 1), 1.0 - np.exp(-density))
    return possible, matched / possible, chance


def chance_of(matched: int, tried: int, probability: float) -> float:
    """Return log10 P(at least ``matched`` of ``tried``), each by itself with the given probability.

    P = sum over k >= n of C(N, k) p^k (1 - p)^(N - k), summed from its first term by the ratio of
    neighbours; the first term bounds the rest where n is below the mean, and then log10 P is given as 0.

    Examples
    --------
    >>> round(chance_of(10, 10, 0.1), 6)
    -10.0
    >>> round(10 ** chance_of(2, 3, 0.25), 6)
    0.15625
    >>> chance_of(1, 10, 0.5)
    0.0
    """
    if matched <= 0 or tried <= 0 or matched <= tried * probability:
        return 0.0
    matched = min(matched, tried)
    first = lgamma(tried + 1) - lgamma(matched + 1) - lgamma(tried - matched + 1)
    first += matched * log(probability) + (tried - matched) * log1p(-min(probability, 1.0 - 1e-12))
    odds = probability / max(1.0 - probability, 1e-12)
    total = term = 1.0
    for k in range(matched, tried):
        term *= (tried - k) / (k + 1) * odds
        total += term
        if term < 1e-12 * total:
            break
    return min((first + log(total)) / log(10.0), 0.0)


def weights_of(
    matrix: Matrix, mine: Side, theirs: Side, i: NDArray[np.int64], j: NDArray[np.int64]
) -> NDArray[np.float64]:
    scale = abs(scale_of(matrix, _centre(mine.shape)))
    variance: NDArray[np.float64] = (scale * mine.error_px[i]) ** 2 + theirs.error_px[j] ** 2
    return 1.0 / variance


def precise_pairs(
    matrix: Matrix, mine: Side, theirs: Side, i: NDArray[np.int64], j: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Pick the pairs for the last fit: the vaguest stars weigh next to nothing and hide its quality."""
    error = 1.0 / np.sqrt(weights_of(matrix, mine, theirs, i, j))
    good: NDArray[np.bool_] = error <= 1.5 * median(error)
    return good if good.sum() >= _ENOUGH_PRECISE else np.ones(len(i), dtype=np.bool_)


def sound(matrix: Matrix, shape: tuple[int, int], mirrored: bool) -> bool:
    """Tell whether a map is finite, of the right parity, and neither folds nor tears the frame."""
    if not np.isfinite(matrix).all():
        return False
    rows, columns = shape
    places = [
        (0.0, 0.0),
        (columns - 1.0, 0.0),
        (0.0, rows - 1.0),
        (columns - 1.0, rows - 1.0),
        _centre(shape),
    ]
    third = np.array([[x, y, 1.0] for x, y in places]) @ matrix[2]
    if third.min() <= 0.2 or third.max() > 5.0:
        return False
    scales = np.array([scale_of(matrix, place) for place in places]) * (-1.0 if mirrored else 1.0)
    return bool(scales.min() > 0.1 and scales.max() < 10.0)


def _hopeless(matrix: Matrix, mine: Side, theirs: Side, radius: float) -> bool:
    """Tell whether a proposal pairs no more stars than chance does, beyond the four that proposed it."""
    i, _ = pair(matrix, mine, theirs, radius=radius)
    if len(i) < 5:
        return True
    return weigh(matrix, mine, theirs, matched=len(i), radius=radius, parameters=8)[2] > -0.5


def _unmoved(matrix: Matrix, mine: Side) -> bool:
    rows, columns = mine.shape
    corners = np.array([[0.0, 0.0], [columns, 0.0], [0.0, rows], [columns, rows]])
    return bool(np.hypot(*(apply_matrix(matrix, corners) - corners).T).max() < 1.0)


def _centre(shape: tuple[int, int]) -> tuple[float, float]:
    return (0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1))
