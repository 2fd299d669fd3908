"""Chroma is scaled, lightness and hue stay."""

import numpy as np
import pytest

from blend.science.colour import linear_to_oklab, srgb_decode
from blend.science.finish import saturate


def _codes(seed=1, low=0.3, high=0.7):
    return np.random.default_rng(seed).uniform(low, high, (3, 40, 50)).astype(np.float32)


def _oklab(codes):
    return linear_to_oklab(srgb_decode(codes.astype(np.float64)))


def test_amount_one_returns_the_picture_itself():
    codes = _codes()
    assert saturate(codes, amount=1.0) is codes


def test_amount_nought_is_grey_of_the_same_lightness():
    codes = _codes()
    grey = saturate(codes, amount=0.0)
    # OKLab's digits make grey neutral to 4e-8, float32 to some 1e-6.
    assert np.abs(grey - grey[0]).max() < 5e-6
    assert np.abs(_oklab(grey)[0] - _oklab(codes)[0]).max() < 2e-6


@pytest.mark.parametrize("amount", [0.5, 1.2])
def test_chroma_is_scaled_where_it_fits(amount):
    codes = _codes(low=0.4, high=0.6)
    before, after = _oklab(codes), _oklab(saturate(codes, amount=amount))
    assert np.abs(after[0] - before[0]).max() < 2e-6
    assert np.abs(after[1:] - amount * before[1:]).max() < 5e-6


def test_a_full_gamut_keeps_hue_and_lightness():
    codes = _codes(low=0.0, high=1.0)
    result = saturate(codes, amount=2.5)
    assert result.min() >= 0
    assert result.max() <= 1
    before, after = _oklab(codes), _oklab(result)
    chroma = np.hypot(before[1], before[2])
    strong = chroma > 0.05
    # Clipping 7e-6 of light at the gamut's wall moves L by its cube root's slope there, large near black.
    light = strong & (before[0] > 0.3)
    assert np.abs(after[0] - before[0])[light].max() < 1e-3
    turn = np.arctan2(
        before[1] * after[2] - before[2] * after[1], before[1] * after[1] + before[2] * after[2]
    )
    assert np.degrees(np.abs(turn[light])).max() < 0.5
    grown = np.hypot(after[1], after[2]) / chroma
    assert grown[light].min() > 0.98
    assert grown[light].max() < 2.5 + 1e-3


def test_missing_pixels_stay_missing_and_alone():
    codes = _codes()
    codes[0, 3, 4] = np.nan
    codes.flags.writeable = False
    result = saturate(codes, amount=1.5)
    assert np.isnan(result[:, 3, 4]).all()
    assert np.isnan(result).sum() == 3


def test_a_negative_amount_is_refused():
    with pytest.raises(ValueError, match="not 0 or above"):
        saturate(_codes(), amount=-1.0)
