"""Sums over square blocks of a plane, in one pass that the compiler turns into vector instructions."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.lazyplanes import AnyPlane
from blend.base.rowblocks import ROWS_PER_BLOCK, map_row_blocks


def block_sums(
    plane: AnyPlane, size: int, *, invalid: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """Return sums over blocks of ``size`` x ``size`` pixels, the last ones narrower, and what was summed.

    Sums (float64, down the columns of a block first) and how many pixels are in them, finite and not ``invalid``.

    Examples
    --------
    >>> sums, counts = block_sums(np.array([[1.0, 2.0, 3.0], [4.0, np.nan, 6.0]]), 2)
    >>> sums.tolist(), counts.tolist()
    ([[7.0, 9.0]], [[3, 2]])
    """
    rows, columns = plane.shape
    shape = (-(-rows // size), -(-columns // size))
    sums, counts = np.empty(shape, dtype=np.float64), np.empty(shape, dtype=np.int32)
    none = np.zeros((1, 1), dtype=np.bool_)
    kind = np.float32 if plane.dtype == np.float32 else np.float64

    def fill_rows(block: slice) -> None:
        part = slice(block.start * size, block.stop * size)
        skip = (none if invalid is None else np.ascontiguousarray(invalid[part], dtype=np.bool_)).view()
        pixels = np.ascontiguousarray(plane[part], dtype=kind).view()
        # kernels are compiled once for arrays that may be written to and once for those that may not
        pixels.flags.writeable = skip.flags.writeable = False
        room = np.empty(columns), np.empty(columns, dtype=np.int32)
        _sum_blocks(pixels, skip, invalid is not None, size, *room, sums[block], counts[block])

    map_row_blocks(fill_rows, shape[0], height=max(1, ROWS_PER_BLOCK // size))
    return sums, counts


def block_means(
    plane: AnyPlane, size: int, *, least: float, invalid: NDArray[np.bool_] | None = None
) -> NDArray[np.float64]:
    """Return the means of `block_sums`; NaN where a block has fewer than ``least`` of its pixels, a share, or none."""
    sums, counts = block_sums(plane, size, invalid=invalid)
    high, wide = (np.minimum(size, end - size * np.arange(-(-end // size))) for end in plane.shape)
    enough = counts >= np.maximum(1, least * (high[:, None] * wide))
    return np.where(enough, sums / np.maximum(counts, 1), np.nan)


@kernel
def _sum_blocks(
    plane: Any, skip: Any, masked: bool, size: int, total: Any, count: Any, sums: Any, counts: Any
) -> None:
    # Choices instead of branches, and a place a column instead of one sum: so four pixels are added at a time.
    rows, columns = plane.shape
    zero = plane.dtype.type(0.0)
    for j in range(sums.shape[0]):
        for x in range(columns):
            total[x], count[x] = 0.0, 0
        for y in range(j * size, min((j + 1) * size, rows)):
            here = plane[y]
            out = skip[y] if masked else skip[0]
            if masked:
                for x in range(columns):
                    value = here[x]
                    good = (value - value == zero) & (out[x] == False)  # noqa: E712 - numba's `not` branches
                    total[x] += value if good else zero
                    count[x] += np.int32(good)
            else:
                for x in range(columns):
                    value = here[x]
                    good = value - value == zero
                    total[x] += value if good else zero
                    count[x] += np.int32(good)
        for i in range(sums.shape[1]):
            a = 0.0
            n = 0
            for x in range(i * size, min((i + 1) * size, columns)):
                a += total[x]
                n += count[x]
            sums[j, i] = a
            counts[j, i] = n
