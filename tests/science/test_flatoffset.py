"""An offset left in a flat: known by the shadows in the light, and worth a word by what it costs."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.flatoffset import look_at_flat, offset_note

SHAPE = (400, 600)
SIGMA = 0.01
"""Of a pixel, share of the sky."""
Y, X = np.mgrid[: SHAPE[0], : SHAPE[1]]
MIDDLE = np.hypot(X - 300, Y - 200) / 361.0


def sensor(seed, dust=8):
    rng = np.random.default_rng(seed)
    response = (1.0 - 0.25 * MIDDLE**2) * (1.0 + 0.005 * rng.standard_normal(SHAPE))
    for x, y, size in rng.uniform(0.0, 1.0, (dust, 3)):
        away = np.hypot(X - 600 * x, Y - 400 * y) / (8 + 12 * size)
        response *= 1.0 - 0.04 / (1.0 + np.exp(np.minimum(12.0 * (away - 1.0), 50.0)))
    return response


def masters(seed, offset, dust=8):
    """Return light, flat and dark of a sensor with an offset of 7 % of the flat, and ``offset`` left in the flat."""
    rng = np.random.default_rng(seed + 100)
    response = sensor(seed, dust)
    stars = sum(
        np.exp(-((X - x) ** 2 + (Y - y) ** 2) / 6.0) * size
        for x, y, size in zip(
            *rng.uniform(0, 1, (2, 60)) * [[600], [400]], rng.exponential(1.0, 60), strict=True
        )
    )
    dark = 0.03 + 0.0001 * rng.standard_normal(SHAPE)
    light = dark + (0.1 + 0.02 * X / 600 + 0.1 * stars) * response + 0.1 * SIGMA * rng.standard_normal(SHAPE)
    flat = offset + 0.4 * response + 0.0008 * rng.standard_normal(SHAPE)
    return [part[None].astype(np.float32) for part in (light, flat, dark)]


@pytest.mark.parametrize("seed", range(4))
def test_the_shadows_tell_whether_the_offset_is_in(seed):
    light, flat, dark = masters(seed, 0.03)
    (one,) = look_at_flat(light, flat, dark=dark)
    assert one.depth is not None
    assert one.depth.value == pytest.approx(0.43 / 0.40, abs=4 * one.depth.error)
    told = offset_note([one], stated=False)
    # 0.03 / F is 0.09 at the corners and 0.07 in the middle.
    assert told is not None and "too weak by " in told
    light, flat, dark = masters(seed, 0.0)
    assert offset_note(look_at_flat(light, flat, dark=dark), stated=False) is None


def test_without_shadows_it_is_a_doubt_with_its_size():
    for offset in (0.0, 0.03):
        (one,) = look_at_flat(*masters(1, offset, dust=0)[:2], dark=masters(1, offset, dust=0)[2])
        told = offset_note([one], stated=False)
        assert told is not None and "may still be in the flat (the dark's level is " in told
        assert "Say flat_calibrated = true where it is out" in told


def test_a_small_error_and_a_light_without_a_dark_are_no_matter():
    light, flat, dark = masters(2, 0.0, dust=0)
    assert offset_note(look_at_flat(light, flat + 1.0, dark=dark * 0.1), stated=False) is None
    assert offset_note(look_at_flat(light - dark, flat, dark=None), stated=False) is None


def test_what_the_target_states_is_told_with_its_size_where_that_is_known():
    light, flat, dark = masters(3, 0.03)
    assert "too weak by " in (offset_note(look_at_flat(light, flat, dark=dark), stated=True) or "")
    unknown = offset_note(look_at_flat(light, flat, dark=None), stated=True)
    assert unknown is not None and unknown.endswith("is too weak by an unknown amount")
