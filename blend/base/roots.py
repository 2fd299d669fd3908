"""The root of a function between two ends, without the third of a second that importing scipy.optimize takes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

MOST_STEPS = 200
"""Bisection alone, the worst case, takes 60 to the last bit of a unit span."""


def root_between(function: Callable[[float], float], low: float, high: float, *, tolerance: float) -> float:
    """Return where a continuous function is 0, to ``tolerance`` and four roundings, by Chandrupatla's method.

    Raises
    ------
    ValueError
        Both ends have values of one sign.

    Notes
    -----
    Inverse quadratic interpolation where it is safe, else bisection: T. R. Chandrupatla (1997), Advances in Engineering
    Software 28, 145.

    Examples
    --------
    >>> round(root_between(lambda x: x * x - 2.0, 0.0, 2.0, tolerance=1e-12), 10)
    1.4142135624
    """
    new, old = high, low
    f_new, f_old = function(high), function(low)
    if f_new * f_old > 0.0:
        raise ValueError(f"no change of sign between {low:g} and {high:g}")
    before, f_before = old, f_old
    share = 0.5
    for _ in range(MOST_STEPS):
        at = new + share * (old - new)
        value = function(at)
        # the root stays between `new` and `old`; `before` is the point that was given up last
        if value * f_new > 0.0:
            before, f_before = new, f_new
        else:
            before, f_before = old, f_old
            old, f_old = new, f_new
        new, f_new = at, value
        best, f_best = (new, f_new) if abs(f_new) < abs(f_old) else (old, f_old)
        margin = (4.0 * np.finfo(float).eps * abs(best) + tolerance) / max(
            abs(old - new), np.finfo(float).tiny
        )
        if margin > 1.0 or f_best == 0.0:
            return best
        share = min(
            max(_next_share(new, old, before, f_new, f_old, f_before), margin / 2.0), 1.0 - margin / 2.0
        )
    return best


def _next_share(a: float, b: float, c: float, f_a: float, f_b: float, f_c: float) -> float:
    """Return how far from ``a`` towards ``b`` to look next."""
    if len({f_a, f_b, f_c}) < 3:
        return 0.5
    xi, phi = (a - b) / (c - b), (f_a - f_b) / (f_c - f_b)
    if not (phi * phi < xi and (1.0 - phi) ** 2 < 1.0 - xi):
        return 0.5
    first = f_a / (f_b - f_a) * f_c / (f_b - f_c)
    return first + (c - a) / (b - a) * f_a / (f_c - f_a) * f_b / (f_c - f_b)
