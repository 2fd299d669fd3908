"""Pictures averaged over whole blocks of pixels, for looking at."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.blocksums import block_means
from blend.base.lazyplanes import AnyPlane, LazyPlane

STRIDE_PX = 16
"""Side of the squares of which `sampled_means` reads one sixteenth."""


def shrink(pixels: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Return means of valid pixels over blocks of (planes, rows, columns), NaN where a block has none; 1 is no copy.

    Rows and columns beyond the last whole block of ``factor`` x ``factor`` pixels are left out.

    Examples
    --------
    >>> shrink(np.arange(8, dtype=np.float32).reshape(1, 2, 4), 2).tolist()
    [[[2.5, 4.5]]]
    """
    if factor == 1:
        return pixels
    return np.stack([shrink_plane(plane, factor) for plane in pixels])


def shrink_plane(plane: AnyPlane, factor: int) -> NDArray[np.float32]:
    """Return such means of one plane."""
    rows, columns = (length // factor for length in plane.shape)
    return block_means(plane, factor, least=0.0)[:rows, :columns].astype(np.float32)


def sampled_means(plane: NDArray[Any] | LazyPlane) -> NDArray[np.float64]:
    """Return means of 4 x 4 pixels of a plane, one in each whole square of 16 x 16."""
    high, wide = (size // STRIDE_PX * STRIDE_PX for size in plane.shape)
    lines = np.zeros((high // STRIDE_PX, plane.shape[1]))
    for row in range(4):
        lines += plane[row:high:STRIDE_PX]
    return np.asarray(sum(lines[:, column:wide:STRIDE_PX] for column in range(4)) / 16.0)
