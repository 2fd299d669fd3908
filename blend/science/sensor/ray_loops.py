"""Loops over pixels that find what is sharper than a star; `rays` drives them."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel

_TILE = 64
"""`TILE` of plane/noise.py, as a constant that the compiler sees."""

_FEWEST_RING, _FEWEST_EDGES = 6, 12
"""Of 24 pixels of the ring and of up to 80 edges: beside NaN and the frame's sides (chosen, not measured)."""

_HALF_BELOW, _CHANCE = 1.652, 1.3
"""Half of |N(0, sqrt 6)| is below the first; and what the noise of so few edges may exceed the square's by chance."""


@kernel
def edge_rows(
    pixels: Any, noise: Any, limit: Any, found: Any, start: int, stop: int
) -> None:  # pragma: no cover - compiled
    """Mark pixels above the mean of two opposite neighbours by ``limit`` times the noise; NaN is never marked."""
    rows, columns = pixels.shape
    for y in range(start, stop):
        above, here, below = pixels[max(0, y - 1)], pixels[y], pixels[min(rows - 1, y + 1)]
        for tile in range(noise.shape[1]):
            least = 2.0 * limit * noise[y // _TILE, tile]
            for x in range(max(1, tile * _TILE), min(columns - 1, (tile + 1) * _TILE)):
                twice = 2.0 * here[x]
                across = twice - here[x - 1] - here[x + 1]
                along = twice - above[x] - below[x]
                # comparisons with NaN are false
                found[y, x] = (across > least) | (along > least)


@kernel
def judge_places(
    pixels: Any, other: Any, noise: Any, ys: Any, xs: Any, rules: Any, paired: Any, found: Any
) -> None:  # pragma: no cover - compiled
    """Fill ``found`` for places (ys, xs): whether a pixel is sharper than any star.

    ``rules``: the least edge, its margin over a star's, and the least height (in noise), a star's greatest edge over
    its height, the share of a height that another frame may show, the sky, and the variance that a unit of light above
    it brings along. ``other`` is read only where ``paired``.
    """
    rows, columns = pixels.shape
    least, margin, least_height, star, share, sky, shot = rules
    eight = np.empty(8)
    ring = np.empty(49)
    edges = np.empty(98)
    for n in range(ys.size):
        y, x = ys[n], xs[n]
        v = pixels[y, x]
        found[n] = False
        # the ring, 7x7 outside 5x5, and the edges of the pixels about, which tell the noise here
        count = 0
        many = 0
        for j in range(max(1, y - 3), min(rows - 1, y + 4)):
            for i in range(max(1, x - 3), min(columns - 1, x + 4)):
                far = max(abs(j - y), abs(i - x))
                p = pixels[j, i]
                if p != p:
                    continue
                if far == 3:
                    ring[count] = p
                    count += 1
                if far >= 2:
                    across = 2.0 * p - pixels[j, i - 1] - pixels[j, i + 1]
                    along = 2.0 * p - pixels[j - 1, i] - pixels[j + 1, i]
                    if across == across:
                        edges[many] = abs(across)
                        many += 1
                    if along == along:
                        edges[many] = abs(along)
                        many += 1
        if count < _FEWEST_RING or many < _FEWEST_EDGES:
            continue
        # light has noise of its own: as bright as most of the eight neighbours
        near = 0
        for j in range(max(0, y - 1), min(rows, y + 2)):
            for i in range(max(0, x - 1), min(columns, x + 2)):
                p = pixels[j, i]
                if (j != y or i != x) and p == p:
                    eight[near] = p
                    near += 1
        if near < 3:
            continue
        light = max(0.0, np.median(eight[:near]) - sky)
        sigma = np.sqrt(noise[y // _TILE, x // _TILE] ** 2 + shot * light)
        sigma = max(sigma, np.median(edges[:many]) / (_HALF_BELOW * _CHANCE))
        ground = np.sort(ring[:count])[count // 4]
        # an axis that ends here says nothing: a star that is cut off rises to its edge
        edge = 0.0
        if 0 < x < columns - 1:
            edge = max(edge, v - 0.5 * (pixels[y, x - 1] + pixels[y, x + 1]))
        if 0 < y < rows - 1:
            edge = max(edge, v - 0.5 * (pixels[y - 1, x] + pixels[y + 1, x]))
        if not edge > least * sigma:
            continue
        height = v - ground
        if not height > least_height * sigma:
            continue
        sharp = edge > star * height + margin * sigma
        if not paired:
            found[n] = sharp
            continue
        # what the other frame shows within one pixel
        most = -np.inf
        most_edge = 0.0
        lows = 0
        for j in range(max(1, y - 3), min(rows - 1, y + 4)):
            for i in range(max(1, x - 3), min(columns - 1, x + 4)):
                p = other[j, i]
                if p != p:
                    continue
                far = max(abs(j - y), abs(i - x))
                if far == 3:
                    ring[lows] = p
                    lows += 1
                if far <= 1:
                    most = max(most, p)
                    most_edge = max(most_edge, p - 0.5 * (other[j, i - 1] + other[j, i + 1]))
                    most_edge = max(most_edge, p - 0.5 * (other[j - 1, i] + other[j + 1, i]))
        if lows < _FEWEST_RING or most == -np.inf:
            continue
        beside = most - np.sort(ring[:lows])[lows // 4]
        found[n] = beside < share * height or (sharp and most_edge < share * edge)
