"""A step called alone does what a run does with it; all of them together are tested in tests/test_library.py."""

from __future__ import annotations

import numpy as np

from blend.base.rowblocks import limit_threads
from blend.recipe.byhand import blend_lines, emission, finish, stretch, white

SKY = np.random.default_rng(1).normal(0, 1e-3, (4, 128, 160)).astype(np.float32)
ADD = {"red": {"into": "red", "from": "ha.emission", "formula": "emission-add"}}


def test_threads_change_no_bit() -> None:
    pictures = []
    for threads in (1, 2):
        with limit_threads(threads):
            balanced = white(emission({"rgb": SKY[:3], "ha": SKY[3]}, ha={"scale": 0.2}), white="none")
            pictures.append(stretch(blend_lines(balanced, ADD)).display)
    np.testing.assert_array_equal(*pictures)


def test_an_earlier_state_stays_as_it_was() -> None:
    state = stretch({"rgb": SKY[:3]})
    finish(state).display[:] = 0
    state.linear[:] = 0
    assert state.display.any() and state.rgb.pixels.any()
