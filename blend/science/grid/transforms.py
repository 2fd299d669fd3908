"""Similarity, affine and projective maps of the plane: least-squares fits and their use on points."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]
Points = NDArray[np.float64]


def apply_matrix(matrix: NDArray[np.floating], xy: NDArray[np.floating]) -> Points:
    """Return the points (n, 2) that ``matrix`` (3, 3) maps ``xy`` to.

    Examples
    --------
    >>> matrix = np.array([[0.0, -2.0, 5.0], [2.0, 0.0, 1.0], [0.0, 0.0, 1.0]])
    >>> apply_matrix(matrix, np.array([[1.0, 2.0]])).tolist()
    [[1.0, 3.0]]
    """
    xy = np.asarray(xy, dtype=np.float64)
    mapped = xy @ np.asarray(matrix)[:, :2].T + np.asarray(matrix)[:, 2]
    result: Points = mapped[:, :2] / mapped[:, 2:]
    return result


def within(xy: Points, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return which points (n, 2) lie on a pixel of a frame (rows, columns)."""
    return np.asarray(((xy > -0.5) & (xy < [shape[1] - 0.5, shape[0] - 0.5])).all(axis=1))


def scale_of(matrix: Matrix, xy: tuple[float, float]) -> float:
    """Return the signed change of length at a point; negative where the map mirrors."""
    x, y = xy
    a, b, c = apply_matrix(matrix, np.array([[x, y], [x + 1.0, y], [x, y + 1.0]]))
    area = (b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0]
    return float(np.sign(area) * np.sqrt(abs(area)))


def fit_similarity(source: Points, target: Points, weights: NDArray[np.float64] | None = None) -> Matrix:
    """Fit scale, rotation and shift, no mirror, by weighted least squares.

    With points as complex numbers about their means, w = a z + b: a = sum(w conj z) / sum|z|^2.

    Parameters
    ----------
    source, target : (n, 2), n at least 2
    weights : (n,), optional
        Inverse variances.

    References
    ----------
    The same minimum as Umeyama (1991), IEEE PAMI 13, 376, equations 38-43, in two dimensions.

    Examples
    --------
    >>> m = fit_similarity(np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([[5.0, 5.0], [5.0, 7.0]]))
    >>> m.round(9).tolist()
    [[0.0, -2.0, 5.0], [2.0, 0.0, 5.0], [0.0, 0.0, 1.0]]
    """
    w = np.ones(len(source)) if weights is None else weights
    z, t = source @ [1.0, 1j], target @ [1.0, 1j]
    z0, t0 = (w @ z) / w.sum(), (w @ t) / w.sum()
    spread = float(w @ np.abs(z - z0) ** 2)
    a = (w @ ((t - t0) * np.conj(z - z0))) / max(spread, 1e-300)
    b = t0 - a * z0
    return np.array([[a.real, -a.imag, b.real], [a.imag, a.real, b.imag], [0.0, 0.0, 1.0]])


def fit_mirror_similarity(
    source: Points, target: Points, weights: NDArray[np.float64] | None = None
) -> Matrix:
    """Fit scale, rotation, shift and a mirror: `fit_similarity` with x flipped first."""
    flip = np.diag([-1.0, 1.0, 1.0])
    return fit_similarity(source * [-1.0, 1.0], target, weights) @ flip


def fit_affine(source: Points, target: Points, weights: NDArray[np.float64] | None = None) -> Matrix:
    """Fit the six numbers of an affine map by weighted least squares; n at least 3, not on one line."""
    root = np.ones(len(source)) if weights is None else np.sqrt(weights)
    to_unit, from_unit = _normaliser(source), np.linalg.inv(_normaliser(target))
    u, v = apply_matrix(to_unit, source), apply_matrix(np.linalg.inv(from_unit), target)
    design = np.column_stack([u, np.ones(len(u))]) * root[:, None]
    solved, *_ = np.linalg.lstsq(design, v * root[:, None], rcond=None)
    inner = np.eye(3)
    inner[:2] = solved.T
    matrix: Matrix = from_unit @ inner @ to_unit
    matrix[2] = (0.0, 0.0, 1.0)
    return matrix


def fit_projective(source: Points, target: Points, weights: NDArray[np.float64] | None = None) -> Matrix:
    """Fit the eight numbers of a projective map by weighted least squares of distances in the target; n at
    least 4.

    Starts from the affine fit and takes Gauss-Newton steps, which for the small tilts of a camera converge
    in three.
    """
    root = np.ones(len(source)) if weights is None else np.sqrt(weights)
    to_unit, target_unit = _normaliser(source), _normaliser(target)
    u, v = apply_matrix(to_unit, source), apply_matrix(target_unit, target)
    inner = fit_affine(u, v, weights)
    one, zero = np.ones(len(u)), np.zeros(len(u))
    for _ in range(12):
        below = u @ inner[2, :2] + 1.0
        p = apply_matrix(inner, u)
        x, y = u.T
        rows_x = np.column_stack([x, y, one, zero, zero, zero, -p[:, 0] * x, -p[:, 0] * y])
        rows_y = np.column_stack([zero, zero, zero, x, y, one, -p[:, 1] * x, -p[:, 1] * y])
        scale = (root / below)[:, None]
        design = np.concatenate([rows_x * scale, rows_y * scale])
        rest = np.concatenate([(v - p)[:, 0] * root, (v - p)[:, 1] * root])
        step, *_ = np.linalg.lstsq(design, rest, rcond=None)
        inner = inner + np.append(step, 0.0).reshape(3, 3)
        if np.abs(step).max() < 1e-11:
            break
    matrix: Matrix = np.linalg.inv(target_unit) @ inner @ to_unit
    scaled: Matrix = matrix / matrix[2, 2]
    return scaled


Fit = Callable[[Points, Points, NDArray[np.float64] | None], Matrix]

MODELS: dict[str, tuple[Fit, int]] = {
    "similarity": (fit_similarity, 4),
    "affine": (fit_affine, 6),
    "projective": (fit_projective, 8),
}
"""Fit, and number of parameters, of each kind of map, simplest first."""


def fit_model(
    model: str,
    source: Points,
    target: Points,
    *,
    weights: NDArray[np.float64] | None = None,
    mirrored: bool = False,
) -> Matrix:
    """Fit the named kind of map."""
    if model == "similarity" and mirrored:
        return fit_mirror_similarity(source, target, weights)
    return MODELS[model][0](source, target, weights)


def _normaliser(xy: Points) -> Matrix:
    """Return the map to mean 0 and unit spread: normal equations in pixels lose ten digits."""
    middle = xy.mean(axis=0)
    size = max(float(np.sqrt(((xy - middle) ** 2).mean())), 1e-12)
    return np.array([[1 / size, 0, -middle[0] / size], [0, 1 / size, -middle[1] / size], [0, 0, 1.0]])
