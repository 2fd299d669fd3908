"""Chroma is scaled, lightness and hue stay; colour noise and green specks go, colour does not."""

import numpy as np
import pytest

from blend.base.robust import bin_mean
from blend.base.rowblocks import limit_threads
from blend.science.picture.colourspace import (
    LMS_TO_OKLAB,
    LMS_TO_RGB,
    OKLAB_TO_LMS,
    RGB_TO_LMS,
    ciede2000,
    linear_to_lab,
    linear_to_oklab,
    srgb_decode,
    srgb_encode,
)
from blend.science.picture.finish import NO_GRAIN, NO_TONE, finish_picture, untouched
from blend.science.picture.finish_loops import TRANSFER_TABLES, touch_rows
from blend.science.picture.luma_noise import luma


def _codes(seed=1, low=0.3, high=0.7):
    return np.random.default_rng(seed).uniform(low, high, (3, 40, 50)).astype(np.float32)


def _oklab(codes):
    return linear_to_oklab(srgb_decode(codes.astype(np.float64)))


def _saturate(codes, amount):
    """Scale the chroma of all blocks alike: `finish_picture` gives those of little colour less of what is above 1."""
    shift = np.array(untouched(), dtype=np.float32)[:, None, None]
    matrices = (
        np.ascontiguousarray(m, np.float32) for m in (RGB_TO_LMS, LMS_TO_OKLAB, OKLAB_TO_LMS, LMS_TO_RGB)
    )
    tables, factors = (TRANSFER_TABLES, NO_TONE), np.array([amount - 1.0, 0.0], dtype=np.float32)
    out = np.empty_like(codes)
    touch_rows(codes, out, shift, NO_GRAIN, *matrices, *tables, factors, (0, codes.shape[1]))
    return out


def test_amount_nought_is_grey_of_the_same_lightness():
    codes = _codes()
    grey = finish_picture(codes, saturation=0.0)[0]
    # OKLab's digits make grey neutral to 4e-8, float32 to some 1e-6.
    assert np.abs(grey - grey[0]).max() < 5e-6
    assert np.abs(_oklab(grey)[0] - _oklab(codes)[0]).max() < 2e-6


@pytest.mark.parametrize("amount", [0.5, 1.2])
def test_chroma_is_scaled_where_it_fits(amount):
    codes = _codes(low=0.4, high=0.6)
    before, after = _oklab(codes), _oklab(_saturate(codes, amount=amount))
    assert np.abs(after[0] - before[0]).max() < 2e-6
    assert np.abs(after[1:] - amount * before[1:]).max() < 5e-6


def test_a_full_gamut_keeps_hue_and_lightness():
    codes = _codes(low=0.0, high=1.0)
    result = _saturate(codes, amount=2.5)
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


def test_saturation_drives_no_plane_to_black():
    codes = _codes(low=0.01, high=0.3)
    before, after = (
        srgb_decode(picture.astype(np.float64)).min(axis=0)
        for picture in (codes, _saturate(codes, amount=3.0))
    )
    # Found by halving to a thousandth of the chroma; light near black is read from straight lines in a table.
    assert (after / before).min() > 0.25 - 0.01
    assert np.mean(np.abs(after / before - 0.25) < 0.02) > 0.3


def test_missing_pixels_stay_missing_and_alone():
    codes = _codes()
    codes[0, 3, 4] = np.nan
    codes.flags.writeable = False
    result = _saturate(codes, amount=1.5)
    assert np.isnan(result[:, 3, 4]).all()
    assert np.isnan(result).sum() == 3


# --- colour noise and green -------------------------------------------------------------------------------


def _sky(seed=2, shape=(256, 320), level=0.1, sigma=0.02):
    rng = np.random.default_rng(seed)
    return (level + sigma * rng.standard_normal((3, *shape))).astype(np.float32)


def _block_chroma(codes, size):
    lab = _oklab(np.stack([bin_mean(plane, size) for plane in codes]))
    return np.hypot(lab[1].std(), lab[2].std())


def test_nothing_asked_for_changes_no_bit():
    codes = _codes()
    result, finished = finish_picture(codes)
    assert result is codes
    assert finished is None


def test_colour_noise_goes_and_lightness_stays():
    codes = _sky()
    result, finished = finish_picture(codes, chroma_reduction=1.0)
    # Of white noise, measured: 46 % of that of 4-px means is left (bands overlap, and the next finer one is not
    # touched), 17 % of 16-px means.
    assert _block_chroma(result, 4) < 0.55 * _block_chroma(codes, 4)
    assert _block_chroma(result, 16) < 0.30 * _block_chroma(codes, 16)
    shown = (result.min(axis=0) > 0) & (codes.min(axis=0) > 0)
    assert np.abs(_oklab(result)[0] - _oklab(codes)[0])[shown].max() < 5e-5
    before, after = finished.chroma_noise[16]
    assert after < 0.3 * before
    half = finish_picture(codes, chroma_reduction=0.5)[0]
    assert _block_chroma(result, 16) < _block_chroma(half, 16) < _block_chroma(codes, 16)


def test_reported_noise_is_that_of_block_means():
    codes = _sky()
    finished = finish_picture(codes, chroma_reduction=0.5)[1]
    # A robust estimate against a plain one, of some thousand blocks.
    assert finished.chroma_noise[4][0] == pytest.approx(_block_chroma(codes, 4), rel=0.08)
    assert finished.chroma_noise[16][0] == pytest.approx(_block_chroma(codes, 16), rel=0.2)


def _stars_on(codes, colours, peak=0.6, sigma=1.5):
    y, x = np.mgrid[: codes.shape[1], : codes.shape[2]]
    light = srgb_decode(codes.astype(np.float64))
    places = [(40 + 60 * (i % 4), 40 + 60 * (i // 4)) for i in range(len(colours))]
    for (row, column), colour in zip(places, colours, strict=True):
        profile = np.exp(-((x - column) ** 2 + (y - row) ** 2) / (2 * sigma**2))
        light += peak * profile * np.asarray(colour)[:, None, None]
    return srgb_encode(np.clip(light, 0, 1)).astype(np.float32), places


def test_stars_keep_their_colour():
    colours = [(1, 0.7, 0.4), (0.5, 0.7, 1), (1, 1, 0.9), (1, 0.5, 0.3)] * 4
    codes, places = _stars_on(_sky(), colours)
    result, _ = finish_picture(codes, chroma_reduction=0.6, green_limit=0.7)
    changes = []
    for row, column in places:
        part = np.s_[:, row - 2 : row + 3, column - 2 : column + 3]
        labs = [
            linear_to_lab(srgb_decode(p[part].astype(np.float64)).mean(axis=(1, 2))) for p in (codes, result)
        ]
        changes.append(float(ciede2000(*labs)))
    # The bar for star colours; half of it is used.
    assert np.median(changes) < 0.5
    assert max(changes) < 1.0


def test_a_pale_star_keeps_its_colour_where_it_is_spared():
    # Peak and noise of a star whose colour is a few sigma of the sky's chroma: told apart by its place alone.
    colours = [(1, 0.95, 0.85), (0.9, 0.95, 1)] * 8
    codes, places = _stars_on(_sky(sigma=0.03), colours, peak=0.06)
    y, x = np.mgrid[: codes.shape[1], : codes.shape[2]]
    mask = np.zeros(codes.shape[1:], dtype=np.float32)
    for row, column in places:
        mask[np.hypot(x - column, y - row) < 8] = 1.0
    changes = []
    for spared in (None, mask):
        result, _ = finish_picture(codes, chroma_reduction=1.0, spared=spared)
        discs = [np.hypot(x - column, y - row) < 2.5 for row, column in places]
        labs = [
            linear_to_lab(srgb_decode(p.astype(np.float64))[:, disc].mean(axis=1))
            for p in (codes, result)
            for disc in discs
        ]
        pairs = zip(labs[: len(discs)], labs[len(discs) :], strict=True)
        changes.append(np.median([float(ciede2000(*pair)) for pair in pairs]))
    unspared, kept = changes
    assert unspared > 0.5
    # The way there and back, in float32.
    assert kept < 0.02


def test_what_is_not_spared_loses_what_it_lost_and_half_spared_half_of_it():
    codes = _sky(shape=(67, 90), level=0.3)  # no multiple of four, and far from the gamut's wall
    nought = np.zeros(codes.shape[1:], dtype=np.float32)
    lost = finish_picture(codes, chroma_reduction=0.6)[0]
    assert np.array_equal(finish_picture(codes, chroma_reduction=0.6, spared=nought)[0], lost)
    half = finish_picture(codes, chroma_reduction=0.6, spared=nought + np.float32(0.5))[0]
    by_half = finish_picture(codes, chroma_reduction=0.3)[0]
    assert np.abs(half - by_half).max() < 5e-6
    assert np.abs(half - lost).max() > 1e-3


def test_large_significant_colour_stays():
    codes = _sky(sigma=0.01)
    y, x = np.mgrid[:256, :320]
    arm = 0.05 * np.exp(-((x - 160) ** 2 + (y - 128) ** 2) / (2 * 25.0**2))
    codes[2] += arm.astype(np.float32)
    result, _ = finish_picture(codes, chroma_reduction=1.0)
    middle = np.s_[2, 118:138, 150:170]
    # A blue patch of 60 px FWHM, many sigma in its bands, keeps 90 % of its blue at full reduction.
    excess = float(result[middle].mean() - result[1, 118:138, 150:170].mean())
    assert excess > 0.9 * float(codes[middle].mean() - codes[1, 118:138, 150:170].mean())


@pytest.mark.parametrize("limit", [0.5, 1.0])
def test_a_neutral_noisy_sky_stays_neutral_under_the_green_limit(limit):
    codes = _sky(shape=(512, 512))
    result, finished = finish_picture(codes, green_limit=limit)
    # One-sided, it would take limit * 0.28 * 0.02 = 0.003 off green; the mean of 260 000 pixels is good to 4e-5.
    shift = (result.astype(np.float64) - codes).mean(axis=(1, 2))
    assert np.abs(shift).max() < 1e-4
    # Green goes, luma does not: of a sky without noise of luma, one pixel in six would be a dark one.
    change = luma(result) - luma(np.maximum(codes, 0.0))
    assert np.abs(change).max() < 5e-5
    excess = [np.maximum(p[1] - np.maximum(p[0], p[2]), 0) for p in (codes, result)]
    assert excess[1].std() < (1 - 0.5 * limit) * excess[0].std()
    assert finished.sky_tint[1] < 1e-3


def test_a_green_cast_is_pulled_down_by_its_share():
    codes = _sky(shape=(256, 256), sigma=0.005)
    codes[1, :, 128:] += 0.03
    result, _ = finish_picture(codes, green_limit=0.7)
    cast = (result[1] - result[0])[:, 150:240].mean(dtype=np.float64)
    # 0.03 less 0.7 of it; two sigma of 16-px means pass for noise, 0.7 * 2 * 0.0014.
    assert 0.3 * 0.03 < cast < 0.3 * 0.03 + 0.0025
    assert abs((result - codes)[1, :, 16:100].mean(dtype=np.float64)) < 2e-4


def test_bright_green_is_left_alone():
    codes = np.full((3, 64, 64), 0.55, dtype=np.float32)
    codes[1] = 0.8
    result, _ = finish_picture(codes, green_limit=1.0)
    # Round trip through OKLab in float32.
    assert np.abs(result - codes).max() < 5e-6


def test_the_way_there_and_back_keeps_every_colour():
    steps = np.linspace(0, 1, 18, dtype=np.float32)
    grid = np.stack(np.meshgrid(steps, steps, steps)).reshape(3, 54, 108)
    result = finish_picture(grid, green_limit=1e-6)[0]
    # Tables of 4096 straight pieces and float32 cube roots: a third of a step of a 16-bit picture; near black, where
    # code values rise steeply over light, and at the gamut's wall, one step.
    assert np.abs(result - grid).max() < 1.6e-5


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (67, 130), (64, 4)])
def test_any_size_and_thread_count(shape):
    codes = _sky(shape=shape)
    codes.flags.writeable = False
    results = []
    for threads in (1, 3):
        with limit_threads(threads):
            results.append(finish_picture(codes, saturation=1.3, chroma_reduction=0.6, green_limit=0.7)[0])
    assert results[0].shape == codes.shape
    assert np.array_equal(*results)


def test_missing_pixels_stay_missing_under_all_of_the_finish():
    codes = _sky()
    codes[1, 30:50, 60:90] = np.nan
    codes[0, 3, 4] = np.nan
    result, finished = finish_picture(codes, saturation=1.2, chroma_reduction=1.0, green_limit=1.0)
    missing = np.isnan(codes).any(axis=0)
    assert np.array_equal(np.isnan(result).all(axis=0), missing)
    assert np.array_equal(np.isnan(result).any(axis=0), missing)
    assert np.isfinite(finished.colour_change)
    empty = np.full((3, 8, 8), np.nan, dtype=np.float32)
    assert finish_picture(empty, chroma_reduction=1.0)[0] is empty


def test_values_out_of_range_are_refused():
    for wrong in ({"saturation": -1.0}, {"chroma_reduction": 1.1}, {"green_limit": float("nan")}):
        with pytest.raises(ValueError, match="not from 0"):
            finish_picture(_codes(), **wrong)
    with pytest.raises(ValueError, match="a picture is"):
        finish_picture(_codes()[0], saturation=1.1)
