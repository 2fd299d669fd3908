"""Throughput of filters at redshifted lines: closed forms, and the shift of a fast beam."""

import numpy as np
import pytest

from blend.science.line.passband import EFFECTIVE_INDEX, LIGHT_KM_S, Passband, passed_light

# c z in km/s: where H-alpha lies, and what 655.3/9.8 nm passes of it as a Gaussian, 2^(-(2 d / w)^2), and as a top-hat
TABLE = [
    (-300, 655.62, 0.997, 1.0),
    (0, 656.28, 0.973, 1.0),
    (500, 657.37, 0.883, 1.0),
    (1050, 658.58, 0.733, 1.0),
    (1500, 659.56, 0.592, 1.0),
    (1800, 660.22, 0.497, 0.0),
    (2500, 661.75, 0.301, 0.0),
    (3500, 663.94, 0.116, 0.0),
    (7000, 671.60, 0.001, 0.0),
]


@pytest.mark.parametrize(("velocity", "at_nm", "gaussian", "top_hat"), TABLE)
def test_throughput_against_redshift(velocity, at_nm, gaussian, top_hat):
    found = passed_light(Passband(655.3, 9.8), rest_nm=656.28, z=velocity / LIGHT_KM_S, nii_ratio=0.0)
    assert found.at_nm == pytest.approx(at_nm, abs=0.01)
    assert found.line == pytest.approx(tuple(sorted((gaussian, top_hat))), abs=0.001)
    assert found.h_alpha == pytest.approx((1.0 if top_hat else 0.0, 1.0)), (
        "without [N II] all that passes is H-alpha"
    )


def test_rotation_slopes_a_disc_at_the_filter_s_flank():
    found = passed_light(Passband(655.3, 9.8), rest_nm=656.28, z=1050 / LIGHT_KM_S)
    assert found.slope == pytest.approx((0.0, 0.124), abs=0.002)
    middle = passed_light(Passband(656.28, 9.8), rest_nm=656.28, z=0.0)
    assert middle.slope == pytest.approx((0.0, 0.0), abs=1e-9)


@pytest.mark.parametrize("f_ratio", [2.0, 4.0, 8.0])
def test_a_fast_beam_shifts_the_passband_to_the_blue(f_ratio):
    """By lambda / (16 n^2 F^2) on average, to the next order in 1 / F^2, 1 %; the light in all stays the same."""
    grid = np.arange(640.0, 670.0, 0.01)
    for shape, tolerance in (
        ("gaussian", 0.01),
        ("top-hat", 0.03),
    ):  # a top-hat has edges between steps of the grid
        band = Passband(656.28, 6.0, shape, f_ratio)
        passed = np.array([band.throughput(nm) for nm in grid])
        centre = (passed * grid).sum() / passed.sum()
        shift = 656.28 / (16 * EFFECTIVE_INDEX**2 * f_ratio**2)
        assert 656.28 - centre == pytest.approx(shift, rel=tolerance, abs=0.005)
        plain = np.array([Passband(656.28, 6.0, shape).throughput(nm) for nm in grid])
        assert passed.sum() == pytest.approx(plain.sum(), rel=2e-3)


def test_nitrogen_takes_its_share():
    """Both lines within a top-hat: 1 / (1 + 0.5)."""
    wide = passed_light(
        Passband(656.3, 12.0, "top-hat"), rest_nm=656.28, z=0.0, shapes=("top-hat",), nii_ratio=0.5
    )
    assert wide.nii == ((1.0, 1.0), (1.0, 1.0))
    assert wide.h_alpha == pytest.approx((2 / 3, 2 / 3))
    narrow = passed_light(
        Passband(656.3, 3.0, "top-hat"), rest_nm=656.28, z=0.0, shapes=("top-hat",), nii_ratio=0.5
    )
    assert narrow.h_alpha == pytest.approx((1 / (1 + 0.5 / 4.05), 1 / (1 + 0.5 / 4.05))), (
        "the bluer line alone is in"
    )
