"""Numbers as a reader wants them: with their error in one cell, no digit that the error makes void."""

from __future__ import annotations

import math
from typing import Any


def measured(value: Any, error: Any = None, unit: str = "", *, least: float = 0.01) -> str:
    """Return a number with its error and unit; below ``least``, which also bounds the digits, it says no more.

    Examples
    --------
    >>> measured(0.0568, 0.0213, "px"), measured(0.0012, None, "sigma"), measured(4.6003, 0.23, "x")
    ('0.06 +- 0.02 px', '< 0.01 sigma', '4.6 +- 0.2 x')
    >>> measured(0.001, 0.02), measured(None), measured(1234.5, 12.0)
    ('0.00 +- 0.02', '-', '1234 +- 12')
    """
    if value is None or not math.isfinite(value):
        return "-"
    tail = f" {unit}" if unit else ""
    most = max(0, round(-math.log10(least)))
    if error is None or not math.isfinite(error) or error <= 0 or (0 <= value < least and error <= least):
        return f"< {least:g}{tail}" if 0 <= value < least else f"{value:.{most}f}{tail}"
    error = max(error, least)
    # one digit of the error, two where the first is a 1 (common practice)
    digits = -math.floor(math.log10(error)) + (f"{error:e}"[0] == "1")
    digits = min(most, max(0, digits))
    return f"{value:.{digits}f} +- {error:.{digits}f}{tail}"


def small(value: Any, error: Any = None) -> str:
    """Return a number of any size at three digits, its error at two, in one cell.

    Examples
    --------
    >>> small(0.000574957), small(0.0288, 1.7e-6), small(None)
    ('0.000575', '0.0288 +- 1.7e-06', '-')
    """
    if value is None or not math.isfinite(value):
        return "-"
    text = f"{value:.3g}"
    return text if error is None or not math.isfinite(error) else f"{text} +- {error:.2g}"
