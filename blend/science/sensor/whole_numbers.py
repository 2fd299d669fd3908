"""Values that were whole numbers once: eight bits, and numbers between others that are never taken."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_LARGEST_CODE = 2.0**32  # no file of integers that a camera or a stack writes holds more


def is_eight_bit(values: NDArray[np.float32]) -> bool:
    """Tell whether all values are whole numbers up to 255, or such over 255, or (in 16 bits) times 257."""
    if not 8 < values.size <= 256 or values[0] < 0.0:
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
    first, last = np.searchsorted(cumulative, [0.05 * cumulative[-1], 0.95 * cumulative[-1]])
    inner = values[first : last + 1].astype(np.float64)
    for unit in (1.0, 1.0 / 65535.0):
        codes = np.rint(inner / unit)
        whole = np.all(np.abs(inner / unit - codes) <= 0.02) and np.abs(codes[[0, -1]]).max() < _LARGEST_CODE
        if codes[-1] - codes[0] < 16 or not whole:
            continue
        steps = np.diff(codes.astype(np.int64))
        common = int(np.gcd.reduce(steps))
        possible = int((codes[-1] - codes[0]) // common) + 1
        if counts[first : last + 1].sum() < 20 * possible:
            return 0.0
        return 1.0 - inner.size / possible
    return 0.0
