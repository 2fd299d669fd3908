"""From a match to the map of the whole frame: pairs grown outwards, distortion chosen by cross-validation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.science.grid.distortion import CLEAR, KINDS, ORDERS, Distortion, Warp, fewest_stars, fit_warp
from blend.science.grid.transforms import Matrix, Points, apply_matrix

Indices = NDArray[np.int64]

NEIGHBOURS = 12
"""Matched stars that tell where the next one is sought: four times the three that a slope takes."""

FOLDS = 5
"""Of the cross-validation: four fifths of the stars fit nearly as well as all of them."""

MOST_TRIED = 400
"""Stars of the cross-validation: as many tell a hundredth of a pixel apart."""

LEAST_BEND_PX = 0.02
"""A distortion that moves no star by more is none: no centroid is as good."""

FEWEST_TOGETHER = 5
"""Stars in a part of the frame whose mean has an error worth the name."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """Stars of two frames that belong together, with their weights, brightest first."""

    source: Points
    target: Points
    weights: NDArray[np.float64]

    def select(self, chosen: NDArray[np.bool_] | Indices) -> Pairs:
        """Return some of the pairs."""
        return Pairs(self.source[chosen], self.target[chosen], self.weights[chosen])


def grow(
    matrix: Matrix, moving: Points, reference: Points, i: Indices, j: Indices, *, radius: float
) -> tuple[Indices, Indices]:
    """Pair outwards: a star is sought where its matched neighbours, continued linearly, put it.

    A map without distortion brings only part of a distorted frame together. Its neighbours tell of a star outside that
    part where it lies; once it is found it tells of the next one.

    Parameters
    ----------
    matrix : (3, 3)
    moving, reference : (n, 2), (m, 2)
    i, j : indices of the pairs that ``matrix`` brings together
    radius : float
        Farthest from the expected place, pixels of the reference.

    Returns
    -------
    i, j : indices of all pairs
    """
    from scipy.spatial import cKDTree

    straight, theirs = apply_matrix(matrix, moving), cKDTree(reference)
    for _ in range(30):
        if len(i) < 6:
            break
        expected = straight + _continued(straight, straight[i], reference[j] - straight[i], radius)
        apart, near = theirs.query(
            np.where(np.isfinite(expected), expected, 1e9), distance_upper_bound=radius
        )
        found = np.flatnonzero(np.isfinite(apart))
        if found.size == 0:
            break
        _, back = cKDTree(expected[found]).query(reference[near[found]])
        found = found[back == np.arange(len(found))]
        same = np.array_equal(found, i)
        i, j = found, near[found]
        if same:
            # strangers that happened to stand near: 3.5 sigma of a distance in two dimensions, median 1.1774 sigma
            alike = apart[i] <= 3.5 / 1.1774 * np.median(apart[i])
            i, j = i[alike], j[alike]
            break
    return np.asarray(i, dtype=np.int64), np.asarray(j, dtype=np.int64)


def _continued(places: Points, known: Points, rest: Points, radius: float) -> Points:
    """Return what is left over at ``places``, by a plane through the nearest ``known`` ones; NaN far from them."""
    from scipy.spatial import cKDTree

    count = min(NEIGHBOURS, len(known))
    tree = cKDTree(known)
    apart, near = tree.query(places, k=count + 1)
    # a star does not tell of itself: a false pair would confirm itself
    apart = np.where(apart < 1e-9, np.inf, apart)
    order = np.argsort(apart, axis=1)[:, :count]
    apart, near = np.take_along_axis(apart, order, axis=1), np.take_along_axis(near, order, axis=1)
    with np.errstate(invalid="ignore"):
        d = known[near] - places[:, None]
        size = np.sqrt((d**2).sum(axis=2).mean(axis=1, keepdims=True)) + 1e-9
        left = rest[near]
        middle = np.median(left, axis=1, keepdims=True)
    weight = 1.0 / (1.0 + ((left - middle) ** 2).sum(axis=2) / (2.0 * radius) ** 2)
    design = np.concatenate([np.ones((*d.shape[:2], 1)), d / size[:, :, None]], axis=2)
    normal = np.einsum("nka,nk,nkb->nab", design, weight, design)
    # a tenth of a neighbour's weight against slopes: three stars in a row give none
    normal[:, [1, 2], [1, 2]] += 0.1
    solved = np.linalg.solve(normal, np.einsum("nka,nk,nkc->nac", design, weight, left))
    spacing = np.median(tree.query(known, k=min(4, len(known)))[0][:, -1])
    solved[apart[:, min(2, count - 1)] > 2.5 * spacing] = np.nan
    return np.asarray(solved[:, 0])


def choose_warp(
    pairs: Pairs,
    *,
    frame: tuple[Points, float],
    base: str,
    mirrored: bool,
    wanted: str = "auto",
    known: Distortion | None = None,
) -> Warp | None:
    """Return the map that predicts stars best that it has not seen, as simple as they allow.

    Every kind is fitted to four fifths of the stars and predicts the last fifth, in turn. A distortion is taken where
    its squared distances are smaller than those of the map without one by a standard error of the difference.

    Parameters
    ----------
    pairs : Pairs
    frame : middle and half diagonal of the reference
    base : str
        Kind of the map without distortion.
    wanted : "auto", "radial", "polynomial", or anything else for none
    known : Distortion, optional
        That of world coordinates, which has no number to fit.

    Returns
    -------
    Warp or None
        None where ``wanted`` needs more stars than there are.
    """

    def fit(some: Pairs, kind: str, **more: Any) -> Warp:
        more = {"base": base} | more
        return fit_warp(kind, some.source, some.target, some.weights, frame=frame, mirrored=mirrored, **more)

    kinds: list[partial[Warp]] = []
    if wanted not in KINDS:
        kinds.append(partial(fit, kind="none"))
    if wanted == "auto" and known is not None:
        kinds.append(partial(fit, kind="none", known=known))
    if wanted in ("auto", "radial") and len(pairs.source) >= fewest_stars("radial"):
        kinds += [partial(fit, kind="radial", base=own) for own in ("similarity", "affine")]
    for order in ORDERS if wanted in ("auto", "polynomial") else ():
        if len(pairs.source) >= fewest_stars("polynomial", order):
            kinds.append(partial(fit, kind="polynomial", order=order))
    if not kinds:
        return None
    if len(kinds) == 1:
        return _without_strangers(kinds[0], pairs)
    sample = pairs.select(np.arange(min(len(pairs.source), MOST_TRIED)))
    best, least = kinds[0], _unseen(kinds[0], sample)
    for kind in kinds[1:]:
        if kind.keywords.get("order", 0) > ORDERS[0] and best.keywords["kind"] == "none":
            # what the third order does not show, the fourth does not
            break
        bend = kind(sample).distortion
        if bend is not None and np.hypot(*bend.at(sample.target).T).max() < LEAST_BEND_PX:
            continue
        loss = _unseen(kind, sample)
        # a stranger among the stars counts as one that is 3.5 sigma off: its square must not choose the map
        most = 3.5**2 * np.median(least) / np.log(2.0)
        gain = np.minimum(least, most) - np.minimum(loss, most)
        if gain.mean() > CLEAR * gain.std() / np.sqrt(len(gain)):
            best, least = kind, loss
    return _without_strangers(best, pairs)


def _without_strangers(fit: Callable[[Pairs], Warp], pairs: Pairs) -> Warp:
    """Return a fit without the stars that it leaves beyond 3.5 sigma at first."""
    warp = fit(pairs)
    pull = np.hypot(*warp.rest(pairs.source, pairs.target).T) * np.sqrt(pairs.weights)
    keep = within_sigma(pull)
    return warp if keep.all() else fit(pairs.select(keep))


def within_sigma(pull: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which distances, in expected errors, stay within 3.5 sigma; 1.1774 sigma is the median of a distance."""
    kept: NDArray[np.bool_] = pull <= 3.5 * max(float(np.median(pull)) / 1.1774, 0.3)
    return kept


def _unseen(fit: Callable[[Pairs], Warp], pairs: Pairs) -> NDArray[np.float64]:
    """Return the weighted squared distance of every star from where the others put it."""
    fold = np.arange(len(pairs.source)) % FOLDS
    losses = np.empty(len(fold))
    for number in range(FOLDS):
        out = fold == number
        warp = fit(pairs.select(~out))
        rest = warp.rest(pairs.source[out], pairs.target[out])
        losses[out] = pairs.weights[out] * (rest**2).sum(axis=1)
    return losses


@dataclass(frozen=True)
class Pattern:
    """Where in the frame the stars lie off the map together: "" where they do not."""

    where: str
    off_px: float
    stars: int


def find_pattern(places: Points, rest: Points, frame: tuple[Points, float]) -> Pattern:
    """Return the ring or ninth of the frame whose stars lie farthest off together, if 5 standard errors tell it.

    Parameters
    ----------
    places, rest : (n, 2)
        Stars on the reference, and how far the map puts them from there: all bright ones, whether they fit or not.
    frame : middle and half diagonal of the reference
    """
    u = (places - frame[0]) / frame[1]
    away = np.hypot(*u.T)
    outward = u / np.maximum(away, 1e-9)[:, None]
    along = np.column_stack([(rest * outward).sum(axis=1), np.zeros(len(rest))])
    parts = [
        (f"{low:.0%} to {low + 0.2:.0%} of the way to the corners", (away > low) & (away <= low + 0.2), along)
        for low in (0.2, 0.4, 0.6, 0.8)
    ]
    rows, columns = (np.digitize(u[:, k] / max(np.abs(u[:, k]).max(), 1e-9), (-1 / 3, 1 / 3)) for k in (1, 0))
    for row, column in np.ndindex(3, 3):
        name = f"in the ninth at row {row + 1}, column {column + 1} of three by three"
        parts.append((name, (rows == row) & (columns == column), rest))
    worst = Pattern("", 0.0, 0)
    for where, inside, left in parts:
        count = int(inside.sum())
        if count < FEWEST_TOGETHER:
            continue
        mean, error = left[inside].mean(axis=0), left[inside].std(axis=0) / np.sqrt(count)
        off = float(np.hypot(*mean))
        if off > worst.off_px and off > 5.0 * max(float(np.hypot(*error)), 1e-9):
            worst = Pattern(where, off, count)
    return worst
