"""Colour noise is told from colour, on means of blocks."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.picture.chroma import (
    BANDS,
    WHITE_NOISE_IN_BANDS,
    _add_insignificant,
    _sharpened,
    _smooth,
    mirror,
    noise_shifts,
)
from blend.science.picture.colourspace import linear_to_oklab, srgb_decode


def _noise(seed=1, shape=(200, 240)):
    return np.random.default_rng(seed).standard_normal((1, *shape)).astype(np.float32)


def test_white_noise_in_the_bands_is_as_told():
    # The kernel's own sum of squares: an impulse through the bands, (delta - h)^2 and so on; no edges, no chance.
    size = 257
    impulse = np.zeros((1, size, size), dtype=np.float32)
    impulse[0, size // 2, size // 2] = 1.0
    found = []
    for band in range(BANDS):
        coarser = _smooth(impulse, 2**band)
        found.append(float(np.sqrt(((impulse - coarser).astype(np.float64) ** 2).sum())))
        impulse = coarser
    assert found == pytest.approx(WHITE_NOISE_IN_BANDS, abs=1e-4)


def test_bands_add_up_and_a_constant_has_none():
    flat = np.full((2, 40, 30), 0.3, dtype=np.float32)
    assert np.abs(_smooth(flat, 4) - flat).max() < 1e-7


def test_edges_are_mirrored():
    assert mirror(np.arange(-3, 7), 4).tolist() == [3, 2, 1, 0, 1, 2, 3, 2, 1, 0]
    assert mirror(np.arange(-2, 3), 1).tolist() == [0] * 5
    assert mirror(np.arange(-9, 3), 2).tolist() == [1, 0] * 5 + [0, 1][:0] + [1, 0][:0] + [1, 0]


def test_smoothing_is_the_slow_and_plain_sum():
    noise = _noise(shape=(23, 31))
    plain = np.zeros((23, 31))
    weights = np.array([1, 4, 6, 4, 1]) / 16
    for i, up in enumerate(weights):
        for j, across in enumerate(weights):
            rows = mirror(np.arange(23) + 2 * (i - 2), 23)
            columns = mirror(np.arange(31) + 2 * (j - 2), 31)
            plain += up * across * noise[0][np.ix_(rows, columns)]
    # float32 sums of 25 numbers up to 4.
    assert np.abs(_smooth(noise, 2)[0] - plain).max() < 1e-6


def _means_of_lines(planes):
    """Block means of straight lines between the blocks: four pixels of a block sit at -3/8, -1/8, 1/8, 3/8 of it."""
    padded = np.pad(planes.astype(np.float64), ((0, 0), (1, 1), (1, 1)), mode="reflect")
    line = 0.75 * padded[:, 1:-1] + 0.125 * (padded[:, :-2] + padded[:, 2:])
    return 0.75 * line[:, :, 1:-1] + 0.125 * (line[:, :, :-2] + line[:, :, 2:])


def test_sharpening_takes_off_what_lines_between_blocks_blur():
    row = np.array([0.0, 0.0, 1.0, 0.0, 0.0])
    at = np.arange(5)[:, None] + np.array([-3, -1, 1, 3]) / 8
    expected = np.interp(at, np.arange(5), row).mean(axis=1)
    planes = np.broadcast_to(row.astype(np.float32), (1, 3, 5))
    assert _means_of_lines(planes)[0, 1] == pytest.approx(expected)
    # Three rounds leave (1 - B)^4 of a wave, B its share that lines keep: 0.75^4 of the finest one, a tenth of noise.
    noise = _noise()
    left = _means_of_lines(_sharpened(noise)) - noise
    assert left.std() == pytest.approx(_residual(noise, rounds=4).std(), rel=1e-3)
    assert left.std() < 0.15 * noise.std()


def _residual(planes, *, rounds):
    for _ in range(rounds):
        planes = planes - _means_of_lines(planes)
    return planes


def test_colour_that_goes_with_light_stays_and_colour_noise_goes():
    # 0.02 of noise in every plane of blocks, and a reddish filament 3 blocks wide, whose colour is 1.4 sigma of it.
    # By its size alone, such colour passed for noise whole.
    rng = np.random.default_rng(6)
    noise = (0.02 * rng.standard_normal((4, 200, 240))).astype(np.float32)
    across = np.abs(np.arange(240) - 120 + 10 * np.sin(np.arange(200) / 15)[:, None])
    light = np.exp(-((across / 1.5) ** 2) / 2)
    means = 0.2 + noise
    filament = np.stack([0.16 * light, 0.1 * light, 0.1 * light]).astype(np.float32)
    means[:3] += filament
    lost = noise_shifts(means, chroma_reduction=1.0, green_limit=0.0)[1:]
    before, wanted = (linear_to_oklab(srgb_decode(planes)) for planes in (means[:3], 0.2 + filament))
    on, off = light > 0.5, across > 20
    kept = before[1] - _means_of_lines(lost)[0]
    assert kept[on].mean() > 0.75 * wanted[1][on].mean()
    assert (kept - wanted[1])[on].std() < 0.4 * (before[1] - wanted[1])[on].std()
    assert (kept - wanted[1])[off].std() < 0.4 * (before[1] - wanted[1])[off].std()


@pytest.mark.parametrize("slope", [0.0, 0.2])
def test_what_goes_with_light_by_chance_goes(slope):
    # Light of 20 sigma, and colour that is noise, or goes with the light by one law. The slope of 25 neighbours alone
    # goes with their noise, too, and carried 0.28 of it on.
    fine = np.random.default_rng(1).standard_normal((3, 200, 240)).astype(np.float32)
    fine[0] *= 20.0
    colour = slope * fine[0]
    fine[1:] += colour
    for step in (2, 8):
        lost = np.zeros((2, 200, 240), dtype=np.float32)
        _add_insignificant(lost, fine, np.zeros_like(fine), np.ones(3), step)
        assert (fine[1:] - lost - colour).std() < 0.2


@pytest.mark.parametrize("hue", [0.0, 0.8, 2.4])
def test_noise_across_the_hue_of_a_nebula_goes(hue):
    # Gas of one hue and 12 sigma that goes its own way, not with the light: by one limit for a and b, all noise stayed.
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((3, 200, 240)).astype(np.float32)
    gas = _smooth(rng.standard_normal((1, 200, 240)).astype(np.float32), 2)[0]
    gas *= np.float32(12.0) / gas.std()
    noise[0] *= 0.1
    fine = noise + np.stack([0 * gas, np.cos(hue) * gas, np.sin(hue) * gas]).astype(np.float32)
    lost = np.zeros((2, 200, 240), dtype=np.float32)
    _add_insignificant(lost, fine, np.zeros_like(fine), np.array([0.1, 1.0, 1.0]), 2)
    left = noise[1:] - lost
    across = -np.sin(hue) * left[0] + np.cos(hue) * left[1]
    assert across.std() < 0.2
    along = np.cos(hue) * lost[0] + np.sin(hue) * lost[1]
    assert np.abs((along * gas).mean() / (gas * gas).mean()) < 0.02


def test_threads_change_no_bit():
    rng = np.random.default_rng(4)
    means = (0.1 + 0.02 * rng.standard_normal((4, 150, 90))).astype(np.float32)
    means.flags.writeable = False
    results = []
    for threads in (1, 3):
        with limit_threads(threads):
            results.append(noise_shifts(means, chroma_reduction=0.7, green_limit=0.5))
    assert np.array_equal(*results)


def test_blocks_without_data_lose_nothing_and_spoil_nothing():
    rng = np.random.default_rng(4)
    means = (0.1 + 0.02 * rng.standard_normal((4, 60, 70))).astype(np.float32)
    means[:, :, :9] = np.nan
    assert np.isfinite(noise_shifts(means, chroma_reduction=1.0, green_limit=1.0)).all()
