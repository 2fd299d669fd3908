"""Plots are drawn from numbers and keep nothing else alive."""

import gc
import weakref

import numpy as np

from blend.pages.figures import histogram_svg, prepare


class Frame:
    """Stands for a run's arrays."""


def _draw_with(frame: Frame) -> "weakref.ref[Frame]":
    histogram_svg(np.full((3, 4, 4), 0.5, dtype=np.float32), 0.1)
    return weakref.ref(frame)


def test_a_drawn_figure_keeps_nothing_of_its_caller_alive() -> None:
    prepare()  # the first import of the drawing library leaves frames of its own
    gc.collect()
    gc.disable()
    try:
        left = _draw_with(Frame())
        assert left() is None
    finally:
        gc.enable()
