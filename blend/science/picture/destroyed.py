"""What a blend destroyed: numbers that are none any more, and light pressed to black or to white."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks

EDGE = 8
"""Pixels of a block's edge: a dark sky is no further above black than its noise, which must not pass for light that is
gone; in a mean it is an eighth. White is far above any noise."""


@dataclass(frozen=True)
class BlendLoss:
    """What one blend destroyed."""

    lost: int  # pixels that are no finite number and were made of finite ones
    # share of the blocks of 8 x 8 pixels whose mean was between the limits before and is now at or below the
    # lower
    black: float
    white: float  # share of the pixels that were below the upper limit before and are now at or above it


def blend_loss(
    base: NDArray[np.floating],
    line: NDArray[np.floating],
    changed: NDArray[np.floating],
    *,
    low: float,
    high: float,
) -> BlendLoss:
    """Return what a blend destroyed of a plane.

    Parameters
    ----------
    base, line, changed : (rows, columns)
        Before the blend, what came in, and after it, not clipped. NaN in ``base`` or ``line`` is no loss.
    low, high : float
        Black and white, in the units of ``base``.

    Notes
    -----
    One pass; 24 megapixels take 0.03 s on two cores.

    Examples
    --------
    >>> base, line = np.full((8, 16), 0.1, dtype=np.float32), np.zeros((8, 16), dtype=np.float32)
    >>> changed = base.copy()
    >>> changed[:, :8] = 5.0
    >>> changed[0, 15] = np.nan
    >>> blend_loss(base, line, changed, low=0.0, high=1.0)
    BlendLoss(lost=1, black=0.0, white=0.5039370078740157)
    """

    def measure_rows(rows: slice) -> NDArray[np.int64]:
        counts = np.zeros(5, dtype=np.int64)
        _count(base[rows], line[rows], changed[rows], low, high, counts)
        return counts

    counts = np.sum(map_row_blocks(measure_rows, base.shape[0]), axis=0)
    lost, black, white, blocks, pixels = (int(count) for count in counts)
    return BlendLoss(lost=lost, black=black / max(1, blocks), white=white / max(1, pixels))


@kernel
def _count(
    base: Any, line: Any, changed: Any, low: Any, high: Any, counts: Any
) -> None:  # pragma: no cover - compiled
    rows, columns = base.shape
    for top in range(0, rows, EDGE):
        for left in range(0, columns, EDGE):
            before, after, known = 0.0, 0.0, 0
            for y in range(top, min(top + EDGE, rows)):
                for x in range(left, min(left + EDGE, columns)):
                    if np.isfinite(changed[y, x]):
                        before += base[y, x]
                        after += changed[y, x]
                        known += 1
                        counts[2] += base[y, x] < high <= changed[y, x]
                    elif np.isfinite(base[y, x]) and np.isfinite(line[y, x]):
                        counts[0] += 1
            if known == 0:
                continue
            counts[3] += 1
            counts[4] += known
            counts[1] += after / known <= low < before / known < high
