"""Mosaics and pair gains against published numbers and general-purpose libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import correlate

from blend.science.grid.transforms import apply_matrix
from blend.science.sensor.gain import pair_gain
from blend.science.sensor.mosaic import LEAKAGE_656, PATTERNS, demosaic, photosites

GREEN = (
    np.array([[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]) / 8
)
ROW = (
    np.array([[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0], [0, 0, 0.5, 0, 0]])
    / 8
)
ACROSS = (
    np.array(
        [[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0], [0, 0, -1.5, 0, 0]]
    )
    / 8
)


def test_the_published_kernels() -> None:
    # Malvar, He & Cutler (2004), Proc. ICASSP 3, 485: the four kernels, over 8; the mosaic mirrored about its edge
    mosaic = np.random.default_rng(2).normal(size=(15, 18)).astype(np.float32)
    done = demosaic(mosaic, "RGGB")
    maps = {name: correlate(mosaic.astype(float), k, mode="mirror") for name, k in
            (("green", GREEN), ("row", ROW), ("column", ROW.T), ("across", ACROSS))}  # fmt: skip
    red, blue = np.s_[::2, ::2], np.s_[1::2, 1::2]
    in_red, in_blue = np.s_[::2, 1::2], np.s_[1::2, ::2]
    for place, wanted in (
        ((1, red), "green"), ((1, blue), "green"), ((0, in_red), "row"), ((2, in_blue), "row"),
        ((0, in_blue), "column"), ((2, in_red), "column"), ((0, blue), "across"), ((2, red), "across"),
    ):  # fmt: skip
        plane, cut = place
        np.testing.assert_allclose(done[plane][cut], maps[wanted][cut], atol=1e-5)


def test_a_worked_patch() -> None:
    # derived by hand from the kernels
    patch = np.array(
        [
            [10, 20, 30, 40, 50],
            [12, 22, 32, 42, 52],
            [14, 24, 64, 44, 54],
            [16, 26, 36, 46, 56],
            [18, 28, 38, 48, 58],
        ]
    ).astype(np.float32)
    assert demosaic(patch, "RGGB")[:, 2, 2].tolist() == [64.0, 49.0, 56.5]
    assert demosaic(patch, "GRBG")[:, 2, 2].tolist() == [52.75, 64.0, 52.75]


def test_noise_gains_of_the_kernels() -> None:
    # sqrt of the sum of squared weights: 0.750, 0.996, 0.976
    gains = [float(np.sqrt((k**2).sum())) for k in (GREEN, ROW, ACROSS)]
    np.testing.assert_allclose(gains, [0.750, 0.996, 0.976], atol=6e-4)
    noise = np.random.default_rng(1).normal(size=(600, 600)).astype(np.float32)
    done = demosaic(noise, "RGGB")
    # 90 000 values: good to 0.25 %
    assert done[1][::2, ::2].std() == pytest.approx(gains[0], rel=0.01)
    assert done[0][1::2, 1::2].std() == pytest.approx(gains[2], rel=0.01)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_centroid_on_the_red_photosites_maps_back(pattern: str) -> None:
    # common resizers put a red plane half a pixel off; the exact map does not
    from blend.science.sensor.mosaic import half_matrix

    y, x = np.mgrid[:80, :90]
    star = np.exp(-((x - 41.3) ** 2 + (y - 37.8) ** 2) / (2 * 3.0**2))
    plane = photosites(star, pattern).astype(float)
    j, i = np.mgrid[: plane.shape[0], : plane.shape[1]]
    centre = np.array([[(plane * i).sum(), (plane * j).sum()]]) / plane.sum()
    np.testing.assert_allclose(apply_matrix(half_matrix(pattern), centre), [[41.3, 37.8]], atol=1e-4)


def test_leakage_is_that_of_the_published_table() -> None:
    with np.printoptions():  # importing it changes how arrays are printed everywhere
        colour = pytest.importorskip("colour")
    table = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    red, green, blue = table.copy().interpolate(colour.SpectralShape(400, 700, 1))[656]
    assert green / red == pytest.approx(LEAKAGE_656["green"], abs=5e-4)
    assert blue / red == pytest.approx(LEAKAGE_656["blue"], abs=5e-4)


def test_gain_and_read_noise_by_simulation() -> None:
    # derived: seed 7, g = 1.7 e/ADU, R = 3.5 e, 20 000 e, pixels that differ by 1 %, whole numbers
    rng = np.random.default_rng(7)
    pixels = 1.0 + 0.01 * rng.standard_normal((500, 500))

    def frame(electrons: float) -> np.ndarray:
        light = rng.poisson(electrons * pixels) + 3.5 * rng.standard_normal(pixels.shape)
        return np.rint(light / 1.7 + 300.0)

    flats, biases = (frame(20000.0), frame(20000.0)), (frame(0.0), frame(0.0))
    found = pair_gain(flats, biases)
    # sqrt(2 / 250 000) = 0.28 % of the variance
    assert abs(found.gain_e - 1.7) < 4.0 * found.gain_error
    assert found.gain_error / found.gain_e == pytest.approx(0.0028, rel=0.05)
    assert found.read_noise_analogue_e == pytest.approx(3.5, rel=0.01)
    assert found.read_noise_e > found.read_noise_analogue_e
    # a single flat would give 0.57: the pixels' own differences
    single = float(flats[0].mean() - 300.0) / float(flats[0].var() - biases[0].var())
    assert single < 0.7
