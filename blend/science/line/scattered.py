"""What smooth light of a line may be by mistake: the sky's error, and the glow that bright stars scatter."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.science.line.local_medians import CELL_PX
from blend.science.line.starlight_left import EmissionNoise

MOST_STARS = 40
"""So many of the largest saturated stars: the glow of smaller ones is lost within the star mask."""

LEAST_RADIUS_PX = 1.0
"""A saturated spot smaller than a circle of this radius is a hot pixel or the top of a star that hardly clips."""

RING_STEP = 1.25
"""Each ring is a quarter wider than the one within: a glow that falls with the square of the radius halves in two."""

FEWEST_CELLS = 6
"""Cells of a ring that make a median."""

INNER_RINGS = 3
"""Rings that may be as bright as the one within: out to twice the innermost."""

TOLD_RINGS = 4
"""Rings that fall, at least, where a star tells what others scatter: outwards of a factor of 2."""

GLOW_SHARE = 1.0
"""Error of scattered light by itself: reflections between filter, windows and sensor go with the filter, and two
filters agree in no more than the order of size. On a real night the line's glow was 0.9 to 2.1 times the band's."""


def unsure_light(
    noise: EmissionNoise, sky_error: NDArray[np.float32] | float, glow: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Return the standard error of smooth light, whatever the broad plane shows, in cells of 8 x 8 pixels.

    sqrt(max(sky, noise.sky)^2 + (1.0 glow)^2)

    Parameters
    ----------
    noise : EmissionNoise
        What the data show of the sky's error counts where it is larger than what the fits state.
    sky_error : (rows / 8, columns / 8) or float
        Standard error of the fitted skies, unit of the emission.
    glow : (rows / 8, columns / 8)
        From `star_glow`, times s factor: as starlight comes into the emission.
    """
    sky = np.maximum(sky_error, np.float32(noise.sky))
    return np.asarray(np.hypot(sky, GLOW_SHARE * glow), dtype=np.float32)


def star_glow(
    disc: NDArray[np.float32], saturated: NDArray[np.bool_], *, level: float, least: float
) -> NDArray[np.float32]:
    """Return the light that saturated stars scatter around them, in cells of 8 x 8 pixels.

    G(d) = max over stars of min(m(d) - m(D), p(d / a), level (a / d)^2): m is the median of the plane in rings about
    the star, D the radius at which it stops to fall, and a the radius of a circle as large as what is saturated.
    Beyond its core a star's image falls with the square of the distance, so that no more than the third can be
    scattered light. One optics draws all stars: p is the median of what those as large or larger show at so many of
    their own radii, which lie farther out in the same image, where it falls more slowly. What the rings show beyond
    that is a nebula around the star, or a galaxy whose nucleus clips.

    Parameters
    ----------
    disc : (rows / 8, columns / 8)
        `surroundings` of the plane, saturated pixels left out.
    saturated : bool (rows, columns)
    level : float
        At which pixels saturate, sky taken out; unit of the plane.
    least : float
        What is fainter does not count, same unit; it bounds how far a star is followed.

    Returns
    -------
    (rows / 8, columns / 8) float32
        0 where no saturated star is near.

    References
    ----------
    King (1971), PASP 83, 199, for the square of the distance (from memory); the bound is derived here.
    """
    out = np.zeros(disc.shape, dtype=np.float32)
    told: list[tuple[NDArray[np.float64], NDArray[np.float64]]] = []
    y, x = ((np.arange(length) + 0.5) * CELL_PX - 0.5 for length in disc.shape)
    for x0, y0, radius in _saturated_stars(saturated):
        reach = radius * float(np.sqrt(max(level / least, 1.0))) if least > 0 else np.inf
        rows, columns = (
            slice(*np.searchsorted(axis, (c - reach, c + reach))) for axis, c in ((y, y0), (x, x0))
        )
        distance = np.hypot(x[None, columns] - x0, y[rows, None] - y0)
        rings, glow = _falling_profile(disc[rows, columns], distance, inner=max(2.0 * radius, 2.0 * CELL_PX))
        if rings.size:
            own = np.minimum(glow, _usual(told, rings / radius))
            own = np.interp(distance, rings, own, right=0.0)
            own = np.minimum(own, level * (radius / np.maximum(distance, radius)) ** 2)
            np.maximum(out[rows, columns], own, out=out[rows, columns])
        if rings.size > TOLD_RINGS:
            # Of what falls with the square of the distance a quarter is left at twice the distance.
            rest = np.interp(0.5 * rings[-1], rings, glow) / 3.0
            told.append((rings / radius, glow + rest))
    return out


def _usual(
    told: list[tuple[NDArray[np.float64], NDArray[np.float64]]], radii: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the median light of stars at multiples of their own radii; infinite nearer than they tell."""
    if not told:
        return np.full(radii.shape, np.inf)
    each = []
    for rings, glow in told:
        fall = (rings[-1] / np.maximum(radii, rings[-1])) ** 2
        each.append(np.interp(radii, rings, glow, left=np.inf) * fall)
    return np.asarray(np.median(each, axis=0))


def _saturated_stars(saturated: NDArray[np.bool_]) -> list[tuple[float, float, float]]:
    """Return centre and radius of the largest saturated spots, the largest first."""
    width = saturated.shape[1]
    found = map_row_blocks(lambda rows: np.flatnonzero(saturated[rows]) + rows.start * width, len(saturated))
    rows, columns = np.divmod(np.concatenate(found), width)
    if not rows.size:
        return []
    from scipy import ndimage

    cells = np.zeros(tuple(-(-length // CELL_PX) for length in saturated.shape), dtype=bool)
    cells[rows // CELL_PX, columns // CELL_PX] = True
    labels, count = ndimage.label(cells, structure=np.ones((3, 3)))
    own = labels[rows // CELL_PX, columns // CELL_PX] - 1
    area = np.bincount(own, minlength=count)
    middle = [np.bincount(own, weights=axis, minlength=count) / area for axis in (columns, rows)]
    radius = np.sqrt(area / np.pi)
    largest = [i for i in np.argsort(-area, kind="stable")[:MOST_STARS] if radius[i] >= LEAST_RADIUS_PX]
    return [(float(middle[0][i]), float(middle[1][i]), float(radius[i])) for i in largest]


def _falling_profile(
    disc: NDArray[np.float32], distance: NDArray[np.float64], *, inner: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return radii and medians of rings outwards, above the ring from which they no longer fall.

    The innermost may be darker than those around: they hold few cells, where the star bled or an edge cuts it.
    """
    ring = np.floor(np.log(np.maximum(distance, 1.0) / inner) / np.log(RING_STEP))
    rings, medians = [], []
    for number in range(int(ring.max(initial=-1.0)) + 1):
        values = disc[ring == number]
        if values.size < FEWEST_CELLS:
            continue
        rings.append(inner * RING_STEP ** (number + 0.5))
        medians.append(float(np.median(values)))
        if len(medians) > INNER_RINGS and medians[-1] >= medians[-2]:
            medians[-1] = medians[-2]
            break
    glow = np.maximum.accumulate(np.array(medians)[::-1])[::-1]
    return np.array(rings), glow - glow.min(initial=np.inf) if glow.size else glow
