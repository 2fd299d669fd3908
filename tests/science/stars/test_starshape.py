"""One star's place, width, flux and shape: closed forms of Gaussians, and what cannot be measured."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.stars.starshape import COLUMNS, aperture_fluxes, core_sigmas, measure_stars

NO_MASK = np.zeros((1, 1), dtype=np.bool_)
SHAPE = (80, 90)
X, Y, FLUX, ERROR, PEAK, SIGMA, LONG, STEEP, NOISE, TOP, SKY = range(len(COLUMNS))


def star(
    x: float, y: float, sigma: float, *, height: float = 100.0, axes: float = 1.0, sky: float = 5.0
) -> np.ndarray:
    j, i = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r2 = (i - x) ** 2 / (sigma * axes) ** 2 + (j - y) ** 2 / sigma**2
    return (sky + height * np.exp(-0.5 * r2)).astype(np.float32)


def measured(
    plane: np.ndarray, at: tuple[float, float], window: float = 2.0, mask: np.ndarray = NO_MASK
) -> np.ndarray:
    return np.asarray(measure_stars(plane, mask, np.array([at]), np.array([window]), True))[0]


@pytest.mark.parametrize("sigma", [1.2, 1.8, 3.0])
def test_a_gaussian_is_measured_as_it_was_drawn(sigma: float) -> None:
    row = measured(star(40.3, 37.8, sigma), (40.0, 38.0))
    assert row[[X, Y]] == pytest.approx([40.3, 37.8], abs=1e-3)
    # where the first window is narrower than the star, the ring of sky holds a little of its light
    assert row[SIGMA] == pytest.approx(sigma, rel=3e-3) and row[SKY] == pytest.approx(5.0, abs=0.15)
    assert row[FLUX] == pytest.approx(2.0 * np.pi * sigma**2 * 100.0, rel=1e-2)
    assert row[LONG] == pytest.approx(1.0, abs=2e-3) and row[TOP] == row[PEAK] + row[SKY]


def test_a_long_star_is_long() -> None:
    assert measured(star(40.0, 38.0, 1.6, axes=1.5), (40.0, 38.0))[LONG] == pytest.approx(1.5, abs=0.05)


def test_the_error_is_that_of_the_noise() -> None:
    rng = np.random.default_rng(7)
    plane = star(40.3, 37.8, 1.8)
    noisy = (plane + rng.normal(0.0, 1.0, SHAPE).astype(np.float32) for _ in range(60))
    table = np.array([measured(one, (40.0, 38.0)) for one in noisy])
    assert np.median(table[:, NOISE]) == pytest.approx(1.0, abs=0.15)
    # the error holds for a known width; a free one, and a ring's sky, nearly double it
    assert 0.9 < table[:, FLUX].std() / np.median(table[:, ERROR]) < 2.0


def test_steepness_tells_a_pixel_from_a_star() -> None:
    plane = star(40.0, 38.0, 0.8, height=0.0)
    plane[38, 39:42] += (6.0, 100.0, 6.0)
    plane[[37, 39], 40] += 6.0
    assert measured(plane, (40.0, 38.0), 1.0)[STEEP] == pytest.approx(0.94, abs=0.01)
    assert measured(star(40.0, 38.0, 1.8), (40.0, 38.0))[STEEP] < 0.4


@pytest.mark.parametrize("place", [(0.2, 40.0), (40.0, 0.4), (88.9, 40.0)])
def test_stars_at_the_frames_end_are_left_out(place: tuple[float, float]) -> None:
    assert np.isnan(measured(star(*place, 1.5), place)).all()


def test_a_hole_in_the_core_spoils_a_star_and_one_beside_does_not() -> None:
    plane, mask = star(40.0, 38.0, 1.8), np.zeros(SHAPE, dtype=np.bool_)
    mask[38, 41] = True
    assert np.isnan(measured(plane, (40.0, 38.0), mask=mask)).all()
    mask[:] = False
    mask[38, 50] = True
    assert np.isfinite(measured(plane, (40.0, 38.0), mask=mask)).all()


def test_the_core_of_a_gaussian_is_its_sigma() -> None:
    plane = star(40.3, 37.8, 1.7)
    row = measured(plane, (40.0, 38.0))
    out = np.zeros(1)
    core_sigmas(plane, row[None], out)
    assert out[0] == pytest.approx(1.7, rel=2e-3)


def test_circles_hold_the_light_of_a_gaussian() -> None:
    radius, sigma = 5.0, 1.8
    ((flux, error),) = aperture_fluxes(star(40.3, 37.8, sigma), NO_MASK, np.array([[40.3, 37.8]]), radius)
    whole = 2.0 * np.pi * sigma**2 * 100.0
    assert flux == pytest.approx(whole * (1.0 - np.exp(-0.5 * (radius / sigma) ** 2)), rel=3e-3)
    assert error == pytest.approx(0.0, abs=0.5)
    out = aperture_fluxes(star(40.0, 38.0, sigma), NO_MASK, np.array([[3.0, 38.0], [np.nan, 1.0]]), radius)
    assert np.isnan(out).all()
