"""Loops over pixels of the stretch that keeps colour: planes scaled, their mean's light looked up, then one gain.

What becomes of a colour that light in [0, 1] cannot hold at its brightness: with v the mean of the planes and t the
brightest one, t above 1 costs brightness first, v' = v (v + (1 - v) / t), and chroma the more the brighter it is, so
that what is as bright as white is white; chroma goes through a soft knee, so that no plane arrives at 1 before that:

x' = v' + s (x v' / v - v'), s = h(z) / z, z = (t - v) / (1 - v), h(z) = z up to K, K + (1 - K) w / (1 + w) above it,
w = (z - K) / (1 - K), K = `KNEE`

with v' and the new t in z. v' rises with v: the order of brightness stays. A straight line to grey turns the hue the
eye sees (a red by 10 degrees towards magenta): the answer gets the hue of OKLab that the colour had. Derived here.
"""

from __future__ import annotations

import numpy as np

from blend.base.jit import kernel
from blend.science.picture.colourspace import LMS_TO_OKLAB, LMS_TO_RGB, OKLAB_TO_LMS, RGB_TO_LMS

KNEE = 0.6
"""Share of the way from grey to the edge of what can be shown up to which a colour keeps all of its chroma."""


STEP_BITS = 12
"""Of a float's 23 bits below its power of two between two entries of a table by light: 2048 for a factor of 2. Straight
lines between them are within 3e-8 of a curve, times x^2 f'' / f, which is below 4 for all curves and their light."""
MASK = 2**STEP_BITS - 1


@kernel
def scale_and_light(source, black, gain, least, planes, value, inside, bits, first, table, light):  # type: ignore[no-untyped-def]
    """Fill ``planes`` with x, 0 at black and 1 at white, ``value`` with its mean over the planes, and its light.

    ``inside`` is the mean within the table, whose entries (`STEP_BITS`) begin with ``first``; ``bits`` are its bits.
    """
    count, size = source.shape
    for plane in range(count):
        for i in range(size):
            x = (source[plane, i] - black) * gain
            planes[plane, i] = x
            value[i] = value[i] + x if plane > 0 else x
    share, one, last = np.float32(1.0) / np.float32(count), np.float32(1.0), table.shape[1] - 1
    step = np.float32(0.5**STEP_BITS)
    for i in range(size):
        value[i] *= share
        # Comparisons, not min and max, which would give NaN a value.
        x = least if value[i] < least else value[i]
        inside[i] = one if x > one else x
    for i in range(size):
        entry = min((bits[i] >> STEP_BITS) - first, last)
        part = np.float32(bits[i] & MASK) * step
        light[i] = table[0, entry] + part * table[1, entry]


EDGE = 0.999
"""Most light of a plane of such a colour: below what 16 bits call full."""

TO_LMS, TO_LAB, FROM_LAB, FROM_LMS = (
    matrix.astype(np.float32) for matrix in (RGB_TO_LMS, LMS_TO_OKLAB, OKLAB_TO_LMS, LMS_TO_RGB)
)
_THIRD = np.float32(1.0 / 3.0)


@kernel
def brighten(planes, value, inside, light):  # type: ignore[no-untyped-def]
    """Give x the gain light / inside, and what no light in [0, 1] holds less chroma and brightness, in place."""
    count, size = planes.shape
    zero, one, least = np.float32(0.0), np.float32(1.0), np.float32(1e-12)
    knee, rest, edge = np.float32(KNEE), np.float32(1.0 - KNEE), np.float32(EDGE)
    gain, top = np.empty(size, dtype=np.float32), np.empty(size, dtype=np.float32)
    grey, share = np.empty(size, dtype=np.float32), np.empty(size, dtype=np.float32)
    for i in range(size):
        gain[i] = light[i] / inside[i]
        top[i] = planes[0, i] * gain[i]
    for plane in range(1, count):
        for i in range(size):
            top[i] = max(top[i], planes[plane, i] * gain[i])
    for i in range(size):
        mean = value[i] * gain[i]
        down = one / max(mean, one)
        white = min(mean, one)
        down = down * (white + (one - white) / (top[i] * down)) if top[i] * down > one else down
        gain[i] *= down
        grey[i] = mean * down
        z = (top[i] * down - grey[i]) / max(one - grey[i], least)
        w = (z - knee) / rest
        share[i] = (knee + rest * w / (one + w)) / z if z > knee else one
    old, lab, root = np.empty(3, np.float32), np.empty(3, np.float32), np.empty(3, np.float32)
    for i in range(size if count == 3 else 0):
        if not share[i] < one:
            continue
        # Twice to OKLab: the colour as it was, whose hue stays, and as the straight line to grey has it.
        for turn in range(2):
            part = share[i] if turn else one
            for k in range(3):
                cone = zero
                for j in range(3):
                    cone += TO_LMS[k, j] * (grey[i] + part * (planes[j, i] * gain[i] - grey[i]))
                root[k] = max(cone, zero) ** _THIRD
            for k in range(3):
                old[k] = lab[k]
                lab[k] = TO_LAB[k, 0] * root[0] + TO_LAB[k, 1] * root[1] + TO_LAB[k, 2] * root[2]
        kept = np.sqrt((lab[1] ** 2 + lab[2] ** 2) / max(old[1] ** 2 + old[2] ** 2, least))
        for k in range(3):
            root[k] = (lab[0] + kept * (FROM_LAB[k, 1] * old[1] + FROM_LAB[k, 2] * old[2])) ** 3
        for k in range(3):
            planes[k, i] = FROM_LMS[k, 0] * root[0] + FROM_LMS[k, 1] * root[1] + FROM_LMS[k, 2] * root[2]
        # The turn may lead a few percent out again; so little is taken back on the straight line.
        most, pale = max(planes[0, i], max(planes[1, i], planes[2, i])), lab[0] ** 3
        if most > edge and pale < edge:
            part = (edge - pale) / (most - pale)
            for k in range(3):
                planes[k, i] = pale + part * (planes[k, i] - pale)
        gain[i] = share[i] = one
    for plane in range(count):
        for i in range(size):
            x = planes[plane, i] * gain[i]
            mixed = grey[i] + share[i] * (x - grey[i])
            x = mixed if share[i] < one else x
            # Comparisons, not min and max, which would give NaN a value.
            x = one if x > one else x
            planes[plane, i] = zero if x < zero else x
