"""Loops over the pixels round stars: boxes, rings, windows and what a power law makes of them; for `starcurve`."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel
from blend.base.robust import middles, sorted_finite

FEWEST = 30
"""Pixels of a half of the sky's ring that tell its level to a quarter of their noise."""

TAIL, MAD = 0.16, 1.4826
"""Share of a Gaussian below -1 sigma, and its standard deviation by its median deviation."""

REACH, MISSED, LEAST_LEVEL = 3.2, 0.03, 1e-3
"""Where windows end, weighing 0.006; the weight from which a missing pixel spoils one, some percent of its light; and
the least level by the sky's, since powers know no values below zero."""


@kernel
def cut_boxes(
    plane: Any, mask: Any, xy: Any, near: Any, reach: Any, ceiling: float, margin: float, boxes: Any
) -> None:
    """Fill NaN with the pixels round every star, (n, side, side), but where masked, lit by a neighbour or too bright.

    ``near`` (n, k, 2) are neighbours' places and ``reach`` (n, k) how far each of them lights, 0 for none. Pixels
    within ``margin`` px of the outermost one that reaches ``ceiling`` are too bright. A mask of another shape than
    the plane masks nothing.
    """
    n, half = xy.shape[0], boxes.shape[1] // 2
    rows, columns = plane.shape
    masked = mask.shape[0] == rows and mask.shape[1] == columns
    for s in range(n):
        cx, cy = int(np.rint(xy[s, 0])), int(np.rint(xy[s, 1]))
        full = -margin - 1.0
        for row in range(max(0, cy - half), min(rows, cy + half + 1)):
            for column in range(max(0, cx - half), min(columns, cx + half + 1)):
                if masked and mask[row, column]:
                    continue
                value = plane[row, column]
                lit = False
                for k in range(near.shape[1]):
                    if (column - near[s, k, 0]) ** 2 + (row - near[s, k, 1]) ** 2 < reach[s, k] ** 2:
                        lit = True
                        break
                if lit:
                    continue
                if value >= ceiling:
                    full = max(full, np.hypot(column - xy[s, 0], row - xy[s, 1]))
                boxes[s, row - cy + half, column - cx + half] = value
        for row in range(cy - half, cy + half + 1):
            for column in range(cx - half, cx + half + 1):
                if np.hypot(column - xy[s, 0], row - xy[s, 1]) < full + margin:
                    boxes[s, row - cy + half, column - cx + half] = np.nan


def level_boxes(boxes: Any, inner: float, outer: float) -> Any:
    """Return the boxes without the slope of their sky, told from medians of opposite halves of a ring."""
    half = boxes.shape[1] // 2
    away = np.arange(-half, half + 1.0)
    radius = np.hypot(away, away[:, None])
    out = boxes.copy()
    for step in np.broadcast_arrays(away, away[:, None]):
        sides = [(inner <= radius) & (radius <= outer) & (sign * step > 0) for sign in (-1, 1)]
        held = [sorted_finite(boxes[:, side]) for side in sides]
        place = [np.isfinite(boxes[:, side]) @ step[side] for side in sides]
        with np.errstate(divide="ignore", invalid="ignore"):
            (low, low_at), (high, high_at) = (
                (middles(values, count), at / count) for (values, count), at in zip(held, place, strict=True)
            )
            slope = (high - low) / (high_at - low_at)
        known = np.minimum(held[0][1], held[1][1]) >= FEWEST
        out[known] -= slope[known, None, None] * step
    return out


def ring_levels(boxes: Any, xy: Any, edges: Any) -> Any:
    """Return median, spread, skew and number of the pixels in rings round every star, (n, rings, 4).

    The skew is (q84 + q16 - 2 q50) / (q84 - q16). NaN where a ring lacks half of its pixels.
    """
    n, side = boxes.shape[0], boxes.shape[1]
    fx, fy = (np.rint(xy) - xy - side // 2).T[:, :, None, None]
    r2 = (np.arange(side) + fx) ** 2 + (np.arange(side)[:, None] + fy) ** 2
    out = np.full((n, edges.size - 1, 4), np.nan)
    for k in range(edges.size - 1):
        inside = (edges[k] * edges[k] <= r2) & (r2 < edges[k + 1] * edges[k + 1])
        some = inside.any(axis=0)
        values, count = sorted_finite(np.where(inside[:, some], boxes[:, some], np.nan))
        told = (count >= 3) & (2 * count >= inside.sum(axis=(1, 2)))
        values, count = values[told], count[told]
        row, tail = np.arange(len(count)), (TAIL * (count - 1)).astype(np.int64)
        middle, low, high = middles(values, count), values[row, tail], values[row, count - 1 - tail]
        spread = MAD * middles(np.sort(np.abs(values - middle[:, None]), axis=1), count)
        with np.errstate(divide="ignore", invalid="ignore"):
            skew = np.where(high > low, (high + low - 2.0 * middle) / (high - low), 0.0)
        out[told, k] = np.stack([middle, spread, skew, count], axis=1)
    return out


def window_sums(boxes: Any, xy: Any, sky: Any, base: Any, widths: Any, powers: Any) -> Any:
    """Return sums in Gaussian windows of v^(1/g) - base^(1/g) and their derivatives by g, (2, powers, n, windows).

    ``base`` (n,) is where the sky stands above the curve's zero, and v = pixel - sky + base, never below a
    thousandth of it. Windows end at `REACH` of their ``widths``; NaN where one misses a pixel that weighs `MISSED`.
    """
    out = np.zeros((2, powers.size, len(boxes), widths.size))
    _add_windows(boxes, xy, sky, base, widths, powers, np.empty(widths.size), out)
    return out


@kernel
def _add_windows(
    boxes: Any, xy: Any, sky: Any, base: Any, widths: Any, powers: Any, weights: Any, out: Any
) -> None:
    n, side = boxes.shape[0], boxes.shape[1]
    half = side // 2
    for s in range(n):
        fx, fy = np.rint(xy[s, 0]) - xy[s, 0] - half, np.rint(xy[s, 1]) - xy[s, 1] - half
        base_log = np.log(base[s])
        for j in range(side):
            for i in range(side):
                r2 = (i + fx) ** 2 + (j + fy) ** 2
                if r2 > (REACH * widths[-1]) ** 2:
                    continue
                missing = not np.isfinite(boxes[s, j, i])
                for w in range(widths.size):
                    inside = r2 <= (REACH * widths[w]) ** 2
                    weights[w] = np.exp(-0.5 * r2 / (widths[w] * widths[w])) if inside else 0.0
                    if missing and weights[w] > MISSED:
                        for p in range(powers.size):
                            out[0, p, s, w] = out[1, p, s, w] = np.nan
                if missing:
                    continue
                log = np.log(max(boxes[s, j, i] - sky[s] + base[s], LEAST_LEVEL * base[s]))
                for p in range(powers.size):
                    e = 1.0 / powers[p]
                    value, level = np.exp(e * log), np.exp(e * base_log)
                    slope = -e * e * (value * log - level * base_log)
                    for w in range(widths.size):
                        if weights[w] > 0.0:
                            out[0, p, s, w] += weights[w] * (value - level)
                            out[1, p, s, w] += weights[w] * slope


def shared_noise(boxes: Any, sky: Any, noise: Any, radius: float) -> Any:
    """Return how much noisier sums over windows are than pixels alone tell: 1 for independent noise.

    The root of the sum of the sky's correlations up to two pixels away, less what pixels four apart still share.
    """
    products, pairs = np.zeros((2, 3))
    _add_products(boxes, sky, noise, radius, np.empty(boxes.shape[1:]), products, pairs)
    mean = products / np.maximum(pairs, 1.0)
    own = mean[0] - mean[2]
    # 24 pixels stand within two of one
    return np.sqrt(max(1.0, 1.0 + 24.0 * (mean[1] - mean[2]) / own)) if own > 0.0 else 1.0


@kernel
def _add_products(boxes: Any, sky: Any, noise: Any, radius: float, z: Any, products: Any, pairs: Any) -> None:
    n, side = boxes.shape[0], boxes.shape[1]
    half = side // 2
    for s in range(n):
        for j in range(side):
            for i in range(side):
                r = np.hypot(i - half, j - half)
                value = (boxes[s, j, i] - sky[s]) / noise[s]
                z[j, i] = value if r >= radius and abs(value) < 3.0 else np.nan
        for dy in range(5):
            for dx in range(-4, 5):
                far = dy == 4 and (dx == 0 or abs(dx) == 4)
                near = dy <= 2 and abs(dx) <= 2 and (dy > 0 or dx >= 0)
                if not (near or far):
                    continue
                kind = 2 if far else (0 if dy == 0 and dx == 0 else 1)
                for j in range(side - dy):
                    for i in range(max(0, -dx), side - max(0, dx)):
                        product = z[j, i] * z[j + dy, i + dx]
                        if np.isfinite(product):
                            products[kind] += product
                            pairs[kind] += 1.0
