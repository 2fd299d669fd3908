"""The loops of the stretch that keeps colour: one gain, and grey where a plane would pass white."""

from __future__ import annotations

import numpy as np

from blend.science.picture.brighten import STEP_BITS, brighten, scale_and_light

LEAST = np.float32(0.001)


def scaled(source: np.ndarray, black: float, gain: float) -> tuple[np.ndarray, ...]:
    """Return planes, their mean, that between `LEAST` and 1, and its light by a table of square roots."""
    planes, (value, inside, light) = np.empty_like(source), np.empty((3, source.shape[1]), dtype=np.float32)
    first, last = (int(edge.view(np.int32)) >> STEP_BITS for edge in (LEAST, np.float32(1.0)))
    root = np.sqrt((np.arange(first, last + 2, dtype=np.int32) << STEP_BITS).view(np.float32))
    table = np.stack([root[:-1], np.diff(root)])
    settings = np.float32(black), np.float32(gain), LEAST
    scale_and_light(source, *settings, planes, value, inside, inside.view(np.int32), first, table, light)
    return planes, value, inside, light


def test_planes_are_scaled_and_averaged() -> None:
    source = np.random.default_rng(1).random((3, 50), dtype=np.float32)
    planes, value, *_ = scaled(source, 0.1, 2.0)
    assert np.allclose(planes, (source - 0.1) * 2.0, atol=1e-6)
    assert np.allclose(value, planes.mean(axis=0), atol=1e-6)


def test_light_is_read_from_a_table_to_float32s_rounding() -> None:
    edges = [-1.0, 0.0, LEAST, 0.5, 1.0, 2.0, np.nan]
    source = np.concatenate([edges, np.geomspace(1e-4, 1.2, 5000)]).astype(np.float32)[None]
    _, value, inside, light = scaled(source, 0.0, 1.0)
    wanted = np.clip(value, LEAST, np.float32(1.0))
    np.testing.assert_array_equal(inside, wanted)
    known = ~np.isnan(wanted)
    # Entries, their differences and the sum are rounded once each, 6e-8, and the line is off by 1e-8.
    np.testing.assert_allclose(light[known], np.sqrt(wanted[known].astype(np.float64)), rtol=1.5e-7)


def lit(planes: np.ndarray, gain: float) -> np.ndarray:
    """Return planes after `brighten` with one gain."""
    out = planes.astype(np.float32).copy()
    ones = np.ones(out.shape[1], dtype=np.float32)
    brighten(out, out.mean(axis=0), ones, ones * np.float32(gain))
    return out


def test_colours_that_can_be_shown_keep_their_ratios() -> None:
    # near grey: a third of the way to the edge at most, where the knee begins beyond a half
    planes = np.random.default_rng(2).uniform(0.15, 0.2, (3, 200))
    assert np.allclose(lit(planes, 3.0), 3.0 * planes, rtol=1e-6)


def test_colours_that_cannot_stay_inside_and_in_order() -> None:
    planes = np.random.default_rng(3).uniform(0.05, 0.3, (3, 200))
    planes[0] += 0.5
    made = lit(planes, 1.8)
    assert (made >= 0.0).all() and (made <= 1.0).all()
    assert (made.argmax(axis=0) == 0).all()


def test_nan_stays_and_negatives_are_black() -> None:
    planes = np.array([[0.2, -0.5], [0.2, -0.5], [np.nan, -0.5]])
    made = lit(planes, 1.0)
    assert np.isnan(made[2, 0]) and np.array_equal(made[:, 1], np.zeros(3))
