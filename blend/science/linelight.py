"""Does a line master show light of its line at all, and is it a picture of its own?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, second_differences
from blend.base.rowblocks import map_together

BLOCK_PX = 4
"""Side of the blocks in which light is summed: noise that interpolation spreads over neighbours is whole there."""

EDGE_BLOCKS = 5
"""Blocks next to an edge that do not count: 20 px, several widths of a star."""

LEAST_SIGMA = 5.0
"""Of the mean of all light kept outside stars. Over 23 invented galaxies without a line it was at most 1.9, and 0 for
most; light a tenth as strong as the demonstration's came to 27 or more. Where a nebula leaves no sky to fit, the
sky's own error may be kept as light, and counts."""

SAME_NOISE = 0.98
"""Correlation from which noise is one noise. Copies of one exposure have 0.999 or more; two exposures of one field 0.01
in invented nights and at most 0.095 in pairs of real frames of one sensor. Only where starlight outshines noise by
seven in every pixel would two look like one."""

BANDS, BAND_ROWS, BAND_COLUMNS = 4, 64, 512
"""So much of a frame tells a correlation of noise to a few thousandths."""

CLIP = 3.0
"""In sigma: beyond are stars, which are alike in all planes."""

MOST_BLOCKS = 100_000
"""So many of them, spread over the frame, tell the mean."""

ENOUGH = 1000
"""Fewer pixels tell no correlation."""


@dataclass(frozen=True)
class LineLight:
    """What there is of a line: the sum of its kept light outside stars, in its own error, and the share of the frame.

    Where nothing was faded nothing tells light from noise, and ``sigma`` is None.
    """

    sigma: float | None
    share: float

    @property
    def found(self) -> bool:
        """Whether it is light for sure, or cannot be told."""
        return self.sigma is None or self.sigma >= LEAST_SIGMA


def judge_line_light(
    kept: NDArray[np.float32], means: NDArray[np.float32], stars: NDArray[np.float32]
) -> LineLight:
    """Return how sure the light is that fading let through.

    S = <E> sqrt(n) / sigma_4 over the n blocks of 4 x 4 pixels that hold kept light E and no star, sigma_4 their noise.

    Parameters
    ----------
    kept : (rows, columns)
        The emission after fading: 0 where it is not significant.
    means : (rows / 4, columns / 4)
        Means of 4 x 4 pixels of the emission before fading, whose noise is whole; NaN where there is no data.
    stars : (rows, columns)
        The star mask, 0 outside stars: what is left of starlight is no light of the line.

    Notes
    -----
    Every fourth pixel of every fourth row stands for its block: lit regions are wider than that.
    """
    rows, columns = (size // BLOCK_PX for size in kept.shape)
    lit, masked = (
        plane[: BLOCK_PX * rows, : BLOCK_PX * columns].reshape(rows, BLOCK_PX, columns, BLOCK_PX)
        for plane in (kept, stars)
    )
    means = means[:rows, :columns]
    chosen = _inside(np.isfinite(means)) & ((lit[:, 1, :, 1] > 0) | (lit[:, 3, :, 3] > 0))
    row, column = np.nonzero(chosen)
    bare = np.ones(row.size, dtype=bool)
    for y, x in ((0, 0), (0, 3), (3, 0), (3, 3), (1, 2)):
        bare &= masked[row, y, column, x] == 0
    row, column = row[bare], column[bare]
    count, noise = row.size, _noise(means)
    if count == 0 or not noise > 0:
        return LineLight(0.0, count / max(chosen.size, 1))
    some = slice(None, None, -(-count // MOST_BLOCKS))
    light = float(lit[row[some], :, column[some], :].mean(dtype=np.float64))
    return LineLight(light * float(np.sqrt(count)) / noise, count / chosen.size)


def _inside(known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which blocks are far from every edge: a star that an edge cuts is in no list, and its rest shines."""
    inside = np.zeros_like(known)
    inside[EDGE_BLOCKS:-EDGE_BLOCKS, EDGE_BLOCKS:-EDGE_BLOCKS] = True
    if not known.all():
        from scipy.ndimage import minimum_filter1d

        for axis in (0, 1):
            known = minimum_filter1d(known.view(np.uint8), 2 * EDGE_BLOCKS + 1, axis=axis).view(bool)
        inside &= known
    return inside


def _noise(means: NDArray[np.float32]) -> float:
    """Return the noise of block means two blocks apart, which share none."""
    step = max(1, means.shape[0] // 256)
    parts = [second_differences(means[top : top + 5], lag=2) for top in range(0, means.shape[0] - 4, step)]
    values = np.concatenate([part.ravel() for part in parts]) if parts else np.empty(0)
    values = values[np.isfinite(values)]
    return MAD_TO_SIGMA * float(np.median(np.abs(values))) / 6.0 if values.size else 0.0


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
    own = _sampled(line)
    return map_together(lambda plane: _correlation(own, _sampled(plane)), planes)


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
    limits = [CLIP * MAD_TO_SIGMA * float(np.median(np.abs(values))) for values in (a, b)]
    quiet = (np.abs(a) < limits[0]) & (np.abs(b) < limits[1])
    if np.count_nonzero(quiet) < ENOUGH:
        return 0.0
    return float(np.corrcoef(a[quiet], b[quiet])[0, 1])
