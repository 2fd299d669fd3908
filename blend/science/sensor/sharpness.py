"""How sharp a plane's stars are, told by their cores where rays and knots stand beside them.

    w = sqrt(4 ln 2 / a)        a = ln v - (ln v_left + ln v_right) / 2

v are heights above the ground; for a Gaussian a is the same wherever its centre lies between pixels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.science.plane import TILE, places
from blend.science.sensor.ray_loops import edge_rows

_CLEAR_SIGMA = 20.0
"""Peaks from here on hold what a star 2 px wide has two pixels away, a sixteenth, above the noise."""

_FEWEST = 6
"""Stars whose median width no single ray decides."""

_ROUND, _CORNER, _FAR, _SHARPEST_PX = 1.35, 0.35, 0.3, 1.2
"""What a star's core is: as wide along both axes, corners as a Gaussian has them (in ln), light two pixels away, and
not one pixel wide. Of 340 rays in a real frame one passed."""

_SHARPEST, _SKIPPED, _KNOTS = 0.05, 2, 1.1
"""Knots and small galaxies are wider than stars, and may outnumber them: the width is at most so much above that of the
sharpest twentieth, a typical star's in a real frame. The two sharpest may be rays."""


def star_core_width(
    plane: NDArray[np.float32], noise: NDArray[np.float32], *, spared: NDArray[np.bool_] | None = None
) -> float | None:
    """Return the FWHM of a plane's stars, pixels; None where fewer than six are clear and round.

    Parameters
    ----------
    plane : (rows, columns)
    noise : (rows / 64, columns / 64)
        `badpixels.local_noise` of it.
    spared : (rows, columns) bool, optional
        Saturated pixels, whose stars are left out.

    Notes
    -----
    Found stars are of no help here: lists of stars leave out what is sharper than most, and in a galaxy most are knots.

    Examples
    --------
    >>> y, x = np.mgrid[:160, :160]
    >>> sky = np.random.default_rng(3).normal(10.0, 1.0, (160, 160)).astype(np.float32)
    >>> for n in range(9):
    ...     far = (y - 20.3 - 50 * (n // 3)) ** 2 + (x - 20.1 - 0.1 * n - 50 * (n % 3)) ** 2
    ...     sky += (500 * np.exp(-4 * np.log(2) * far / 9.0)).astype(np.float32)
    >>> round(star_core_width(sky, np.ones((3, 3), dtype=np.float32)), 1)
    3.0
    """
    heights = _peaks(plane, noise, spared)
    light = np.log(np.maximum(heights, 1e-6))
    across = -(light[:, 3, 2] + light[:, 3, 4]) / 2.0
    along = -(light[:, 2, 3] + light[:, 4, 3]) / 2.0
    falling = -(light[:, 2, 2] + light[:, 4, 4]) / 2.0 - across - along
    rising = -(light[:, 2, 4] + light[:, 4, 2]) / 2.0 - across - along
    far = (heights[:, 3, 1] + heights[:, 3, 5] + heights[:, 1, 3] + heights[:, 5, 3]) / 4.0
    wide, high = _width(across), _width(along)
    both = 0.5 * (across + along)
    star = (
        (np.maximum(wide, high) < _ROUND * np.minimum(wide, high))
        & (np.minimum(wide, high) > _SHARPEST_PX)
        & (np.abs(falling + rising) < 2.0 * _CORNER)
        & (np.maximum(np.abs(falling), np.abs(rising)) < 2.0 * _CORNER)
        & (far > _FAR * np.exp(-4.0 * both))
    )
    if np.count_nonzero(star) < _FEWEST:
        return None
    widths = _width(both[star])
    sharp = np.sort(widths)[max(_SKIPPED, int(_SHARPEST * len(widths)))]
    return float(min(np.median(widths), _KNOTS * sharp))


def _width(fall: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.sqrt(4.0 * np.log(2.0) / np.maximum(fall, 1e-3)))


def _peaks(
    plane: NDArray[np.float32], noise: NDArray[np.float32], spared: NDArray[np.bool_] | None
) -> NDArray[np.float64]:
    """Return the 7x7 pixels about every clear peak, their ground taken off, over the height of the peak."""
    found = np.zeros(plane.shape, dtype=np.bool_)
    # 0.25: the edge of a star 3 px wide by its height; wider ones must be brighter, noise hardly comes there
    limit = np.float32(0.25 * _CLEAR_SIGMA)

    def fill_rows(block: slice) -> None:
        edge_rows(plane, noise, limit, found, block.start, block.stop)

    map_row_blocks(fill_rows, len(plane), height=TILE)
    y, x = places(found)
    whole = (y > 2) & (x > 2) & (y < plane.shape[0] - 3) & (x < plane.shape[1] - 3)
    y, x = y[whole], x[whole]
    for j, i in ((-1, 0), (1, 0), (0, -1), (0, 1), (-1, -1), (-1, 1), (1, -1), (1, 1)):
        top = plane[y, x] >= plane[y + j, x + i]
        y, x = y[top], x[top]
    reach = np.arange(-3, 4)
    rows, columns = y[:, None, None] + reach[:, None], x[:, None, None] + reach
    windows = plane[rows, columns].astype(np.float64)
    usable = np.isfinite(windows).all(axis=(1, 2))
    if spared is not None:
        usable &= ~spared[rows, columns].any(axis=(1, 2))
    ring = np.ones((7, 7), dtype=np.bool_)
    ring[1:-1, 1:-1] = False
    with np.errstate(invalid="ignore"):
        ground = np.sort(windows[:, ring], axis=1)[:, 6]
        heights = windows - ground[:, None, None]
        usable &= heights[:, 3, 3] > _CLEAR_SIGMA * noise[y // TILE, x // TILE]
    chosen = heights[usable]
    return np.asarray(chosen / chosen[:, 3:4, 3:4])
