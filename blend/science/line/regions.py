"""Loops over the pixels of a field of significance, and the regions in it that a peak confirms."""

from __future__ import annotations

import numpy as np

from blend.base.jit import kernel


@kernel
def raise_significance(light, wrong, smooth, noise, growth, best):  # type: ignore[no-untyped-def]
    n2, q = np.float32(noise * noise), np.float32(growth)
    zero, one = np.float32(0.0), np.float32(1.0)
    for row in range(light.shape[0]):
        for column in range(light.shape[1]):
            variance = n2 * (one + q * max(smooth[row, column], zero)) + wrong[row, column] ** 2
            value = light[row, column] / np.sqrt(variance) if variance > zero else zero
            best[row, column] = max(best[row, column], value)


@kernel
def raise_bright(other, best):  # type: ignore[no-untyped-def]
    """Take the larger significance; 0 where it is minus infinity."""
    for row in range(best.shape[0]):
        for column in range(best.shape[1]):
            here = best[row, column]
            best[row, column] = max(here, other[row, column]) if here > -np.inf else np.float32(0.0)


@kernel
def confirm_regions(field, foot, full, seed, sure):  # type: ignore[no-untyped-def]
    """Replace significance by minus the weight where a region is confirmed; other pixels may stay
    positive."""
    rows, columns = field.shape
    count = 0
    for row in range(rows):
        for column in range(columns):
            if field[row, column] >= foot:
                count += 1
            elif field[row, column] < 0.0:
                field[row, column] = 0.0
    queue = np.empty(count, dtype=np.int64)
    for row in range(rows):
        for column in range(columns):
            if field[row, column] < seed:
                continue
            peak = field[row, column]
            field[row, column] = -peak
            queue[0] = row * columns + column
            head, tail = 0, 1
            while head < tail:
                r, c = queue[head] // columns, queue[head] % columns
                head += 1
                for y in range(max(r - 1, 0), min(r + 2, rows)):
                    for x in range(max(c - 1, 0), min(c + 2, columns)):
                        value = field[y, x]
                        if value >= foot:
                            peak = max(peak, value)
                            field[y, x] = -value
                            queue[tail] = y * columns + x
                            tail += 1
            t = min((peak - seed) / (sure - seed), 1.0)
            ceiling = t * t * (3.0 - 2.0 * t)
            for i in range(tail):
                y, x = queue[i] // columns, queue[i] % columns
                t = min((-field[y, x] - foot) / (full - foot), 1.0)
                field[y, x] = -ceiling * t * t * (3.0 - 2.0 * t)
