"""Finish: the last touches on the display picture, each measured for what it did.

Green above red and blue is limited, colour noise of 4 to 64 px taken out, and chroma scaled. What needs a
neighbourhood is worked out on means of 4 x 4 pixels; the full picture is then gone over once. Lightness (OKLab's L) is
touched by the green limit alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import bin_mean, difference_noise
from blend.base.rowblocks import map_row_blocks, map_together
from blend.science.picture.chroma import noise_shifts
from blend.science.picture.colour import luminance
from blend.science.picture.colourspace import (
    LMS_TO_OKLAB,
    LMS_TO_RGB,
    OKLAB_TO_LMS,
    RGB_TO_LMS,
    ciede2000,
    linear_to_lab,
    linear_to_oklab,
    srgb_decode,
    srgb_encode,
)

Array = NDArray[np.float32]

BLOCK_PX = 4
"""Side of the blocks whose means the neighbourhood work is done on."""

KEPT_LIGHT = np.float32(0.25)
"""Share of its light that the darkest plane of a pixel keeps when chroma is scaled: no noise is driven to black."""

DARK, BRIGHT = 0.25, 0.50
"""Code values of the larger of red and blue between which the green limit fades out."""


@dataclass(frozen=True)
class Finished:
    """What the finish did to noise and colour.

    Attributes
    ----------
    chroma_noise : dict of int to (float, float)
        Block size in px to the noise of OKLab's (a, b), quadratic sum, before and after.
    mean_chroma : (float, float)
        Mean OKLab chroma of 16-px blocks before and after.
    sky_tint : (float, float)
        Distance from neutral of the median OKLab (a, b) of the darker half of the blocks, before and after.
    colour_change, colour_change_95 : float
        Median and 95th percentile of CIEDE2000 between before and after, 16-px blocks.
    out_of_gamut : float
        Share of the pixels that got less chroma than asked for.
    """

    chroma_noise: dict[int, tuple[float, float]]
    mean_chroma: tuple[float, float]
    sky_tint: tuple[float, float]
    colour_change: float
    colour_change_95: float
    out_of_gamut: float


def saturate(rgb: NDArray[np.floating], *, amount: float) -> NDArray[np.floating]:
    """Scale the chroma of a display picture.

    In OKLab, L and hue kept: (a, b)' = k (a, b), with k = ``amount`` or the largest k below it that stays
    in [0, 1] and leaves the darkest plane a quarter of its light.

    Parameters
    ----------
    rgb : (3, rows, columns)
        sRGB code values; clipped to [0, 1].
    amount : float
        0 grey, 1 unchanged, above 1 more colourful.

    Returns
    -------
    (3, rows, columns) float32
        Amount 1 returns ``rgb`` itself. NaN is kept.

    References
    ----------
    Ottosson (2020), "A perceptual color space for image processing".

    Examples
    --------
    >>> saturate(np.array([[[0.8]], [[0.4]], [[0.4]]]), amount=0.0).round(3).ravel()
    array([0.538, 0.538, 0.538], dtype=float32)
    """
    if not np.isfinite(amount) or amount < 0.0:
        raise ValueError(f"amount is {amount}, not 0 or above")
    if amount == 1.0:
        return rgb
    return _touched(_codes(rgb), _no_shift(), saturation=amount, green_limit=0.0)[0]


def finish_picture(
    rgb: NDArray[np.floating],
    *,
    saturation: float = 1.0,
    chroma_reduction: float = 0.0,
    green_limit: float = 0.0,
    spared: NDArray[np.float32] | None = None,
    compare: bool = True,
) -> tuple[NDArray[np.floating], Finished | None]:
    """Limit green, take out colour noise and scale chroma, in that order.

    Parameters
    ----------
    rgb : (3, rows, columns)
        sRGB code values; clipped to [0, 1].
    saturation : float
        See `saturate`.
    chroma_reduction : float
        0 to 1: share of the colour noise of 4 to 64 px to take out.
    green_limit : float
        0 to 1: share of the green above the larger of red and blue to take out.
    spared : (rows, columns) float32, optional
        0 to 1: where chroma reduction takes nothing, such as a mask of stars; means over 4 x 4 pixels count.
    compare : bool
        Measure what it did.

    Returns
    -------
    rgb : (3, rows, columns) float32
        ``rgb`` itself where nothing is asked for or nothing is there. NaN is kept.
    finished : Finished or None
        None where ``rgb`` itself is returned, or nothing was to be measured.

    Notes
    -----
    Chroma reduction: the starlet bands of a and b of 4-px means lose ``chroma_reduction * e / (1 + (m / 4)^6)`` of
    each value, m its distance from its neighbourhood in sigma of the band, (a, b) together, and
    e = 1 / (1 + ((L - L_sky) / 0.25)^2) for L above the sky, so that significant colour and bright light keep theirs.
    Sigma is that of the sky, where chroma is noisiest: a star's is surer than it says, and a pale star's colour, a
    few sigma of a few blocks, would be halved. Hence ``spared``.

    Green limit: g' = g - k (x - n), x = w max(0, g - max(r, b)). w is 1 in the dark and fades to 0 from 0.25 to 0.5.
    Of a neutral noisy sky x has a mean above 0, since it is one-sided; n is what the local mean of x (16 px) holds
    beyond the excess of the local means, so that the noise loses its green while the sky's mean stays neutral.

    References
    ----------
    Starck & Murtagh (1998), PASP 110, 193, for the starlet and noise by bands (from memory); the weights and the
    mean-keeping limit are derived here.
    """
    for name, value, most in (
        ("saturation", saturation, np.inf),
        ("chroma_reduction", chroma_reduction, 1.0),
        ("green_limit", green_limit, 1.0),
    ):
        if not 0.0 <= value <= most:
            raise ValueError(f"{name} is {value}, not from 0 to {most:g}")
    if saturation == 1.0 and chroma_reduction == 0.0 and green_limit == 0.0:
        return rgb, None
    codes = _codes(rgb)
    before = _block_means(codes)
    if np.isnan(before).all():
        return rgb, None
    shift = _no_shift()
    if chroma_reduction > 0.0 or green_limit > 0.0:
        kept = None if spared is None else _mask_means(spared)
        shift = noise_shifts(before, chroma_reduction=chroma_reduction, green_limit=green_limit, spared=kept)
    result, outside = _touched(codes, shift, saturation=saturation, green_limit=green_limit)
    if not compare:
        return result, None
    return result, _compared(before[:3], _block_means(result)[:3], outside)


# --- the full picture -------------------------------------------------------------------------------------


def _codes(rgb: NDArray[np.floating]) -> Array:
    if rgb.ndim != 3 or rgb.shape[0] != 3:
        raise ValueError(f"a picture is (3, rows, columns), not {rgb.shape}")
    return np.ascontiguousarray(rgb, dtype=np.float32)


def _no_shift() -> Array:
    return np.zeros((3, 1, 1), dtype=np.float32)


def _block_means(codes: Array) -> Array:
    """Return means over 4 x 4 pixels of red, green, blue and green's excess x, (4, ...); NaN where all are missing.

    Blocks at the far edges are smaller where the sides are no multiple of 4.
    """
    rows, columns = codes.shape[1:]
    out = np.empty((4, -(-rows // BLOCK_PX), -(-columns // BLOCK_PX)), dtype=np.float32)
    map_row_blocks(lambda block: _mean_rows(codes, out, block.start, block.stop), rows)
    return out


def _mask_means(mask: NDArray[np.float32]) -> Array:
    """Return means of a mask over the blocks of `_block_means`."""
    rows, columns = mask.shape
    out = np.empty((-(-rows // BLOCK_PX), -(-columns // BLOCK_PX)), dtype=np.float32)

    def fill_rows(block: slice) -> None:
        here = mask[block.start * BLOCK_PX : block.stop * BLOCK_PX]
        whole = np.pad(here, ((0, -len(here) % BLOCK_PX), (0, -columns % BLOCK_PX)), mode="edge")
        out[block] = whole.reshape(-1, BLOCK_PX, out.shape[1], BLOCK_PX).mean(axis=(1, 3))

    map_row_blocks(fill_rows, len(out))
    return out


def _touched(codes: Array, shift: Array, *, saturation: float, green_limit: float) -> tuple[Array, float]:
    """Return the picture with the shifts and factors applied, and the share of pixels out of gamut."""
    out = np.empty_like(codes)
    matrices = [
        np.ascontiguousarray(matrix, dtype=np.float32)
        for matrix in (RGB_TO_LMS, LMS_TO_OKLAB, OKLAB_TO_LMS, LMS_TO_RGB)
    ]
    factors = np.array([saturation, green_limit], dtype=np.float32)

    def measure_rows(block: slice) -> int:
        return int(_touch_rows(codes, out, shift, *matrices, _TABLES, factors, (block.start, block.stop)))

    outside = sum(map_row_blocks(measure_rows, codes.shape[1]))
    return out, outside / codes[0].size


@kernel
def _mean_rows(codes: Any, out: Any, start: int, stop: int) -> None:
    columns = codes.shape[2]
    for top in range(start, stop, 4):
        for left in range(0, columns, 4):
            red = green = blue = excess = 0.0
            count = 0
            for y in range(top, min(top + 4, stop)):
                for x in range(left, min(left + 4, columns)):
                    r, g, b = codes[0, y, x], codes[1, y, x], codes[2, y, x]
                    if np.isnan(r) or np.isnan(g) or np.isnan(b):
                        continue
                    other = max(r, b)
                    if g > other:
                        excess += (g - other) * min(max((BRIGHT - other) / (BRIGHT - DARK), 0.0), 1.0)
                    red += r
                    green += g
                    blue += b
                    count += 1
            values = (red, green, blue, excess)
            for plane in range(4):
                out[plane, top // 4, left // 4] = values[plane] / count if count else np.nan


_HALF, _ONE, _QUARTER = np.float32(0.5), np.float32(1.0), np.float32(0.25)
_ZERO, _LOW, _HIGH = np.float32(0.0), np.float32(-7e-6), np.float32(1.0 + 7e-6)
_BRIGHT, _FADE = np.float32(BRIGHT), np.float32(1.0 / (BRIGHT - DARK))
_STEPS, _TINY, _THIRD = np.float32(4096), np.float32(1e-30), np.float32(1.0 / 3.0)
_TABLE = np.arange(4098) / 4096.0
_TO_LIGHT = srgb_decode(_TABLE).astype(np.float32)
_FROM_ROOT = srgb_encode(_TABLE**2).astype(np.float32)
_TABLES = np.stack([_TO_LIGHT, np.diff(_TO_LIGHT, append=0.0), _FROM_ROOT, np.diff(_FROM_ROOT, append=0.0)])
_PIECE = 512
_SECOND, _THIRD_ORDER = np.float32(2.0 / 9.0), np.float32(14.0 / 81.0)
# Read with straight lines between the entries, both are within 6e-8: the curvature of the first is at most 3, that of
# code over the square root of light at most 4.5, times (1 / 4096)^2 / 8. Powers took three times as long.


@kernel
def _touch_rows(
    codes: Any,
    out: Any,
    shift: Any,
    to_lms: Any,
    to_lab: Any,
    from_lab: Any,
    to_rgb: Any,
    tables: Any,
    factors: Any,
    rows: tuple[int, int],
) -> int:
    # Many short loops over a piece of a row that stays in the nearest cache: a compiler makes each of them take eight
    # pixels at a time, which it does not with one long loop (three times as slow). They stand in one kernel, since a
    # call inside a kernel would have to be a kernel itself.
    columns, high, wide = codes.shape[2], shift.shape[1], shift.shape[2]
    line = np.empty((3, wide), np.float32)
    moved = np.empty((3, columns), np.float32)
    red, green, blue = (
        np.empty(_PIECE, np.float32),
        np.empty(_PIECE, np.float32),
        np.empty(_PIECE, np.float32),
    )
    long, mid, short = (
        np.empty(_PIECE, np.float32),
        np.empty(_PIECE, np.float32),
        np.empty(_PIECE, np.float32),
    )
    root, inside = np.empty((3, _PIECE), np.float32), np.empty(_PIECE, np.bool_)
    floor = np.empty(_PIECE, np.float32)
    bits = root.view(np.int32)
    decode, decode_step, encode, encode_step = tables[0], tables[1], tables[2], tables[3]
    saturation, limit = factors[0], factors[1]
    outside = 0
    for y in range(rows[0], rows[1]):
        place = min(max((np.float32(y) + _HALF) * _QUARTER - _HALF, _ZERO), np.float32(high - 1))
        above = int(place)
        below = min(above + 1, high - 1)
        part = place - np.float32(above)
        for k in range(3):
            for x in range(wide):
                line[k, x] = shift[k, above, x] + part * (shift[k, below, x] - shift[k, above, x])
            moved[k, :2] = line[k, 0]
            # Pixels 2 to 5 lie between the centres of blocks 0 and 1, and so on.
            for left in range(wide - 1):
                step = line[k, left + 1] - line[k, left]
                for j in range(4):
                    x = 4 * left + 2 + j
                    if x < columns:
                        moved[k, x] = line[k, left] + (_HALF * np.float32(j) + _QUARTER) * _HALF * step
            if 4 * wide - 2 < columns:
                moved[k, 4 * wide - 2 :] = line[k, wide - 1]
        for start in range(0, columns, _PIECE):
            size = min(_PIECE, columns - start)
            piece = slice(start, start + size)
            reds, greens, blues = codes[0, y, piece], codes[1, y, piece], codes[2, y, piece]
            for source, light in ((reds, red), (greens, green), (blues, blue)):
                for x in range(size):
                    # Missing pixels pass as 0 here, and are missing again in the end.
                    value = source[x] if source[x] > _ZERO else _ZERO
                    light[x] = value if value < _ONE else _ONE
            if limit > _ZERO:
                noise = moved[0, piece]
                for x in range(size):
                    other = max(red[x], blue[x])
                    faded = min(max((_BRIGHT - other) * _FADE, _ZERO), _ONE)
                    value = green[x] - limit * faded * (max(green[x] - other, _ZERO) - noise[x])
                    green[x] = min(max(value, _ZERO), _ONE)
            for light in (red, green, blue):
                for x in range(size):
                    place = light[x] * _STEPS
                    entry = np.uint32(place)
                    light[x] = decode[entry] + (place - np.float32(entry)) * decode_step[entry]
            for x in range(size):
                floor[x] = KEPT_LIGHT * min(min(red[x], green[x]), blue[x]) + _LOW
            for k, cone in ((0, long), (1, mid), (2, short)):
                c_red, c_green, c_blue = to_lms[k, 0], to_lms[k, 1], to_lms[k, 2]
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
            for x in range(size):
                black = min(min(long[x], mid[x]), short[x]) < _TINY
                l_root[x] = _ZERO if black else l_root[x]
                m_root[x] = _ZERO if black else m_root[x]
                s_root[x] = _ZERO if black else s_root[x]
            lightness, a, b = long, mid, short
            for k, value_of in ((0, lightness), (1, a), (2, b)):
                c_l, c_m, c_s = to_lab[k, 0], to_lab[k, 1], to_lab[k, 2]
                for x in range(size):
                    value_of[x] = c_l * l_root[x] + c_m * m_root[x] + c_s * s_root[x]
            for k, value_of in ((1, a), (2, b)):
                taken = moved[k, piece]
                for x in range(size):
                    value_of[x] = saturation * (value_of[x] - taken[x])
            for k in range(3):
                near, c_a, c_b = root[k], from_lab[k, 1], from_lab[k, 2]
                for x in range(size):
                    t = lightness[x] + (c_a * a[x] + c_b * b[x])
                    near[x] = t * t * t
            for k, light in ((0, red), (1, green), (2, blue)):
                c_l, c_m, c_s = to_rgb[k, 0], to_rgb[k, 1], to_rgb[k, 2]
                for x in range(size):
                    light[x] = c_l * l_root[x] + c_m * m_root[x] + c_s * s_root[x]
            for x in range(size):
                least = min(min(red[x], green[x]), blue[x])
                most = max(max(red[x], green[x]), blue[x])
                inside[x] = (least >= floor[x]) & (most <= _HIGH)
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
                    if min(min(r, g), u) >= floor[x] and max(max(r, g), u) <= _HIGH:
                        low = share
                    else:
                        top = share
                red[x], green[x], blue[x] = r, g, u
            for k, light in ((0, red), (1, green), (2, blue)):
                target = out[k, y, piece]
                for x in range(size):
                    light[x] = np.sqrt(min(max(light[x], _ZERO), _ONE)) * _STEPS
                for x in range(size):
                    entry = np.uint32(light[x])
                    value = encode[entry] + (light[x] - np.float32(entry)) * encode_step[entry]
                    known = not np.isnan(reds[x] + greens[x] + blues[x])
                    target[x] = value if known else np.nan
    return outside


# --- what it did ------------------------------------------------------------------------------------------


def _compared(before: Array, after: Array, outside: float) -> Finished:
    (noise_before, light_before), (noise_after, light_after) = map_together(_noise_and_light, (before, after))
    noise = {size: (noise_before[size], noise_after[size]) for size in noise_before}
    light = [light_before, light_after]
    change = ciede2000(*(linear_to_lab(colour) for colour in light))
    labs = [linear_to_oklab(colour) for colour in light]
    brightness = luminance(light[0])
    dark = brightness <= np.nanmedian(brightness)
    chroma = [float(np.nanmean(np.hypot(lab[1], lab[2]))) for lab in labs]
    tint = [float(np.hypot(*(np.nanmedian(lab[k][dark]) for k in (1, 2)))) for lab in labs]
    return Finished(
        chroma_noise=noise,
        mean_chroma=(chroma[0], chroma[1]),
        sky_tint=(tint[0], tint[1]),
        colour_change=float(np.nanmedian(change)),
        colour_change_95=float(np.nanpercentile(change, 95)),
        out_of_gamut=outside,
    )


def _noise_and_light(means: Array) -> tuple[dict[int, float], NDArray[np.float64]]:
    """Return the chroma noise by the size of its means, and the linear light of means over 16 pixels."""
    lab = linear_to_oklab(srgb_decode(np.maximum(_strips(means), 0.0)))
    noise = {BLOCK_PX * size: _chroma_noise(lab, size) for size in (1, 4)}
    large = np.stack([bin_mean(plane, 4) for plane in means])
    if not large.size:
        large = means.astype(np.float64)
    return noise, srgb_decode(np.maximum(large, 0.0))


def _chroma_noise(lab: Array, size: int) -> float:
    planes = [plane if size == 1 else bin_mean(plane, size) for plane in lab[1:]]
    a, b = (difference_noise(plane) for plane in planes)
    return float(np.hypot(a, b))


def _strips(planes: Array) -> Array:
    """Return the middle third of the rows of a large picture, all of a small one: enough for a median."""
    rows = planes.shape[1]
    return planes if planes[0].size < 400_000 else planes[:, rows // 3 : 2 * rows // 3]
