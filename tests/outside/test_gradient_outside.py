"""Numbers and libraries from outside: Chebyshev values, robust statistics, a mesh background."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from blend.base.robust import converged_clip_factor, median_and_sigma
from blend.science.sky.blocks import chebyshev_terms, measure_blocks, term_powers
from blend.science.sky.gradient import fit_sky
from blend.science.sky.objects import object_mask


@pytest.mark.parametrize(
    ("order", "x", "value"),
    # T_2 = 2x^2 - 1, T_3 = 4x^3 - 3x, T_4 = 8x^4 - 8x^2 + 1
    # (Abramowitz & Stegun 1964, 22.3.6 and table 22.3; from memory).
    [(2, 0.5, -0.5), (3, 0.5, -1.0), (4, 0.3, 0.3448), (4, 1.0, 1.0), (3, -1.0, -1.0)],
)
def test_chebyshev_values(order, x, value):
    terms = chebyshev_terms(np.array([x]), np.array([0.2]), degree=order)
    assert terms[0, term_powers(order).index((order, 0))] == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(("degree", "count"), [(0, 1), (1, 3), (2, 6), (3, 10), (4, 15)])
def test_number_of_terms(degree, count):
    assert len(term_powers(degree)) == count


def test_terms_agree_with_scipy():
    from scipy.special import eval_chebyt

    rng = np.random.default_rng(1)
    u, v = rng.uniform(-1, 1, (2, 50))
    expected = np.stack([eval_chebyt(i, u) * eval_chebyt(j, v) for i, j in term_powers(4)], axis=1)
    np.testing.assert_allclose(chebyshev_terms(u, v, degree=4), expected, atol=1e-12)


def test_mad_agrees_with_astropy():
    from astropy.stats import mad_std

    values = np.random.default_rng(2).standard_normal(501)
    assert median_and_sigma(values)[1] == pytest.approx(mad_std(values), rel=1e-12)


def test_block_value_agrees_with_biweight_location():
    from astropy.stats import biweight_location

    # Beers, Flynn & Gebhardt (1990), AJ 100, 32; the value of astropy's function for this sample.
    assert biweight_location([1, 2, 3, 4, 100]) == pytest.approx(2.570650, abs=1e-6)
    rng = np.random.default_rng(3)
    plane = (10 + rng.standard_normal((64, 64))).astype(np.float32)
    plane[rng.random((64, 64)) < 0.03] += 20
    blocks = measure_blocks(plane, size=64)
    # Two robust locations of 4096 pixels differ by the scatter of a median, 0.02, and half of that again.
    assert blocks.values[0] == pytest.approx(float(biweight_location(plane)), abs=0.03)


def test_clipping_bias():
    # Fixed point of s = sqrt(1 - 2 k phi(k) / (2 Phi(k) - 1)) at k = kappa s, derived here; Monte Carlo beside it.
    from astropy.stats import sigma_clip

    sample = np.random.default_rng(4).standard_normal(200_000)
    for kappa, factor in ((2.0, 0.72574), (2.5, 0.93656), (3.0, 0.98485)):
        assert converged_clip_factor(kappa) == pytest.approx(factor, abs=2e-5)
        clipped = sigma_clip(sample, sigma=kappa, maxiters=None, masked=False)
        # Clipping near kappa = 2 is unstable: single values move the end by some 0.005.
        assert np.std(clipped) == pytest.approx(factor, abs=0.006)


def test_a_large_disc_keeps_what_a_mesh_background_eats():
    from photutils.background import Background2D, SExtractorBackground

    sigma = 0.002
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:300, :400]
    radius = np.hypot(x - 200, (y - 150) / 0.7) / 28.0
    light = 60 * sigma * np.exp(-radius)
    sky = 0.1 + 0.01 * x / 400
    plane = (sky + light + sigma * rng.standard_normal(sky.shape)).astype(np.float32)
    outer = (radius > 1.2) & (radius < 3.2)

    def lost(model):
        return float((model - sky)[outer].sum() / light[outer].sum())

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        mesh = Background2D(plane, 30, filter_size=3, bkg_estimator=SExtractorBackground()).background
    assert lost(mesh) > 0.3
    assert abs(lost(fit_sky(plane, masked=object_mask(plane[None])).model())) < 0.02
