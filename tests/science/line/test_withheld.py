"""How much light a weight holds back: of what stands out of its noise, and of that alone."""

import numpy as np
import pytest

from blend.science.line.withheld import held_back

SHAPE = (120, 160)
NONE = np.zeros(SHAPE, dtype=bool)


def noise(seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=SHAPE)


def test_noise_alone_stands_out_nowhere():
    for seed in range(20):
        assert held_back(noise(seed), np.zeros(SHAPE), covered=NONE, sky=0.0) is None


def test_faint_wide_light_and_compact_light_count_alike():
    rows, columns = np.indices(SHAPE)
    compact = 40.0 * (np.hypot(rows - 30, columns - 30) < 2)
    wide = 2.5 * (np.hypot(rows - 80, columns - 110) < 24)
    light = noise() + compact + wide
    share = wide.sum() / (wide + compact).sum()
    assert held_back(light, compact, covered=NONE, sky=0.0) == pytest.approx(share, abs=0.04)
    assert held_back(light, light, covered=NONE, sky=0.0) == pytest.approx(0.0, abs=1e-12)
    # A sky that may be wrong by as much as the wide light makes it no light that stands out; nor does a star's.
    assert held_back(light, compact, covered=NONE, sky=2.5) < 0.1
    assert held_back(light, compact, covered=wide > 0, sky=0.0) < 0.1


def test_missing_pixels_and_tiny_frames_tell_nothing():
    assert held_back(np.full(SHAPE, np.nan), np.zeros(SHAPE), covered=NONE, sky=0.0) is None
    assert held_back(np.ones((2, 3)), np.ones((2, 3)), covered=np.zeros((2, 3), dtype=bool), sky=0.0) is None
