"""The bending sky against planted bends, and the thin-plate spline's published value."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sky.fit import subtract_sky
from blend.science.sky.gradient import fit_sky
from blend.science.sky.spline import _spline, fit_spline

SHAPE = (240, 320)
SIGMA = 0.002


def planted(lamp):
    v, u = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    return 0.1 + 0.01 * u + lamp * SIGMA * np.exp(-((u - 1.2) ** 2 + (v + 1.1) ** 2) / 0.8)


def noisy(sky, seed=0):
    return (sky + SIGMA * np.random.default_rng(seed).standard_normal(SHAPE)).astype(np.float32)


def test_a_street_lamp_is_followed_better_than_by_a_polynomial():
    sky, nothing = planted(8.0), np.zeros(SHAPE, dtype=bool)
    plane = noisy(sky)
    spline, surface = fit_spline(plane, masked=nothing), fit_sky(plane, masked=nothing)
    assert np.std(spline.model() - sky) < 0.5 * np.std(surface.model() - sky)
    # Its own error is that of blocks left out, good to a factor of two.
    assert np.std(spline.model() - sky) < 2 * spline.at(np.array([[160.0, 120.0]]))[1][0]


def test_without_a_bend_it_is_the_plane():
    sky, nothing = planted(0.0), np.zeros(SHAPE, dtype=bool)
    fit = fit_spline(noisy(sky), masked=nothing)
    assert fit.name == "spline"
    assert np.ptp(fit.model() - sky) < 0.2 * SIGMA


def test_model_points_and_subtraction_are_one_surface():
    fit = fit_spline(noisy(planted(8.0)), masked=np.zeros(SHAPE, dtype=bool))
    model = fit.model()
    points = np.array([[0.0, 0.0], [319.0, 239.0], [100.0, 37.0]])
    np.testing.assert_allclose(fit.at(points)[0], model[[0, 239, 37], [0, 319, 100]], rtol=1e-6)
    np.testing.assert_array_equal(fit.model(slice(70, 100)), model[70:100])
    plane = noisy(planted(8.0))
    np.testing.assert_allclose(subtract_sky(plane, fit), plane - model, atol=1e-7)


def test_threads_do_not_change_a_bit():
    from blend.base.rowblocks import limit_threads

    plane, results = noisy(planted(5.0)), []
    for threads in (1, 3):
        with limit_threads(threads):
            fit = fit_spline(plane, masked=np.zeros(SHAPE, dtype=bool))
            results.append(subtract_sky(plane, fit).tobytes())
    assert results[0] == results[1]


def test_bookstein_square():
    # Values 0 at the unit square's corners and 1 in its middle: f(1/4, 1/4) = 0.588571, f(1/2, 0) = 0.365863
    # (solved from Bookstein's equations, 1989, with U = r^2 ln r).
    points = np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.5, 0.5]])
    spline = _spline(points, np.array([0, 0, 0, 0, 1.0]), np.ones(5), 0.0)
    found = spline(np.array([[0.25, 0.25], [0.5, 0.0]]))
    assert found == pytest.approx([0.588571, 0.365863], abs=1e-6)
