"""What a blend destroyed: numbers that are none any more, and light pressed to black or to white."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks

EDGE = 8
"""Pixels of a block's edge: a dark sky is no further above black than its noise, which must not pass for light that is
gone; in a mean it is an eighth. White is far above any noise."""


@dataclass(frozen=True)
class BlendLoss:
    """What one blend destroyed of a plane or of some of its rows; losses of rows add up."""

    lost: int = 0  # pixels that are no finite number and were made of finite ones
    black: int = (
        0  # blocks of 8 x 8 pixels whose mean was between the limits and is at or below the lower one now
    )
    white: int = 0  # pixels that were below the upper limit and are at or above it now
    # what these are of: those with a finite number
    blocks: int = 0
    pixels: int = 0

    @classmethod
    def none(cls, rows: int, columns: int) -> Self:
        """Return that nothing was lost of so many rows and columns of finite numbers."""
        return cls(blocks=-(-rows // EDGE) * -(-columns // EDGE), pixels=rows * columns)

    def __add__(self, other: Self) -> Self:
        return type(self)(*(a + b for a, b in zip(vars(self).values(), vars(other).values(), strict=True)))

    @property
    def black_share(self) -> float:
        """Black blocks over all."""
        return self.black / max(1, self.blocks)

    @property
    def white_share(self) -> float:
        """White pixels over all."""
        return self.white / max(1, self.pixels)


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
        Before the blend, what came in, and after it, not clipped. NaN in ``base`` or ``line`` is no loss. Where rows
        are looked at part by part, a part's first row is one of a block.
    low, high : float
        Black and white, in the units of ``base``.

    Examples
    --------
    >>> base, line = np.full((8, 16), 0.1, dtype=np.float32), np.zeros((8, 16), dtype=np.float32)
    >>> changed = base.copy()
    >>> changed[:, :8] = 5.0
    >>> changed[0, 15] = np.nan
    >>> blend_loss(base, line, changed, low=0.0, high=1.0)
    BlendLoss(lost=1, black=0, white=64, blocks=2, pixels=127)
    """

    def measure_rows(rows: slice) -> BlendLoss:
        counts = np.zeros(5, dtype=np.int64)
        _count(base[rows], line[rows], changed[rows], low, high, counts)
        return BlendLoss(*counts.tolist())

    return sum(map_row_blocks(measure_rows, base.shape[0]), BlendLoss())


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
