"""Axes and marks of a small plot."""

import numpy as np
import pytest

from blend.pages.plot import Axis, Panel


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-55.0, 55.0), (0.0, 6048.0), (0.0, 1.3e-4)])
def test_numbers_of_an_axis_are_round_and_enough(low: float, high: float) -> None:
    places = [value for value, _ in Axis(low, high).ticks()]
    steps = np.diff(places)
    assert np.allclose(steps, steps[0]) and 3 <= len(places) <= 8
    assert all(low <= place <= high for place in places)
    assert float(f"{steps[0]:e}".split("e")[0]) in (1.0, 2.0, 5.0)


@pytest.mark.parametrize(("low", "high"), [(1e-7, 1.0), (0.3, 4.0), (1e-12, 1e3)])
def test_decades_have_few_numbers(low: float, high: float) -> None:
    ticks = Axis(low, high, log=True).ticks()
    assert 1 <= sum(bool(number) for _, number in ticks) <= 7
    assert all(low <= value <= high for value, _ in ticks)


def test_places_are_shares_of_the_axis() -> None:
    assert Axis(10.0, 20.0).at([10.0, 15.0, 20.0]).tolist() == [0.0, 0.5, 1.0]
    assert Axis(20.0, 10.0).at([10.0]).tolist() == [1.0]
    assert Axis(1.0, 100.0, log=True).at([10.0]).tolist() == [0.5]
    assert np.isnan(Axis(1.0, 100.0, log=True).at([0.0, -1.0, np.nan])).all()


def test_a_gap_parts_a_line() -> None:
    panel = Panel((0.0, 0.0, 100.0, 100.0), Axis(0.0, 1.0), Axis(0.0, 1.0))
    panel.line([0.0, 0.5, np.nan, 1.0], [0.0, 0.5, 0.5, 1.0], "red")
    assert "M0.0 100.0L50.0 50.0M100.0 0.0" in panel.text()


def test_names_cannot_become_tags() -> None:
    assert "<b>" not in Panel((0.0, 0.0, 9.0, 9.0), Axis(0.0, 1.0, "<b>"), Axis(0.0, 1.0)).text()
