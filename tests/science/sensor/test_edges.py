"""Reading edges: planted ones are found on every side, sound frames lose no line."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.sensor.edges import edge_mask, reading_edges
from blend.science.sensor.quality import judge

SHAPE = (240, 320)


def sky(seed: int = 1) -> np.ndarray:
    """Return a sky with slope and vignetting, noise 1."""
    y, x = (grid / 320.0 - 0.4 for grid in np.mgrid[: SHAPE[0], : SHAPE[1]])
    light = 200.0 * (1.0 + 0.2 * x - 0.1 * y) * np.cos(np.hypot(x, y)) ** 4
    return light + np.random.default_rng(seed).normal(0.0, 1.0, SHAPE)


def edges(plane: np.ndarray) -> tuple[int, int, int, int]:
    return reading_edges(plane, noise=1.0, border=np.isnan(plane))


def test_sound_skies_lose_no_line() -> None:
    for seed in range(25):
        assert edges(sky(seed)) == (0, 0, 0, 0)


@pytest.mark.parametrize("side", range(4))
def test_lines_that_depart_are_taken_off(side: int) -> None:
    plane = sky(30)
    line = [np.s_[2], np.s_[-3], np.s_[:, 2], np.s_[:, -3]][side]
    plane[line] -= 1.5
    expected = [0, 0, 0, 0]
    expected[side] = 3
    assert edges(plane) == tuple(expected)


def test_a_known_border_is_counted_with_them() -> None:
    plane = sky(31)
    plane[:4] = np.nan
    plane[4] += 50.0
    assert edges(plane) == (5, 0, 0, 0)


def test_what_nobody_sees_and_what_bends_stays() -> None:
    plane = sky(32)
    plane[0] += 0.2
    plane += 40.0 * np.exp(-((np.arange(SHAPE[1]) - 5.0) ** 2) / 1250.0)
    assert edges(plane) == (0, 0, 0, 0)


def test_a_picture_is_judged_without_its_reading_edge() -> None:
    plane = sky(33)
    plane[:, :2] += 300.0
    verdict = judge(plane[None].astype(np.float32), ["ha"])
    (told,) = [finding for finding in verdict.findings if finding.code == "reading-edge"]
    assert told.text == (
        "2 first columns at the frame's edge do not go on the picture beside them: left out, as a border is"
    )
    np.testing.assert_array_equal(verdict.border, edge_mask(SHAPE, (0, 0, 2, 0)))
