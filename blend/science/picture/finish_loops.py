"""Loops over the pixels of a finish: block means; then green, colour noise, tone and saturation in one pass."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.jit import kernel
from blend.science.picture.brighten import EDGE
from blend.science.picture.colour import LUMINANCE_WEIGHTS
from blend.science.picture.colourspace import srgb_decode, srgb_encode

KEPT_LIGHT = np.float32(0.25)
"""Share of its light that the darkest plane of a pixel keeps when chroma is scaled: no noise is driven to black."""

DARK, BRIGHT = 0.25, 0.50
"""Code values of the larger of red and blue between which the green limit fades out."""


@kernel
def mean_rows(codes: Any, out: Any, start: int, stop: int) -> None:
    # Down the columns first, with choices instead of branches: so several columns are added at a time.
    columns = codes.shape[2]
    sums, counts = np.empty((4, columns), np.float64), np.empty(columns, np.int32)
    reds, greens, blues, excesses = sums[0], sums[1], sums[2], sums[3]
    for top in range(start, stop, 4):
        for x in range(columns):
            reds[x] = greens[x] = blues[x] = excesses[x] = 0.0
            counts[x] = 0
        for y in range(top, min(top + 4, stop)):
            red, green, blue = codes[0, y], codes[1, y], codes[2, y]
            for x in range(columns):
                r, g, b = red[x], green[x], blue[x]
                known = not np.isnan(r + g + b)
                other = max(r, b)
                faded = min(max((BRIGHT - other) / (BRIGHT - DARK), 0.0), 1.0)
                excess = max(g - other, _ZERO) * faded
                reds[x] += r if known else _ZERO
                greens[x] += g if known else _ZERO
                blues[x] += b if known else _ZERO
                excesses[x] += excess if known else 0.0
                counts[x] += 1 if known else 0
        for left in range(0, columns, 4):
            count = 0
            for x in range(left, min(left + 4, columns)):
                count += counts[x]
            for plane in range(4):
                total = 0.0
                for x in range(left, min(left + 4, columns)):
                    total += sums[plane, x]
                out[plane, top // 4, left // 4] = total / count if count else np.nan


_RED, _GREEN, _BLUE = (np.float32(weight) for weight in LUMINANCE_WEIGHTS)

_HALF, _ONE, _QUARTER = np.float32(0.5), np.float32(1.0), np.float32(0.25)

_ZERO, _LOW, _OVER = np.float32(0.0), np.float32(-7e-6), np.float32(7e-6)

_EDGE = np.float32(EDGE)

_BRIGHT, _FADE = np.float32(BRIGHT), np.float32(1.0 / (BRIGHT - DARK))

_STEPS, _TINY, _THIRD = np.float32(4096), np.float32(1e-30), np.float32(1.0 / 3.0)

_TABLE = np.arange(4098) / 4096.0

_TO_LIGHT = srgb_decode(_TABLE).astype(np.float32)

_FROM_ROOT = srgb_encode(_TABLE**2).astype(np.float32)

# Read with straight lines between the entries, both are within 6e-8: the curvature of the first is at most 3, that of
# code over the square root of light at most 4.5, times (1 / 4096)^2 / 8. Powers took three times as long.
TRANSFER_TABLES = np.stack(
    [_TO_LIGHT, np.diff(_TO_LIGHT, append=0.0), _FROM_ROOT, np.diff(_FROM_ROOT, append=0.0)]
)

_PIECE = 512
"""Columns at a time: the rows of buffers for so many, 2 KiB each, stay in the nearest cache."""

_SECOND, _THIRD_ORDER = np.float32(2.0 / 9.0), np.float32(14.0 / 81.0)


@kernel
def touch_rows(
    codes: Any,
    out: Any,
    shift: Any,
    grain: Any,
    to_lms: Any,
    to_lab: Any,
    from_lab: Any,
    to_rgb: Any,
    tables: Any,
    tone: Any,
    factors: Any,
    rows: tuple[int, int],
) -> int:
    # Many short loops over a piece of a row that stays in the nearest cache: a compiler makes each of them take eight
    # pixels at a time, which it does not with one long loop (three times as slow). They stand in one kernel, since a
    # call inside a kernel would have to be a kernel itself. Of a length that it knows it would write them out thrice.
    columns, high, wide = codes.shape[2], shift.shape[1], shift.shape[2]
    line = np.empty((5, wide), np.float32)
    moved = np.empty((5, columns + 3), np.float32)
    gain, inside = np.empty(_PIECE, np.float32), np.empty(_PIECE, np.bool_)
    lights, cones = np.empty((3, _PIECE), np.float32), np.empty((3, _PIECE), np.float32)
    root, bounds = np.empty((3, _PIECE), np.float32), np.empty((2, _PIECE), np.float32)
    bits = root.view(np.int32)
    decode, decode_step, encode, encode_step = tables[0], tables[1], tables[2], tables[3]
    saturation, limit = factors[0], factors[1]
    gains, gain_steps = tone[0], tone[1]
    outside = 0
    for y in range(rows[0], rows[1]):
        place = min(max((np.float32(y) + _HALF) * _QUARTER - _HALF, _ZERO), np.float32(high - 1))
        above = int(place)
        below = min(above + 1, high - 1)
        part = place - np.float32(above)
        for k in range(5):
            blocks, spread, up, down = line[k], moved[k], shift[k, above], shift[k, below]
            for x in range(wide):
                blocks[x] = up[x] + part * (down[x] - up[x])
            for x in range(min(2, columns)):
                spread[x] = blocks[0]
            # Pixels 2 to 5 lie between the centres of blocks 0 and 1, and so on.
            for left in range(wide - 1):
                here, step = blocks[left], blocks[left + 1] - blocks[left]
                for j in range(4):
                    spread[4 * left + 2 + j] = here + (_HALF * np.float32(j) + _QUARTER) * _HALF * step
            for x in range(4 * wide - 2, columns):
                spread[x] = blocks[wide - 1]
        if grain.shape[1] > 1:
            for x in range(columns):
                moved[4, x] += grain[y, x]
        for start in range(0, columns, _PIECE):
            size = min(_PIECE, columns - start)
            piece = slice(start, start + size)
            reds, greens, blues = codes[0, y, piece], codes[1, y, piece], codes[2, y, piece]
            red, green, blue = lights[0], lights[1], lights[2]
            floor, roof, noise = bounds[0], bounds[1], moved[4, piece]
            for k in range(len(to_lms)):
                source, light = codes[k, y, piece], lights[k]
                for x in range(size):
                    # Missing pixels pass as 0 here, and are missing again in the end.
                    value = source[x] - noise[x]
                    value = value if value > _ZERO else _ZERO
                    light[x] = value if value < _ONE else _ONE
            if limit > _ZERO:
                noise = moved[0, piece]
                for x in range(size):
                    other = max(red[x], blue[x])
                    faded = min(max((_BRIGHT - other) * _FADE, _ZERO), _ONE)
                    taken = limit * faded * (max(green[x] - other, _ZERO) - noise[x])
                    # Luma stays: where its noise is gone already, a green speck would leave a dark one.
                    grey = _GREEN * taken
                    red[x] = min(max(red[x] + grey, _ZERO), _ONE)
                    green[x] = min(max(green[x] + (grey - taken), _ZERO), _ONE)
                    blue[x] = min(max(blue[x] + grey, _ZERO), _ONE)
            for k in range(len(to_lms)):
                light = lights[k]
                for x in range(size):
                    place = light[x] * _STEPS
                    entry = np.uint32(place)
                    light[x] = decode[entry] + (place - np.float32(entry)) * decode_step[entry]
            for x in range(size):
                gain[x] = _ONE
            if tone.shape[1] > 1:
                for x in range(size):
                    light_here = _RED * red[x] + _GREEN * green[x] + _BLUE * blue[x]
                    place = np.sqrt(min(light_here, _ONE)) * _STEPS
                    entry = np.uint32(place)
                    gain[x] = gains[entry] + (place - np.float32(entry)) * gain_steps[entry]
            for x in range(size):
                least = KEPT_LIGHT * min(min(red[x], green[x]), blue[x])
                floor[x] = least * gain[x] * gain[x] * gain[x] + _LOW
                roof[x] = max(max(max(red[x], green[x]), blue[x]), _EDGE) + _OVER
            for k in range(len(to_lms)):
                cone, c_red, c_green, c_blue = cones[k], to_lms[k, 0], to_lms[k, 1], to_lms[k, 2]
                for x in range(size):
                    cone[x] = c_red * red[x] + c_green * green[x] + c_blue * blue[x]
                # Cube roots t of v: a third of the exponent is 5 % off; with h = 1 - t^3 / v, the series of
                # (1 - h)^(-1/3) to the third power takes that to 1e-4 and, to the first, to 1e-8. One division each.
                near, whole = root[k], bits[k]
                for x in range(size):
                    near[x] = cone[x]
                for x in range(size):
                    whole[x] = np.int32(np.float32(whole[x]) * _THIRD) + np.int32(0x2A514067)
                for x in range(size):
                    t, inverse = near[x], _ONE / max(cone[x], _TINY)
                    h = _ONE - t * t * t * inverse
                    t += t * h * (_THIRD + h * (_SECOND + h * _THIRD_ORDER))
                    t += t * (_ONE - t * t * t * inverse) * _THIRD
                    near[x] = t
            l_root, m_root, s_root = root[0], root[1], root[2]
            long, mid, short = cones[0], cones[1], cones[2]
            for x in range(size):
                black = min(min(long[x], mid[x]), short[x]) < _TINY
                l_root[x] = _ZERO if black else l_root[x]
                m_root[x] = _ZERO if black else m_root[x]
                s_root[x] = _ZERO if black else s_root[x]
            lightness, a, b = long, mid, short
            for k in range(len(to_lab)):
                value_of, c_l, c_m, c_s = cones[k], to_lab[k, 0], to_lab[k, 1], to_lab[k, 2]
                for x in range(size):
                    value_of[x] = c_l * l_root[x] + c_m * m_root[x] + c_s * s_root[x]
            more = moved[3, piece]
            for k, value_of in ((1, a), (2, b)):
                taken = moved[k, piece]
                for x in range(size):
                    value_of[x] = (_ONE + saturation * more[x]) * gain[x] * (value_of[x] - taken[x])
            for x in range(size):
                lightness[x] *= gain[x]
            for k in range(len(from_lab)):
                near, c_a, c_b = root[k], from_lab[k, 1], from_lab[k, 2]
                for x in range(size):
                    t = lightness[x] + (c_a * a[x] + c_b * b[x])
                    near[x] = t * t * t
            for k in range(len(to_rgb)):
                light, c_l, c_m, c_s = lights[k], to_rgb[k, 0], to_rgb[k, 1], to_rgb[k, 2]
                for x in range(size):
                    light[x] = c_l * l_root[x] + c_m * m_root[x] + c_s * s_root[x]
            for x in range(size):
                least = min(min(red[x], green[x]), blue[x])
                most = max(max(red[x], green[x]), blue[x])
                inside[x] = (least >= floor[x]) & (most <= roof[x])
            for x in range(size):
                if inside[x]:
                    continue
                # The largest share of the chroma that fits, found by halving to a thousandth.
                outside += 1
                low, top = _ZERO, _ONE
                for trial in range(11):
                    share = _HALF * (low + top) if trial < 10 else low
                    l_cube = lightness[x] + share * (from_lab[0, 1] * a[x] + from_lab[0, 2] * b[x])
                    m_cube = lightness[x] + share * (from_lab[1, 1] * a[x] + from_lab[1, 2] * b[x])
                    s_cube = lightness[x] + share * (from_lab[2, 1] * a[x] + from_lab[2, 2] * b[x])
                    l_cube, m_cube, s_cube = l_cube**3, m_cube**3, s_cube**3
                    r = to_rgb[0, 0] * l_cube + to_rgb[0, 1] * m_cube + to_rgb[0, 2] * s_cube
                    g = to_rgb[1, 0] * l_cube + to_rgb[1, 1] * m_cube + to_rgb[1, 2] * s_cube
                    u = to_rgb[2, 0] * l_cube + to_rgb[2, 1] * m_cube + to_rgb[2, 2] * s_cube
                    if min(min(r, g), u) >= floor[x] and max(max(r, g), u) <= roof[x]:
                        low = share
                    else:
                        top = share
                red[x], green[x], blue[x] = r, g, u
            for k in range(len(to_rgb)):
                light, target = lights[k], out[k, y, piece]
                for x in range(size):
                    light[x] = np.sqrt(min(max(light[x], _ZERO), _ONE)) * _STEPS
                for x in range(size):
                    entry = np.uint32(light[x])
                    value = encode[entry] + (light[x] - np.float32(entry)) * encode_step[entry]
                    known = not np.isnan(reds[x] + greens[x] + blues[x])
                    target[x] = value if known else np.nan
    return outside
