"""Lanczos-3 weights, and the loops that put them to rows of an output picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel

SUPPORT = 3
PHASES = 4096
"""Sub-pixel positions in a table of weights: the position is rounded to 1/8192 px at worst."""

AREA_BELOW = 1 / 1.5
"""Below so many output pixels per input pixel weights by area are as sharp as the output can show, count every input
pixel alike and have no lobes to ring. A tent, for a box folds a fifth of stripes that are finer than its pixels."""

UNDONE = 128
"""Flag of an output pixel that `resample_clean_rows` left to `resample_undone_rows`."""


def lanczos(x: NDArray[np.floating] | float) -> NDArray[np.float64]:
    """Return the Lanczos-3 kernel.

    L(x) = sinc(x) sinc(x / 3) for |x| < 3, else 0; sinc(x) = sin(pi x) / (pi x)

    Parameters
    ----------
    x : array or float
        Distance in input pixels.

    References
    ----------
    Duchon (1979), J. Appl. Meteor. 18, 1016; Turkowski (1990), Graphics Gems, 147.

    Examples
    --------
    >>> [round(float(lanczos(x)), 6) for x in (0.0, 0.5, 1.0, 1.5, 2.5, 3.0)]
    [1.0, 0.607927, 0.0, -0.135095, 0.024317, 0.0]
    """
    x = np.asarray(x, dtype=np.float64)
    # sin(pi k) is 1e-16 and not 0 in floating point; whole pixels must not leak into one another.
    whole = (x == np.rint(x)) & (x != 0.0)
    inside = (np.abs(x) < SUPPORT) & ~whole
    return np.where(inside, np.sinc(x) * np.sinc(x / SUPPORT), 0.0)


def weight_table(shrink: float) -> NDArray[np.float32]:
    """Return weights (PHASES + 1, taps) that sum to 1, for positions 0 to 1 px past the pixel below.

    Parameters
    ----------
    shrink : float
        Output pixels per input pixel, 0 to 1. Below 1 the kernel is wider by 1 / shrink, so that detail
        finer than the output's pixels is averaged and not folded; below `AREA_BELOW` an input pixel weighs by the
        area that it covers of a tent as wide at half height as the output's pixel. Taps reach from
        ``1 - half`` to ``half``, half = taps / 2.
    """
    half = int(np.ceil(SUPPORT / shrink))
    phase = np.arange(PHASES + 1)[:, None] / PHASES
    taps = np.arange(1 - half, half + 1)[None, :]
    if shrink < AREA_BELOW:
        edge = [np.clip((taps - phase + side) * shrink, -1.0, 1.0) for side in (-0.5, 0.5)]
        low, high = (end - 0.5 * end * np.abs(end) for end in edge)
        weights = high - low
    else:
        weights = lanczos((taps - phase) * shrink)
    table: NDArray[np.float32] = (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)
    return table


@kernel
def mark_support(near: Any, reach: int) -> None:
    """Set, in place, bit 16 near any flagged pixel and bit 8 near a saturated one, within ``reach`` px."""
    rows, columns = near.shape
    for y in range(rows):
        for x in range(columns):
            here = near[y, x] & 7
            if here == 0:
                continue
            # Inside an evenly flagged area the area's rim has painted all there is to paint.
            if 0 < y < rows - 1 and 0 < x < columns - 1:
                same = near[y, x - 1] & 7 == here and near[y, x + 1] & 7 == here
                if same and near[y - 1, x] & 7 == here and near[y + 1, x] & 7 == here:
                    near[y, x] |= 24 if here & 4 else 16
                    continue
            bits = 24 if here & 4 else 16
            for j in range(max(y - reach, 0), min(y + reach + 1, rows)):
                for i in range(max(x - reach, 0), min(x + reach + 1, columns)):
                    near[j, i] |= bits


@kernel
def resample_clean_rows(planes, near, table, inverse, bent, start, stop, out, out_flags):  # type: ignore[no-untyped-def]
    """Fill what has an unflagged 6 x 6 support in rows ``start`` to ``stop``; give the rest the flag
    `UNDONE`.

    The result is floored at the least pixel of the support; it can only be below where it is below the
    least of the four nearest, which is looked at first. ``bent`` (2, stop - start, columns) is the distortion.
    Unsigned indices spare the test for negative ones,
    and six sums side by side fill the processor's lanes: a third of the time of the plain double loop.
    """
    count, rows, columns = planes.shape
    one = np.uintp(1)
    u_step, v_step, d_step = inverse[0, 0], inverse[1, 0], inverse[2, 0]
    bends = bent.shape[1] > 0
    for y in range(start, stop):
        u0 = inverse[0, 1] * y + inverse[0, 2]
        v0 = inverse[1, 1] * y + inverse[1, 2]
        d0 = inverse[2, 1] * y + inverse[2, 2]
        for x in range(out.shape[2]):
            d = d_step * x + d0
            u = u_step * x + u0
            v = v_step * x + v0
            if bends:
                dx, dy = bent[0, y - start, x], bent[1, y - start, x]
                u += u_step * dx + inverse[0, 1] * dy
                v += v_step * dx + inverse[1, 1] * dy
                d += d_step * dx + inverse[2, 1] * dy
            if d != 1.0:
                u, v = u / d, v / d
            if not (u >= 2.0 and v >= 2.0 and u < columns - 3 and v < rows - 3) or d <= 0.0:
                out_flags[y, x] = 128
                continue
            i, j = int(u), int(v)
            if near[j, i] != 0:
                out_flags[y, x] = 128
                continue
            a, b = np.uintp((u - i) * 4096 + 0.5), np.uintp((v - j) * 4096 + 0.5)
            i0 = np.uintp(i - 2)
            i1 = i0 + one
            i2 = i1 + one
            i3 = i2 + one
            i4 = i3 + one
            i5 = i4 + one
            j2 = np.uintp(j)
            j3 = j2 + one
            for p in range(count):
                plane = planes[p]
                q = np.uintp(j - 2)
                s0 = s1 = s2 = s3 = s4 = s5 = np.float32(0)
                for k in range(6):
                    w = table[b, k]
                    s0 += w * plane[q, i0]
                    s1 += w * plane[q, i1]
                    s2 += w * plane[q, i2]
                    s3 += w * plane[q, i3]
                    s4 += w * plane[q, i4]
                    s5 += w * plane[q, i5]
                    q += one
                value = table[a, 0] * s0 + table[a, 1] * s1 + table[a, 2] * s2
                value += table[a, 3] * s3 + table[a, 4] * s4 + table[a, 5] * s5
                least = min(min(plane[j2, i2], plane[j2, i3]), min(plane[j3, i2], plane[j3, i3]))
                if value < least:
                    q = np.uintp(j - 2)
                    for _ in range(6):
                        left = min(min(plane[q, i0], plane[q, i1]), plane[q, i2])
                        right = min(min(plane[q, i3], plane[q, i4]), plane[q, i5])
                        least = min(least, min(left, right))
                        q += one
                    value = max(value, least)
                out[p, y, x] = value
            out_flags[y, x] = 0


@kernel
def resample_undone_rows(planes, near, table, inverse, bent, low_floor, start, stop, out, out_flags):  # type: ignore[no-untyped-def]
    """Fill what carries the flag `UNDONE`, with as many taps as ``table`` has, over valid pixels alone.

    A tent as wide as the coarser of the two pixels (bilinear weights, where the input's is) says what is
    near enough to give flags and limits, and how much of it is valid.
    """
    count, rows, columns = planes.shape
    half = table.shape[1] // 2
    radius = half / 3.0
    bends = bent.shape[1] > 0
    for y in range(start, stop):
        for x in range(out.shape[2]):
            if out_flags[y, x] != 128:
                continue
            for p in range(count):
                out[p, y, x] = np.nan
            out_flags[y, x] = 1
            px, py = float(x), float(y)
            if bends:
                px += bent[0, y - start, x]
                py += bent[1, y - start, x]
            d = inverse[2, 0] * px + inverse[2, 1] * py + inverse[2, 2]
            if d <= 0.0:
                continue
            u = (inverse[0, 0] * px + inverse[0, 1] * py + inverse[0, 2]) / d
            v = (inverse[1, 0] * px + inverse[1, 1] * py + inverse[1, 2]) / d
            if not (u > -0.5 and v > -0.5 and u < columns - 0.5 and v < rows - 0.5):
                continue
            i, j = int(np.floor(u)), int(np.floor(v))
            a, b = int((u - i) * 4096 + 0.5), int((v - j) * 4096 + 0.5)
            top, low, left, right = j + 1 - half, j + half, i + 1 - half, i + half
            whole = top >= 0 and left >= 0 and low < rows and right < columns and near[j, i] == 0
            flag, ringing = np.uint8(0), False
            if not whole:
                share = every = 0.0
                for q in range(int(np.ceil(v - radius)), int(np.floor(v + radius)) + 1):
                    for r in range(int(np.ceil(u - radius)), int(np.floor(u + radius)) + 1):
                        w = (1.0 - abs(q - v) / radius) * (1.0 - abs(r - u) / radius)
                        every += w
                        if w <= 1e-9 or q < 0 or q >= rows or r < 0 or r >= columns:
                            continue
                        here = near[q, r]
                        ringing = ringing or (here & 8) != 0
                        if w > 0.05:
                            flag |= here & 6
                        if not here & 1:
                            share += w
                out_flags[y, x] = flag | 1
                if share < 0.75 * every:
                    continue
            out_flags[y, x] = flag
            for p in range(count):
                plane = planes[p]
                total = weight = 0.0
                for q in range(max(top, 0), min(low + 1, rows)):
                    wy = table[b, q - top]
                    for r in range(max(left, 0), min(right + 1, columns)):
                        if whole or not near[q, r] & 1:
                            w = wy * table[a, r - left]
                            total += w * plane[q, r]
                            weight += w
                if weight < 0.3:
                    out_flags[y, x] |= 1
                    continue
                value = total / weight
                least, most = np.inf, -np.inf
                for q in range(max(int(np.ceil(v - radius)), 0), min(int(np.floor(v + radius)) + 1, rows)):
                    for r in range(
                        max(int(np.ceil(u - radius)), 0), min(int(np.floor(u + radius)) + 1, columns)
                    ):
                        if not near[q, r] & 1:
                            least, most = min(least, plane[q, r]), max(most, plane[q, r])
                if ringing:
                    value = min(max(value, least), most)
                elif low_floor and value < least:
                    for q in range(max(top, 0), min(low + 1, rows)):
                        for r in range(max(left, 0), min(right + 1, columns)):
                            if not near[q, r] & 1:
                                least = min(least, plane[q, r])
                    value = max(value, least)
                out[p, y, x] = value
            if out_flags[y, x] & 1:
                for p in range(count):
                    out[p, y, x] = np.nan
