"""The fill behind stars, and the colour of saturated cores."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.line.protect import line_sources
from blend.science.picture.fill_stars import fill_behind
from blend.science.picture.saturated_cores import colour_cores


def hole(shape, at, radius):
    y, x = np.indices(shape)
    distance = np.hypot(x - at[0], y - at[1])
    return np.clip(2.0 * (1.0 - distance / radius), 0.0, 1.0).astype(np.float32)


def test_pixels_outside_the_mask_keep_their_bits_and_the_input_is_not_changed():
    plane = np.random.default_rng(1).normal(0, 1, (101, 77)).astype(np.float32)
    mask = hole(plane.shape, (30, 50), 9)
    before = plane.copy()
    out = fill_behind(plane, mask)
    assert np.array_equal(out[mask == 0], plane[mask == 0])
    assert np.array_equal(plane, before)
    assert fill_behind(plane, mask, strength=0.0) is plane


def test_a_slope_goes_on_under_the_mask():
    y, x = np.indices((120, 140))
    slope = (1.0 + 0.02 * x - 0.01 * y).astype(np.float32)
    mask = hole(slope.shape, (61.3, 55.8), 10)
    out = fill_behind(np.where(mask > 0, np.float32(99), slope), (mask > 0).astype(np.float32))
    # Bins of 16 px at a slope of 0.022 a pixel: the fill of a hole 20 px wide is off by a few of its pixels.
    assert np.abs(out - slope).max() < 0.1


def test_a_fill_lies_between_the_least_and_the_greatest_outside():
    plane = np.random.default_rng(2).uniform(2, 3, (64, 90)).astype(np.float32)
    mask = (hole(plane.shape, (40, 30), 12) > 0).astype(np.float32)
    inside = fill_behind(np.where(mask > 0, np.float32(-50), plane), mask)[mask > 0]
    assert inside.min() >= 2.0 and inside.max() <= 3.0


@pytest.mark.parametrize("fold", ["ridge", "valley", "bend"])
def test_folds_of_a_nebula_go_on_under_a_bright_star(fold):
    y, x = np.indices((160, 170)).astype(np.float64)
    across = 0.8 * (x - 83) + 0.6 * (y - 77)
    shape = {"ridge": np.exp(-0.5 * (across / 20) ** 2), "bend": 2e-4 * across**2}
    plane = (1 + shape["bend" if fold == "bend" else "ridge"] * (-0.7 if fold == "valley" else 1)).astype(
        np.float32
    )
    mask = (hole(plane.shape, (83.3, 77.8), 20) > 0).astype(np.float32)
    plane.flags.writeable = False
    out = fill_behind(np.where(mask > 0, np.float32(50), plane), mask)
    near = np.hypot(x - 83.3, y - 77.8) < 9
    # The hole is two widths of the fold across; means over ever larger bins miss 0.44 of it, and 0.13 of the bend.
    swing = np.abs(plane - plane[mask == 0].mean())[near].mean()
    assert abs((out - plane)[near].mean()) < (0.03 if fold == "bend" else 0.12) * swing


def test_a_knot_at_the_rim_of_a_hole_swings_no_further_than_itself():
    y, x = np.indices((120, 130))
    plane = np.exp(-0.5 * ((x - 46) ** 2 + (y - 60) ** 2) / 3.0**2).astype(np.float32)
    mask = (hole(plane.shape, (66, 60), 19) > 0).astype(np.float32)
    inside = fill_behind(np.where(mask > 0, np.float32(9), plane), mask)[mask > 0]
    assert inside.min() >= 0.0 and inside.max() <= plane[mask == 0].max()
    # Nothing of it reaches the star's own place, 20 px off.
    assert fill_behind(plane, mask)[60, 66] < 0.15


def test_missing_pixels_stay_missing_and_spread_nowhere():
    plane = np.ones((40, 50), dtype=np.float32)
    plane[18, 20] = plane[20, 26] = np.nan
    out = fill_behind(plane, (hole(plane.shape, (20, 18), 5) > 0).astype(np.float32))
    assert np.array_equal(np.isnan(out), np.isnan(plane))
    assert np.nanmax(np.abs(out - 1)) < 1e-6


def test_nothing_outside_gives_nought():
    assert not fill_behind(np.ones((20, 20), dtype=np.float32), np.ones((20, 20), dtype=np.float32)).any()


def test_one_thread_and_two_give_the_same_bits():
    plane = np.random.default_rng(3).normal(0, 1, (200, 130)).astype(np.float32)
    mask = hole(plane.shape, (60, 64), 20)
    results = []
    for threads in (1, 2):
        with limit_threads(threads):
            results.append(fill_behind(plane, mask))
    assert np.array_equal(*results)


def clipped_star(tops=(1.25, 1.0, 1.54), colour=(1.3, 1.0, 0.6)):
    y, x = np.indices((61, 61))
    light = 6.0 * np.exp(-((x - 30) ** 2 + (y - 30) ** 2) / (2 * 3.0**2))
    true = np.array(colour)[:, None, None] * light
    seen = np.minimum(true, np.array(tops)[:, None, None])
    return true, seen.astype(np.float32), (true >= np.array(tops)[:, None, None]).any(axis=0)


def test_a_core_takes_the_colour_of_its_wings():
    true, seen, saturated = clipped_star()
    out = colour_cores(seen, saturated)
    share = out[:, saturated] / out[:, saturated].sum(axis=0)
    # float32, and a ring without noise.
    assert share == pytest.approx(
        np.broadcast_to((true / true.sum(axis=0))[:, 30, 30, None], share.shape), rel=1e-4
    )
    assert np.array_equal(out[:, ~saturated], seen[:, ~saturated])
    assert (out >= seen - 1e-5).all()
    one = saturated & (seen[2] < 1.54)
    assert out[:, one] == pytest.approx(true[:, one], rel=1e-4), "one true plane tells the others"


def test_touching_cores_of_two_colours_and_no_ring():
    _, seen, saturated = clipped_star()
    _, other, _ = clipped_star(colour=(0.7, 1.0, 1.5))
    pair = np.concatenate([seen, other], axis=2)
    flags = np.concatenate([saturated, saturated], axis=1)
    out = colour_cores(pair, flags)
    assert out[0, 30, 30] > 1.2 * out[1, 30, 30] and out[2, 30, 91] > 1.4 * out[1, 30, 91]
    assert np.array_equal(colour_cores(seen, np.ones_like(saturated)), seen)
    assert colour_cores(seen, np.zeros_like(saturated)) is seen
    assert colour_cores(seen, saturated, strength=0.0) is seen


def test_line_sources_are_told_by_their_excess_and_its_error():
    line, broad = np.array([1.0, 1.3, 2.0, 2.0, np.nan, 0.5]), np.array([1.0, 1.0, 1.0, 1.0, 1.0, -0.1])
    error = np.array([0.01, 0.01, 0.01, 0.4, 0.01, 0.05])
    found = line_sources(line, broad, line_error=error, broad_error=error)
    assert found.tolist() == [False, False, True, False, False, True]
