"""Print how far a found map is from the planted one, over rotation, scale, mirror, width, noise and star count.

Then distorted fields, hard fields and unrelated ones, as lists of stars; the last two also by astroalign where it is
installed.

Run: python benchmarks/accuracy/registration.py [--unrelated 2000] [--first 0] [--only drawn distorted hard unrelated]
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.grid.register import align
from blend.science.grid.transforms import apply_matrix
from blend.science.stars.stars import find_stars

sys.path.insert(0, str(Path(__file__).parents[2]))
from tests.science.grid.starfields import HARD, Pair, crowded, lattice, unrelated
from tests.science.grid.test_distortion import KINDS, distorted_pair, worst_in_hull

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


def run_distorted(count: int, kind: str, corner_px: float, seeds: range) -> None:
    """Print how far maps of distorted fields err at worst inside the hull of their stars, beside what they state."""
    worst, ratio, kinds = [], [], Counter[str]()
    for seed in seeds:
        moving, reference, shape, truth, sky = distorted_pair(seed, count, kind, corner_px)
        try:
            found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
        except StepError:
            kinds["refused"] += 1
            continue
        kinds[found.transform] += 1
        worst.append(worst_in_hull(found, truth, sky))
        ratio.append(worst[-1] / (found.error_px or (0.0, np.inf))[1])
    told = (
        f"worst {np.quantile(worst, 0.95):6.3f}, by stated {np.quantile(ratio, 0.95):5.2f}" if worst else ""
    )
    print(f"{count:5d} {kind:>10} {corner_px:5.1f} px | {told} (95 % of {len(seeds)}) {dict(kinds)}")


def by_astroalign(pair: Pair) -> bool:
    """Whether astroalign finds a map."""
    import astroalign

    try:
        astroalign.find_transform(pair[0].xy, pair[1].xy)
    except (astroalign.MaxIterError, ValueError, TypeError):
        return False
    return True


def by_us(pair: Pair) -> bool:
    """Whether we do."""
    try:
        align(pair[0], pair[1], moving_shape=pair[2], reference_shape=pair[3])
    except StepError:
        return False
    return True


def run_fields(name: str, make: Callable[[np.random.Generator], Pair], seeds: range) -> None:
    """Print how many of a kind of field are registered."""
    ways = {"ours": by_us} | ({"astroalign": by_astroalign} if find_spec("astroalign") else {})
    done: Counter[str] = Counter()
    for seed in seeds:
        pair = make(np.random.default_rng(seed))
        done.update(way for way, works in ways.items() if works(pair))
    print(f"{name:>26} | " + ", ".join(f"{way} {done[way]} of {len(seeds)}" for way in ways))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--unrelated", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parts = ("drawn", "distorted", "hard", "unrelated")
    parser.add_argument("--only", nargs="+", choices=parts, default=parts)
    asked = parser.parse_args()
    if "drawn" in asked.only:
        print(
            "stars scale   angle mirror fwhm of two noise |  mine theirs match       kind    rms   mean  worst   s"
        )
        for number, case in enumerate(CASES):
            run(case, asked.first + number)
    for stars in (200, 60) if "distorted" in asked.only else ():
        for bend in (*KINDS, "none"):
            for px in (0.5, 2.0, 12.0) if bend in KINDS else (0.0,):
                run_distorted(stars, bend, px, range(asked.first, asked.first + (20 if px else 200)))
    if "hard" in asked.only:
        for field, draw in {**HARD, "20,000 stars": crowded, "lattice, to be refused": lattice}.items():
            run_fields(field, draw, range(asked.first, asked.first + 20))
    if "unrelated" in asked.only:
        chosen = range(asked.first, asked.first + asked.unrelated)
        run_fields("unrelated, to be refused", unrelated, chosen)
