"""Saturated cores: a colour from the light just outside them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import copy_planes
from blend.science.picture.fill_stars import list_groups

Plane = NDArray[np.float32]
RING_PX = 4
"""How far from a saturated area its colour is taken, in pixels: a star is still bright there."""

FEWEST = 8
"""Fewer pixels of a ring are noise, or a single neighbour."""


def colour_cores(
    rgb: Plane, saturated: NDArray[np.bool_], *, strength: float = 1.0, out: Plane | None = None
) -> Plane:
    """Give saturated areas the colour of the ring around them.

    c = sum of the ring's planes / their mean;  out_p = c_p L,  L = max over planes of p / c_p. A plane that did not
    saturate tells L truly; a saturated one tells the least that L can be.

    Parameters
    ----------
    rgb : (3, rows, columns)
        Linear light over the sky, balanced.
    saturated : bool (rows, columns)
        Pixels where a plane piled up.
    strength : float
        0 to 1: out = rgb + strength (coloured - rgb). 0 returns the picture itself.
    out : (3, rows, columns), optional
        The picture itself, to be changed in its place.

    Returns
    -------
    (3, rows, columns) float32
        Pixels that are not saturated keep their bits; the picture itself where none is.

    Notes
    -----
    Areas touch by sides or corners. The ring lies 2 to 4 px outside: the pixels that touch an area hold light of it
    once a picture has been resampled. An area whose ring has less than 8 pixels of light stays as it is.
    Derived here; a ring's colour for a core is common practice.
    """
    if strength <= 0 or not saturated.any():
        return rgb
    rows, columns = saturated.shape
    state = np.array(saturated, dtype=np.uint8, order="C")
    places = np.empty(int(np.count_nonzero(state)), dtype=np.int64)
    ends = np.zeros(places.size + 1, dtype=np.int64)
    count = list_groups(state, np.ascontiguousarray(np.argwhere(np.ones((3, 3))) - 1), places, ends)
    area = np.repeat(np.arange(count), np.diff(ends[: count + 1]))
    out = copy_planes(rgb) if out is None else out
    sums, pixels = np.zeros((count, 3)), np.zeros(count, dtype=np.int64)
    _sum_rings(out, state, places, area, RING_PX, np.zeros(state.shape, dtype=np.int32), sums, pixels)
    told = ((pixels >= FEWEST) & (sums.min(axis=1) > 0.0))[area]
    places, area = places[told], area[told]
    colour = (3.0 * sums / np.maximum(sums.sum(axis=1, keepdims=True), 1e-30))[area].T
    flat = out.reshape(3, rows * columns)
    seen = flat[:, places].astype(np.float64)
    flat[:, places] = seen + strength * (colour * (seen / colour).max(axis=0) - seen)
    return out


@kernel
def _sum_rings(rgb, state, places, area, reach, last, sums, pixels):  # type: ignore[no-untyped-def]
    """Add up the planes in each area's ring; ``last`` keeps a pixel from counting twice in one area."""
    rows, columns = state.shape
    for i in range(len(places)):
        r, c, own = places[i] // columns, places[i] % columns, area[i] + 1
        for y in range(max(r - reach, 0), min(r + reach + 1, rows)):
            for x in range(max(c - reach, 0), min(c + reach + 1, columns)):
                if last[y, x] == own or (y - r) ** 2 + (x - c) ** 2 > reach * reach:
                    continue
                last[y, x] = own
                touches = False
                for v in range(max(y - 1, 0), min(y + 2, rows)):
                    for u in range(max(x - 1, 0), min(x + 2, columns)):
                        touches = touches or state[v, u] == 2
                if touches or np.isnan(rgb[0, y, x] + rgb[1, y, x] + rgb[2, y, x]):
                    continue
                pixels[own - 1] += 1
                for plane in range(3):
                    sums[own - 1, plane] += rgb[plane, y, x]
