"""Print how far a found map is from the planted one, over rotation, scale, mirror, width, noise and star count.

Run: python benchmarks/accuracy/registration.py
"""

from __future__ import annotations

import time

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.grid.register import align
from blend.science.grid.transforms import apply_matrix
from blend.science.stars.stars import find_stars

SHAPE = (900, 1200)
CASES = [
    # stars, scale, angle_deg, mirrored, fwhm of the moving frame, of the reference, noise
    (25, 1.0, 0.0, False, 3.0, 3.0, 6.0),
    (60, 1.0, 0.3, False, 2.0, 4.0, 6.0),
    (60, 0.7, 45.0, False, 2.5, 2.5, 6.0),
    (200, 0.4, 133.0, True, 6.0, 2.6, 6.0),
    (200, 1.0, 180.0, False, 5.0, 3.0, 20.0),
    (200, 1.6, -77.0, True, 3.0, 4.5, 6.0),
    (200, 2.5, 10.0, False, 2.0, 5.0, 6.0),
    (800, 1.0, 90.0, True, 3.0, 3.0, 6.0),
    (1500, 1.3, 4.0, False, 2.5, 3.5, 6.0),
]


def paint(
    xy: NDArray[np.float64], flux: NDArray[np.float64], shape: tuple[int, int], *, fwhm: float
) -> NDArray[np.float32]:
    """Draw Moffat stars of exponent 3.5."""
    plane = np.zeros(shape, dtype=np.float32)
    beta, reach = 3.5, int(5 * fwhm) + 3
    a2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
    for (x, y), f in zip(xy, flux, strict=True):
        if not (0 <= x < shape[1] and 0 <= y < shape[0]):
            continue
        top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
        j, i = np.mgrid[top : min(int(y) + reach, shape[0]), left : min(int(x) + reach, shape[1])]
        plane[j, i] += f * (beta - 1) / (np.pi * a2) * (1 + ((i - x) ** 2 + (j - y) ** 2) / a2) ** -beta
    return plane


def run(case: tuple[int, float, float, bool, float, float, float], seed: int) -> None:
    """Paint two views of one sky, half the stars of either in it alone, and print the error of the map found."""
    count, scale, angle, mirrored, fwhm_moving, fwhm_reference, noise = case
    rng = np.random.default_rng(seed)
    a = np.deg2rad(angle)
    truth = np.eye(3)
    truth[:2, :2] = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    if mirrored:
        truth[:2, 0] *= -1
    shape = (round(SHAPE[0] / scale), round(SHAPE[1] / scale))
    middle = np.array([shape[1], shape[0]]) / 2
    truth[:2, 2] = np.array([SHAPE[1], SHAPE[0]]) / 2 + [23.4, -11.2] - truth[:2, :2] @ middle
    spread = np.hypot(*SHAPE)
    many = int(1.5 * count * spread**2 / (SHAPE[0] * SHAPE[1]))
    world = (rng.random((many, 2)) - 0.5) * spread + np.array([SHAPE[1], SHAPE[0]]) / 2
    flux, kind = 10 ** rng.uniform(3.2, 5.2, many), rng.random(many)
    in_reference, in_moving = kind < 2 / 3, kind > 1 / 3
    other = flux * 10 ** rng.normal(0, 0.3, many)
    reference = paint(world[in_reference], flux[in_reference], SHAPE, fwhm=fwhm_reference)
    moving = paint(
        apply_matrix(np.linalg.inv(truth), world)[in_moving], other[in_moving], shape, fwhm=fwhm_moving
    )
    reference += rng.normal(100, noise, SHAPE).astype(np.float32)
    moving += rng.normal(100, noise, shape).astype(np.float32)
    mine, theirs = find_stars(moving), find_stars(reference)
    start = time.perf_counter()
    head = f"{count:5d} {scale:5.2f} {angle:7.1f} {mirrored!s:>6} {fwhm_moving:4.1f} {fwhm_reference:4.1f} {noise:5.1f}"
    try:
        found = align(mine, theirs, moving_shape=shape, reference_shape=SHAPE)
    except StepError as fault:
        print(head, "refused:", fault)
        return
    grid = np.stack(np.meshgrid(np.linspace(0, shape[1], 20), np.linspace(0, shape[0], 20)), -1).reshape(
        -1, 2
    )
    wanted = apply_matrix(truth, grid)
    on = (wanted > 0).all(axis=1) & (wanted < [SHAPE[1], SHAPE[0]]).all(axis=1)
    error = np.hypot(*(apply_matrix(found.matrix, grid) - wanted)[on].T)
    print(
        f"{head} | {len(mine):5d} {len(theirs):5d} {found.matched:5d} {found.transform:>10} {found.rms_px:6.3f} "
        f"{error.mean():6.3f} {error.max():6.3f} {time.perf_counter() - start:5.2f}"
    )


if __name__ == "__main__":
    print(
        "stars scale   angle mirror fwhm of two noise |  mine theirs match       kind    rms   mean  worst   s"
    )
    for number, case in enumerate(CASES):
        run(case, number)
