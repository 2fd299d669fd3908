"""Patterns, planes and places: which photosite sees what, and where exactly it was."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.grid.transforms import apply_matrix
from blend.science.sensor.mosaic import (
    PATTERNS,
    demosaic,
    half_matrix,
    half_size,
    photosites,
    sites,
)
from blend.science.sensor.mosaic_calibration import calibrate_mosaic, fit_centres, prepare_sensor, spread_mask
from blend.science.simulated.drawing import View, add_sources
from blend.science.simulated.scene import Sources
from blend.science.stars.stars import find_stars, typical_fwhm


def letters(pattern: str, shape: tuple[int, int]) -> np.ndarray:
    """Return the colour of every photosite, written out the slow way."""
    return np.array([[pattern[2 * (y % 2) + x % 2] for x in range(shape[1])] for y in range(shape[0])])


def mosaic_of(colours: np.ndarray, pattern: str) -> np.ndarray:
    """Return the photosites of a picture (3, rows, columns)."""
    names = letters(pattern, colours.shape[1:])
    return np.choose(np.vectorize("RGB".index)(names), colours).astype(np.float32)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("method", ["bilinear", "gradient"])
@pytest.mark.parametrize("shape", [(8, 10), (7, 9), (3, 3)])
def test_a_constant_colour_is_exact_up_to_the_border(
    pattern: str, method: str, shape: tuple[int, int]
) -> None:
    colour = np.array([0.7, 0.4, 0.1], dtype=np.float32)[:, None, None] * np.ones((1, *shape), np.float32)
    done = demosaic(mosaic_of(colour, pattern), pattern, method=method)  # type: ignore[arg-type]
    # float32 rounding of a sum of eight terms
    np.testing.assert_allclose(done, colour, atol=2e-7)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("method", ["bilinear", "gradient"])
def test_a_grey_ramp_is_exact_inside_and_measured_values_stay(pattern: str, method: str) -> None:
    y, x = np.mgrid[:12, :14].astype(np.float32)
    ramp = 0.1 + 0.01 * x - 0.02 * y
    mosaic = np.ascontiguousarray(ramp)
    before = mosaic.copy()
    done = demosaic(mosaic, pattern, method=method)  # type: ignore[arg-type]
    for plane in done:
        np.testing.assert_allclose(plane[2:-2, 2:-2], ramp[2:-2, 2:-2], atol=1e-6)
    for plane, colour in zip(done, ("red", "green", "blue"), strict=True):
        for dx, dy in sites(pattern, colour):
            np.testing.assert_array_equal(plane[dy::2, dx::2], mosaic[dy::2, dx::2])
    np.testing.assert_array_equal(mosaic, before)


def test_half_a_cell_is_never_lost() -> None:
    mosaic = np.arange(7 * 9, dtype=np.float32).reshape(7, 9)
    for pattern in PATTERNS:
        for colour in ("red", "blue"):
            plane = photosites(mosaic, pattern, colour)
            j, i = np.mgrid[: plane.shape[0], : plane.shape[1]]
            x, y = apply_matrix(
                half_matrix(pattern, colour), np.column_stack([i.ravel(), j.ravel()])
            ).T.astype(int)
            np.testing.assert_array_equal(mosaic[y, x], plane.ravel())


def test_half_size_lies_where_it_says() -> None:
    y, x = np.mgrid[:20, :24].astype(np.float32)
    for pattern in PATTERNS:
        planes = half_size(100.0 * y + x, pattern)
        for plane, colour in zip(planes, ("red", "green", "blue"), strict=True):
            x0, y0 = half_matrix(pattern, colour)[:2, 2]
            j, i = np.mgrid[:10, :12]
            np.testing.assert_allclose(plane, 100.0 * (2 * j + y0) + 2 * i + x0, rtol=1e-6)


def test_one_missing_green_is_replaced_by_the_other() -> None:
    mosaic = np.full((4, 4), 2.0, dtype=np.float32)
    mosaic[0, 1] = np.nan
    planes = half_size(mosaic, "RGGB")
    assert np.isfinite(planes).all()


@pytest.mark.parametrize("pattern", PATTERNS)
def test_stars_on_the_red_photosites_are_where_they_are(pattern: str) -> None:
    shape = (260, 320)
    rng = np.random.default_rng(PATTERNS.index(pattern))
    grid = np.stack(np.meshgrid(np.arange(30, 300, 40), np.arange(30, 240, 40)), axis=-1).reshape(-1, 2)
    xy = grid + rng.uniform(-8.0, 8.0, grid.shape)
    light = np.zeros((1, *shape), dtype=np.float32)
    none = np.zeros(len(xy))
    flux = np.full((1, len(xy)), 5.0)
    add_sources(light, View(shape, np.eye(3), 3.4), Sources(xy, flux[0], none, none), flux, fwhm_px=3.4)
    mosaic = light[0] + 0.02 + rng.normal(0.0, 1e-4, shape).astype(np.float32)
    plane = photosites(mosaic, pattern)
    stars = find_stars(plane)
    centres = fit_centres(plane, stars.xy, fwhm_px=typical_fwhm(stars))
    found = apply_matrix(half_matrix(pattern), centres)
    distance = np.hypot(*(found[:, None] - xy[None]).transpose(2, 0, 1)).min(axis=1)
    nearest = np.hypot(*(found[:, None] - xy[None]).transpose(2, 0, 1)).argmin(axis=1)
    assert len(found) > 25
    # what is asked of bright stars; half a pixel of error would be 0.5
    assert distance.max() < 0.02
    assert np.abs((found - xy[nearest]).mean(axis=0)).max() < 0.004


def test_a_fit_beside_an_edge_leaves_the_guess() -> None:
    plane = np.random.default_rng(1).normal(size=(20, 20)).astype(np.float32)
    guess = np.array([[0.3, 5.0], [19.0, 19.0]])
    np.testing.assert_array_equal(fit_centres(plane, guess, fwhm_px=2.0), guess)


def test_calibration_on_the_mosaic_matches_its_equation() -> None:
    rng = np.random.default_rng(8)
    shape = (64, 64)
    bias = np.full(shape, 512.0, np.float32) + rng.normal(0, 1, shape).astype(np.float32)
    dark = bias + 40.0
    flat = rng.uniform(4000, 6000, shape).astype(np.float32)
    light = rng.uniform(400, 9000, shape).astype(np.float32)
    kept = {name: array.copy() for name, array in (("bias", bias), ("dark", dark), ("flat", flat))}
    sensor = prepare_sensor(
        shape, black=bias, span=15871.0, step=2, dark=dark, bias=bias, flat=flat, factor=2.0, hot_sigma=np.inf
    )
    done = calibrate_mosaic(light, sensor, saturation=8000.0, hot_sigma=np.inf)
    norm = np.empty(shape)
    for y in (0, 1):
        for x in (0, 1):
            norm[y::2, x::2] = np.median(flat[y::2, x::2])
    wanted = (light - bias - 2.0 * (dark - bias)) / (flat / norm) / 15871.0
    np.testing.assert_allclose(done.pixels, wanted, rtol=2e-5, atol=1e-6)
    np.testing.assert_array_equal(done.saturated, light >= 8000.0)
    assert (done.pixels < 0).any()  # negatives are kept
    for name, array in (("bias", bias), ("dark", dark), ("flat", flat)):
        np.testing.assert_array_equal(array, kept[name])


def test_hot_photosites_are_filled_and_stars_are_not() -> None:
    rng = np.random.default_rng(9)
    shape = (128, 160)
    light = np.zeros((1, *shape), dtype=np.float32)
    xy = rng.uniform(20, 100, (12, 2))
    flux = np.full((1, 12), 30000.0)
    none = np.zeros(12)
    add_sources(light, View(shape, np.eye(3), 2.6), Sources(xy, flux[0], none, none), flux, fwhm_px=2.6)
    frame = light[0] + 600.0 + rng.normal(0.0, 8.0, shape).astype(np.float32)
    hot = rng.integers(10, 100, (20, 2))
    hot = hot[np.hypot(*(hot[:, None] - xy[None]).transpose(2, 0, 1)).min(axis=1) > 8]
    frame[hot[:, 1], hot[:, 0]] += 4000.0
    zero = np.zeros(shape, np.float32)
    done = calibrate_mosaic(frame, prepare_sensor(shape, black=zero, span=1.0, step=2), saturation=None)
    assert np.abs(done.pixels[hot[:, 1], hot[:, 0]] - 600.0).max() < 60.0
    untouched = done.pixels == frame
    for x, y in np.rint(xy).astype(int):
        assert untouched[y - 3 : y + 4, x - 3 : x + 4].all()


def test_a_mask_spreads_as_far_as_the_interpolation_reaches() -> None:
    mask = np.zeros((9, 9), dtype=bool)
    mask[4, 4] = True
    for reach in (1, 2):
        wanted = np.zeros_like(mask)
        wanted[4 - reach : 5 + reach, 4 - reach : 5 + reach] = True
        np.testing.assert_array_equal(spread_mask(mask, reach=reach), wanted)
