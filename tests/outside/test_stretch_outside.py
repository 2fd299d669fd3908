"""Stretch curves against published formulas and a general-purpose library."""

import numpy as np
import pytest

from blend.science.picture.curves import CURVES
from blend.science.picture.stretch import SolvedStretch, solve_stretch, stretch_planes

X = np.linspace(0, 1, 201)


@pytest.mark.parametrize("beta", [0.5, 0.1, 0.0046])
def test_asinh_against_astropy(beta):
    from astropy.visualization import AsinhStretch

    assert np.abs(CURVES["asinh"].value(X, beta) - AsinhStretch(beta)(X)).max() < 1e-12


@pytest.mark.parametrize("a", [10.0, 324.8773, 1e4])
def test_log_against_astropy(a):
    from astropy.visualization import LogStretch

    assert np.abs(CURVES["log"].value(X, a) - LogStretch(a)(X)).max() < 1e-12


@pytest.mark.parametrize("gamma", [0.2, 0.5, 1.0, 2.0])
def test_power_against_astropy(gamma):
    from astropy.visualization import PowerStretch

    assert np.abs(CURVES["power"].value(X, gamma) - PowerStretch(gamma)(X)).max() < 1e-12


@pytest.mark.parametrize("a", [0.3, 0.5, 0.9, 0.9705882])
def test_rational_is_schlicks_bias(a):
    # Schlick (1994), "Fast alternatives to Perlin's bias and gain functions", Graphics Gems IV, VI.3:
    # bias(x) = x / ((1/a - 2)(1 - x) + 1); k = a / (1 - a).
    schlick = X / ((1 / a - 2) * (1 - X) + 1)
    assert np.abs(CURVES["rational"].value(X, a / (1 - a)) - schlick).max() < 1e-12
    assert float(CURVES["rational"].value(0.5, a / (1 - a))) == pytest.approx(a)


def test_bias_and_its_mirror_undo_each_other():
    # bias(.3, a = .8) = .6315789..., and a = .2 takes it back; odds .3/.7 times 4 are 12/7.
    y = float(CURVES["rational"].value(0.3, 4.0))
    assert y == pytest.approx(12 / 19)
    assert float(CURVES["rational"].value(y, 0.25)) == pytest.approx(0.3)


def test_asinh_is_the_published_grey_stretch():
    # Lupton et al. (2004), PASP 116, 133: F(x) = asinh(alpha Q (x - m)) / Q to M = m + sinh(Q) / (alpha Q),
    # where F is 1. With black m, white M and beta = 1 / (alpha Q (M - m)) that is this project's curve.
    alpha, q, m = 0.02, 8.0, 0.0
    white = m + np.sinh(q) / (alpha * q)
    assert white == pytest.approx(9315.493, abs=1e-3)
    beta = 1 / (alpha * q * (white - m))
    for x, f in [(10.0, 0.156123), (100.0, 0.433339), (450.0, 0.621233)]:
        assert np.arcsinh(alpha * q * (x - m)) / q == pytest.approx(f, abs=5e-7)
        assert float(CURVES["asinh"].value((x - m) / (white - m), beta)) == pytest.approx(f, abs=5e-7)


def test_one_plane_pictures_follow_the_published_stretch():
    alpha, q = 0.02, 8.0
    white = np.sinh(q) / (alpha * q)
    solved = SolvedStretch("asinh", 1 / np.sinh(q), 0.0, white, 0.0, 0.0, 0.0, 0.0, 0.0, False, 0.0)
    x = np.geomspace(1, 12_000, 300, dtype=np.float32).reshape(1, 1, -1)
    expected = np.minimum(np.arcsinh(alpha * q * x.astype(np.float64)) / q, 1.0)
    # float32 curve.
    assert np.abs(stretch_planes(x, solved) - expected).max() < 5e-7


@pytest.mark.parametrize(
    ("curve", "parameter", "tenth", "half"),
    [
        ("power", 0.30103, 0.500, 0.812),
        ("log", 324.8773, 0.607, 0.881),
        ("asinh", 0.0046006946, 0.621, 0.886),
        ("rational", 33.0, 0.786, 0.971),
    ],
)
def test_one_sky_by_four_curves(curve, parameter, tenth, half):
    # m = 0.01 to 0.25: solved apart from this project's code, from the equations above.
    solved = solve_stretch(curve, sky=0, sigma=1 / 297, white=1, sky_level=0.25, most_sky_noise=9)
    assert solved.parameter == pytest.approx(parameter, rel=1e-6)
    assert CURVES[curve].value(np.array([0.1, 0.5]), parameter) == pytest.approx([tenth, half], abs=6e-4)
