"""The worth of a line master: limits, a draw of noise, and what cannot be bought by any exposure."""

import math

import numpy as np
import pytest

from blend.science.line import LineNoise, exposure_factor

NIGHT = LineNoise(broad=4e-4, line=1e-4, scale=0.2, factor=0.35)


def test_nothing_added_is_worth_nothing():
    assert exposure_factor(NIGHT, gain_base=1.0, gain_line=0.0) == 1.0


def test_a_noiseless_line_is_limited_by_the_plane_it_is_added_to():
    quiet = LineNoise(broad=4e-4, line=1e-12, scale=0.2, factor=0.35)
    assert exposure_factor(quiet, gain_base=1.0, gain_line=1.0) == pytest.approx(
        (2.0 / (1.0 - 0.35 * 0.2)) ** 2
    )


def test_a_plane_without_the_line_can_never_do():
    other = LineNoise(broad=4e-4, line=1e-4, scale=0.2, factor=0.35, in_band=False)
    assert math.isinf(exposure_factor(other, gain_base=1.0, gain_line=1.0))


@pytest.mark.parametrize(("base", "amount"), [(1.0, 0.5), (1.0, 2.0), (0.4, 1.0)])
def test_drawn_noise_says_the_same(base, amount):
    rng = np.random.default_rng(7)
    red, line = (sigma * rng.standard_normal(400_000) for sigma in (NIGHT.broad, NIGHT.line))
    blended = base * red + amount * NIGHT.factor * (line - NIGHT.scale * red)
    drawn = ((base + amount) * red.std() / blended.std()) ** 2
    # 400,000 draws tell a standard deviation to 0.11 %, the square of a ratio of two to 0.3 %
    assert exposure_factor(NIGHT, gain_base=base, gain_line=amount) == pytest.approx(drawn, rel=0.015)
