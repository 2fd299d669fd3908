"""Shares in percent: told where they are possible, and silent where not."""

from __future__ import annotations

import math

import pytest

from blend.base.shares import MOST_SLOPE, in_percent


@pytest.mark.parametrize(
    ("share", "told"),
    [
        (0.0, "0.0 %"),
        (-0.0, "0.0 %"),
        (0.5, "50.0 %"),
        (1.0, "100.0 %"),
        (1.0004, "100.0 %"),
        (-4e-4, "0.0 %"),
    ],
)
def test_possible_shares_are_told(share: float, told: str) -> None:
    assert in_percent(share) == told


@pytest.mark.parametrize("share", [None, math.nan, math.inf, -math.inf, 1.01, -0.01, -9.7])
def test_impossible_shares_are_not(share: float | None) -> None:
    assert in_percent(share) == ""


def test_a_slope_may_be_twice_the_mean() -> None:
    assert in_percent(1.9, ".0f", most=MOST_SLOPE) == "190 %" and not in_percent(2.1, most=MOST_SLOPE)
