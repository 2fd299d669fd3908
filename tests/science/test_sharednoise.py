"""Shared noise: known where there is some, right to a third, and never seen in white noise under stars and nebula."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from blend.base.robust import difference_noise
from blend.science.figures import measure_noise, noise_over_areas
from blend.science.sharednoise import broad_noise, pixel_noise
from blend.science.simulate import SceneOptions, simulate_night

SITES = np.random.default_rng(3).normal(size=(400, 600))


@pytest.fixture(scope="module", params=["spiral", "nebula", "cluster"])
def night(request):
    return simulate_night(SceneOptions(rows=400, columns=600, kind=request.param, calibrated=True))


def test_white_noise_is_left_alone(night):
    for plane in (*night.rgb.light, night.ha.light[0]):
        assert np.isnan(pixel_noise(plane)) and np.isnan(broad_noise(plane))
        assert noise_over_areas(plane) is None


@pytest.mark.parametrize("width", [0.8, 1.5, 3.0])
def test_noise_of_smoothed_scenes(night, width):
    plane = night.rgb.light[1]
    white, smooth = difference_noise(plane), gaussian_filter(plane, width)
    # Faint stars, smoothed alike, add up to a half to what is seen of a pixel.
    assert 0.9 < pixel_noise(smooth) / (white * gaussian_filter(SITES, width).std()) < 1.5
    assert 0.67 < broad_noise(smooth) / white < 1.5
    told = measure_noise(smooth[None], ("green",))["green"]
    assert told[1] == pytest.approx(pixel_noise(smooth), rel=0.2)


def test_a_demosaiced_plane_keeps_its_noise_of_a_pixel_and_has_a_larger_one_for_areas():
    night = simulate_night(SceneOptions(rows=400, columns=600, calibrated=True, correlated_noise=True))
    red = night.rgb.light[0]
    told = measure_noise(red[None], ("red",))["red"][1]
    # A quarter of the photosites see red: means over areas have twice the noise of white pixels.
    assert 1.5 < broad_noise(red) / told < 2.7


def test_frames_too_small_to_tell():
    assert np.isnan(broad_noise(SITES[:40, :40])) and np.isnan(pixel_noise(np.full((200, 200), np.nan)))
