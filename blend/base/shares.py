"""Shares in percent, told only where they can be: a number beyond what is physically possible is no answer."""

from __future__ import annotations

import math

MOST_SLOPE = 2.0
"""A plane of light that is nowhere below 0 rises over the frame by at most twice its mean."""


def in_percent(share: float | None, form: str = ".1f", *, least: float = 0.0, most: float = 1.0) -> str:
    """Return a share in percent, or nothing where it is not finite or, but for rounding, beyond what is possible.

    Examples
    --------
    >>> in_percent(0.105), in_percent(-9.682), in_percent(float("nan")), in_percent(1.2, ".0f", most=MOST_SLOPE)
    ('10.5 %', '', '', '120 %')
    """
    if share is None or not math.isfinite(share) or not least - 5e-4 <= share <= most + 5e-4:
        return ""
    # no -0.0
    return f"{100.0 * min(max(share, least), most) + 0.0:{form}} %"
