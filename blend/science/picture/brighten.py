"""Loops over pixels of the stretch that keeps colour: planes scaled and averaged, then given one gain."""

from __future__ import annotations

import numpy as np

from blend.base.jit import kernel


@kernel
def scale_and_mean(source, black, gain, planes, value):  # type: ignore[no-untyped-def]
    """Fill ``planes`` with x, 0 at black and 1 at white, and ``value`` with its mean over the planes."""
    count, size = source.shape
    for plane in range(count):
        for i in range(size):
            x = (source[plane, i] - black) * gain
            planes[plane, i] = x
            value[i] = value[i] + x if plane > 0 else x
    share = np.float32(1.0) / np.float32(count)
    for i in range(size):
        value[i] *= share


@kernel
def brighten(planes, value, inside, light):  # type: ignore[no-untyped-def]
    """Give x the gain light / inside, mix pixels that pass 1 with grey of their own mean, and clip, in place."""
    count, size = planes.shape
    zero, one, least = np.float32(0.0), np.float32(1.0), np.float32(1e-12)
    gain, top = np.empty(size, dtype=np.float32), np.empty(size, dtype=np.float32)
    grey, share = np.empty(size, dtype=np.float32), np.empty(size, dtype=np.float32)
    for i in range(size):
        gain[i] = light[i] / inside[i]
        top[i] = planes[0, i] * gain[i]
    for plane in range(1, count):
        for i in range(size):
            top[i] = max(top[i], planes[plane, i] * gain[i])
    for i in range(size):
        grey[i] = min(value[i] * gain[i], one)
        share[i] = min((one - grey[i]) / max(top[i] - grey[i], least), one)
    for plane in range(count):
        for i in range(size):
            x = planes[plane, i] * gain[i]
            mixed = grey[i] + share[i] * (x - grey[i])
            x = mixed if top[i] > one else x
            # Comparisons, not min and max, which would give NaN a value.
            x = one if x > one else x
            planes[plane, i] = zero if x < zero else x
