"""Shared noise: known where there is some, right to a third, and never seen in white noise under stars and nebula."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from blend.base.robust import difference_noise
from blend.science.plane.measures import measure
from blend.science.plane.noise import measure_noise
from blend.science.plane.shared_noise import shared_noises
from blend.science.simulated.night import SceneOptions, simulate_night

SITES = np.random.default_rng(3).normal(size=(400, 600))


@pytest.fixture(scope="module", params=["spiral", "nebula", "cluster"])
def night(request):
    return simulate_night(SceneOptions(rows=400, columns=600, kind=request.param, calibrated=True))


def test_white_noise_is_left_alone(night):
    for plane in (*night.rgb.light, night.ha.light[0]):
        assert np.isnan(shared_noises(plane)).all()
        assert np.isnan(measure_noise(plane)[1])


@pytest.mark.parametrize("width", [0.8, 1.5, 3.0])
def test_noise_of_smoothed_scenes(night, width):
    plane = night.rgb.light[1]
    white, smooth = difference_noise(plane), gaussian_filter(plane, width)
    # Faint stars, smoothed alike, add up to a half to what is seen of a pixel.
    pixel, broad = shared_noises(smooth)
    assert 0.9 < pixel / (white * gaussian_filter(SITES, width).std()) < 1.5
    assert 0.67 < broad / white < 1.5
    assert measure_noise(smooth)[0][1] == pytest.approx(pixel, rel=0.2)


def test_a_demosaiced_plane_keeps_its_noise_of_a_pixel_and_has_a_larger_one_for_areas():
    night = simulate_night(SceneOptions(rows=400, columns=600, calibrated=True, correlated_noise=True))
    red = night.rgb.light[0]
    told, broad = measure_noise(red)
    # A quarter of the photosites see red: means over areas have twice the noise of white pixels.
    assert 1.5 < broad / told[1] < 2.7
    assert measure(red[None], ("red",))["red"]["noise"] == told


def test_frames_too_small_to_tell():
    assert np.isnan(shared_noises(SITES[:40, :40])[1]) and np.isnan(
        shared_noises(np.full((200, 200), np.nan))[0]
    )
