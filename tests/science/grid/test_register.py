"""Registration by planted truth: a known map must come back over the whole frame, and no map must come from nothing."""

import os
from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from blend.base.errors import StepError
from blend.science.grid.alignment import same_grid
from blend.science.grid.matching import chance_of
from blend.science.grid.register import align
from blend.science.grid.transforms import apply_matrix, fit_affine, fit_projective
from blend.science.stars.stars import Stars, find_stars

FRAMES = Path(os.environ.get("BLEND_REAL_FRAMES") or Path(__file__).parents[4] / "shared" / "data")
SHAPE = (700, 1000)


def make_stars(xy, flux, *, fwhm=3.0, rng=None):
    """A list as star finding gives it: brightest first, places off by what their signal to noise makes them."""
    order = np.argsort(-flux)
    xy, flux = xy[order], flux[order]
    error = np.full(len(flux), np.min(flux) / 20)
    if rng is not None:
        xy = xy + rng.normal(size=xy.shape) * (1.414 * fwhm / 2.355 * error / flux + 0.01)[:, None]
    n = len(flux)
    return Stars(xy, flux, error, flux / 10, np.full(n, fwhm), np.ones(n), np.zeros(n, bool))


def two_views(seed, count, *, scale=1.0, angle=0.0, mirrored=False, scramble=0.3, tilt=(0.0, 0.0)):
    """Two lists of one sky: ``count`` stars in each, half of them in both, brightness shuffled by ``scramble`` dex.

    Returns the moving list, the reference list, the moving shape and the map between them.
    """
    rng = np.random.default_rng(seed)
    a = np.deg2rad(angle)
    linear = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    if mirrored:
        linear = linear @ np.diag([-1.0, 1.0])
    shape = (round(SHAPE[0] / scale), round(SHAPE[1] / scale))
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    middle = np.array([shape[1], shape[0]]) / 2
    matrix[:2, 2] = np.array([SHAPE[1], SHAPE[0]]) / 2 + [23.4, -11.2] - linear @ middle
    bend = np.eye(3)
    bend[2, :2] = tilt
    matrix = matrix @ bend
    side = 1.5 * np.hypot(*SHAPE)
    world = (rng.random((int(2.2 * 1.5 * count * side**2 / (SHAPE[0] * SHAPE[1])), 2)) - 0.5) * side
    world += np.array([SHAPE[1], SHAPE[0]]) / 2
    flux = 10 ** rng.exponential(0.5, len(world))
    kind = rng.random(len(world))

    def view(xy, chosen, shape):
        inside = chosen & (xy > 0).all(axis=1) & (xy < [shape[1] - 1, shape[0] - 1]).all(axis=1)
        inside &= np.cumsum(inside) <= count
        return make_stars(xy[inside], flux[inside] * 10 ** rng.normal(0, scramble, inside.sum()), rng=rng)

    reference = view(world, kind < 2 / 3, SHAPE)
    moving = view(apply_matrix(np.linalg.inv(matrix), world), kind > 1 / 3, shape)
    return moving, reference, shape, matrix


def worst_error(found, true, shape):
    """Largest distance, in reference pixels, over the part of the moving frame that lies on the reference."""
    xy = np.stack(
        np.meshgrid(np.linspace(0, shape[1] - 1, 15), np.linspace(0, shape[0] - 1, 15)), -1
    ).reshape(-1, 2)
    wanted = apply_matrix(true, xy)
    on = (wanted > 0).all(axis=1) & (wanted < [SHAPE[1], SHAPE[0]]).all(axis=1)
    return np.hypot(*(apply_matrix(found, xy) - wanted)[on].T).max()


@pytest.mark.parametrize(
    ("scale", "angle", "mirrored"),
    [(1.0, 0.0, False), (0.4, 137.0, False), (2.5, -60.0, True), (1.3, 180.0, True)],
)
@pytest.mark.parametrize("count", [60, 400])
def test_planted_map_comes_back_over_the_whole_frame(count, scale, angle, mirrored):
    moving, reference, shape, truth = two_views(count, count, scale=scale, angle=angle, mirrored=mirrored)
    found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
    assert found.mirrored is mirrored
    assert worst_error(found.matrix, truth, shape) < 0.10
    apart = np.hypot(*(apply_matrix(found.matrix, found.moving_xy) - found.reference_xy).T)
    assert len(apart) == found.matched and apart.max() < 4.0


def test_three_thousand_stars_with_brightness_in_no_order():
    moving, reference, shape, truth = two_views(5, 3000, angle=71.0, scramble=3.0)
    found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
    assert worst_error(found.matrix, truth, shape) < 0.03


def test_twenty_stars_are_enough():
    rng = np.random.default_rng(12)
    xy = rng.uniform(20, 680, (30, 2))
    flux = 10 ** rng.exponential(0.5, 30)
    a, b = (
        make_stars(xy[:20], flux[:20], rng=rng),
        make_stars(xy[10:] + np.array([23.4, -11.2]), flux[10:], rng=rng),
    )
    found = align(a, b, moving_shape=SHAPE, reference_shape=SHAPE)
    assert found.matched >= 8
    np.testing.assert_allclose(
        apply_matrix(found.matrix, np.array([[350.0, 350.0]])), [[373.4, 338.8]], atol=0.1
    )


def test_deep_frame_on_shallow_frame():
    moving, reference, shape, truth = two_views(9, 800, angle=10.0)
    few = reference.select(np.arange(90))
    found = align(moving, few, moving_shape=shape, reference_shape=SHAPE)
    assert worst_error(found.matrix, truth, shape) < 0.10


def test_auto_takes_no_more_freedom_than_the_stars_justify():
    plain = [two_views(seed, 200, angle=5.0) for seed in range(3)]
    kinds = [align(m, r, moving_shape=s, reference_shape=SHAPE).transform for m, r, s, _ in plain]
    assert kinds == ["similarity"] * 3
    moving, reference, shape, truth = two_views(3, 300, angle=5.0, tilt=(6e-6, -4e-6))
    found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE)
    assert found.transform == "projective"
    assert worst_error(found.matrix, truth, shape) < 0.10
    stretched = make_stars(moving.xy @ np.diag([1.002, 1.0]), moving.flux)
    sheared = align(stretched, moving, moving_shape=SHAPE, reference_shape=SHAPE)
    assert sheared.transform == "affine"


@pytest.mark.parametrize("transform", ["similarity", "affine", "projective"])
def test_transform_may_be_chosen(transform):
    moving, reference, shape, truth = two_views(4, 300, angle=-20.0)
    found = align(moving, reference, moving_shape=shape, reference_shape=SHAPE, transform=transform)
    assert found.transform == transform
    assert worst_error(found.matrix, truth, shape) < 0.10


def test_marks_that_stay_in_place_do_not_win_against_the_sky():
    rng = np.random.default_rng(21)
    marks = rng.uniform(10, 690, (60, 2))
    moving, reference, shape, truth = two_views(21, 60)
    flux = np.full(60, float(np.median(moving.flux)))
    a = make_stars(np.concatenate([moving.xy, marks]), np.concatenate([moving.flux, flux]))
    b = make_stars(np.concatenate([reference.xy, marks]), np.concatenate([reference.flux, flux]))
    found = align(a, b, moving_shape=shape, reference_shape=SHAPE)
    assert worst_error(found.matrix, truth, shape) < 0.10


def test_marks_alone_do_not_make_a_match_of_two_skies():
    rng = np.random.default_rng(22)
    marks = rng.uniform(10, 690, (15, 2))

    def sky():
        xy = np.concatenate([rng.uniform(5, 690, (60, 2)), marks])
        return make_stars(xy, np.where(np.arange(75) < 60, 1.0, 9.0) * 10 ** rng.uniform(0, 0.5, 75))

    with pytest.raises(StepError, match="the rest of the stars disagree"):
        align(sky(), sky(), moving_shape=SHAPE, reference_shape=SHAPE)


@pytest.mark.parametrize("counts", [(0, 50), (2, 50), (50, 2), (20, 20), (120, 150), (60, 900)])
def test_fields_with_nothing_in_common_are_refused_with_their_counts(counts):
    rng = np.random.default_rng(sum(counts))
    lists = [
        make_stars(rng.uniform(0, 700, (n, 2)), 10 ** rng.exponential(0.5, n)) if n else None for n in counts
    ]
    empty = make_stars(np.ones((1, 2)), np.ones(1)).select(np.zeros(1, bool))
    a, b = (one if one is not None else empty for one in lists)
    with pytest.raises(StepError) as caught:
        align(a, b, moving_shape=SHAPE, reference_shape=SHAPE, where="register.ha")
    text = str(caught.value)
    assert caught.value.exit_code == 4 and caught.value.where == "register.ha"
    assert f"{counts[0]} in this frame, {counts[1]} in the reference" in text
    assert "best attempt" in text and "mirrored" in text


def test_overlap_is_the_covered_share_of_the_reference():
    rng = np.random.default_rng(2)
    xy, flux = rng.uniform(0, 700, (200, 2)), 10 ** rng.exponential(0.5, 200)
    shifted = make_stars(xy + np.array([250.0, 0.0]), flux)
    found = align(make_stars(xy, flux), shifted, moving_shape=SHAPE, reference_shape=SHAPE)
    # A shift by a quarter of the width covers three quarters; the share is counted on 64 x 64 points.
    assert found.overlap == pytest.approx(0.75, abs=1 / 64)


def test_same_grid_wants_equal_shapes():
    assert np.array_equal(same_grid(SHAPE, SHAPE).matrix, np.eye(3))
    with pytest.raises(StepError, match="1000 x 700"):
        same_grid((10, 20), SHAPE)


def test_unknown_transform_is_the_programmers_error():
    moving, reference, shape, _ = two_views(1, 30)
    with pytest.raises(ValueError, match="rubber"):
        align(moving, reference, moving_shape=shape, reference_shape=SHAPE, transform="rubber")


def test_exact_points_give_the_exact_map():
    rng = np.random.default_rng(0)
    xy = rng.uniform(0, 4000, (20, 2))
    affine = np.array([[1.1, 0.2, 30.0], [-0.3, 0.9, -70.0], [0, 0, 1.0]])
    np.testing.assert_allclose(fit_affine(xy, apply_matrix(affine, xy)), affine, atol=1e-9)
    tilted = affine + np.array([[0, 0, 0], [0, 0, 0], [1e-5, -2e-5, 0]])
    np.testing.assert_allclose(fit_projective(xy, apply_matrix(tilted, xy)), tilted, atol=1e-8)


def test_chance_equals_counting_out_every_case():
    from itertools import product

    p, n = 0.3, 6
    for least in range(2, n + 1):
        cases = (sum(c) for c in product((0, 1), repeat=n))
        wanted = sum(p**k * (1 - p) ** (n - k) for k in cases if k >= least)
        assert 10 ** chance_of(least, n, p) == pytest.approx(wanted, rel=1e-9)


@pytest.fixture(scope="module")
def real_stars():
    fits = pytest.importorskip("astropy.io.fits")
    names = ("ha", "cont", "oiii", "heii")
    if not all((FRAMES / f"ou5-{name}.fits").exists() for name in names):
        pytest.skip("the folder of real frames (BLEND_REAL_FRAMES) is not there")
    return {name: find_stars(fits.getdata(FRAMES / f"ou5-{name}.fits")) for name in names}


@pytest.mark.real
@pytest.mark.parametrize("pair", list(permutations(("ha", "cont", "oiii", "heii"), 2)), ids="-".join)
def test_real_frames_register_with_one_another(real_stars, pair):
    found = align(*(real_stars[name] for name in pair), moving_shape=(400, 400), reference_shape=(400, 400))
    assert found.rms_px < 0.2 and found.matched >= 20 and not found.mirrored
    # The frames were put on one grid by their makers, to within a pixel.
    assert np.hypot(*(apply_matrix(found.matrix, np.array([[200.0, 200.0]])) - 200.0)[0]) < 1.0


@pytest.mark.real
def test_real_frames_agree_around_a_loop(real_stars):
    def step(a, b):
        return align(real_stars[a], real_stars[b], moving_shape=(400, 400), reference_shape=(400, 400)).matrix

    loop = step("oiii", "ha") @ step("cont", "oiii") @ step("ha", "cont")
    corners = np.array([[20.0, 20.0], [380.0, 20.0], [20.0, 380.0], [380.0, 380.0], [200.0, 200.0]])
    # Three fits of some 30 stars at 0.15 px: 0.15 sqrt(2 / 30) each, twice that at the corners.
    assert np.hypot(*(apply_matrix(loop, corners) - corners).T).max() < 0.2
