"""Loops over the pixels of a stack: values sorted side by side, limits found, means taken; `stack` drives them."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA

WIDE = 128
"""Pixels sorted side by side: 40 frames of them are 20 KiB, in a core's first-level cache."""


@kernel
def combine_rows(
    tile: Any,
    weights: Any,
    scales: Any,
    offsets: Any,
    settings: Any,
    network: Any,
    values: Any,
    kept: Any,
    rejected: Any,
    counts: Any,
    start: int,
    stop: int,
) -> None:  # pragma: no cover - compiled
    """Combine rows ``start`` to ``stop`` of a tile; `stack.combine` says how, and what the arrays are."""
    frames, _, columns = tile.shape
    kappa_low, kappa_high, floor, share = settings[0], settings[1], settings[2], settings[3]
    rounds, method, robust, left_of_sigma = int(settings[4]), int(settings[5]), settings[6] > 0.5, settings[7]
    equal = settings[8] > 0.5
    wide = WIDE
    # constants of the arrays' own width: a float64 one would widen the whole loop
    # the greatest float32 that is a number
    beyond, greatest = np.float32(np.inf), np.float32(3.4028235e38)
    raw = np.full((frames, wide), beyond)
    ranked = np.empty((frames, wide), dtype=np.float32)
    # the bits of floats as whole numbers of the same order: compilers order those side by side, floats one by one
    keys, sign_bit, others = ranked.view(np.int32), np.int32(31), np.int32(0x7FFFFFFF)
    found = np.empty(wide, dtype=np.int32)
    outside = np.empty(wide, dtype=np.int32)
    first = np.empty(wide, dtype=np.int32)
    last = np.empty(wide, dtype=np.int32)
    low = np.empty(wide, dtype=np.float32)
    high = np.empty(wide, dtype=np.float32)
    total = np.empty(wide, dtype=np.float64)
    weight = np.empty(wide, dtype=np.float64)
    pivot = np.empty(wide, dtype=np.float64)
    sigmas = np.empty(wide, dtype=np.float64)
    inner = np.empty(wide, dtype=np.float64)
    outer = np.empty(wide, dtype=np.float64)
    for y in range(start, stop):
        for left in range(0, columns, wide):
            count = min(wide, columns - left)
            outside[:] = 0
            low[:] = -greatest
            high[:] = greatest
            missing = False
            for n in range(frames):
                a, b = scales[n], offsets[n]
                line, into = tile[n, y, left : left + count], raw[n]
                gone = np.int32(0)
                for w in range(count):
                    v = a * line[w] + b
                    good = abs(v) <= greatest
                    into[w] = v if good else beyond
                    gone += np.int32(not good)
                for w in range(count, wide):
                    into[w] = beyond
                if gone > 0:
                    missing = True
                counts[1, n] += count - gone
            found[:] = frames
            if missing:
                found[:] = 0
                for n in range(frames):
                    for w in range(count):
                        found[w] += np.int32(raw[n, w] <= greatest)
            if method != 0:
                ranked[:] = raw
                for n in range(frames):
                    for w in range(wide):
                        bits = keys[n, w]
                        keys[n, w] = bits ^ ((bits >> sign_bit) & others)
                for k in range(network.shape[0]):
                    # unsigned: no test for places counted from the end
                    one, two = np.uint32(network[k, 0]), np.uint32(network[k, 1])
                    for w in range(wide):
                        up, down = keys[one, w], keys[two, w]
                        keys[one, w] = min(up, down)
                        keys[two, w] = max(up, down)
                for n in range(frames):
                    for w in range(wide):
                        bits = keys[n, w]
                        keys[n, w] = bits ^ ((bits >> sign_bit) & others)
            if method == 3:
                for w in range(count):
                    m = found[w]
                    if m > 0:
                        end = min(int(share * m), (m - 1) // 2)
                        low[w], high[w] = ranked[end, w], ranked[m - end - 1, w]
            if method == 2:
                first[:] = 0
                last[:] = found
                for w in range(count):
                    m = max(found[w], 1)
                    pivot[w] = 0.5 * (np.float64(ranked[(m - 1) // 2, w]) + np.float64(ranked[m // 2, w]))
                if robust and rounds > 0:
                    # The k smallest deviations stand side by side, so the k-th is the least, over all runs of k
                    # values, of what the run's ends are away. The median takes k = m // 2 + 1, and the one before.
                    inner[:] = np.inf
                    outer[:] = np.inf
                    for part in range(2 if missing or frames % 2 == 0 else 1):
                        nearest = inner if part == 1 else outer
                        for n in range(frames):
                            if missing:
                                for w in range(count):
                                    end = n + found[w] // 2 - part
                                    if end < found[w]:
                                        up = max(pivot[w] - ranked[n, w], ranked[end, w] - pivot[w])
                                        nearest[w] = min(nearest[w], up)
                            elif n + frames // 2 - part < frames:
                                near, far = ranked[n], ranked[n + frames // 2 - part]
                                for w in range(wide):
                                    up = max(pivot[w] - near[w], far[w] - pivot[w])
                                    nearest[w] = min(nearest[w], up)
                    for w in range(count):
                        m = found[w]
                        deviation = outer[w] if m % 2 == 1 else 0.5 * (inner[w] + outer[w])
                        # 0.8: Croux & Rousseeuw (1992), see `stack.combine`
                        sigmas[w] = MAD_TO_SIGMA * deviation * m / (m - 0.8)
                        if m >= 3 and sigmas[w] > 0.0:
                            sigma = max(sigmas[w], floor)
                            least, most = pivot[w] - kappa_low * sigma, pivot[w] + kappa_high * sigma
                            while ranked[first[w], w] < least:
                                first[w] += 1
                            while ranked[last[w] - 1, w] > most:
                                last[w] -= 1
                for w in range(count):
                    m = found[w]
                    if m > 0:
                        low[w], high[w] = ranked[first[w], w], ranked[last[w] - 1, w]
                # sums about the median of what is in, all pixels side by side; the rest count as the nearest that is
                total[:] = 0.0
                weight[:] = 0.0
                for n in range(frames):
                    line = ranked[n]
                    for w in range(wide):
                        v = min(max(line[w], low[w]), high[w])
                        apart = np.float64(v) - pivot[w]
                        total[w] += apart
                        weight[w] += apart * apart
                for w in range(count):
                    m = found[w]
                    if m == 0:
                        continue
                    a, b = low[w] - pivot[w], high[w] - pivot[w]
                    before, behind = first[w], frames - last[w]
                    sum_one = total[w] - before * a - behind * b
                    sum_two = weight[w] - before * a * a - behind * b * b
                    here, end = first[w], last[w]
                    begun = robust and m >= 3 and rounds > 0 and sigmas[w] > 0.0
                    turns = rounds - 1 if begun else rounds
                    if begun and here == 0 and end == m:
                        turns = 0
                    turn = 1 if begun else 0
                    for _ in range(turns):
                        size = end - here
                        if size < 3:
                            break
                        middle = 0.5 * (
                            np.float64(ranked[here + (size - 1) // 2, w])
                            + np.float64(ranked[here + size // 2, w])
                        )
                        mean = sum_one / size
                        sigma = np.sqrt(max(sum_two / size - mean * mean, 0.0))
                        if robust and turn > 0:
                            sigma *= np.sqrt(size / (size - 1.0)) / left_of_sigma
                        turn += 1
                        sigma = max(sigma, floor)
                        least, most = middle - kappa_low * sigma, middle + kappa_high * sigma
                        new_here, new_end = (0, m) if robust else (here, end)
                        while ranked[new_here, w] < least:
                            new_here += 1
                        while ranked[new_end - 1, w] > most:
                            new_end -= 1
                        if new_here == here and new_end == end:
                            break
                        here, end = new_here, new_end
                        sum_one, sum_two = 0.0, 0.0
                        for n in range(here, end):
                            apart = np.float64(ranked[n, w]) - pivot[w]
                            sum_one += apart
                            sum_two += apart * apart
                    low[w], high[w] = ranked[here, w], ranked[end - 1, w]
                    outside[w] = m - (end - here)
                    total[w], weight[w] = (sum_one / (end - here) + pivot[w]), 1.0
                if equal:
                    for n in range(frames):
                        line = raw[n]
                        lost = np.int32(0)
                        for w in range(count):
                            lost += np.int32(
                                (line[w] < low[w]) | ((line[w] > high[w]) & (line[w] <= greatest))
                            )
                        counts[0, n] += lost
            if method == 1:
                for w in range(count):
                    m = found[w]
                    middle = 0.5 * (np.float64(ranked[(m - 1) // 2, w]) + np.float64(ranked[m // 2, w]))
                    total[w], weight[w] = (middle, 1.0) if m > 0 else (0.0, 0.0)
            elif method != 2 or not equal:
                total[:] = 0.0
                weight[:] = 0.0
                outside[:] = 0
                for n in range(frames):
                    share_of = np.float64(weights[n])
                    line = raw[n]
                    lost = np.int32(0)
                    for w in range(count):
                        v = line[w]
                        good = v <= greatest
                        inside = (low[w] <= v) & (v <= high[w])
                        out = np.int32(good & ~inside)
                        lost += out
                        outside[w] += out
                        bounded = v if v > low[w] else low[w]
                        bounded = bounded if bounded < high[w] else high[w]
                        use = share_of if (good if method == 3 else inside) else 0.0
                        weight[w] += use
                        total[w] += use * bounded
                    counts[0, n] += lost
            for w in range(count):
                kept[y, left + w], rejected[y, left + w] = found[w] - outside[w], outside[w]
                if method == 2 and equal and found[w] == 0:
                    weight[w] = 0.0
                values[y, left + w] = total[w] / weight[w] if weight[w] > 0.0 else np.nan
