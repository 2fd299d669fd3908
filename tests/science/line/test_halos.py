"""Discs of a filter's reflections are found with their radius; nebulae, arms and noise are none."""

import numpy as np
import pytest

from blend.science.line.halos import BLOCK_PX, cover_halos, find_halos, standing_out

SHAPE = (150, 200)
FLUX = np.array([4000.0 * BLOCK_PX**2])


def field(seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=SHAPE)


def distance(x: float, y: float) -> np.ndarray:
    """Of every block from a pixel, in pixels."""
    rows, columns = np.indices(SHAPE)
    return np.hypot(*((axis + 0.5) * BLOCK_PX - 0.5 - c for axis, c in ((columns, x), (rows, y))))


def with_star(light: np.ndarray, x: float, y: float) -> np.ndarray:
    return np.where(distance(x, y) < 12.0, np.nan, light)


@pytest.mark.parametrize("radius", [24.0, 48.0, 100.0])
@pytest.mark.parametrize("shift", [0.0, 0.4])
@pytest.mark.parametrize("at", [(400.0, 300.0), (30.0, 200.0)])
def test_a_disc_is_found_wherever_it_lies(radius, shift, at):
    centre = (at[0] + shift * radius, at[1])
    light = with_star(field() + 2.6 * (distance(*centre) < radius), *at)
    (halo,) = find_halos(light, np.array([at]), 100.0 * FLUX)
    assert halo.radius_px == pytest.approx(radius, rel=0.15)
    assert np.hypot(halo.x - centre[0], halo.y - centre[1]) < 0.2 * radius
    assert halo.level == pytest.approx(2.6, rel=0.25) and halo.star == pytest.approx(at, abs=1e-6)
    mask = cover_halos(np.zeros((600, 800), np.float32), [halo], fwhm_px=3.0)
    rows, columns = np.indices(mask.shape)
    inside = np.hypot(columns - centre[0], rows - centre[1]) < 0.85 * radius
    assert (
        mask[inside].all()
        and not mask[np.hypot(columns - centre[0], rows - centre[1]) > 1.3 * radius + 8].any()
    )


def test_what_is_no_disc_of_the_star_is_none():
    at = np.array([[400.0, 300.0]])
    away = distance(400.0, 300.0)
    rows, _ = np.indices(SHAPE)
    for light in (
        field(),
        field() + 6.0 * np.exp(-((away / 60.0) ** 2)),  # a glow, brightest in the middle
        field() + 3.0 * (np.abs(rows - 75) < 8),  # an arm
        field() + 3.0 * ((away > 40.0) & (away < 60.0)),  # a ring
        field() + 3.0 * ((away < 60.0) & (rows > 70)),  # half a disc
    ):
        assert find_halos(with_star(light, 400.0, 300.0), at, 100.0 * FLUX) == []


def test_a_planetary_nebula_outshines_its_star():
    light = with_star(field() + 5.0 * (distance(400.0, 300.0) < 60.0), 400.0, 300.0)
    assert find_halos(light, np.array([[400.0, 300.0]]), FLUX) == []
    assert len(find_halos(light, np.array([[400.0, 300.0]]), 100.0 * FLUX)) == 1


def test_nothing_known_and_stars_beyond_the_frame():
    assert find_halos(np.full(SHAPE, np.nan), np.array([[400.0, 300.0]]), FLUX) == []
    assert find_halos(field(), np.array([[-500.0, 9000.0]]), FLUX) == []
    assert find_halos(field(), np.empty((0, 2)), np.empty(0)) == []


def test_what_stands_out_is_what_scipy_calls_prominent():
    signal = pytest.importorskip("scipy.signal")
    rng = np.random.default_rng(5)
    for length in (1, 2, 7, 30):
        values = rng.uniform(0.0, 20.0, length)
        peaks, _ = signal.find_peaks(np.pad(values, 1), prominence=3.0)
        assert standing_out(values, by=3.0).tolist() == (peaks - 1).tolist()
