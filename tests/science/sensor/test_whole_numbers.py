"""Values that were whole numbers once, as picture files of all depths hold them."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sensor.whole_numbers import empty_codes, is_eight_bit


@pytest.mark.parametrize("unit", [1.0, 1.0 / 255.0, 257.0])
def test_eight_bits_in_any_unit(unit: float) -> None:
    codes = np.arange(20, 200).astype(np.float32)
    assert is_eight_bit((codes * unit).astype(np.float32))


@pytest.mark.parametrize(
    "values",
    [
        np.arange(5.0),  # too few: a mask
        np.arange(300.0),  # too many
        np.arange(20.0) + 0.3,
        np.arange(20.0) - 3.0,
        np.arange(20.0) * 40.0,
    ],
)
def test_what_is_not_eight_bits(values: np.ndarray) -> None:
    assert not is_eight_bit(values.astype(np.float32))


def sky(factor: float = 1.0, *, unit: float = 1.0, sigma: float = 30.0) -> tuple[np.ndarray, np.ndarray]:
    """Return values and counts of whole numbers about 1000, times a factor and rounded again."""
    drawn = np.rint(np.random.default_rng(4).normal(1000.0, sigma, 200_000))
    return np.unique((np.rint(drawn * factor) * unit).astype(np.float32), return_counts=True)


@pytest.mark.parametrize("unit", [1.0, 1.0 / 65535.0])
def test_a_multiplied_sky_misses_codes(unit: float) -> None:
    assert empty_codes(*sky(unit=unit)) == 0.0
    # twice as far apart in one of two steps: 1 - 1 / 1.5
    assert empty_codes(*sky(1.5, unit=unit)) == pytest.approx(1.0 / 3.0, abs=0.02)


def test_fourteen_bits_stored_in_sixteen_miss_none() -> None:
    assert empty_codes(*sky(4.0)) == 0.0


def test_fractions_and_thin_histograms_tell_nothing() -> None:
    values = np.sort(np.random.default_rng(5).normal(1000.0, 30.0, 5000)).astype(np.float32)
    assert empty_codes(values, np.ones(values.size, dtype=np.int64)) == 0.0
    codes = np.arange(0, 4000, 2, dtype=np.float32)
    assert empty_codes(codes + np.arange(codes.size) % 2, np.full(codes.size, 3)) == 0.0
