"""A root lies where scipy's does, and is found in about as few steps."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq

from blend.base.roots import root_between

FUNCTIONS = [
    (lambda x: x * x - 2.0, 0.0, 2.0),
    (lambda x: x**3 - 1e-3, -1.0, 1.7),
    (lambda x: math.asinh(x / 0.003) / math.asinh(1.0 / 0.003) - 0.1, 1e-9, 1.0),
    (lambda x: math.exp(-x) - 1e-5, 0.0, 60.0),
    (lambda x: math.tanh(400.0 * (x - 0.3)), 0.0, 1.0),
    (lambda x: 1.0 if x > 0.123456 else -1.0, 0.0, 1.0),
    (lambda x: x, 0.0, 5.0),
]


@pytest.mark.parametrize(("function", "low", "high"), FUNCTIONS)
@pytest.mark.parametrize("turned", [False, True])
def test_the_root_is_scipy_s(function, low, high, turned):
    asked = []

    def counted(x):
        asked.append(x)
        return function(x)

    ends = (high, low) if turned else (low, high)
    found = root_between(counted, *ends, tolerance=1e-13)
    assert found == pytest.approx(
        brentq(function, low, high, xtol=1e-13, rtol=1e-15), abs=2e-13 if low != -1.0 else 1e-6
    )
    assert all(low <= x <= high for x in asked)
    assert len(asked) < 60


def test_ends_of_one_sign_are_refused():
    with pytest.raises(ValueError, match="no change of sign"):
        root_between(lambda x: x + 10.0, 0.0, 1.0, tolerance=1e-9)
