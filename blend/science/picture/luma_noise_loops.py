"""Loops over rows for the noise of luma: luma itself, one smoothing, and what a band loses."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel
from blend.science.picture.colour import LUMINANCE_WEIGHTS

_RED, _GREEN, _BLUE = (np.float32(weight) for weight in LUMINANCE_WEIGHTS)
_FAR, _NEAR, _MIDDLE = np.float32(1 / 16), np.float32(4 / 16), np.float32(6 / 16)
_HALF, _QUARTER, _ONE, _ZERO = np.float32(0.5), np.float32(0.25), np.float32(1.0), np.float32(0.0)


@kernel
def luma_rows(codes: Any, index: Any, sky: Any, out: Any) -> None:
    """Fill ``out`` with the luma of the rows ``index``; a missing pixel has that of the sky."""
    columns = codes.shape[2]
    for y in range(len(index)):
        red, green, blue = codes[0, index[y]], codes[1, index[y]], codes[2, index[y]]
        for x in range(columns):
            value = _RED * red[x] + _GREEN * green[x] + _BLUE * blue[x]
            out[y, x] = value if value == value else sky


@kernel
def smooth_rows(plane: Any, step: int, across: Any, line: Any, out: Any) -> None:
    """Smooth by (1, 4, 6, 4, 1) / 16 with holes; ``out`` has 4 ``step`` rows less, ``across`` mirrors ``line``."""
    columns = plane.shape[1]
    for y in range(out.shape[0]):
        inner = line[2 * step : 2 * step + columns]
        a, b, c = plane[y], plane[y + step], plane[y + 2 * step]
        d, e = plane[y + 3 * step], plane[y + 4 * step]
        for x in range(columns):
            inner[x] = _MIDDLE * c[x] + _NEAR * (b[x] + d[x]) + _FAR * (a[x] + e[x])
        for x in range(2 * step):
            line[x] = inner[across[x]]
            line[columns + 2 * step + x] = inner[across[columns + 2 * step + x]]
        a, b, c = line[:columns], line[step : step + columns], line[2 * step : 2 * step + columns]
        d, e = line[3 * step : 3 * step + columns], line[4 * step : 4 * step + columns]
        target = out[y]
        for x in range(columns):
            target[x] = _MIDDLE * c[x] + _NEAR * (b[x] + d[x]) + _FAR * (a[x] + e[x])


@kernel
def energy_rows(sharp, fine, coarse, mix, step, across, line, scale, light, quiet, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the mean square of ``fine - coarse + mix (sharp - fine)``, times ``scale`` and ``quiet``.

    The mean is that of (1, 2, 1) / 4 with holes both ways. The planes begin ``step`` rows before ``out`` and end as
    many behind it; ``light`` has its rows, and ``quiet`` is a table by light from 0 to 1.
    """
    last_entry = np.float32(len(quiet) - 1)
    columns = fine.shape[1]
    for y in range(out.shape[0]):
        inner = line[step : step + columns]
        middle, last = y + step, y + 2 * step
        for x in range(columns):
            above = fine[y, x] - coarse[y, x] + mix * (sharp[y, x] - fine[y, x])
            here = fine[middle, x] - coarse[middle, x] + mix * (sharp[middle, x] - fine[middle, x])
            below = fine[last, x] - coarse[last, x] + mix * (sharp[last, x] - fine[last, x])
            inner[x] = _HALF * here * here + _QUARTER * (above * above + below * below)
        for x in range(step):
            line[x] = inner[across[x]]
            line[columns + step + x] = inner[across[columns + step + x]]
        a, b, c = line[:columns], line[step : step + columns], line[2 * step : 2 * step + columns]
        target, bright = out[y], light[y]
        for x in range(columns):
            entry = np.uint32(min(max(bright[x], _ZERO), _ONE) * last_entry)
            target[x] = scale * (_HALF * b[x] + _QUARTER * (a[x] + c[x])) * quiet[entry]


@kernel
def lose_rows(fine: Any, coarse: Any, energy: Any, seen: Any, strength: Any, lost: Any) -> None:
    """Add to ``lost`` what a band holds, over 1 + seen^2.

    ``seen`` becomes strength m^4, where that is more than finer bands have left there; m^2 is what the energy has more
    than noise.
    """
    columns = fine.shape[1]
    for y in range(lost.shape[0]):
        target, most = lost[y], seen[y]
        for x in range(columns):
            e = energy[y, x]
            more = max(min(e, _ONE), e - _ONE)
            ratio = max(strength * more * more, most[x])
            most[x] = ratio
            target[x] += (fine[y, x] - coarse[y, x]) / (_ONE + ratio * ratio)


@kernel
def mean_blocks(plane: Any, out: Any) -> None:
    """Fill ``out`` with means over 4 x 4 pixels, fewer at the far edges."""
    rows, columns = plane.shape
    for v in range(out.shape[0]):
        for u in range(out.shape[1]):
            total, count = _ZERO, 0
            for y in range(4 * v, min(4 * v + 4, rows)):
                for x in range(4 * u, min(4 * u + 4, columns)):
                    total += plane[y, x]
                    count += 1
            out[v, u] = total / np.float32(count)
