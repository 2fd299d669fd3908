"""Loops over pixels that find spikes; `badpixels` drives them."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel

_SHARPEST = 0.17
"""Half of exp(-4 ln 2 / 1.6^2) = 0.339, what a star 1.6 px wide puts into an edge neighbour, of its peak."""

_TILE = 64


@kernel
def hot_rows(
    pixels: Any, limits: Any, hot_sigma: Any, found: Any, start: int, stop: int
) -> None:  # pragma: no cover - compiled
    """Mark pixels of a dark that stand above the median of the 5x5, and above their row and their column."""
    rows, columns = pixels.shape
    around = np.empty(24, dtype=np.float32)
    tiles = limits.shape[1]
    least = np.full((stop - start + 4, tiles), np.inf, dtype=np.float32)
    for y in range(max(0, start - 2), min(rows, stop + 2)):
        for tile in range(tiles):
            low = np.float32(np.inf)
            for x in range(max(0, tile * _TILE - 2), min(columns, (tile + 1) * _TILE + 2)):
                v = pixels[y, x]
                low = v if v < low else low
            least[y - start + 2, tile] = low
    for y in range(start, stop):
        for tile in range(tiles):
            limit = limits[y // _TILE, tile]
            low = np.float32(np.inf)
            for j in range(y - start, y - start + 5):
                low = min(low, least[j, tile])
            for x in range(tile * _TILE, min(columns, (tile + 1) * _TILE)):
                p = pixels[y, x]
                # what does not stand above the least pixel about is told at once: nearly all
                if not p - low > limit:
                    continue
                # a hot pixel stands above something within two pixels; that spares the median for all the others
                stands_out = False
                for step in range(-2, 3):
                    if 0 <= y + step < rows and p - pixels[y + step, x] > limit:
                        stands_out = True
                    if 0 <= x + step < columns and p - pixels[y, x + step] > limit:
                        stands_out = True
                if not stands_out:
                    continue
                count = 0
                for j in range(max(0, y - 2), min(rows, y + 3)):
                    for i in range(max(0, x - 2), min(columns, x + 3)):
                        v = pixels[j, i]
                        if (j != y or i != x) and v == v:
                            k = count
                            while k > 0 and around[k - 1] > v:
                                around[k] = around[k - 1]
                                k -= 1
                            around[k] = v
                            count += 1
                if count < 5 or not p - (around[(count - 1) // 2] + around[count // 2]) / 2 > limit:
                    continue
                # a bright row or column is a pattern that the dark takes out; beyond a group of 3x3 it goes on
                alone = True
                for across in range(2):
                    count = 0
                    for step in range(-4, 5):
                        j = y if across else y + step
                        i = x + step if across else x
                        if abs(step) < 2 or not (0 <= j < rows and 0 <= i < columns):
                            continue
                        v = pixels[j, i]
                        if v == v:
                            k = count
                            while k > 0 and around[k - 1] > v:
                                around[k] = around[k - 1]
                                k -= 1
                            around[k] = v
                            count += 1
                    if count >= 3 and not p - (around[(count - 1) // 2] + around[count // 2]) / 2 > limit:
                        alone = False
                found[y, x] = alone


@kernel
def isolated_rows(
    pixels: Any, limits: Any, hot_sigma: Any, found: Any, start: int, stop: int
) -> None:  # pragma: no cover - compiled
    """Mark single pixels that are brighter or darker than all around, and sharper than a star."""
    rows, columns = pixels.shape
    ring = np.empty(16, dtype=np.float32)
    for y in range(start, stop):
        for x in range(columns):
            p = pixels[y, x]
            if p != p:
                continue
            limit = limits[y // _TILE, x // _TILE]
            least = np.float32(0.5) * limit
            # half the limit above both neighbours on the row, or below both: nearly all are told at once
            if 0 < x < columns - 1:
                before, after = p - pixels[y, x - 1], p - pixels[y, x + 1]
                if (before <= least or after <= least) and (before >= -least or after >= -least):
                    continue
            high = np.float32(-np.inf)
            low = np.float32(np.inf)
            edges = np.float32(0.0)
            edge_count = 0
            for j in range(max(0, y - 1), min(rows, y + 2)):
                for i in range(max(0, x - 1), min(columns, x + 2)):
                    v = pixels[j, i]
                    if (j == y and i == x) or v != v:
                        continue
                    high = max(high, v)
                    low = min(low, v)
                    if j == y or i == x:
                        edges += v
                        edge_count += 1
            if low <= p <= high or edge_count < 2:
                continue
            step = p - high if p > high else low - p
            if not step > high - low or not step > least:
                continue
            count = 0
            for j in range(max(0, y - 2), min(rows, y + 3)):
                for i in range(max(0, x - 2), min(columns, x + 3)):
                    v = pixels[j, i]
                    if (abs(j - y) == 2 or abs(i - x) == 2) and v == v:
                        k = count
                        while k > 0 and ring[k - 1] > v:
                            ring[k] = ring[k - 1]
                            k -= 1
                        ring[k] = v
                        count += 1
            if count < 5:
                continue
            level = (ring[(count - 1) // 2] + ring[count // 2]) / 2
            sign = np.float32(1.0) if p > high else np.float32(-1.0)
            height = sign * (p - level)
            shoulder = sign * (edges / edge_count - level)
            # 0.75 sigma: the mean of four neighbours is uncertain by half a sigma
            margin = np.float32(0.75) * limit / hot_sigma
            if height > limit and shoulder < np.float32(_SHARPEST) * height - margin:
                found[y, x] = True
