"""Numbers from outside for calibration arithmetic; each names its source."""

import numpy as np
import pytest

from blend.science.sensor.calibration import Frame, calibrate
from blend.science.sensor.compare_facts import dark_residual


def frame(value, seed, exposure_s=None, shape=(1, 24, 24)):
    """Whole-number ripple that keeps the median exactly at ``value``: a constant frame is refused."""
    rng = np.random.default_rng(seed)
    ripple = rng.permutation(np.repeat([-1.0, 0.0, 0.0, 1.0], np.prod(shape) // 4)).reshape(shape)
    return Frame(pixels=(value + ripple).astype(np.float32), exposure_s=exposure_s)


@pytest.mark.parametrize(("k", "expected"), [(1.0, 1340.0), (0.5, 1370.0), (2.0, 1280.0)])
def test_calibration_equation(k, expected):
    """L=1500, B=100, D=160, worked by hand; equation of Howell (2006), chapter 4, from memory."""
    bias, dark = frame(100.0, 1), frame(160.0, 2, exposure_s=100.0)
    light = Frame(pixels=np.full((1, 24, 24), 1500.0, dtype=np.float32), exposure_s=100.0 * k)
    done = calibrate(light, dark=dark, bias=bias, dark_scaling="exposure", hot_sigma=np.inf)
    wanted = 1500.0 - bias.pixels - k * (dark.pixels - bias.pixels)
    # float32 numbers of 1500 are spaced 1.2e-4
    np.testing.assert_allclose(done.pixels, wanted, atol=5e-4)
    assert float(np.median(done.pixels)) == pytest.approx(expected, abs=1.0)


@pytest.mark.parametrize(
    ("step", "at_5", "at_8"),
    [(1, 0.149, 0.091), (2, 0.320, 0.189), (3, 0.516, 0.297), (5, 1.00, 0.54), (6, 1.30, 0.68)],
)
def test_dark_residual_of_the_doubling_rule(step, at_5, at_8):
    """Doubling every 5 to 8 degrees C is common practice (from memory); numbers derived here."""
    # two or three printed digits
    assert dark_residual(step, 5.0) == pytest.approx(at_5, abs=5e-3 if step > 3 else 5e-4)
    assert dark_residual(step, 8.0) == pytest.approx(at_8, abs=6e-3 if step > 3 else 5e-4)


def test_dark_residual_example():
    """0.1 e/s for 300 s, 3 degrees C, doubling in 6: 12.4 e of 30; derived here."""
    assert 30.0 * dark_residual(3.0, 6.0) == pytest.approx(12.4, abs=0.05)
