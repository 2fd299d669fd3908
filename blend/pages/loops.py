"""Loops over a run of pixels between the stretch and the finish, printed for the page by `blend.pages.kernels`.

Missing pixels are NaN and stay so: `min` and `max` keep a first value that is NaN. sRGB goes by the finish's tables.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.pages.fusing import bits_of
from blend.science.picture import KNEE, LUMINANCE_WEIGHTS

PART_BITS = 13
"""Of a float's 23 bits below its power of two that a table by light leaves out: 1024 entries for a factor of 2."""
STEPS = 4096
"""Of the tables of sRGB, as the finish has them."""
_RED, _GREEN, _BLUE = LUMINANCE_WEIGHTS
_THIRD = 1.0 / 3.0


def encode_plane(light: Any, out: Any, encode: Any, encode_step: Any, count: int) -> None:
    """Fill ``out`` with code values of light, (n,), clipped to [0, 1]."""
    for x in range(count):
        place = np.sqrt(min(max(light[x], 0.0), 1.0)) * STEPS
        entry = np.uint32(place)
        out[x] = encode[entry] + (place - np.float32(entry)) * encode_step[entry]


def decode_plane(codes: Any, out: Any, decode: Any, decode_step: Any, count: int) -> None:
    """Fill ``out`` with light of code values, (n,), clipped to [0, 1]."""
    for x in range(count):
        place = min(max(codes[x], 0.0), 1.0) * STEPS
        entry = np.uint32(place)
        out[x] = decode[entry] + (place - np.float32(entry)) * decode_step[entry]


def luminance_codes(
    red: Any, green: Any, blue: Any, out: Any, encode: Any, encode_step: Any, count: int
) -> None:
    """Fill ``out`` with the code values of the luminance of light in [0, 1]."""
    for x in range(count):
        light = _RED * red[x] + _GREEN * green[x] + _BLUE * blue[x]
        place = np.sqrt(min(max(light, 0.0), 1.0)) * STEPS
        entry = np.uint32(place)
        out[x] = encode[entry] + (place - np.float32(entry)) * encode_step[entry]


def stretch_colour(
    red: Any, green: Any, blue: Any, past: Any, gains: Any, black: float, scale: float, least: float, first: int,
    count: int,
) -> None:  # fmt: skip
    """Give all planes of a pixel one gain, by a table of their mean; mark light that no gain keeps in gamut."""
    for x in range(count):
        r = (red[x] - black) * scale
        g = (green[x] - black) * scale
        b = (blue[x] - black) * scale
        mean = (r + g + b) * _THIRD
        gain = gains[(bits_of(min(max(mean, least), 1.0)) >> PART_BITS) - np.int32(first)]
        r = r * gain
        g = g * gain
        b = b * gain
        grey = mean * gain
        fits = (min(r, min(g, b)) >= 0.0) & (max(r, max(g, b)) <= grey + KNEE * (1.0 - grey))
        known = mean == mean
        past[x] = 1.0 if known & (not fits) else 0.0
        red[x] = r if fits else (red[x] if known else np.nan)
        green[x] = g if fits else (green[x] if known else np.nan)
        blue[x] = b if fits else (blue[x] if known else np.nan)


def relight_ratio(
    red: Any, green: Any, blue: Any, wanted: Any, before: Any, past: Any, decode: Any, decode_step: Any, reach: float,
    same_code: float, count: int,
) -> None:  # fmt: skip
    """Give light the luminance of code values ``wanted``, ratios kept; mark what goes out of gamut."""
    for x in range(count):
        code = min(max(wanted[x], 0.0), 1.0)
        place = code * STEPS
        entry = np.uint32(place)
        light = decode[entry] + (place - np.float32(entry)) * decode_step[entry]
        old = _RED * red[x] + _GREEN * green[x] + _BLUE * blue[x]
        part = min(max(old * reach - 1.0, 0.0), 1.0)
        part = part if light > 0.0 else 0.0
        ratio = part * light / max(old, 1e-30) + 1.0 - part
        shift = (1.0 - part) * (light - old)
        r = red[x] * ratio + shift
        g = green[x] * ratio + shift
        b = blue[x] * ratio + shift
        same = abs(code - before[x]) <= same_code
        fits = (min(r, min(g, b)) >= 0.0) & (max(r, max(g, b)) <= 1.0)
        past[x] = 0.0 if same | fits else 1.0
        red[x] = r if fits & (not same) else red[x]
        green[x] = g if fits & (not same) else green[x]
        blue[x] = b if fits & (not same) else blue[x]


LOOPS = (encode_plane, decode_plane, luminance_codes, stretch_colour, relight_ratio)
