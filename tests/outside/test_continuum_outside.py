"""Continuum subtraction and star balance against numbers worked outside this project."""

import numpy as np
import pytest

from blend.science.line.continuum import given_scale
from blend.science.line.emission import line_factor, line_light
from blend.science.line.starlight_left import measure_noise
from blend.science.picture.balance import white_from_stars
from blend.science.plane.flux_ratio import mean_log_ratio


def test_line_flux_of_a_worked_pair():
    """c = 10 a nm, F = 50, T_N = 0.95, T_R = 0.90, W_N = 6.65, W_R = 90: N = 114, R = 945, net = 44.175, F = 50.

    The two-equation model is that of Gil de Paz, Madore & Pevunova (2003), ApJS 147, 29, appendix A; the numbers are
    derived here.
    """
    narrow, red = 10 * 6.65 + 0.95 * 50, 10 * 90 + 0.90 * 50
    scale = 6.65 / 90
    assert narrow == pytest.approx(114) and red == pytest.approx(945)
    assert narrow - scale * red == pytest.approx(44.175)
    light = line_light(
        np.array([[narrow]]), np.array([[red]]), scale=scale, width_ratio=scale, throughput_ratio=0.95 / 0.90
    )
    assert float(light[0, 0]) / 0.90 == pytest.approx(50.0, rel=1e-6)


def test_scale_of_the_exposures_does_not_matter():
    """The same pair with the line frame exposed 3.7 times as long: s carries the factor, E does not. Derived here."""
    scale = 3.7 * 6.65 / 90
    light = line_light(
        np.array([[3.7 * 114.0]]),
        np.array([[945.0]]),
        scale=scale,
        width_ratio=6.65 / 90,
        throughput_ratio=0.95 / 0.90,
    )
    assert float(light[0, 0]) / 0.90 == pytest.approx(50.0, rel=1e-5)


def test_equivalent_width_of_a_worked_line():
    """EW = 5 nm, W_R = 100 nm, W_N / W_R = 0.07: exact correction 5.00000, first order 4.94842.

    First order is EW = EW_o (1 + EW_o / W_R) (1 + r), Boselli et al. (2002), A&A 386, 134, section 4; the exact form,
    EW_o / (1 - r - EW_o / W_R), is derived here.
    """
    width, r = 100.0, 0.07
    narrow, red = r * width + 5.0, width + 5.0  # continuum 1 a nm, throughput 1
    light = float(line_light(np.array([[narrow]]), np.array([[red]]), scale=r, width_ratio=r)[0, 0])
    assert light == pytest.approx(5.0, rel=1e-6)  # E over the continuum of 1 a nm is the width itself
    observed = (narrow - r * red) / (red / width)
    assert observed == pytest.approx(4.42857, abs=1e-5)
    assert observed / (1 - r - observed / width) == pytest.approx(5.0)
    assert observed * (1 + observed / width) * (1 + r) == pytest.approx(4.94842, abs=1e-5)


def test_noise_of_the_difference():
    """sigma_N = 3, sigma_R = 8, s = 0.0738889: sqrt(9 + (0.0738889 * 8)^2) = 3.0577, the scale's error apart.

    Error propagation, derived here. The estimator's own error on 360 000 pixels is 0.4 %.
    """
    rng = np.random.default_rng(0)
    line = rng.normal(0, 3, (600, 600)).astype(np.float32)
    broad = rng.normal(0, 8, (600, 600)).astype(np.float32)
    noise = measure_noise(line, broad, scale=given_scale(0.0738889), factor=1.0, fwhm_px=3.0)
    assert noise.pixel == pytest.approx(3.0577, rel=0.02)


def test_a_few_line_stars_do_not_move_the_scale():
    """120 stars, 8 of them with 2.5 times the ratio, true ratio 0.07.

    A median gives 0.0705, a ratio of sums 0.074; the robust mean must do no worse than the median. Derived here.
    """
    sums, robust = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        broad = 10 ** rng.uniform(3, 5, 120)
        line = 0.07 * broad
        line[rng.choice(120, 8, replace=False)] *= 2.5
        errors = 0.02 * line + 3.0, 0.01 * broad + 20.0
        line, broad = line + rng.normal(size=120) * errors[0], broad + rng.normal(size=120) * errors[1]
        sums.append(line.sum() / broad.sum())
        robust.append(np.exp(mean_log_ratio(line, broad, errors=errors).value))
    assert np.mean(robust) == pytest.approx(0.07, rel=0.005)
    assert np.abs(np.array(robust) - 0.07).max() < 0.0012
    assert np.mean(sums) > 0.0735


def test_ratio_is_not_biased_by_errors_of_both_fluxes():
    """Errors in R bias a least-squares slope low (regression dilution); a ratio stays. Derived here."""
    rng = np.random.default_rng(4)
    true = 10 ** rng.uniform(2, 3, 4000)
    errors = np.full(4000, 3.0), np.full(4000, 20.0)
    line, broad = 0.07 * true + rng.normal(0, 1, 4000) * 3.0, true + rng.normal(0, 1, 4000) * 20.0
    good = (line > 0) & (broad > 100.0)
    fit = mean_log_ratio(line[good], broad[good], errors=(errors[0][good], errors[1][good]))
    # a cut on the broad flux itself, at five sigma, keeps a per cent
    assert np.exp(fit.value) == pytest.approx(0.07, rel=0.02)


def test_grey_world_gains():
    """Plane means (0.8, 1, 0.5) become grey by (1.25, 1, 2): gain = green / plane, common practice."""
    flux = np.outer([0.8, 1.0, 0.5], np.geomspace(100, 10000, 30))
    np.testing.assert_allclose(white_from_stars(flux, 0.01 * flux).values, [1.25, 1.0, 2.0], rtol=1e-3)


def test_factor_is_the_published_one_over_one_minus_r():
    """F = (N - s R) / (1 - s) for equal throughput and scale s = r: observatory handbook form, 1 / (1 - r)."""
    assert line_factor(0.07, width_ratio=0.07) == pytest.approx(1 / (1 - 0.07))
