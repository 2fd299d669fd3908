"""What a map bends beyond its matrix: radial and polynomial distortion, fitted, chosen, and with its error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.science.grid.transforms import MODELS, Matrix, Points, apply_matrix, fit_model

ORDERS = (3, 4, 5)
"""Of polynomials: a lens bends by the cube and the fifth power of the distance, off its axis by those between."""

KINDS = ("radial", "polynomial")

STARS_PER_NUMBER = 1.5
"""Two coordinates a star: three measurements for every number that is fitted, as for the maps without distortion."""

_AXIS_SPREAD = 0.5
"""An optical axis stands within about half the half diagonal of the middle: weak knowledge, which holds the centre of
a distortion too weak to show it."""

PRIOR_WEIGHT = 4.0
"""Residuals that the expected errors of the centroids are worth when the scatter of a few stars is judged."""

CLEAR = 1.25
"""Standard errors by which a map must predict unseen stars better than a simpler one; Hastie, Tibshirani & Friedman
(2009), The Elements of Statistical Learning, section 7.10 (from memory), take one. What is not there predicts worse, so
that 1 to 3 % of undistorted pairs reach it; half a pixel at the corners does with 60 stars of 0.05 px, mostly."""


@dataclass(frozen=True, eq=False)
class Distortion:
    """The bending part D of a map from a moving point m to a reference point r: matrix m = r + D(r).

    radial: D = (r - c) (k1 s^2 + k2 s^4), s = |r - c| / size; polynomial, world-coordinates: D = sum of
    terms_ab u^a v^b over 2 <= a + b <= order, (u, v) = (r - c) / size.
    """

    kind: str
    centre: tuple[float, float]  # (x, y); c, pixels of the reference
    size_px: float  # half the reference's diagonal
    # (2,) or (n, 2) float64; k1 and k2, without unit; or coefficients for x and y, pixels, in the order of
    # `exponents`
    terms: NDArray[np.float64]
    order: int = 5  # highest power of a coordinate

    def at(self, xy: Points) -> Points:
        """Return D, (n, 2) reference pixels, at points (n, 2) of the reference."""
        u = (np.asarray(xy, dtype=np.float64) - self.centre) / self.size_px
        if self.kind == "radial":
            s2 = (u**2).sum(axis=1, keepdims=True)
            return np.asarray(self.size_px * u * s2 * (self.terms[0] + self.terms[1] * s2))
        return np.asarray(_powers(u, self.order) @ self.terms)

    def facts(self) -> dict[str, Any]:
        """Return what the record tells of it."""
        told: dict[str, Any] = {
            "kind": self.kind,
            "centre": [float(value) for value in self.centre],
            "size_px": self.size_px,
        }
        if self.kind == "radial":
            return told | {"k1": float(self.terms[0]), "k2": float(self.terms[1])}
        x, y = self.terms.T.tolist()
        return told | {"order": self.order, "exponents": exponents(self.order), "x": x, "y": y}


@dataclass(frozen=True, eq=False)
class Warp:
    """A map from a moving frame to the reference, its distortion if any, and the stars that it was fitted to.

    ``stars`` are their places in the moving frame and in the reference, and their weights, 1 / px^2.
    """

    matrix: Matrix
    base: str
    distortion: Distortion | None
    frame: tuple[Points, float]
    stars: tuple[Points, Points, NDArray[np.float64]]

    @cached_property
    def covariance(self) -> NDArray[np.float64]:
        """s^2 (F' W F)^-1, s^2 from the residuals and, for few, the expected errors."""
        source, target, weights = self.stars
        fields = self._free(target)
        rows = (fields * np.sqrt(weights)[:, None, None]).reshape(-1, fields.shape[2])
        normal = rows.T @ rows
        if self.kind == "radial":
            normal[[-2, -1], [-2, -1]] += 1.0 / _AXIS_SPREAD**2
        rest = self.rest(source, target) * np.sqrt(weights)[:, None]
        squares = float((rest**2).sum())
        free = max(2 * len(source) - normal.shape[0], 0)
        scatter = (squares + PRIOR_WEIGHT) / (free + PRIOR_WEIGHT)
        inverse = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
        covariance = np.asarray(scatter * inverse)
        if self._passed_over:
            # a bend of so many standard errors is passed over, or the one that the stars show unclearly
            error = float(np.sqrt(covariance[-1, -1]))
            shown = abs(float(inverse[-1] @ (rows.T @ rest.ravel())))
            drawn = covariance[:, -1] * max(CLEAR * error, shown) / error**2
            covariance += np.outer(drawn, drawn)
        return covariance

    @property
    def _passed_over(self) -> bool:
        """A distortion might have been chosen: half a pixel at the corners escapes 60 stars of 0.05 px now and then."""
        return self.distortion is None and len(self.stars[0]) >= fewest_stars("radial")

    @property
    def kind(self) -> str:
        """The kind of map: that of the distortion, if there is one."""
        return self.base if self.distortion is None else self.distortion.kind

    @property
    def numbers(self) -> int:
        """How many numbers were fitted."""
        return len(self.covariance)

    def _free(self, xy: Points) -> NDArray[np.float64]:
        """Return the fields of the fitted numbers and, where a distortion was passed over, of its k1."""
        fields = _fields(self.base, self.distortion, xy, self.frame)
        if not self._passed_over:
            return fields
        (x, y), size = self.frame
        unseen = Distortion("radial", (float(x), float(y)), size, np.zeros(2))
        return np.concatenate([fields, _bending(unseen, xy)[:, :, :1]], axis=2)

    def rest(self, source: Points, target: Points) -> Points:
        """Return how far, (n, 2) reference pixels, the map puts stars from where they stand."""
        rest = apply_matrix(self.matrix, source) - target
        return rest if self.distortion is None else rest - self.distortion.at(target)

    def error_px(self, xy: Points) -> NDArray[np.float64]:
        """Return the distance within which 95 % of such fits err at points (n, 2) of the reference.

        sqrt(ln 20) times the root mean square distance, as of a round Gaussian in two dimensions (derived here).
        """
        fields = self._free(xy)
        square = np.einsum("nik,nik->n", fields @ self.covariance, fields)
        return np.asarray(np.sqrt(np.log(20.0) * square))


def exponents(order: int) -> list[list[int]]:
    """Return the powers [a, b] of a polynomial's terms u^a v^b from the second order on.

    Examples
    --------
    >>> exponents(2)
    [[2, 0], [1, 1], [0, 2]]
    """
    return [[total - b, b] for total in range(2, order + 1) for b in range(total + 1)]


def to_reference(matrix: Matrix, distortion: Distortion | None, xy: Points) -> Points:
    """Return where points (n, 2) of the moving frame fall on the reference."""
    straight = apply_matrix(matrix, xy)
    if distortion is None:
        return straight
    place = straight
    # r = matrix m - D(r): every turn is better by the slope of D, a few percent
    for _ in range(20):
        place = straight - distortion.at(place)
    return place


def from_reference(matrix: Matrix, distortion: Distortion | None, xy: Points) -> Points:
    """Return where points (n, 2) of the reference fall on the moving frame."""
    bent = xy if distortion is None else xy + distortion.at(xy)
    return apply_matrix(np.linalg.inv(matrix), bent)


def frame_of(shape: tuple[int, int]) -> tuple[Points, float]:
    """Return the middle of a frame and half its diagonal, pixels."""
    return np.array([0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1)]), 0.5 * float(np.hypot(*shape))


def fewest_stars(kind: str, order: int = ORDERS[0]) -> int:
    """Return how many stars a distortion needs.

    Examples
    --------
    >>> fewest_stars("radial"), [fewest_stars("polynomial", order) for order in ORDERS]
    (12, [30, 45, 63])
    """
    numbers = 4 + 4 if kind == "radial" else 2 * len(exponents(order)) + 6
    return int(np.ceil(STARS_PER_NUMBER * numbers))


def fit_warp(
    kind: str,
    source: Points,
    target: Points,
    weights: NDArray[np.float64],
    *,
    frame: tuple[Points, float],
    order: int = 5,
    base: str = "affine",
    mirrored: bool = False,
    known: Distortion | None = None,
) -> Warp:
    """Fit a map of a kind by weighted least squares.

    Parameters
    ----------
    kind : "none", "radial" or "polynomial"
        "none" fits a map of the kind ``base``, bent by ``known`` where that is given.
    source, target : (n, 2)
        Stars in the moving frame and in the reference.
    weights : (n,)
        Inverse variances, 1 / px^2 of the reference.
    frame : middle and half diagonal of the reference
    order : int
        Of a polynomial.
    """
    middle, size = frame
    stars = source, target, weights
    if kind == "none":
        bent = target if known is None else target + known.at(target)
        matrix = fit_model(base, source, bent, weights=weights, mirrored=mirrored)
        return Warp(matrix, base, known, frame, stars)
    shape = (2,) if kind == "radial" else (len(exponents(order)), 2)
    bend = Distortion(kind, (float(middle[0]), float(middle[1])), size, np.zeros(shape), order)
    base = "similarity" if (kind, base) == ("radial", "similarity") else "affine"
    numbers = MODELS[base][1]
    matrix = fit_model(base, source, target, weights=weights, mirrored=mirrored)
    root = np.sqrt(weights)[:, None, None]
    for _ in range(10 if kind == "radial" else 2):
        warp = Warp(matrix, base, bend, frame, stars)
        fields = _fields(base, bend, target, frame)
        fields[:, :, :numbers] = _fields(base, None, apply_matrix(matrix, source), frame)
        rows = (fields * root).reshape(-1, fields.shape[2])
        rest = (-warp.rest(source, target) * root[:, :, 0]).ravel()
        if kind == "radial":
            held = np.zeros((2, rows.shape[1]))
            held[[0, 1], [-2, -1]] = 1.0 / _AXIS_SPREAD
            off = (np.array(bend.centre) - middle) / (size * _AXIS_SPREAD)
            rows, rest = np.concatenate([rows, held]), np.concatenate([rest, -off])
        # fields of unit size: the normal equations lose half of sixteen digits at worst
        step = np.asarray(np.linalg.lstsq(rows.T @ rows, rows.T @ rest, rcond=1e-14)[0], dtype=np.float64)
        matrix, bend = _stepped(matrix, bend, step, frame, numbers)
        if np.abs(step).max() < 1e-4:
            break
    return Warp(matrix, base, bend, frame, stars)


def _stepped(
    matrix: Matrix, bend: Distortion, step: NDArray[np.float64], frame: tuple[Points, float], numbers: int
) -> tuple[Matrix, Distortion]:
    """Return map and distortion after a step of Gauss and Newton, whose first ``numbers`` change the matrix."""
    (x, y), size = frame
    unit = np.array([[1 / size, 0, -x / size], [0, 1 / size, -y / size], [0, 0, 1.0]])
    if numbers == 4:
        dx, dy, stretch, turn = step[:4]
        change = np.array([[stretch, -turn, dx], [turn, stretch, dy], [0.0, 0.0, 0.0]])
    else:
        change = np.vstack([step[:6].reshape(2, 3), np.zeros(3)])
    moved, step = (np.eye(3) + change @ unit) @ matrix, step[numbers:]
    if bend.kind != "radial":
        return moved, replace(bend, terms=bend.terms + step.reshape(2, -1).T)
    # an axis that jumps is one that nothing holds yet
    x, y = np.array(bend.centre) + size * np.clip(step[2:], -0.2, 0.2)
    return moved, replace(bend, centre=(float(x), float(y)), terms=bend.terms + step[:2] / size)


def _fields(
    base: str, bend: Distortion | None, xy: Points, frame: tuple[Points, float]
) -> NDArray[np.float64]:
    """Return how the mapped points move with every number of the map, (n, 2, numbers), in reference pixels.

    A shift, turn and so on of the reference; the numbers of the distortion follow.
    """
    u, v = ((xy - frame[0]) / frame[1]).T
    one, zero = np.ones(len(u)), np.zeros(len(u))
    if base == "similarity":
        fields = [(one, zero), (zero, one), (u, v), (-v, u)]
    else:
        fields = [(u, zero), (v, zero), (one, zero), (zero, u), (zero, v), (zero, one)]
    if base == "projective":
        fields += [(u * u, u * v), (u * v, v * v)]
    made = np.array(fields).transpose(2, 1, 0)
    if bend is None or bend.kind == "world-coordinates":
        return np.asarray(made)
    return np.concatenate([made, -_bending(bend, xy)], axis=2)


def _bending(bend: Distortion, xy: Points) -> NDArray[np.float64]:
    d = (xy - bend.centre) / bend.size_px
    if bend.kind != "radial":
        powers = _powers(d, bend.order)
        empty = np.zeros_like(powers)
        return np.stack([np.hstack([powers, empty]), np.hstack([empty, powers])], axis=1)
    k1, k2 = bend.terms
    s2 = (d**2).sum(axis=1)
    along = 2.0 * k1 + 4.0 * k2 * s2
    fields = np.empty((len(d), 2, 4))
    # k1 and k2 in pixels at the size, the centre in sizes
    fields[:, :, 0] = d * s2[:, None]
    fields[:, :, 1] = d * (s2**2)[:, None]
    fields[:, :, 2:] = -bend.size_px * along[:, None, None] * d[:, :, None] * d[:, None, :]
    for axis in (0, 1):
        fields[:, axis, 2 + axis] -= bend.size_px * (k1 * s2 + k2 * s2**2)
    return fields


def _powers(u: Points, order: int) -> NDArray[np.float64]:
    x, y = u.T
    return np.column_stack([x**a * y**b for a, b in exponents(order)])
