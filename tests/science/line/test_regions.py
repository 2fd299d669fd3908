"""Regions of a field of significance that a peak confirms, against a slow, obvious version."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter, label

from blend.science.line.regions import confirm_regions, raise_significance

FOOT, FULL, SEED, SURE = 1.5, 3.0, 4.0, 6.0


def smoothstep(t: np.ndarray | float) -> np.ndarray:
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def slow_weights(field: np.ndarray) -> np.ndarray:
    """Return the weight of every pixel: regions above the foot that touch by sides or corners and have a seed."""
    regions, count = label(field >= FOOT, structure=np.ones((3, 3)))
    out = np.zeros_like(field)
    for region in range(1, count + 1):
        inside = regions == region
        peak = field[inside].max()
        if peak >= SEED:
            ceiling = smoothstep((peak - SEED) / (SURE - SEED))
            out[inside] = ceiling * smoothstep((field[inside] - FOOT) / (FULL - FOOT))
    return out


def test_against_the_slow_version() -> None:
    field = 9.0 * gaussian_filter(np.random.default_rng(1).normal(size=(90, 120)), 2.0).astype(np.float64)
    found = field.copy()
    confirm_regions(found, FOOT, FULL, SEED, SURE)
    wanted = slow_weights(field)
    assert 0.01 < (wanted > 0.0).mean() < 0.5
    assert np.allclose(np.maximum(-found, 0.0), wanted, atol=1e-9)


def test_a_foot_without_a_seed_is_nothing() -> None:
    field = np.zeros((9, 9))
    field[3:6, 3:6] = 3.9
    confirm_regions(field, FOOT, FULL, SEED, SURE)
    assert (field >= 0.0).all()


def test_significance_is_the_best_of_light_over_noise() -> None:
    rng = np.random.default_rng(2)
    light, wrong = (rng.normal(size=(6, 8)).astype(np.float32) for _ in "12")
    smooth, best = np.abs(light), np.full((6, 8), 0.5, dtype=np.float32)
    raise_significance(light, wrong, smooth, 0.3, 2.0, best)
    wanted = light / np.sqrt(0.3**2 * (1.0 + 2.0 * smooth) + wrong**2)
    assert np.allclose(best, np.maximum(wanted, 0.5), rtol=1e-5)
