"""Star lists of fields that are hard to register, and of fields with nothing in common; every map is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.science.grid.transforms import apply_matrix
from blend.science.stars.stars import Stars

SHAPE = (700, 1000)
Pair = tuple[Stars, Stars, tuple[int, int], tuple[int, int], NDArray[np.float64]]
"""Moving and reference list, their shapes, and the map between them."""


def make_stars(xy, flux, *, fwhm=3.0, rng=None):
    """A list as star finding gives it: brightest first, places off by what their signal to noise makes them."""
    order = np.argsort(-flux)
    xy, flux = xy[order], flux[order]
    error = np.full(len(flux), np.min(flux) / 20)
    if rng is not None:
        xy = xy + rng.normal(size=xy.shape) * (1.414 * fwhm / 2.355 * error / flux + 0.01)[:, None]
    n = len(flux)
    return Stars(xy, flux, error, flux / 10, np.full(n, fwhm), np.ones(n), np.zeros(n, bool))


def placed(rng, scale=1.0, *, mirrored=False):
    """A map at any angle onto the frame, and the shape of the moving frame."""
    a = np.deg2rad(rng.uniform(-180, 180))
    linear = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    linear = linear @ np.diag([-1.0 if mirrored else 1.0, 1.0])
    shape = (round(SHAPE[0] / scale), round(SHAPE[1] / scale))
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    middle = np.array([shape[1], shape[0]]) / 2
    matrix[:2, 2] = np.array([SHAPE[1], SHAPE[0]]) / 2 + [23.4, -11.2] - linear @ middle
    return matrix, shape


def field(rng, count, low=(0, 0), high=(1000, 700)):
    """Stars all over a frame, faint ones the many."""
    return rng.uniform(low, high, (count, 2)), 10 ** rng.exponential(0.5, count)


def back(matrix, xy):
    return apply_matrix(np.linalg.inv(matrix), xy)


def eight(rng) -> Pair:
    matrix, shape = placed(rng)
    r, f = field(rng, 8, (60, 60), (940, 640))
    other = f * 10 ** rng.normal(0, 0.3, 8)
    return make_stars(back(matrix, r), f, rng=rng), make_stars(r, other, rng=rng), shape, SHAPE, matrix


def crowded(rng) -> Pair:
    shape, a = (2800, 4000), 0.01
    matrix = np.array([[np.cos(a), -np.sin(a), 23.4], [np.sin(a), np.cos(a), -11.2], [0, 0, 1.0]])
    r, f = field(rng, 26000, (0, 0), (4000, 2800))
    kind = rng.random(len(f))
    mine, theirs = kind < 0.77, kind > 0.23
    moving = make_stars(back(matrix, r)[mine], f[mine] * 10 ** rng.normal(0, 0.1, mine.sum()), rng=rng)
    return moving, make_stars(r[theirs], f[theirs], rng=rng), shape, shape, matrix


def most_missing(rng) -> Pair:
    matrix, shape = placed(rng)
    r, f = field(rng, 600)
    line = f * 10 ** rng.normal(0, 0.3, 600)
    seen = np.argsort(-line)[:30]
    return (
        make_stars(back(matrix, r[seen]), line[seen], rng=rng),
        make_stars(r, f, rng=rng),
        shape,
        SHAPE,
        matrix,
    )


def tenth_shared(rng) -> Pair:
    matrix = np.eye(3)
    matrix[:2, 2] = 900, 10
    r, f = field(rng, 400, (0, 0), (1900, 710))
    mine, theirs = r[:, 0] > 900, (r[:, 0] < 1000) & (r[:, 1] < 700)
    return (
        make_stars(r[mine] - [900, 10], f[mine], rng=rng),
        make_stars(r[theirs], f[theirs], rng=rng),
        SHAPE,
        SHAPE,
        matrix,
    )


def scaled(rng, scale) -> Pair:
    matrix, shape = placed(rng, scale, mirrored=True)
    r, f = field(rng, 200)
    kind = rng.random(200)
    inside = (np.abs(back(matrix, r) * 2 / np.array(shape[::-1]) - 1) < 1).all(axis=1)
    mine, theirs = (kind < 0.7) & inside, kind > 0.3
    return (
        make_stars(back(matrix, r)[mine], f[mine] * 10 ** rng.normal(0, 0.3, mine.sum()), rng=rng),
        make_stars(r[theirs], f[theirs], rng=rng),
        shape,
        SHAPE,
        matrix,
    )


def third(rng) -> Pair:
    return scaled(rng, 1 / 3)


def triple(rng) -> Pair:
    return scaled(rng, 3.0)


def fixed_marks(rng) -> Pair:
    """A hundred hot pixels that stay, and sixty stars that a dither moves by 23 px."""
    matrix, marks = np.eye(3), rng.uniform(10, 690, (100, 2))
    matrix[:2, 2] = 23, -9
    r, f = field(rng, 60)
    kind = rng.random(60)

    def view(xy, chosen):
        own = np.median(f) * 10 ** rng.normal(0, 0.2, 100)
        return make_stars(np.concatenate([xy[chosen], marks]), np.concatenate([f[chosen], own]))

    return view(r - [23, -9], kind < 0.75), view(r, kind > 0.25), SHAPE, SHAPE, matrix


def nebula(rng) -> Pair:
    """Two in five stars show through a nebula whose 250 lumps are taken for stars."""
    matrix, shape = placed(rng)
    r, f = field(rng, 150)
    seen, lumps = rng.random(150) < 0.4, rng.uniform(0, shape[::-1], (250, 2))
    flux = np.concatenate([f[seen], 3 * 10 ** rng.exponential(0.3, 250)])
    moving = make_stars(np.concatenate([back(matrix, r[seen]), lumps]), flux)
    return moving, make_stars(r, f), shape, SHAPE, matrix


def lattice(rng) -> Pair:
    y, x = np.mgrid[30:680:50, 30:980:50]
    r = np.column_stack([x.ravel(), y.ravel()]) + rng.normal(0, 0.05, (x.size, 2))
    f = 10 ** rng.normal(0, 0.02, len(r))
    moved = r + rng.normal(0, 0.05, r.shape) + [3.3, -4.1]
    return make_stars(moved, f), make_stars(r, f[::-1]), SHAPE, SHAPE, np.eye(3)


def unrelated(rng) -> Pair:
    """Two fields with nothing in common, a third of their stars in clusters."""

    def one():
        count = int(10 ** rng.uniform(0.9, 2.0))
        r, f = field(rng, count)
        crowd = rng.random(count) < 0.33
        r[crowd] = rng.uniform(100, 600, 2) + rng.normal(0, 60, (int(crowd.sum()), 2))
        return make_stars(r, f)

    return one(), one(), SHAPE, SHAPE, np.eye(3)


HARD = {
    "8 stars": eight,
    "95 % missing in the line": most_missing,
    "overlap 10 %": tenth_shared,
    "scale 1/3, mirrored": third,
    "scale 3, mirrored": triple,
    "100 fixed hot pixels": fixed_marks,
    "nebula fills the frame": nebula,
}
