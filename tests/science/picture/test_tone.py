"""Contrast and curve: laws, and an independent interpolation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline, PchipInterpolator

from blend.base.rowblocks import limit_threads
from blend.science.picture.colour import luminance
from blend.science.picture.colourspace import srgb_decode, srgb_encode
from blend.science.picture.finish import finish_picture
from blend.science.picture.tone import FULL, PIVOT, add_contrast, monotone_curve, shaped

CURVES = [[(0.5, 0.6)], [(0.2, 0.3), (0.5, 0.65)], [(0.3, 0.1001)], [(0.1, 0.5), (0.9, 0.51)], [(0.05, 0.9)]]


def picture(shape: tuple[int, int] = (70, 90), *, sky: float = 0.1) -> np.ndarray:
    """Return a picture with a noisy neutral sky and coloured light of all brightnesses."""
    rng = np.random.default_rng(5)
    light = np.full((3, *shape), float(srgb_decode(np.array(sky))))
    ramp = np.linspace(0, 1, shape[1] // 2) ** 2
    light[:, :, : len(ramp)] += np.array([0.8, 0.6, 0.5])[:, None, None] * ramp
    codes = srgb_encode(light) + rng.normal(0, 0.012, light.shape)
    return np.clip(codes, 0, 1).astype(np.float32)


def test_contrast_is_neutral_at_0_fixes_sky_pivot_and_white_and_rises():
    u = np.linspace(0, 1, 100_001)
    assert np.array_equal(add_contrast(u, 0.0), u)
    for amount, least in ((1.0, 0.0999), (-1.0, 0.24), (0.4, 0.6)):
        t = add_contrast(u, amount)
        assert t[0] == 0 and t[-1] == 1
        assert np.interp(PIVOT, u, t) == pytest.approx(PIVOT, abs=1e-9)
        assert (np.diff(t) / np.diff(u)).min() >= least
        # Slope 1 at the sky: its noise stays.
        assert (t[1] - t[0]) / (u[1] - u[0]) == pytest.approx(1.0, abs=1e-3)
    assert FULL > 0


@pytest.mark.parametrize("points", CURVES)
def test_a_curve_goes_through_its_points_and_rises_as_scipy_s_cubics_do(points):
    u = np.linspace(0, 1, 20_001)
    t = monotone_curve(points, u)
    x, y = np.array([(0.0, 0.0), *points, (1.0, 1.0)]).T
    assert np.allclose(np.interp(x, u, t), y, atol=1e-4)
    assert np.diff(t).min() >= -1e-12
    assert monotone_curve(points, np.array([1e-7]))[0] == pytest.approx(1e-7, rel=1e-3)
    # The same cubic pieces by scipy, from the slopes at the points; and another monotone cubic, whose slopes differ.
    h = 1e-6
    slopes = [
        (
            monotone_curve(points, np.array([min(k + h, 1.0)]))
            - monotone_curve(points, np.array([max(k - h, 0.0)]))
        )[0]
        / (min(k + h, 1.0) - max(k - h, 0.0))
        for k in x
    ]
    assert np.allclose(t, CubicHermiteSpline(x, y, slopes)(u), atol=1e-4)
    assert np.abs(t - PchipInterpolator(x, y)(u)).max() < 0.5 * np.diff(y).max()


def test_no_points_leave_the_line():
    u = np.linspace(0, 1, 101)
    assert np.allclose(monotone_curve((), u), u, atol=1e-15)


@pytest.mark.parametrize(
    "look", [{"contrast": 0.8}, {"contrast": -0.8}, {"curve": ((0.2, 0.3), (0.5, 0.65))}]
)
def test_the_sky_and_colours_stay_and_brightness_keeps_its_order(look):
    before = picture()
    after, _ = finish_picture(before, sky=0.1, **look)
    sky = np.s_[:, :, 60:]
    assert np.abs(after[sky].mean(axis=(1, 2)) - before[sky].mean(axis=(1, 2))).max() < 5e-4
    assert after[sky].std() == pytest.approx(before[sky].std(), rel=0.05)
    dark = luminance(srgb_decode(before.astype(np.float64))) <= srgb_decode(np.array(0.1))
    # What is not above the sky is passed through tables and OKLab, no more.
    assert np.abs(after - before)[:, dark].max() < 3e-6
    light = [srgb_decode(p.astype(np.float64)) for p in (before, after)]
    ratios = [p / luminance(p) for p in light]
    bright = (luminance(light[0]) > 0.05) & (after.max(axis=0) < 0.97)
    assert np.abs(ratios[1] / ratios[0] - 1)[:, bright].max() < 2e-3
    order = np.argsort(luminance(light[0])[bright])
    assert np.diff(luminance(light[1])[bright][order]).min() > -2e-3
    wanted = shaped(
        srgb_encode(luminance(light[0])),
        sky=0.1,
        contrast=look.get("contrast", 0.0),
        curve=look.get("curve", ()),
    )
    assert np.abs(srgb_encode(luminance(light[1])) - wanted)[bright].max() < 2e-3
    assert (after >= 1).any(axis=0).sum() <= (before >= 1).any(axis=0).sum()


def test_neutral_values_change_no_bit_and_return_the_picture_itself():
    before = picture()
    assert finish_picture(before, contrast=0.0, curve=(), sky=0.1)[0] is before


def test_missing_pixels_stay_missing_and_alone_and_threads_change_no_bit():
    before = picture((200, 90))
    before[1, 20, 30] = np.nan
    made = []
    for threads in (1, 2):
        with limit_threads(threads):
            made.append(finish_picture(before, contrast=0.5, curve=((0.3, 0.4),), sky=0.1, saturation=1.5)[0])
    assert np.array_equal(made[0], made[1], equal_nan=True)
    assert np.isnan(made[0][:, 20, 30]).all() and np.isnan(made[0]).sum() == 3


def test_saturation_leaves_a_grey_sky_and_acts_less_on_strong_colour():
    rng = np.random.default_rng(3)
    codes = 0.1 + rng.normal(0, 0.01, (3, 160, 240))
    patches = ((10, (0.45, 0.40, 0.36)), (60, (0.75, 0.20, 0.30)))
    for left, colour in patches:
        codes[:, 40:90, left : left + 40] += np.array(colour)[:, None, None] - 0.1
    before = np.clip(codes, 0, 1).astype(np.float32)
    after, _ = finish_picture(before, saturation=2.0)
    from blend.science.picture.colourspace import linear_to_oklab

    def chroma(p: np.ndarray, part: tuple[slice, ...]) -> float:
        lab = linear_to_oklab(srgb_decode(p.astype(np.float64))[:, part[1], part[2]].mean(axis=(1, 2)))
        return float(np.hypot(lab[1], lab[2]))

    noise = [
        np.hypot(*linear_to_oklab(srgb_decode(p[:, 100:, 120:].astype(np.float64)))[1:]).mean()
        for p in (before, after)
    ]
    assert noise[1] < 1.2 * noise[0]
    gains = [
        chroma(after, (slice(None), slice(50, 80), slice(left + 8, left + 32)))
        / chroma(before, (slice(None), slice(50, 80), slice(left + 8, left + 32)))
        for left, _ in patches
    ]
    assert gains[0] > 1.7 and 1.05 < gains[1] < 1.5
    assert after.max() < 1.0
