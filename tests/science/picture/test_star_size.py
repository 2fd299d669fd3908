"""Stars get smaller and fainter by what is asked; their colour, the sky and what lies behind stay."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.picture.colourspace import srgb_decode, srgb_encode
from blend.science.picture.star_size import shrink_stars

SHAPE = (160, 200)
PLACES = [(40.3, 40.2), (100.0, 50.4), (150.6, 120.1), (50.2, 110.3)]
COLOURS = [(1.0, 0.7, 0.4), (0.5, 0.7, 1.0), (1.0, 1.0, 0.9), (1.0, 0.5, 0.3)]
PEAKS = [0.8, 0.3, 4.0, 0.05]
RADIUS, FWHM, SKY = 12.0, 4.0, 0.01


def _scene(noise=0.0, slope=0.0):
    """Return light of a sky with Moffat stars as a display has it, and their mask."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.full((3, *SHAPE), SKY) + slope * x / SHAPE[1]
    mask = np.zeros(SHAPE, dtype=np.float32)
    alpha = 0.5 * FWHM / np.sqrt(2 ** (1 / 3) - 1)
    for (cx, cy), colour, peak in zip(PLACES, COLOURS, PEAKS, strict=True):
        r = np.hypot(x - cx, y - cy)
        light += np.asarray(colour)[:, None, None] * peak * (1 + (r / alpha) ** 2) ** -3.0
        mask = np.maximum(mask, np.clip(2 - 2 * r / RADIUS, 0, 1)).astype(np.float32)
    light += noise * np.random.default_rng(4).standard_normal(light.shape)
    return srgb_encode(np.clip(light, 0, 1)).astype(np.float32), mask


def _shrunk(display, mask, **values):
    return shrink_stars(display, xy=np.array(PLACES), radii=np.full(4, RADIUS), mask=mask, **values)


def _light(display):
    return srgb_decode(display.astype(np.float64))


def _width(plane, place):
    """Return the width at half maximum of a star, from the number of pixels above the half."""
    x, y = (round(value) for value in place)
    part = plane[y - 11 : y + 12, x - 11 : x + 12] - SKY
    return 2 * np.sqrt((part > 0.5 * part.max()).sum() / np.pi)


def test_nothing_asked_for_changes_no_bit():
    display, mask = _scene()
    assert _shrunk(display, mask) is display
    none = shrink_stars(display, xy=np.empty((0, 2)), radii=np.empty(0), mask=mask, size=0.5)
    assert none is display


@pytest.mark.parametrize("size", [0.9, 0.7, 0.5])
def test_stars_are_as_much_smaller_as_asked(size):
    display, mask = _scene()
    before, after = (_light(picture).mean(axis=0) for picture in (display, _shrunk(display, mask, size=size)))
    for place in PLACES[:3]:
        # Pixels count whole, and rings of half a pixel widen a profile: good to two thirds of a pixel.
        assert _width(after, place) == pytest.approx(size * _width(before, place), abs=0.67)
    for x, y in PLACES[:2]:
        peak = np.s_[round(y), round(x)]
        # The nearest pixel is up to 0.4 px beside the centre, where a narrower star has fallen further.
        assert after[peak] > 0.7 * before[peak]


def test_brightness_scales_the_light_over_what_lies_behind():
    display, mask = _scene()
    after = _light(_shrunk(display, mask, brightness=0.6)) - SKY
    before = _light(display) - SKY
    for x, y in PLACES:
        peak = np.s_[:, round(y), round(x)]
        assert after[peak] == pytest.approx(0.6 * before[peak], rel=0.02)


def test_colours_stay():
    display, mask = _scene()
    after = _light(_shrunk(display, mask, size=0.6, brightness=0.8)) - SKY
    for (x, y), colour in zip(PLACES[:2], COLOURS, strict=False):
        part = np.s_[:, round(y) - 2 : round(y) + 3, round(x) - 2 : round(x) + 3]
        sums = after[part].sum(axis=(1, 2))
        # The fill behind is that of a sky with wings in it, 1 % of the peak.
        assert sums / sums.max() == pytest.approx(np.asarray(colour) / max(colour), abs=0.02)


@pytest.mark.parametrize("noise", [0.0, 0.002])
def test_no_dark_ring_and_the_sky_keeps_its_bits(noise):
    display, mask = _scene(noise=noise, slope=0.02)
    result = _shrunk(display, mask, size=0.5, brightness=0.5)
    assert np.array_equal(result[:, mask == 0], display[:, mask == 0])
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    truth = SKY + 0.02 * x / SHAPE[1]
    for cx, cy in PLACES:
        r = np.hypot(x - cx, y - cy)
        for inner in range(3, 14):
            ring = (r >= inner) & (r < inner + 1)
            off = float((_light(result).mean(axis=0) - truth)[ring].mean())
            # One sigma of a pixel of the planes' mean; without noise a thousandth of the brightest star.
            assert off > -max(noise / np.sqrt(3), 0.001)


def test_order_of_brightness_along_a_star_stays():
    display, mask = _scene()
    after = _light(_shrunk(display, mask, size=0.6)).mean(axis=0)
    (x, y) = PLACES[0]
    along = after[round(y), round(x) + 1 : round(x) + 12]
    assert np.all(np.diff(along) <= 1e-4)


def test_overlapping_stars_both_shrink():
    places, peaks = [(40.0, 40.0), (47.0, 40.0)], (0.8, 0.5)
    y, x = np.mgrid[:80, :90]
    light, mask = np.full((3, 80, 90), SKY), np.zeros((80, 90), dtype=np.float32)
    for (cx, cy), peak in zip(places, peaks, strict=True):
        r = np.hypot(x - cx, y - cy)
        light += peak * np.exp(-(r**2) / (2 * 1.7**2))
        mask = np.maximum(mask, np.clip(2 - 2 * r / RADIUS, 0, 1)).astype(np.float32)
    display = srgb_encode(np.clip(light, 0, 1)).astype(np.float32)
    result = shrink_stars(display, xy=np.array(places), radii=np.full(2, RADIUS), mask=mask, size=0.7)
    before, after = _light(display)[0], _light(result)[0]
    assert after[40, 40] > 0.9 * before[40, 40]
    assert after[40, 47] > 0.8 * before[40, 47]
    assert after.sum() - SKY * after.size < 0.75 * (before.sum() - SKY * before.size)
    assert after.min() > SKY - 1e-3


def test_a_nucleus_that_passed_for_a_star_stays():
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    r = np.hypot(x - 100, y - 80)
    nucleus = 0.8 * np.exp(-r / 20)
    mask = np.clip(2 - 2 * r / RADIUS, 0, 1).astype(np.float32)
    display = srgb_encode(np.clip(SKY + np.stack([nucleus] * 3), 0, 1)).astype(np.float32)
    result = shrink_stars(
        display, xy=np.array([(100.0, 80.0)]), radii=np.array([RADIUS]), mask=mask, size=0.6, brightness=0.7
    )
    assert np.array_equal(result, display)


def test_missing_pixels_stay_alone_and_threads_change_no_bit():
    display, mask = _scene(noise=0.002)
    display[1, 40, 42] = np.nan
    display.flags.writeable = mask.flags.writeable = False
    results = []
    for threads in (1, 2):
        with limit_threads(threads):
            results.append(_shrunk(display, mask, size=0.6))
    assert np.array_equal(*results, equal_nan=True)
    assert np.isnan(results[0]).sum() == 1


def test_a_star_at_the_edge_or_outside_is_no_trouble():
    display, mask = _scene()
    xy = np.array([(-3.0, 5.0), (199.0, 159.0), (500.0, 500.0)])
    result = shrink_stars(display, xy=xy, radii=np.full(3, RADIUS), mask=mask, size=0.6)
    assert np.isfinite(result).all()


def test_values_out_of_range_are_refused():
    display, mask = _scene()
    for wrong in ({"size": 0.4}, {"brightness": 1.1}, {"size": float("nan")}):
        with pytest.raises(ValueError, match=r"not from 0\.5 to 1"):
            _shrunk(display, mask, **wrong)
