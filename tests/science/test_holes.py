"""Holes and borders told apart, and holes filled."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.holes import LONGEST_GAP_PX, describe_holes, fill_holes, find_holes

ROWS, COLUMNS = 200, 300
Y, X = np.mgrid[:ROWS, :COLUMNS]


def turned_frame(degrees: float, *, half: tuple[float, float] = (90.0, 130.0)) -> np.ndarray:
    """Return what a frame, turned about the middle, does not cover."""
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    u, v = (X - 150) * c + (Y - 100) * s, (Y - 100) * c - (X - 150) * s
    return (np.abs(u) > half[1]) | (np.abs(v) > half[0])


def disc(x: float, y: float, radius: float) -> np.ndarray:
    return np.hypot(X - x, Y - y) < radius


@pytest.mark.parametrize("degrees", [0.0, 0.3, 5.0, 30.0, 45.0, 88.0, -137.0])
def test_a_shifted_or_turned_frame_has_no_hole(degrees: float) -> None:
    assert find_holes(turned_frame(degrees)) is None


@pytest.mark.parametrize("degrees", [0.0, 5.0, 30.0])
@pytest.mark.parametrize("radius", [1.0, 10.0, 30.0])
def test_a_disc_inside_is_a_hole_of_its_size(degrees: float, radius: float) -> None:
    border, hole = turned_frame(degrees), disc(140, 95, radius)
    found = find_holes(border | hole)
    assert np.array_equal(found, hole)
    facts = describe_holes(found)
    assert (facts.count, facts.pixels) == (1, hole.sum())
    assert (facts.x, facts.y) == pytest.approx((140, 95), abs=0.5)


def test_a_bite_out_of_the_border_is_no_hole() -> None:
    assert find_holes(turned_frame(20.0) | disc(150, 5, 40)) is None


@pytest.mark.parametrize("degrees", [0.0, 4.0, 40.0])
def test_a_band_from_edge_to_edge_is_a_hole_while_it_is_narrow(degrees: float) -> None:
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    across = (Y - 100) * c - (X - 150) * s
    narrow, wide = np.abs(across) < 5, np.abs(across) < 2 * LONGEST_GAP_PX
    # The last pixels at the frame's edge may have data on one side only.
    assert np.count_nonzero(narrow & ~find_holes(narrow)) < 60
    assert find_holes(wide) is None or find_holes(wide).sum() < 0.02 * wide.sum()


def test_a_hole_on_a_dead_column_is_a_hole() -> None:
    missing = disc(150, 100, 20) | (np.abs(X - 150) < 2)
    assert np.array_equal(find_holes(missing), missing)


def test_what_lies_between_frames_of_a_mosaic_that_is_open_to_a_side_is_no_hole() -> None:
    missing = (X > 100) & (X < 200) & (Y > 60)
    assert find_holes(missing) is None


def test_a_fill_goes_on_with_the_slope_round_the_hole() -> None:
    plane = (0.2 + 0.001 * X + 0.002 * Y).astype(np.float32)
    hole = disc(150, 100, 25)
    broken = np.where(hole | turned_frame(10.0), np.nan, plane).astype(np.float32)
    filled = fill_holes(broken, hole)
    assert np.abs(filled - plane)[hole].max() < 0.02  # the slope alone is 0.1 across the hole
    assert np.array_equal(np.isnan(filled), turned_frame(10.0))
    assert np.array_equal(filled[~hole], broken[~hole], equal_nan=True)


def test_a_tiny_fill_is_the_mean_round_it() -> None:
    rng = np.random.default_rng(2)
    plane = rng.normal(0.1, 0.01, (60, 60)).astype(np.float32)
    plane[30, 30] = np.nan
    filled = fill_holes(plane, np.isnan(plane))
    assert filled[30, 30] == pytest.approx(0.1, abs=0.02)
