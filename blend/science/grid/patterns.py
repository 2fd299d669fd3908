"""Figures of three or four stars, described so that shift, rotation and scale do not matter.

A mirror image has another description: its points are flipped before they are described.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, combinations

import numpy as np
from numpy.typing import NDArray

ALL_FIGURES_UP_TO = 30
"""Lists this short give every quad there is; longer ones those among close neighbours."""

TRIANGLES_UP_TO = 9
"""Lists this short give triangles: so few quads would share too little."""

_PAIRS = np.array(list(combinations(range(4), 2)))
_OTHERS = np.array([[k for k in range(4) if k not in pair] for pair in combinations(range(4), 2)])


@dataclass(frozen=True, eq=False)
class Patterns:
    """Described figures."""

    codes: NDArray[np.float64]  # (n, d) float64; numbers that equal figures share
    # (n, 3 or 4) int; the stars of each figure, in the order its description fixes
    members: NDArray[np.int64]
    sizes: NDArray[np.float64]  # (n,) float64; longest side, pixels
    sides: int  # how many pairs of stars are the longest side of a figure


def triangle_codes(corners: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Describe triangles by (b/a, c/a, turn) with sides a >= b >= c and turn +-1 for the sense of rotation.

    Parameters
    ----------
    corners : (n, 3, 2)

    Returns
    -------
    codes : (n, 3) float64
    order : (n, 3) int
        Corners in the order opposite a, b, c.

    References
    ----------
    Valdes et al. (1995), PASP 107, 1119 (ratios of sides, from memory); the turn as a third number is
    derived here.

    Examples
    --------
    >>> codes, _ = triangle_codes(np.array([[[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]]]))
    >>> codes[0, :2].round(3).tolist()
    [0.8, 0.6]
    """
    z = np.asarray(corners, dtype=np.float64) @ [1.0, 1j]
    sides = np.abs(z[:, [1, 2, 0]] - z[:, [2, 0, 1]])
    order = np.argsort(-sides, axis=1, kind="stable")
    ranked = np.take_along_axis(sides, order, axis=1)
    p = np.take_along_axis(z, order, axis=1)
    turn = np.sign(((p[:, 1] - p[:, 0]) * np.conj(p[:, 2] - p[:, 0])).imag)
    longest = np.maximum(ranked[:, 0], 1e-12)
    return np.column_stack([ranked[:, 1] / longest, ranked[:, 2] / longest, turn]), order.astype(np.int64)


def quad_codes(corners: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Describe quads by (x_C, y_C, x_D, y_D) in the frame where the most distant pair is A = (0, 0), B =
    (1, 1).

    Of the equal descriptions the one with x_C + x_D <= 1 and x_C <= x_D is given.

    Parameters
    ----------
    corners : (n, 4, 2)

    Returns
    -------
    codes : (n, 4) float64
    order : (n, 4) int
        Corners in the order A, B, C, D.

    References
    ----------
    Lang et al. (2010), AJ 139, 1782, section 2.1 (from memory).

    Examples
    --------
    >>> codes, _ = quad_codes(np.array([[[0.0, 0.0], [10.0, 10.0], [4.0, 5.0], [7.0, 4.0]]]))
    >>> codes.round(6).tolist()
    [[0.3, 0.6, 0.6, 0.5]]
    """
    z = np.asarray(corners, dtype=np.float64) @ [1.0, 1j]
    far = np.abs(z[:, _PAIRS[:, 0]] - z[:, _PAIRS[:, 1]]).argmax(axis=1)
    order = np.concatenate([_PAIRS[far], _OTHERS[far]], axis=1)
    a, b, c, d = np.take_along_axis(z, order, axis=1).T
    base = np.where(a == b, 1.0, b - a)
    unit = 1.0 + 1.0j
    code = np.column_stack([(c - a) / base, (d - a) / base]) * unit
    swap = code.real.sum(axis=1) > 1.0
    code[swap] = unit - code[swap]
    order[swap] = order[swap][:, [1, 0, 2, 3]]
    turn = code[:, 0].real > code[:, 1].real
    code[turn] = code[turn][:, ::-1]
    order[turn] = order[turn][:, [0, 1, 3, 2]]
    codes = np.column_stack([code[:, 0].real, code[:, 0].imag, code[:, 1].real, code[:, 1].imag])
    return codes, order.astype(np.int64)


def make_patterns(xy: NDArray[np.float64], *, corners: int) -> Patterns:
    """Describe figures of ``corners`` (3 or 4) stars: all in a short list, else those of close neighbours."""
    sets = _index_sets(xy, corners)
    describe = triangle_codes if corners == 3 else quad_codes
    codes, order = describe(xy[sets])
    members = np.take_along_axis(sets, order, axis=1)
    ends = (1, 2) if corners == 3 else (0, 1)
    sizes = np.hypot(*(xy[members[:, ends[0]]] - xy[members[:, ends[1]]]).T)
    real = sizes > 1e-9
    sides = np.unique(np.sort(members[:, ends], axis=1) @ [len(xy), 1])
    return Patterns(codes=codes[real], members=members[real], sizes=sizes[real], sides=len(sides))


def _index_sets(xy: NDArray[np.float64], corners: int) -> NDArray[np.int64]:
    count = len(xy)
    if count <= ALL_FIGURES_UP_TO:
        flat = chain.from_iterable(combinations(range(count), corners))
        return np.fromiter(flat, dtype=np.int64).reshape(-1, corners)
    from scipy.spatial import cKDTree

    neighbours = 8 if count <= 1000 else 6
    _, near = cKDTree(xy).query(xy, k=neighbours + 1)
    chosen = np.array(list(combinations(range(1, neighbours + 1), corners - 1)))
    others = near[:, chosen].reshape(-1, corners - 1)
    own = np.repeat(near[:, :1], len(chosen), axis=0)
    sets = np.sort(np.concatenate([own, others], axis=1), axis=1).astype(np.int64)
    place = np.int64(count) ** np.arange(corners, dtype=np.int64)
    _, first = np.unique(sets @ place, return_index=True)
    return sets[first]
