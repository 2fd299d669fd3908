"""Propose maps between two star lists: equal figures vote, and the places where votes agree are proposals."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median
from blend.base.rowblocks import map_together
from blend.science.grid.patterns import TRIANGLES_UP_TO, Patterns, make_patterns
from blend.science.grid.transforms import Matrix, Points, fit_similarity

LEVELS = (30, 100, 300, 1000, 4000)
"""So many of the brightest stars of a list are tried at a time."""

SCALES = (0.2, 5.0)
"""Range of reference pixels per moving pixel that is looked at."""

_CENTROID_PX = 1.0
"""Error of a centroid that figures of stars allow for, ten times that of a sound star: blends and clipped cores."""
_MOST_VOTES = 5_000
"""Pairs of figures that are looked at, the most alike first: a bound on time alone. Chosen, not measured."""
_MOST_SPOTS = 12
"""Spots of a vote that are tested. Chosen, not measured."""
_FLIP = np.diag([-1.0, 1.0, 1.0])


@dataclass(frozen=True, eq=False)
class Proposal:
    """One map worth testing, and how many figures voted for it."""

    matrix: Matrix
    votes: int
    mirrored: bool


def propose(
    moving: Points, reference: Points, shape: tuple[int, int]
) -> Iterator[tuple[int, list[Proposal]]]:
    """Yield how many maps were compared and the proposals among them, from the brightest few stars to all of them.

    A map is known by where it puts two stars: the longest side of any figure on that of any other, either way round.

    Parameters
    ----------
    moving, reference : (n, 2)
        Brightest first.
    shape : (rows, columns)
        Of the moving frame.

    Notes
    -----
    The two lists need not be equally deep, nor see equally much sky, so levels of up to a tenfold
    difference are paired, even ones first, and maps that mirror come after those that do not.
    """
    stars = {"reference": reference, "moving": moving, "mirrored": moving * [-1.0, 1.0]}

    @cache
    def figures(which: str, count: int, corners: int) -> Patterns:
        return make_patterns(stars[which][:count], corners=corners)

    for m, r in _level_pairs(len(moving), len(reference)):
        corners = 3 if min(m, r) <= TRIANGLES_UP_TO else 4
        plain = (("reference", r, corners), ("moving", m, corners))
        theirs, _ = map_together(lambda each: figures(*each), plain)
        for which in ("moving", "mirrored"):
            mine, flipped = figures(which, m, corners), which == "mirrored"
            found = _agreeing(mine, theirs, stars[which], reference, shape=shape, flipped=flipped)
            yield 2 * theirs.sides * mine.sides, found


def _level_pairs(moving: int, reference: int) -> list[tuple[int, int]]:
    pairs = {(min(m, moving), min(r, reference)) for m in LEVELS for r in LEVELS}
    near = [(m, r) for m, r in pairs if max(m, r) <= 12 * min(m, r) or (m == moving and r == reference)]
    return sorted(near, key=lambda pair: (max(pair), abs(np.log(pair[0] / pair[1])), pair))


def _agreeing(
    mine: Patterns,
    theirs: Patterns,
    moving: Points,
    reference: Points,
    *,
    shape: tuple[int, int],
    flipped: bool,
) -> list[Proposal]:
    """Return the places in the space of similarities where votes crowd, most crowded first."""
    i, j = _equal_figures(mine, theirs)
    if len(i) == 0:
        return []
    z = moving[mine.members[i]] @ [1.0, 1j]
    t = reference[theirs.members[j]] @ [1.0, 1j]
    z0, t0 = z.mean(axis=1, keepdims=True), t.mean(axis=1, keepdims=True)
    a = ((t - t0) * np.conj(z - z0)).sum(axis=1) / (np.abs(z - z0) ** 2).sum(axis=1)
    b = t0[:, 0] - a * z0[:, 0]
    possible = (np.abs(a) > SCALES[0]) & (np.abs(a) < SCALES[1])
    a, b = a[possible], b[possible]
    if len(a) == 0:
        return []
    # A similarity is known by where it puts two points, here a quarter diagonal either side of the centre.
    centre = 0.5 * (shape[1] - 1) * (-1 if flipped else 1) + 0.5j * (shape[0] - 1)
    arm = 0.25 * np.hypot(*shape)
    ends = np.array([centre - arm, centre + arm])
    placed = a[:, None] * ends[None, :] + b[:, None]
    votes = np.column_stack([placed.real, placed.imag])
    source = np.column_stack([ends.real, ends.imag])
    proposals = []
    for spot, count in _crowded(votes, radius=3.0 + 0.012 * arm * median(np.abs(a))):
        matrix = fit_similarity(source, spot.reshape(2, 2).T)
        proposals.append(Proposal(matrix @ _FLIP if flipped else matrix, count, flipped))
    return proposals


def _equal_figures(mine: Patterns, theirs: Patterns) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return index pairs of figures that are equal but for centroid errors, closest first."""
    from scipy.spatial import cKDTree

    if len(mine.codes) == 0 or len(theirs.codes) == 0:
        empty = np.empty(0, dtype=np.int64)
        return empty, empty
    size = min(median(mine.sizes), median(theirs.sizes))
    reach = float(np.clip(2.0 * _CENTROID_PX / size, 0.004, 0.02))
    left, right = cKDTree(mine.codes), cKDTree(theirs.codes)
    # every eighth figure tells how many close ones there are: a few hundred more or less cost nothing
    some = cKDTree(mine.codes[::8])
    while some.count_neighbors(right, reach) > 100_000 // 8 and reach > 1e-4:
        reach *= 0.7
    close = left.sparse_distance_matrix(right, reach, output_type="ndarray")
    i, j = close["i"].astype(np.int64), close["j"].astype(np.int64)
    # What counts is the distance on the sky: a large figure with the same code is the better witness.
    error = close["v"] * np.minimum(mine.sizes[i], theirs.sizes[j])
    best = np.argsort(error, kind="stable")
    best = best[error[best] < 4.0 * _CENTROID_PX][:_MOST_VOTES]
    return i[best], j[best]


def _crowded(votes: NDArray[np.float64], *, radius: float) -> list[tuple[NDArray[np.float64], int]]:
    """Return the most crowded spots, and lone votes where there are no more of them."""
    from scipy.spatial import cKDTree

    tree = cKDTree(votes)
    crowd = tree.query_ball_point(votes, radius, return_length=True)
    spots: list[tuple[NDArray[np.float64], int]] = []
    taken = np.zeros(len(votes), dtype=np.bool_)
    for index in np.argsort(-crowd, kind="stable"):
        if taken[index]:
            continue
        if len(spots) >= _MOST_SPOTS:
            break
        members = tree.query_ball_point(votes[index], radius)
        spots.append((np.median(votes[members], axis=0), int(crowd[index])))
        taken[tree.query_ball_point(votes[index], 2.0 * radius)] = True
    return spots
