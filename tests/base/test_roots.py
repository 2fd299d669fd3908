"""Roots: beside scipy's answers, to the bit."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from blend.base.roots import RTOL, find_root

CASES: list[tuple[Callable[[float], float], float, float]] = [
    (lambda x: x * x - 2.0, 0.0, 2.0),
    (lambda x: x**3 - 2.0 * x - 5.0, -1.0, 3.0),
    (lambda x: math.exp(-x) - 1e-8 * x, 0.0, 40.0),
    (lambda x: math.asinh(0.01 / math.exp(x)) / math.asinh(1.0 / math.exp(x)) - 0.25, -69.0, 9.0),
    (lambda x: math.copysign(1.0, x - 0.3), -1.0, 5.0),  # no slope to go by
    (lambda x: x + 1e-3 * x**3, -3.0, 1e9),
    (lambda x: x - 1.0, 1.0, 3.0),
]


@pytest.mark.parametrize("case", range(len(CASES)))
@pytest.mark.parametrize(("xtol", "rtol"), [(1e-13, 1e-14), (1e-9, RTOL), (1e-3, RTOL)])
def test_roots_are_those_of_scipy(case: int, xtol: float, rtol: float) -> None:
    function, low, high = CASES[case]
    assert find_root(function, low, high, xtol=xtol, rtol=rtol) == brentq(
        function, low, high, xtol=xtol, rtol=rtol
    )


def test_ends_of_one_sign_are_refused() -> None:
    with pytest.raises(ValueError, match="same sign"):
        find_root(lambda x: x * x + 1.0, -1.0, 1.0, xtol=1e-9)
