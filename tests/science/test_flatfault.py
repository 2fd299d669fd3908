"""Bowls and rings planted into a sky, and bends that are none."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.flatfault import divide_flat_fault, find_flat_fault
from blend.science.gradient import fit_sky, object_mask

SHAPE = (240, 320)
SIGMA = 0.001
Y, X = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
R2 = ((X * SHAPE[1]) ** 2 + (Y * SHAPE[0]) ** 2) / (SHAPE[0] ** 2 + SHAPE[1] ** 2)
SKY = 0.1 + 0.008 * X - 0.003 * Y
NOTHING = np.zeros(SHAPE, dtype=bool)


def noisy(sky, seed=0):
    return (sky + SIGMA * np.random.default_rng(seed).standard_normal(SHAPE)).astype(np.float32)


@pytest.mark.parametrize("degree", [1, 2, "auto"])
@pytest.mark.parametrize("deep", [0.02, -0.015])
def test_vignetting_is_found_whatever_the_degree(degree, deep):
    fault = find_flat_fault(fit_sky(noisy(SKY * (1 - deep * R2)), degree=degree, masked=NOTHING))
    assert fault is not None
    # 1000 blocks of 77 pixels: 0.05 % of the sky.
    assert fault.edge_percent == pytest.approx(-100 * deep, abs=0.25)
    assert fault.kind == "bowl"


def test_a_ring_is_called_one():
    fault = find_flat_fault(fit_sky(noisy(SKY * (1 - 0.06 * (R2 - R2**2))), degree=2, masked=NOTHING))
    assert fault is not None and fault.kind == "ring"
    assert fault.percent == pytest.approx(1.5, abs=0.25)


@pytest.mark.parametrize(
    "sky",
    [
        SKY,
        SKY * (1 - 0.002 * R2),  # less than moonlight may bend
        SKY * (1 + 0.02 * X * X),  # bends along one axis
        SKY * (1 + 0.02 * X * Y),
    ],
)
def test_what_is_no_fault_of_the_flat(sky):
    assert find_flat_fault(fit_sky(noisy(sky), degree=2, masked=NOTHING)) is None


def test_a_centred_galaxy_is_no_fault():
    light = 60 * SIGMA * np.exp(-np.hypot(X * 160, Y * 120) / 18.0)
    plane = noisy(SKY + light)
    assert find_flat_fault(fit_sky(plane, masked=object_mask(plane[None]))) is None


def test_division_levels_the_sky_and_keeps_its_mean():
    plane = (SKY * (1 - 0.02 * R2)).astype(np.float32)
    fault = find_flat_fault(fit_sky(noisy(plane), degree=2, masked=NOTHING))
    assert fault is not None
    plane[3, 4] = np.nan
    mended = divide_flat_fault(plane, fault)
    assert mended.dtype == np.float32 and np.isnan(mended[3, 4])
    assert np.nanmax(mended / SKY) / np.nanmin(mended / SKY) < 1.004
    assert np.nanmean(mended) == pytest.approx(float(np.nanmean(plane)), rel=1e-3)


def test_a_level_of_0_tells_nothing():
    assert find_flat_fault(fit_sky(noisy(SKY - 0.2), degree=2, masked=NOTHING)) is None


def test_a_bowl_larger_than_any_flat_makes_is_not_told_of():
    assert find_flat_fault(fit_sky(noisy(SKY * (1 - 0.7 * R2)), degree=2, masked=NOTHING)) is None


def test_a_level_within_its_uncertainty_tells_nothing():
    faint = 0.0001 * (1 - 0.3 * R2)
    fit = fit_sky(noisy(faint), degree=2, masked=NOTHING)
    assert find_flat_fault(fit) is None
