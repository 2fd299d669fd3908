"""Loops over pixels that find spikes; `badpixels` drives them."""

from __future__ import annotations

import numpy as np

from blend.base.jit import kernel

_SHARPEST = 0.17
"""Half of exp(-4 ln 2 / 1.6^2) = 0.339, what a star 1.6 px wide puts into an edge neighbour, of its peak."""

_TILE = 64
"""`TILE` of plane/noise.py, as a constant that the compiler sees."""

_FEWEST = 5
"""Neighbours that tell a median beside NaN and the frame's sides: a corner has eight in its 5x5."""

_MARGIN = 0.75
"""In sigma: the mean of four neighbours is uncertain by half a sigma."""


@kernel
def hot_rows(pixels, limits, hot_sigma, found, start, stop, around, floors):  # type: ignore[no-untyped-def]
    """Mark pixels of a dark that stand above the median of the 5x5, and above their row and their column.

    What is below ``floors`` (columns) by the limit or more cannot be one. Of this and of the other loops: ``start`` to
    ``stop`` lie in one row of squares, whose ``limits`` are given; ``pixels`` go on for four rows where the frame does;
    next comes room for what is sorted.
    """
    rows, columns = pixels.shape
    for y in range(start, stop):
        for tile in range(limits.shape[0]):
            limit = limits[tile]
            first, last = tile * _TILE, min(columns, (tile + 1) * _TILE)
            here, floor = pixels[y, first:last], floors[first:last]
            # a loop without branches runs on many pixels at once
            candidates = 0
            for i in range(last - first):
                candidates += 0 if here[i] - floor[i] < limit else 1
            if candidates == 0:
                continue
            for x in range(first, last):
                p = pixels[y, x]
                # nearly all are told at once
                if p - floors[x] < limit:
                    continue
                # a hot pixel stands above something within two pixels
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
                if count < _FEWEST or not p - (around[(count - 1) // 2] + around[count // 2]) / 2 > limit:
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
def isolated_rows(pixels, limits, hot_sigma, found, start, stop, ring):  # type: ignore[no-untyped-def]
    """Mark single pixels that are brighter or darker than all around, and sharper than a star."""
    rows, columns = pixels.shape
    for y in range(start, stop):
        for tile in range(limits.shape[0]):
            limit = limits[tile]
            least = np.float32(0.5) * limit
            first, last = tile * _TILE, min(columns, (tile + 1) * _TILE)
            # half the limit above both neighbours on the row, or below both: nearly all are told at once
            inner, end = max(first, 1), min(last, columns - 1)
            left, here, right = pixels[y, inner - 1 :], pixels[y, inner:], pixels[y, inner + 1 :]
            candidates = 0
            for i in range(end - inner):
                before, after = here[i] - left[i], here[i] - right[i]
                not_high = (before <= least) | (after <= least)
                not_low = (before >= -least) | (after >= -least)
                candidates += 0 if not_high & not_low else 1
            if candidates == 0 and inner == first and end == last:
                continue
            for x in range(first, last):
                p = pixels[y, x]
                if 0 < x < columns - 1:
                    before, after = p - pixels[y, x - 1], p - pixels[y, x + 1]
                    if (before <= least or after <= least) and (before >= -least or after >= -least):
                        continue
                if p != p:
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
                if count < _FEWEST:
                    continue
                level = (ring[(count - 1) // 2] + ring[count // 2]) / 2
                sign = np.float32(1.0) if p > high else np.float32(-1.0)
                height = sign * (p - level)
                shoulder = sign * (edges / edge_count - level)
                margin = np.float32(_MARGIN) * limit / hot_sigma
                if height > limit and shoulder < np.float32(_SHARPEST) * height - margin:
                    found[y, x] = True


@kernel
def mark_rows(pixels, limits, hot_sigma, found, start, stop, room, share):  # type: ignore[no-untyped-def]
    """Mark pixels of groups of up to four that are sharper than the frame's stars; ``share`` is for the ring."""
    rows, columns = pixels.shape
    ring, outer, four = room, room[16:], room[40:]
    none, one, two = np.float32(0.0), np.float32(1.0), np.float32(2.0)
    for y in range(max(3, start), min(rows - 3, stop)):
        for tile in range(limits.shape[0]):
            limit = limits[tile]
            half = np.float32(0.5) * limit
            first, last = max(3, tile * _TILE), min(columns - 3, (tile + 1) * _TILE)
            # above three of the four pixels two away; a loop without branches runs on many pixels at once
            here, above, below = pixels[y, first:], pixels[y - 2, first:], pixels[y + 2, first:]
            left, right = pixels[y, first - 2 :], pixels[y, first + 2 :]
            candidates = 0
            for i in range(last - first):
                p = here[i]
                beside = (one if p - left[i] > half else none) + (one if p - right[i] > half else none)
                beside += (one if p - above[i] > half else none) + (one if p - below[i] > half else none)
                four[i] = beside
                candidates += 1 if beside > two else 0
            if candidates == 0:
                continue
            for x in range(first, last):
                if four[x - first] <= two:
                    continue
                p = pixels[y, x]
                near, far = 0, 0
                for j in range(y - 3, y + 4):
                    for i in range(x - 3, x + 4):
                        v = pixels[j, i]
                        reach = max(abs(j - y), abs(i - x))
                        if reach < 2 or v != v:
                            continue
                        values = ring if reach == 2 else outer
                        k = near if reach == 2 else far
                        while k > 0 and values[k - 1] > v:
                            values[k] = values[k - 1]
                            k -= 1
                        values[k] = v
                        if reach == 2:
                            near += 1
                        else:
                            far += 1
                if near < 16 or far < 24:
                    continue
                sky = np.float64(outer[11] + outer[12]) / 2
                level = np.float64(ring[7] + ring[8]) / 2
                height = p - sky
                # without the two highest and lowest: a mark of four in a row reaches two pixels into the ring
                spread = ring[13] - ring[2]
                # 1 sigma: three times what the medians of 16 and of 24 pixels are uncertain by
                margin = limit / hot_sigma
                if height > limit and level - sky < share * height - margin and p - level > 3 * spread:
                    found[y, x] = True
