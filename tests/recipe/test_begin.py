"""Masters in memory are made ready for the steps."""

from __future__ import annotations

import numpy as np
import pytest

from blend.base.errors import BlendError
from blend.base.master import Facts, Flag, Master
from blend.recipe.begin import prepare

SKY = np.random.default_rng(1).normal(0.1, 0.01, (64, 80)).astype(np.float32)


def test_infinities_are_missing() -> None:
    array = SKY.copy()
    array[3, 3] = np.inf
    light = prepare({"ha": array}).sources["ha"].lights[0]
    assert np.isnan(light.pixels[0, 3, 3]) and light.flags[3, 3] == Flag.NO_DATA


def test_counts_are_divided_once() -> None:
    counts = Master.from_array(SKY * 4095, planes=("ha",), facts=Facts(unit="adu", full_scale=4095.0))
    once = prepare({"ha": counts}).sources["ha"].lights[0]
    np.testing.assert_allclose(once.pixels[0], SKY, rtol=1e-6)  # two roundings of float32
    np.testing.assert_array_equal(prepare({"ha": once}).sources["ha"].lights[0].pixels, once.pixels)


def test_a_full_scale_that_nobody_states_is_told() -> None:
    counts = Master.from_array(SKY * 4095, planes=("ha",), facts=Facts(unit="adu"))
    assert [code for code, _ in prepare({"ha": counts}).warnings] == ["assumed-full-scale"]


def test_a_stretched_master_is_refused() -> None:
    stretched = np.random.default_rng(2).normal(0.3, 0.01, (3, 64, 80)).astype(np.float32)
    assert (
        prepare(Master.from_array(stretched, domain="display")).sources["rgb"].lights[0].domain == "display"
    )
    with pytest.raises(BlendError, match="rgb: "):
        prepare({"rgb": np.full((3, 64, 80), 0.5)})
