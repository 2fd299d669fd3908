"""Cosmic rays: planted ones are found to their ends, stars of any brightness and width are not touched."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from blend.base.rowblocks import limit_threads
from blend.science.plane.noise import local_noise
from blend.science.sensor.rays import find_rays, remove_rays, star_edge
from blend.science.sensor.sharpness import star_core_width

SHAPE = (300, 400)
SKY = 100.0
SIGMA = 10.5
"""Of the sky's 100 electrons and 3 of read noise."""

Plane = NDArray[np.float32]


def stars(
    fwhm: float, *, beta: float | None = None, count: int = 150, seed: int = 1, brightest: float = 5.5
) -> Plane:
    """Return stars from the noise to ``10 ** brightest`` electrons at the peak, as a Gaussian or a Moffat profile."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    mean = np.full(SHAPE, SKY)
    for _ in range(count):
        cx, cy = rng.uniform(0, SHAPE[1]), rng.uniform(0, SHAPE[0])
        part = np.s_[max(0, int(cy) - 30) : int(cy) + 31, max(0, int(cx) - 30) : int(cx) + 31]
        far = (y[part] - cy) ** 2 + (x[part] - cx) ** 2
        if beta is None:
            shape = np.exp(-4.0 * np.log(2.0) * far / fwhm**2)
        else:
            shape = (1.0 + far * 4.0 * (2.0 ** (1.0 / beta) - 1.0) / fwhm**2) ** -beta
        mean[part] += 10.0 ** rng.uniform(1.3, brightest) * shape
    return (rng.poisson(mean) + rng.normal(0.0, 3.0, SHAPE)).astype(np.float32)


@pytest.mark.parametrize("beta", [None, 3.0])
@pytest.mark.parametrize("fwhm", [2.05, 2.5, 3.5, 5.0])
def test_no_star_of_any_brightness_is_a_ray(fwhm: float, beta: float | None) -> None:
    for seed in (1, 2):
        plane = stars(fwhm, beta=beta, seed=seed)
        assert remove_rays(plane).events == 0
        assert find_rays(plane, fwhm_px=fwhm).events == 0


def test_of_a_deep_stack_rays_are_what_outshines_its_surroundings() -> None:
    """A galaxy's sharp grain stays; a ray goes that is brighter than the sky's noise, or than the galaxy it lies on."""
    rng, fwhm = np.random.default_rng(8), 3.0
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    galaxy = 4e3 * np.exp(-np.hypot(y - 150, x - 200) / 25.0)
    grain = 1.0 + 0.3 * (rng.random(SHAPE) < 0.05)
    plane = (stars(fwhm, count=100, brightest=4.0) + galaxy * grain).astype(np.float32)
    assert (remove_rays(plane).events or 0) > 5
    assert remove_rays(plane, outshining=True).events == 0
    plane[40, 300:306] += 60 * SIGMA
    plane[150, 230] += 3.0 * galaxy[150, 230]
    plane[150, 170] += 0.6 * galaxy[150, 170]
    clean = remove_rays(plane, outshining=True)
    assert clean.events == 2
    assert set(zip(*clean.places, strict=True)) >= {(40, 301), (40, 304), (150, 230)}
    assert np.abs(clean.pixels[40, 300:306] - SKY).max() < 6 * SIGMA


@pytest.mark.parametrize("fwhm", [2.1, 2.5, 3.4])
def test_planted_rays_are_found_and_filled(fwhm: float) -> None:
    plane = stars(fwhm, count=60, brightest=4.0)
    rng = np.random.default_rng(3)
    clear = np.argwhere(plane[5:-5, 5:-25] < SKY + 4 * SIGMA) + 5
    places = clear[rng.choice(len(clear), 60, replace=False)]
    spoilt, truth = plane.copy(), np.zeros(SHAPE, dtype=bool)
    for number, (y, x) in enumerate(places):
        long = 1 if number % 2 else int(rng.integers(2, 18))
        spoilt[y, x : x + long] += SIGMA * rng.uniform(12.0, 200.0)
        truth[y, x : x + long] = True
    clean = remove_rays(spoilt)
    found = np.zeros(SHAPE, dtype=bool)
    found[clean.places] = True
    # pixels that chance made faint may be missed, and what they touch may be taken along
    assert found[truth].mean() > 0.98
    assert np.count_nonzero(found & ~truth) < 0.1 * truth.sum()
    # what was filled is like the sky again, and nothing else has changed by a bit
    assert np.abs(np.median(clean.pixels[truth]) - SKY) < 0.5 * SIGMA
    np.testing.assert_array_equal(clean.pixels[~found], spoilt[~found])


def test_a_long_faint_track_is_followed_to_its_end() -> None:
    plane = stars(3.0, count=60, seed=4, brightest=3.5)
    plane[150:156, 50:350] = np.random.default_rng(5).normal(SKY, SIGMA, (6, 300))
    x = np.arange(60, 340)
    y = (150.5 + 0.01 * x).astype(int)
    plane[y, x] += np.where(x < 80, 20.0, 6.5) * SIGMA
    found = remove_rays(plane)
    at = np.zeros(SHAPE, dtype=bool)
    at[found.places] = True
    assert at[y, x].mean() > 0.9
    assert at[y[-10:], x[-10:]].any()


def test_too_sharp_stars_need_another_frames_word() -> None:
    here, there = stars(1.7, count=120, seed=6, brightest=4.5), stars(1.7, count=120, seed=6, brightest=4.5)
    there = (there + np.random.default_rng(7).normal(0.0, SIGMA, SHAPE)).astype(np.float32)
    clean = here.copy()
    here[40, 50:53] += 60 * SIGMA
    here[200, 300] += 60 * SIGMA
    alone = remove_rays(here)
    assert alone.events is None
    assert alone.pixels is here
    pair = remove_rays(here, other=there)
    assert pair.events == 2
    assert set(zip(*(part.tolist() for part in pair.places), strict=True)) >= {(40, 51), (200, 300)}
    assert np.abs(pair.pixels[200, 300] - clean[200, 300]) < 6 * SIGMA


def test_what_the_other_frame_shows_too_is_no_ray() -> None:
    here = stars(1.7, count=200, seed=8, brightest=5.0)
    assert remove_rays(here, other=0.7 * here + 0.3 * SKY).events == 0


def test_nan_borders_and_holes_are_no_rays_and_stay() -> None:
    plane = stars(2.5, seed=9)
    plane[:7] = np.nan
    plane[100:130, 200:204] = np.nan
    plane[250, 60] = np.nan
    clean = remove_rays(plane)
    assert clean.events == 0
    np.testing.assert_array_equal(np.isnan(clean.pixels), np.isnan(plane))


def test_columns_of_the_sensor_and_bleeding_stars_are_left() -> None:
    plane = stars(2.5, seed=10)
    plane[20:280, 111] += 30 * SIGMA
    full = np.zeros(SHAPE, dtype=bool)
    plane[150:170, 333] = 50_000.0
    full[150:160, 333] = True
    assert remove_rays(plane, spared=full).events == 0


@pytest.mark.parametrize("threads", [2, 4])
def test_threads_change_no_byte(threads: int) -> None:
    plane = stars(2.5, seed=11)
    plane[60:66, 60:66][np.eye(6, dtype=bool)] += 50 * SIGMA
    with limit_threads(1):
        one = remove_rays(plane)
    with limit_threads(threads):
        more = remove_rays(plane)
    assert one.events == more.events == 1
    assert one.pixels.tobytes() == more.pixels.tobytes()


def test_a_small_frame_has_no_rays() -> None:
    assert find_rays(np.zeros((5, 90), dtype=np.float32), fwhm_px=3.0).events == 0


@pytest.mark.parametrize("fwhm", [2.0, 2.5, 3.4])
def test_the_width_of_stars_stands_beside_rays_and_knots(fwhm: float) -> None:
    plane = stars(fwhm, count=60, seed=12, brightest=4.0)
    rng = np.random.default_rng(13)
    for number in range(60):
        y, x = rng.integers(12, SHAPE[0] - 12), rng.integers(12, SHAPE[1] - 12)
        if number < 20:
            plane[y, x : x + 3] += 80 * SIGMA
        else:
            j, i = np.mgrid[-9:10, -9:10]
            knot = 300.0 * np.exp(-4 * np.log(2.0) * (j * j + i * i) / (2.0 * fwhm) ** 2)
            plane[y - 9 : y + 10, x - 9 : x + 10] += knot.astype(np.float32)
    width = star_core_width(plane, local_noise(plane))
    assert width == pytest.approx(fwhm, rel=0.12)


def test_a_stars_edge_falls_with_its_width() -> None:
    edges = [star_edge(width) for width in (1.6, 2.0, 2.5, 3.0, 3.5)]
    assert edges == sorted(edges, reverse=True)
    # closed form for the middle of a star centred on its pixel, whose ring is dark
    assert edges[0] >= 1.0 - np.exp(-4.0 * np.log(2.0) / 1.6**2)


def test_the_reference_marks_what_we_mark() -> None:
    astroscrappy = pytest.importorskip("astroscrappy")
    plane = stars(2.5, count=60, seed=14, brightest=4.0)
    rng = np.random.default_rng(15)
    for _ in range(40):
        y, x = rng.integers(5, SHAPE[0] - 5), rng.integers(5, SHAPE[1] - 12)
        plane[y, x : x + 4] += SIGMA * rng.uniform(20.0, 200.0)
    theirs, _ = astroscrappy.detect_cosmics(plane, gain=1.0, readnoise=3.0, sigclip=5.0, objlim=5.0)
    mine = np.zeros(SHAPE, dtype=bool)
    mine[remove_rays(plane).places] = True
    assert mine.sum() > 120
    assert theirs[mine].mean() > 0.9
