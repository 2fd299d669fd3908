"""Numbers from outside for calibration arithmetic; each names its source."""

import numpy as np
import pytest

from blend.science.sensor.calibration import Frame, calibrate
from blend.science.sensor.ccd import (
    QUANTISATION,
    calibrated_variance,
    dark_residual,
    doubling_interval,
    star_signal_to_noise,
)


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


def test_variance_of_a_calibrated_pixel():
    """Derived here; a formula with 1 or 1 + k^2 on the bias gives 9.00 or 9.05."""
    signal = 1370.0 / 1.1
    assert signal == pytest.approx(1245.4545, abs=1e-4)
    variance = calibrated_variance(
        signal, 1.1, light_variance=9.0, bias_variance=0.25, dark_variance=0.36, flat_variance=1e-6, k=0.5
    )
    assert variance == pytest.approx(8.846, abs=5e-4)


def test_variance_against_repeated_exposures():
    """Monte Carlo, derived here: 200 000 pixels give the variance to 0.3 %, five times that allowed."""
    rng = np.random.default_rng(3)
    n, k, flat = 200_000, 0.5, 1.1
    light = 1500.0 + 3.0 * rng.standard_normal(n)
    bias = 100.0 + 0.5 * rng.standard_normal(n)
    dark = 160.0 + 0.6 * rng.standard_normal(n)
    measured = np.var((light - bias - k * (dark - bias)) / (flat + 1e-3 * rng.standard_normal(n)))
    expected = calibrated_variance(
        1370.0 / flat,
        flat,
        light_variance=9.0,
        bias_variance=0.25,
        dark_variance=0.36,
        flat_variance=1e-6,
        k=k,
    )
    assert measured == pytest.approx(expected, rel=0.016)


def test_howells_worked_example():
    """Howell (2006), Handbook of CCD Astronomy, section 4.4, from memory; printed answer about 342."""
    ratio = star_signal_to_noise(
        24013.0 * 5.0, pixels=1, sky_pixels=200, sky_e=620.0 * 5.0, dark_e=1.8, read_noise_e=5.0, gain_e=5.0
    )
    assert ratio == pytest.approx(342.05, abs=0.01)
    assert 1.0857 / ratio == pytest.approx(0.0032, abs=5e-5)


def test_signal_to_noise_counts_the_sky_annulus():
    """Merline & Howell (1995), Exp. Astron. 6, 163, as public code cites it; numbers derived here."""
    given = {"pixels": 50, "sky_e": 200.0, "dark_e": 5.0, "read_noise_e": 8.0, "gain_e": 1.5}
    assert star_signal_to_noise(10000.0, sky_pixels=500, **given) == pytest.approx(63.49, abs=5e-3)
    assert star_signal_to_noise(10000.0, sky_pixels=np.inf, **given) == pytest.approx(65.29, abs=5e-3)
    given["gain_e"] = 0.0  # without the rounding to whole numbers
    assert star_signal_to_noise(10000.0, sky_pixels=np.inf, **given) == pytest.approx(65.30, abs=5e-3)


def test_quantisation_is_one_over_root_twelve():
    """0.289 as printed by Merline & Howell (1995), as cited by public code."""
    assert pytest.approx(12.0**-0.5, abs=5e-4) == QUANTISATION


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


def test_doubling_interval_from_two_darks():
    """D(0 C) = 0.02, D(20 C) = 0.16 e/s: three doublings; derived here."""
    assert doubling_interval(0.02, 0.16, 20.0) == pytest.approx(6.667, abs=5e-4)
