"""Distortion by planted truth: it comes back inside the hull of the stars, and none is found where there is none."""

import numpy as np
import pytest
from scipy.spatial import Delaunay

from blend.base.errors import StepError
from blend.science.grid.distortion import (
    Distortion,
    exponents,
    fit_warp,
    frame_of,
    from_reference,
    to_reference,
)
from blend.science.grid.register import align
from blend.science.grid.resampling import resample
from blend.science.grid.transforms import apply_matrix
from blend.science.stars.stars import Stars

SHAPE = (900, 1200)
KINDS = {"barrel": (1.0, (0.0, 0.0)), "pincushion": (-1.0, (0.0, 0.0)), "decentred": (1.0, (0.25, -0.15))}


def listed(xy, flux, fwhm=3.0):
    order, n = np.argsort(-flux), len(flux)
    flux = flux[order]
    # a centroid good to 0.05 px: sqrt(2) sigma / SNR with sigma = 1.27 px
    error = flux * 0.05 / (1.414 * fwhm / 2.355)
    return Stars(xy[order], flux, error, flux / 10, np.full(n, fwhm), np.ones(n), np.zeros(n, bool))


def distorted_pair(seed, count, kind, corner_px, *, strangers=0.0):
    """Two lists of one sky, the moving one bent, turned and scaled; returns them, its shape, the map and the stars.

    ``strangers`` is the share of stars in either list that the other lacks.
    """
    rng = np.random.default_rng(seed)
    middle, size = frame_of(SHAPE)
    sign, off = KINDS.get(kind, (0.0, (0.0, 0.0)))
    centre = middle + size * np.array(off)
    a, scale = np.deg2rad(rng.uniform(-180, 180)), rng.uniform(0.7, 1.4)
    linear = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])

    def raw(r):
        d = (r - centre) / size
        s2 = (d**2).sum(axis=1, keepdims=True)
        return (r - middle + sign * corner_px * d * s2 * (0.8 + 0.2 * s2)) @ linear.T

    sky = rng.uniform([0, 0], [SHAPE[1] - 1, SHAPE[0] - 1], (count, 2))
    low = raw(sky).min(axis=0) - 10
    shape = tuple(int(v) for v in (raw(sky).max(axis=0) - low + 10)[::-1])
    more = round(strangers * count)
    flux = 100 * 10 ** rng.exponential(0.5, count)

    def view(xy, box):
        lone = rng.uniform(0, box[::-1], (more, 2))
        own = np.concatenate([flux, 100 * 10 ** rng.exponential(0.5, more)])
        own = own * 10 ** rng.normal(0, 0.2, len(own))
        return listed(np.concatenate([xy + rng.normal(0, 0.05, xy.shape), lone]), own)

    return view(raw(sky) - low, shape), view(sky, SHAPE), shape, lambda r: raw(r) - low, sky


def worst_in_hull(found, truth, stars):
    grid = np.stack(np.meshgrid(np.linspace(0, SHAPE[1], 41), np.linspace(0, SHAPE[0], 31)), -1).reshape(
        -1, 2
    )
    grid = grid[Delaunay(stars).find_simplex(grid) >= 0]
    return np.hypot(*(found.forward(truth(grid)) - grid).T).max()


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("corner_px", [2.0, 12.0])
@pytest.mark.parametrize(("count", "limit"), [(200, 0.12), (60, 0.3)])
def test_planted_distortion_comes_back_inside_the_hull(kind, corner_px, count, limit):
    for seed in range(2):
        moving, reference, shape, truth, sky = distorted_pair(seed, count, kind, corner_px, strangers=0.3)
        found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
        assert found.distortion is not None and found.doubts == ()
        worst = worst_in_hull(found, truth, sky)
        assert worst < limit and worst < 1.5 * found.error_px[1]
        assert found.matched > 0.75 * count


def test_no_distortion_is_found_where_there_is_none():
    bent = 0
    for seed in range(20):
        moving, reference, shape, _, _ = distorted_pair(seed, 100, "none", 0.0)
        found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
        bent += found.distortion is not None
    assert bent <= 1


def test_stars_that_a_forced_map_leaves_off_are_told_of():
    moving, reference, shape, truth, sky = distorted_pair(1, 200, "barrel", 6.0)
    found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE, transform="similarity")
    assert found.transform == "similarity" and found.distortion is None
    assert [code for code, _ in found.doubts] == ["registration-distorted"]
    assert found.error_px is not None and found.error_px[1] > worst_in_hull(found, truth, sky) / 1.5


def test_a_bend_that_is_passed_over_is_in_the_stated_error():
    """Half a pixel at the corners escapes 60 stars of 0.05 px one time in six: what they show of it counts."""
    ratios = []
    for seed in (2034, 2058, 2095, 2125, 2138, 2168):
        moving, reference, shape, truth, sky = distorted_pair(seed, 60, "pincushion", 0.5)
        found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
        assert found.distortion is None and found.error_px is not None
        ratios.append(worst_in_hull(found, truth, sky) / found.error_px[1])
    assert max(ratios) < 1.0


@pytest.mark.parametrize("transform", ["radial", "polynomial"])
def test_a_distortion_may_be_chosen_and_needs_its_stars(transform):
    moving, reference, shape, truth, sky = distorted_pair(3, 200, "barrel", 3.0)
    found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE, transform=transform)
    # A polynomial of the third order leaves what the fifth power bends beyond it.
    assert found.transform == transform and worst_in_hull(found, truth, sky) < 0.2
    few = [stars.select(np.arange(len(stars)) < 8) for stars in distorted_pair(4, 8, "none", 0.0)[:2]]
    with pytest.raises(StepError, match="too few for the transform"):
        align(*few, moving_shape=SHAPE, reference_shape=SHAPE, transform=transform)


@pytest.mark.parametrize("kind", ["radial", "polynomial"])
def test_exact_points_give_the_exact_distortion(kind):
    rng = np.random.default_rng(0)
    xy = rng.uniform(0, 900, (120, 2))
    middle, size = frame_of(SHAPE)
    if kind == "radial":
        true = Distortion("radial", (700.0, 400.0), size, np.array([6e-3, -2e-3]))
    else:
        true = Distortion("polynomial", tuple(middle), size, rng.normal(0, 2, (len(exponents(4)), 2)), 4)
    affine = np.array([[1.1, 0.2, 30.0], [-0.2, 1.1, -70.0], [0, 0, 1.0]])
    source = from_reference(affine, true, xy)
    found = fit_warp(kind, source, xy, np.full(120, 1e4), frame=(middle, size), order=4)
    np.testing.assert_allclose(found.distortion.at(xy), true.at(xy), atol=0.02)
    np.testing.assert_allclose(to_reference(found.matrix, found.distortion, source), xy, atol=0.01)


def test_there_and_back_is_where_one_was():
    bend = Distortion("radial", (610.0, 440.0), 750.0, np.array([0.016, 0.002]))
    xy = np.random.default_rng(1).uniform(0, 900, (50, 2))
    matrix = np.array([[0.9, -0.3, 5.0], [0.3, 0.9, 1.0], [0, 0, 1.0]])
    np.testing.assert_allclose(from_reference(matrix, bend, to_reference(matrix, bend, xy)), xy, atol=1e-9)


def test_resampling_follows_the_distortion():
    shape = (300, 400)
    bend = Distortion("radial", (199.5, 149.5), 250.0, np.array([0.03, 0.0]))
    stars = np.array([[40.0, 30.0], [200.0, 150.0], [360.0, 260.0], [60.0, 250.0]])
    matrix = np.array([[1.0, 0.0, 2.5], [0.0, 1.0, -1.5], [0, 0, 1.0]])
    at = from_reference(matrix, bend, stars)
    y, x = np.mgrid[:300, :400]
    light = sum(np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * 1.8**2)) for px, py in at)
    flags = np.zeros(shape, np.uint8)
    flags[5, 5] = 1
    out, _ = resample(light[None].astype(np.float32), flags, matrix, shape, distortion=bend)
    for px, py in stars:
        box = np.s_[int(py) - 8 : int(py) + 9, int(px) - 8 : int(px) + 9]
        w = np.nan_to_num(out[0][box])
        # 0.01 px: the corner of the frame stretches a star by 9 %, which moves its flux and not its centre.
        assert abs((w * x[box]).sum() / w.sum() - px) < 0.02 and abs((w * y[box]).sum() / w.sum() - py) < 0.02


def test_a_distortion_of_nothing_changes_no_bit():
    pixels = np.random.default_rng(0).normal(size=(2, 60, 70)).astype(np.float32)
    flags = np.zeros((60, 70), np.uint8)
    matrix = np.array([[1.0, 0.01, 2.5], [-0.01, 1.0, -1.5], [0, 0, 1.0]])
    none = Distortion("polynomial", (30.0, 30.0), 40.0, np.zeros((len(exponents(3)), 2)), 3)
    plain, _ = resample(pixels, flags, matrix, (60, 70))
    bent, _ = resample(pixels, flags, matrix, (60, 70), distortion=none)
    np.testing.assert_array_equal(plain, bent)
    assert apply_matrix(matrix, np.zeros((1, 2))).shape == (1, 2)
