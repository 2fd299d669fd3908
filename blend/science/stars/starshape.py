"""Loops over the pixels of one star: windowed centroid, width, sharpness and aperture flux."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel

COLUMNS = ("x", "y", "flux", "flux_error", "peak", "sigma", "elongation", "steepest", "noise", "top", "sky")
"""What `measure_stars` writes for each star; a star that cannot be measured is NaN throughout."""

MAD = 1.4826
"""Standard deviation by median deviation, to five figures (`MAD_TO_SIGMA` of base/robust.py has more)."""

FEWEST = 12
"""The fewest pixels in the sky's ring, whose median is known to a third of their noise (chosen, not measured)."""

TURNS, STILL_PX, SETTLED = 40, 1e-4, 1e-3
"""Most steps (chosen, not measured); the step, px, and the change of the width after which a star is measured, both far
below what noise does to it."""

REACH = 3.5
"""Windows end where they weigh 0.002."""

FARTHEST = 0.06
"""1/s^2 by 1/w^2 below which a width of more than four windows would be guessed from its slope: the window is doubled
instead."""

LEAST_SIGMA_PX, LEAST_AXIS = 0.35, 0.05
"""Narrowest width, half of what one pixel has, and 1/axis^2 by 1/s^2 at least: no axis counts as longer than 4.5 widths
(both chosen, not measured)."""


def ring_sky(plane: Any, mask: Any, xy: Any, inner: Any, outer: Any) -> Any:
    """Return the median of a ring round every star, its noise by the median deviation, and its pixels, (n, 3).

    NaN where a ring has fewer than `FEWEST` pixels that are finite and not masked.
    """
    # a pixel more on both sides: no more squares than that have their middles in a ring; and a place that is not one's
    room = int(np.pi * np.max((outer + 1.0) ** 2 - (inner - 1.0) ** 2, initial=0.0)) + 2
    values = np.full((len(xy), room), np.nan, dtype=np.float32)
    counts = np.empty(len(xy), dtype=np.int64)
    _gather_rings(plane, mask, xy, inner, outer, values, counts)
    # numpy sorts rows with vectors, which no loop that swaps elements can; NaN comes last
    values[:, : np.max(counts, initial=0)].sort(axis=1)
    out = np.full((len(xy), 3), np.nan)
    _ring_medians(values, counts, out)
    return out


@kernel
def _gather_rings(plane: Any, mask: Any, xy: Any, inner: Any, outer: Any, out: Any, counts: Any) -> None:
    masked = mask.shape[0] == plane.shape[0] and mask.shape[1] == plane.shape[1]
    rows, columns = plane.shape
    for n in range(xy.shape[0]):
        x, y, near, far, row = xy[n, 0], xy[n, 1], inner[n], outer[n], out[n]
        left, right = max(0, int(x - far)), min(columns, int(x + far) + 2)
        count = np.uintp(0)  # an index without a sign is not looked at twice
        for j in range(max(0, int(y - far)), min(rows, int(y + far) + 2)):
            dy2 = (j - y) ** 2
            line = plane[j, left:right]
            skip = mask[j, left:right] if masked else mask[0, :0]
            for i in range(line.size):
                # no branches: what does not count is written over by the next, and at last by NaN
                r, value = np.sqrt((left + i - x) ** 2 + dy2), line[i]
                row[count] = value
                good = (near <= r) & (r <= far) & (value - value == 0)
                if masked:
                    good = good & (not skip[i])
                count += np.uintp(good)
        row[count] = np.nan
        counts[n] = count


@kernel
def _ring_medians(values: Any, counts: Any, out: Any) -> None:
    """Of sorted values the smallest deviations lie side by side round the median: how many below it is searched for."""
    for n in range(counts.size):
        count = counts[n]
        if count < FEWEST:
            continue
        row, middle, most = values[n], (count - 1) // 2, count // 2 + 1
        sky = (np.float64(row[middle]) + np.float64(row[count // 2])) / 2
        low, high = 1, middle + 1
        while low < high:
            some = (low + high) // 2
            if sky - row[middle - some] < row[middle + most - some] - sky:
                low = some + 1
            else:
                high = some
        below, above = middle - low + 1, middle + most - low
        last = max(sky - row[below], row[above] - sky)
        if count % 2 == 0:
            # the greatest but one of them
            if sky - row[below] > row[above] - sky:
                below += 1
            else:
                above -= 1
            last = (max(sky - row[below], row[above] - sky) + last) / 2
        out[n, 0], out[n, 1], out[n, 2] = sky, MAD * last, count


def measure_stars(plane: Any, mask: Any, xy: Any, windows: Any, adapt: bool) -> Any:
    """Measure stars by iterated Gaussian windows, (n, 11), columns as in `COLUMNS`.

    The centre moves by 2 sum(w I d) / sum(w I) until it stands still. The width is the Gaussian window that
    equals the star: with M the weighted second moment, 1/s^2 = 1/M - 1/w^2, window w set to s and repeated.

    ``windows`` holds one window sigma a star; with ``adapt`` the centre's window follows the measured width.
    ``mask`` of another shape than the plane means that no pixel is masked.
    """
    # Sky: median of a ring well outside the window.
    rings = ring_sky(plane, mask, xy, 4.0 * windows + 1.0, 4.0 * windows + 5.0)
    out = np.full((len(xy), len(COLUMNS)), np.nan)
    _measure_stars(plane, mask, xy, windows, rings, adapt, np.empty(plane.shape[1]), out)
    return out


@kernel
def _measure_stars(
    plane: Any, mask: Any, xy: Any, windows: Any, rings: Any, adapt: bool, across: Any, out: Any
) -> None:
    # A round Gaussian is one along x, ``across``, times one along y.
    masked = mask.shape[0] == plane.shape[0] and mask.shape[1] == plane.shape[1]
    rows, columns = plane.shape
    for n in range(xy.shape[0]):
        x, y, w = xy[n, 0], xy[n, 1], windows[n]
        sky, noise = rings[n, 0], rings[n, 1]
        if not np.isfinite(sky):
            continue
        s = w
        good = True
        moved = 1.0
        xx = yy = xy_ = total = 0.0
        for turn in range(TURNS):
            # After the centre stands still only the width is iterated.
            settled = moved < STILL_PX and turn > 0
            width = s if (adapt or settled) else w
            reach = REACH * width + 1.0
            left, right = int(np.floor(x - reach)), int(np.ceil(x + reach))
            low, high = int(np.floor(y - reach)), int(np.ceil(y + reach))
            if x < 1 or y < 1 or x > columns - 2 or y > rows - 2:
                good = False
                break
            total = sx = sy = xx = yy = xy_ = 0.0
            steep, farthest = -0.5 / (width * width), reach * reach
            left, right = max(left, 0), min(right + 1, columns)
            for i in range(left, right):
                across[i - left] = np.exp(steep * (i - x) * (i - x))
            for j in range(max(low, 0), min(high + 1, rows)):
                dy = j - y
                along = np.exp(steep * dy * dy)
                for i in range(left, right):
                    dx = i - x
                    r2 = dx * dx + dy * dy
                    if r2 > farthest:
                        continue
                    value = plane[j, i]
                    if not np.isfinite(value) or (masked and mask[j, i]):
                        # A hole within the core makes every sum a lie; further out it weighs little.
                        if r2 < 2.0 * width * width + 2.0:
                            good = False
                        continue
                    p = along * across[i - left] * (value - sky)
                    total += p
                    sx += p * dx
                    sy += p * dy
                    xx += p * dx * dx
                    yy += p * dy * dy
                    xy_ += p * dx * dy
            if not good or total <= 0.0:
                good = False
                break
            sx /= total
            sy /= total
            xx = xx / total - sx * sx
            yy = yy / total - sy * sy
            xy_ = xy_ / total - sx * sy
            if not settled:
                step = 2.0 * np.sqrt(sx * sx + sy * sy)
                x += 2.0 * sx
                y += 2.0 * sy
                moved = step
                if step > 2.0 * w + 2.0:
                    good = False
                    break
            m = 0.5 * (xx + yy)
            if m <= 0.0:
                good = False
                break
            rest = 1.0 / m - 1.0 / (width * width)
            wider = np.sqrt(1.0 / rest) if rest > FARTHEST / (width * width) else 2.0 * width
            wider = max(max(wider, 0.5 * width), LEAST_SIGMA_PX)
            wider = min(min(wider, 2.0 * width), 6.0 * windows[n] + 6.0)
            change = abs(wider - s)
            s = wider
            if settled and change < SETTLED * s:
                break
        # what walked off from its candidate is another's light
        if not good or np.hypot(x - xy[n, 0], y - xy[n, 1]) > 2.5 * w + 2.0:
            continue
        # Elongation: the two principal widths with the window taken out of each.
        mean, half = 0.5 * (xx + yy), np.sqrt(0.25 * (xx - yy) ** 2 + xy_ * xy_)
        floor = LEAST_AXIS / (s * s)
        major = 1.0 / max(1.0 / max(mean + half, 1e-9) - 1.0 / (s * s), floor)
        minor = 1.0 / max(1.0 / max(mean - half, 1e-9) - 1.0 / (s * s), floor)
        # Steepest step between neighbours in the core: a hot pixel has an edge no optics draw.
        ci, cj = int(np.rint(x)), int(np.rint(y))
        top, steepest, raw = -np.inf, 0.0, -np.inf
        span = 2 if s < 4 else 3
        for j in range(max(cj - span, 0), min(cj + span + 1, rows)):
            for i in range(max(ci - span, 0), min(ci + span + 1, columns)):
                if masked and mask[j, i]:
                    continue
                value = plane[j, i]
                if not np.isfinite(value):
                    continue
                top = max(top, value - sky)
                if i + 1 < columns and np.isfinite(plane[j, i + 1]):
                    steepest = max(steepest, abs(value - plane[j, i + 1]))
                if j + 1 < rows and np.isfinite(plane[j + 1, i]):
                    steepest = max(steepest, abs(value - plane[j + 1, i]))
        # Highest pixel within one full width at half maximum, for the saturation test.
        # 2.36: FWHM by sigma
        reach = 2.36 * min(s, 4.0 * w)
        for j in range(max(int(y - reach), 0), min(int(y + reach) + 2, rows)):
            for i in range(max(int(x - reach), 0), min(int(x + reach) + 2, columns)):
                if (i - x) ** 2 + (j - y) ** 2 <= reach * reach and np.isfinite(plane[j, i]):
                    raw = max(raw, plane[j, i])
        if top <= 0.0:
            continue
        out[n, 0], out[n, 1] = x, y
        out[n, 2] = 2.0 * total
        out[n, 3] = 2.0 * noise * np.sqrt(np.pi) * s
        out[n, 4] = top
        out[n, 5] = s
        out[n, 6] = np.sqrt(major / minor)
        out[n, 7] = steepest / top
        out[n, 8] = noise
        out[n, 9] = raw
        out[n, 10] = sky


@kernel
def core_sigmas(plane: Any, measured: Any, out: Any) -> None:
    """Fill in the sigma of ln I = a - r^2 / (2 s^2) for each star, fitted with weights I^2 to its upper part.

    The chord from the peak to half of it is what FWHM means; a moment also sees the wings.
    ``measured`` comes from `measure_stars`. Used is what stands above 0.4 of the peak, a little below the half.
    """
    rows, columns = plane.shape
    for n in range(measured.shape[0]):
        out[n] = np.nan
        if not np.isfinite(measured[n, 0]):
            continue
        x, y, top, reach = measured[n, 0], measured[n, 1], measured[n, 4], 2.5 * measured[n, 5]
        sky = measured[n, 10]
        s0 = s1 = s2 = t0 = t1 = 0.0
        for j in range(max(int(y - reach), 0), min(int(y + reach) + 2, rows)):
            for i in range(max(int(x - reach), 0), min(int(x + reach) + 2, columns)):
                value = plane[j, i] - sky
                r2 = (i - x) ** 2 + (j - y) ** 2
                if value > 0.4 * top and r2 <= reach * reach:
                    weight = value * value
                    log = np.log(value)
                    s0 += weight
                    s1 += weight * r2
                    s2 += weight * r2 * r2
                    t0 += weight * log
                    t1 += weight * r2 * log
        bottom = s0 * s2 - s1 * s1
        slope = (s0 * t1 - s1 * t0) / bottom if bottom > 1e-9 * s0 * s2 else 0.0
        if slope < 0.0:
            out[n] = np.sqrt(-0.5 / slope)


def aperture_fluxes(plane: Any, mask: Any, xy: Any, radius: float) -> Any:
    """Return (n, 2): flux in a circle over the median of a ring around it, and its error; NaN where not
    measurable.

    The circle's edge pixels count by the share of their area inside, from 5 x 5 points a pixel.
    """
    out = np.full((len(xy), 2), np.nan)
    size = np.array(plane.shape[::-1])
    inside = ((xy >= radius) & (xy <= size - 1 - radius)).all(axis=1)
    # the ring begins where a star's wings are faint and holds more pixels than the circle
    inner, outer = (
        np.full(np.count_nonzero(inside), end) for end in (1.5 * radius + 2.0, 2.0 * radius + 6.0)
    )
    sky, noise, count = ring_sky(plane, mask, xy[inside], inner, outer).T
    sums = np.full((len(sky), 2), np.nan)
    _circle_sums(plane, mask, xy[inside], radius, sums)
    flux, area = sums.T
    # The median of n values has pi/2 times the variance of their mean.
    error = noise * np.sqrt(area + 0.5 * np.pi * area * area / count)
    out[inside] = np.where(np.isnan(flux), np.nan, [flux - area * sky, error]).T
    return out


@kernel
def _circle_sums(plane: Any, mask: Any, xy: Any, radius: float, out: Any) -> None:
    """Fill in the sum of the pixels in each circle and its area in pixels, (n, 2), where all are usable."""
    masked = mask.shape[0] == plane.shape[0] and mask.shape[1] == plane.shape[1]
    rows, columns = plane.shape
    # 0.75: more than half a pixel's diagonal
    reach = radius + 0.75
    for n in range(xy.shape[0]):
        x, y = xy[n, 0], xy[n, 1]
        flux, area, good = 0.0, 0.0, True
        for j in range(max(int(y - reach), 0), min(int(y + reach) + 2, rows)):
            for i in range(max(int(x - reach), 0), min(int(x + reach) + 2, columns)):
                r = np.sqrt((i - x) ** 2 + (j - y) ** 2)
                if r >= reach:
                    continue
                share = 1.0
                if r > radius - 0.75:
                    inside = 0
                    for b in range(5):
                        for a in range(5):
                            px, py = i - 0.4 + 0.2 * a - x, j - 0.4 + 0.2 * b - y
                            if px * px + py * py <= radius * radius:
                                inside += 1
                    share = inside / 25.0
                if share > 0.0:
                    value = plane[j, i]
                    good = good and np.isfinite(value) and not (masked and mask[j, i])
                    flux += share * value
                    area += share
        if good:
            out[n, 0], out[n, 1] = flux, area
