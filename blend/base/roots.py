"""Where a function of one number crosses zero."""

from __future__ import annotations

from collections.abc import Callable

MOST_STEPS = 200
RTOL = 2.0**-50
"""Four times the spacing of floats at 1: nearer than that, values of most functions are rounding."""


def find_root(
    function: Callable[[float], float], low: float, high: float, *, xtol: float, rtol: float = RTOL
) -> float:
    """Return x between ``low`` and ``high`` with function(x) = 0.

    Secant and inverse quadratic steps while they shrink the bracket fast enough, halving where they do not.

    Parameters
    ----------
    function : callable
        Continuous; its values at ``low`` and ``high`` differ in sign, or one is 0.
    low, high : float
    xtol, rtol : float
        The answer is within ``xtol + rtol * abs(x)`` of a root.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        Both ends have the same sign.

    Notes
    -----
    As `scipy.optimize.brentq`, and to its bits, without 0.3 s for importing that package.

    References
    ----------
    Brent (1973), Algorithms for Minimization Without Derivatives, chapter 4.

    Examples
    --------
    >>> round(find_root(lambda x: x * x - 2.0, 0.0, 2.0, xtol=1e-12), 9)
    1.414213562
    """
    before, here = (low, function(low)), (high, function(high))
    for x, value in (before, here):
        if value == 0.0:
            return x
    if (before[1] < 0.0) == (here[1] < 0.0):
        raise ValueError(f"the function has the same sign at {low:g} and {high:g}")
    across, last, step = before, 0.0, 0.0
    for _ in range(MOST_STEPS):
        if (before[1] < 0.0) != (here[1] < 0.0):
            across = before
            last = step = here[0] - before[0]
        if abs(across[1]) < abs(here[1]):
            before, here, across = here, across, here
        least = 0.5 * (xtol + rtol * abs(here[0]))
        half = 0.5 * (across[0] - here[0])
        if here[1] == 0.0 or abs(half) < least:
            return here[0]
        tried = _step(before, here, across) if abs(last) > least and abs(here[1]) < abs(before[1]) else None
        if tried is not None and 2.0 * abs(tried) < min(abs(last), 3.0 * abs(half) - least):
            last, step = step, tried
        else:
            last = step = half
        before = here
        x = here[0] + (step if abs(step) > least else least if half > 0.0 else -least)
        here = (x, function(x))
    return here[0]


Point = tuple[float, float]


def _step(before: Point, here: Point, across: Point) -> float:
    """Return the secant's step to zero where only two points are known, else that of the inverse parabola."""
    if before[0] == across[0]:
        return -here[1] * (here[0] - before[0]) / (here[1] - before[1])
    slope = (before[1] - here[1]) / (before[0] - here[0])
    other = (across[1] - here[1]) / (across[0] - here[0])
    return -here[1] * (across[1] * other - before[1] * slope) / (other * slope * (across[1] - before[1]))
