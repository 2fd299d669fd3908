"""Numbers with their error in one cell, and the tables that hold them."""

from __future__ import annotations

import math

import pytest

from blend.pages.measured import measured, small
from blend.pages.tables import tables  # noqa: F401 - drawn whole by test_report_browser


@pytest.mark.parametrize(
    ("value", "error", "least", "text"),
    [
        (0.0, None, 0.01, "< 0.01"),
        (0.0, 0.001, 0.01, "< 0.01"),
        (-0.004, None, 0.01, "-0.00"),
        (3.14159, 0.15, 0.01, "3.14 +- 0.15"),
        (3.14159, 0.3, 0.01, "3.1 +- 0.3"),
        (120.0, 45.0, 0.01, "120 +- 45"),
        (0.0999, 0.0002, 0.0001, "0.0999 +- 0.0002"),
        (math.nan, 0.1, 0.01, "-"),
        (2.0, math.nan, 0.1, "2.0"),
        (math.inf, None, 0.1, "-"),
    ],
)
def test_digits_are_those_that_the_error_leaves(
    value: float, error: float | None, least: float, text: str
) -> None:
    assert measured(value, error, least=least) == text


def test_small_numbers_keep_three_digits() -> None:
    assert small(math.nan) == small(None) == "-" and small(1.0, math.nan) == "1"
