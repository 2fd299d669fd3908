"""Time Lanczos-3 on 24 Mpx against the interpolation of general-purpose libraries, in one run.

Run: python benchmarks/speed/resampling.py [--rows 4000] [--columns 6000]
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np

from blend.science.grid.resampling import full_coverage_box, resample
from blend.science.stars.stars import find_stars


def best_of(task: Callable[[], object], times: int = 2) -> float:
    """Return the least of a few wall times, seconds."""
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        task()
        spent.append(time.perf_counter() - start)
    return min(spent)


def main() -> None:
    """Print seconds and ratios."""
    from scipy.ndimage import affine_transform
    from skimage.transform import ProjectiveTransform, warp

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=4000)
    parser.add_argument("--columns", type=int, default=6000)
    given = parser.parse_args()
    shape = (given.rows, given.columns)
    plane = np.random.default_rng(0).normal(0.1, 0.01, shape).astype(np.float32)
    flags = np.zeros(shape, dtype=np.uint8)
    a = np.deg2rad(1.0)
    matrix = np.array([[np.cos(a), -np.sin(a), 13.3], [np.sin(a), np.cos(a), -7.7], [0, 0, 1]])
    inverse = np.linalg.inv(matrix)
    small = (slice(0, 100), slice(0, 100))
    resample(plane[small][None], flags[small], matrix, (100, 100))
    full_coverage_box([np.eye(20, dtype=bool)])
    ours = best_of(lambda: resample(plane[None], flags, matrix, shape))
    bicubic = best_of(lambda: warp(plane, ProjectiveTransform(inverse), order=3, preserve_range=True), 1)
    flip = inverse[[1, 0, 2]][:, [1, 0, 2]]
    spline = best_of(lambda: affine_transform(plane, flip[:2, :2], offset=flip[:2, 2], order=3), 1)
    mask = np.ones(shape, dtype=bool)
    mask[:50] = False
    mask[
        np.random.default_rng(1).integers(0, shape[0], 2000),
        np.random.default_rng(2).integers(0, shape[1], 2000),
    ] = 0
    print(f"{shape[0] * shape[1] / 1e6:.1f} Mpx")
    print(f"resample, Lanczos-3            {ours:6.2f} s")
    print(f"skimage.warp, bicubic          {bicubic:6.2f} s  {bicubic / ours:5.1f} x")
    print(f"scipy.affine_transform, cubic  {spline:6.2f} s  {spline / ours:5.1f} x")
    print(f"full_coverage_box              {best_of(lambda: full_coverage_box([mask])):6.2f} s")
    print(f"find_stars (noise)             {best_of(lambda: find_stars(plane)):6.2f} s")


if __name__ == "__main__":
    main()
