"""Pictures averaged over whole blocks of pixels, for looking at."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.blocksums import block_means
from blend.base.lazyplanes import AnyPlane

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


def sampled_means(plane: NDArray[Any]) -> NDArray[np.float64]:
    """Return means of 4 x 4 pixels of a plane, one in each whole square of 16 x 16."""
    down, across = (size // STRIDE_PX for size in plane.shape)
    squares = plane[: down * STRIDE_PX, : across * STRIDE_PX].reshape(down, STRIDE_PX, across, STRIDE_PX)
    return np.asarray(squares[:, :4, :, :4].mean(axis=(1, 3), dtype=np.float64))
