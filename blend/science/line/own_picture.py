"""Is a line master a picture of its own, or a colour plane under another name?"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, median, second_differences
from blend.base.rowblocks import map_together

SAME_NOISE = 0.98
"""Correlation from which noise is one noise. Copies of one exposure have 0.999 or more; two exposures of one field 0.01
in invented nights and at most 0.095 in pairs of real frames of one sensor. Only where starlight outshines noise by
seven in every pixel would two look like one."""

BANDS, BAND_ROWS, BAND_COLUMNS = 4, 64, 512
"""So much of a frame tells a correlation of noise to a few thousandths."""

CLIP = 3.0
"""In sigma: beyond are stars, which are alike in all planes."""

ENOUGH = 1000
"""Fewer pixels tell no correlation."""


def same_noise(line: NDArray[np.float32], planes: Sequence[NDArray[np.float32]]) -> list[float]:
    """Return how far the noise of a line master is that of each colour plane: 0 for two exposures, 1 for one.

    The correlation of second differences over bands of rows, where neither passes 3 sigma: sky and smooth light
    leave nothing there, stars are left out.

    Parameters
    ----------
    line : (rows, columns)
        Registered.
    planes : sequence of (rows, columns)
        On the same grid.

    Returns
    -------
    list of float
        One a plane; 0 where too little tells it.
    """
    own, *others = map_together(_sampled, [line, *planes])
    return map_together(lambda other: _correlation(own, other), others)


def _sampled(plane: NDArray[np.float32]) -> NDArray[np.float64]:
    rows, columns = plane.shape
    height, width = min(BAND_ROWS, rows), min(BAND_COLUMNS, columns)
    tops = np.unique(np.linspace(0, rows - height, BANDS).astype(int))
    lefts = np.linspace(0, columns - width, len(tops)).astype(int)
    bands = [plane[y : y + height, x : x + width] for y, x in zip(tops, lefts, strict=True)]
    return np.concatenate([second_differences(band).ravel() for band in bands])


def _correlation(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    good = np.isfinite(first) & np.isfinite(second)
    a, b = first[good], second[good]
    if a.size < ENOUGH:
        return 0.0
    limits = [CLIP * MAD_TO_SIGMA * median(np.abs(values)) for values in (a, b)]
    quiet = (np.abs(a) < limits[0]) & (np.abs(b) < limits[1])
    if np.count_nonzero(quiet) < ENOUGH:
        return 0.0
    return float(np.corrcoef(a[quiet], b[quiet])[0, 1])
