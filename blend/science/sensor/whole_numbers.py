"""Values that were whole numbers once: eight bits, and numbers between others that are never taken."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_LARGEST_CODE = 2.0**32  # no file of integers that a camera or a stack writes holds more

_FEWEST_VALUES = 8
"""Fewer values are a mask or a drawing rather than a picture in eight bits."""

_INNER, _LEAST_SPAN, _A_CODE, _WHOLE = (0.05, 0.95), 16, 20, 0.02
"""Shares of the pixels between which codes are looked at; the fewest codes and pixels a code, of which none is missed
by chance (e^-20); and how near whole numbers must be, as float32 holds them."""


def is_eight_bit(values: NDArray[np.float32]) -> bool:
    """Tell whether all values are whole numbers up to 255, or such over 255, or (in 16 bits) times 257."""
    if not _FEWEST_VALUES < values.size <= 256 or values[0] < 0.0:
        return False
    exact = values.astype(np.float64)
    for unit in (1.0, 1.0 / 255.0, 257.0):
        codes = exact / unit
        if codes[-1] <= 255.5 and np.all(np.abs(codes - np.rint(codes)) < 1e-3):
            return True
    return False


def empty_codes(values: NDArray[np.float32], counts: NDArray[np.int64]) -> float:
    """Return the share of whole-number codes never taken between others taken often; 0 if codes are no
    numbers.

    Looked at between the 5th and the 95th percentile, where at least 20 pixels a code are expected. Codes
    that are all multiples of one number (14 bits stored in 16) are divided by it first.
    """
    cumulative = np.cumsum(counts)
    first, last = np.searchsorted(cumulative, [share * cumulative[-1] for share in _INNER])
    inner = values[first : last + 1].astype(np.float64)
    for unit in (1.0, 1.0 / 65535.0):
        codes = np.rint(inner / unit)
        whole = (
            np.all(np.abs(inner / unit - codes) <= _WHOLE) and np.abs(codes[[0, -1]]).max() < _LARGEST_CODE
        )
        if codes[-1] - codes[0] < _LEAST_SPAN or not whole:
            continue
        steps = np.diff(codes.astype(np.int64))
        common = int(np.gcd.reduce(steps))
        possible = int((codes[-1] - codes[0]) // common) + 1
        if counts[first : last + 1].sum() < _A_CODE * possible:
            return 0.0
        return 1.0 - inner.size / possible
    return 0.0
