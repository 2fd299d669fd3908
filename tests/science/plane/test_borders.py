"""Borders without data: masked to the pixel, corners of a rotation included, and never a dark sky."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.plane.borders import border_mask, cut_corners, is_constant

SHAPE = (320, 400)


def scene(planes: int = 1) -> np.ndarray:
    """Return a sky with noise, clipped at full scale in a few places, (planes, rows, columns) float32."""
    light = np.random.default_rng(1).normal(0.3, 0.001, (planes, *SHAPE))
    light[:, 100:104, 200:204] = 1.0
    return light.astype(np.float32)


@pytest.mark.parametrize("value", [0.0, np.nan, 0.25])
def test_borders_are_masked_to_the_pixel(value: float) -> None:
    picture = scene(planes=3)
    picture[:, :5] = value
    picture[:, :, -11:] = value
    picture[:, 100, 100] = value
    expected = np.zeros(SHAPE, dtype=bool)
    expected[:5] = True
    expected[:, -11:] = True
    np.testing.assert_array_equal(border_mask(picture), expected)
    assert not cut_corners(expected).any()


def test_corners_of_a_rotation_are_masked() -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    outside = (x + 8.0 * y < 200) | (8.0 * (SHAPE[1] - 1 - x) + (SHAPE[0] - 1 - y) < 200)
    picture = scene()
    picture[0, outside] = 0.0
    found = border_mask(picture)
    # the thin tips, less than 2 px wide along their edge, may be lost; nothing may be added
    assert not (found & ~outside).any()
    assert (outside & ~found).sum() <= 16
    assert cut_corners(found).any()


def test_dark_sky_is_no_border() -> None:
    noise = np.random.default_rng(8).standard_normal(SHAPE)
    for dark in (np.maximum(noise, 0.0), np.rint(0.3 * noise), np.maximum(np.rint(noise + 0.4), 0.0)):
        assert border_mask(dark.astype(np.float32)).mean() < 1e-3


def test_a_border_in_one_plane_counts() -> None:
    picture = scene(planes=3)
    picture[2, :, :7] = np.nan
    assert border_mask(picture)[:, :7].all()
    assert border_mask(picture).sum() == 7 * SHAPE[0]


def test_an_empty_plane_beside_others_is_no_border_and_alone_it_is() -> None:
    picture = scene(planes=2)
    picture[1] = 0.0
    assert is_constant(picture[1]) and not border_mask(picture).any() and border_mask(picture[1]).all()
