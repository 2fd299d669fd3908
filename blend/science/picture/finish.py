"""Finish: the last touches on the display picture, each measured for what it did.

In this order: luminance noise of 1 to 64 px is taken out (`blend.science.picture.luma_noise`), green above red and blue
limited, colour noise of 4 to 64 px taken out, the tone shaped (`blend.science.picture.tone`), chroma scaled. Colour is
worked out on means of 4 x 4 pixels; the full picture is then gone over once. What changes the size of stars comes
behind all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.blocksums import block_means
from blend.base.robust import bin_mean, difference_noise
from blend.base.rowblocks import map_row_blocks, map_together
from blend.science.picture.brighten import brighten
from blend.science.picture.chroma import noise_shifts, saturation_shares
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
)
from blend.science.picture.finish_loops import TRANSFER_TABLES, mean_rows, touch_rows
from blend.science.picture.luma_noise import LumaNoise
from blend.science.picture.tone import Points, tone_table

Array = NDArray[np.float32]

NO_GRAIN = np.zeros((1, 1), dtype=np.float32)
"""A plane of one entry: no luma is lost."""

NO_TONE = np.ones((2, 1), dtype=np.float32)
"""A table of one entry: the tone stays."""

LOOPS = (brighten, mean_rows, touch_rows)
"""What makes a picture pixel by pixel; the page to try weights on prints them."""

WHOLE_PIXELS = 400_000
"""Blocks of a picture whose noise is measured on all of them; of more a third does. Chosen, for time."""

BLOCK_PX = 4
"""Side of the blocks whose means the neighbourhood work is done on."""


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


def finish_picture(
    rgb: NDArray[np.floating],
    *,
    saturation: float = 1.0,
    noise: LumaNoise | None = None,
    chroma_reduction: float = 0.0,
    green_limit: float = 0.0,
    contrast: float = 0.0,
    curve: Points = (),
    sky: float = 0.0,
    spared: NDArray[np.float32] | None = None,
    compare: bool = True,
    out: Array | None = None,
) -> tuple[NDArray[np.floating], Finished | None]:
    """Limit green, take out colour noise, shape the tone and scale chroma, in that order.

    Parameters
    ----------
    rgb : (3, rows, columns)
        sRGB code values; clipped to [0, 1].
    saturation : float
        0 grey, 1 unchanged, above 1 more colourful, there by `saturation_shares`: k of (a, b)' = k (a, b) in OKLab, L
        and hue kept, or the largest below it that stays in [0, 1] and leaves the darkest plane a quarter of its light.
    contrast : float
        -1 to 1; 0 is neutral. See `blend.science.picture.tone`.
    curve : sequence of (x, y)
        Points of a monotone curve, none for none; see there.
    sky : float
        Code value of the sky, which contrast and curve leave where it is.
    noise : LumaNoise, optional
        What luma loses, as `noise_of_luma` found it in this picture.
    chroma_reduction : float
        0 to 1: share of the colour noise of 4 to 64 px to take out.
    green_limit : float
        0 to 1: share of the green above the larger of red and blue to take out.
    spared : (rows, columns) float32, optional
        0 to 1: where chroma reduction takes nothing, such as a mask of stars; means over 4 x 4 pixels count.
    compare : bool
        Measure what it did.
    out : (3, rows, columns) float32, optional
        Filled with the answer; may be ``rgb`` itself.

    Returns
    -------
    rgb : (3, rows, columns) float32
        ``rgb`` itself where nothing is asked for or nothing is there. NaN is kept.
    finished : Finished or None
        None where ``rgb`` itself is returned, or nothing was to be measured.

    Raises
    ------
    ValueError
        A value outside its range.

    Notes
    -----
    Chroma reduction: of the starlet bands of a and b of 4-px means, ``chroma_reduction`` times what
    `blend.science.picture.chroma.noise_shifts` calls noise. A star's colour is sharper than its neighbourhood tells,
    and a pale star's, a few sigma of a few blocks, would be halved. Hence ``spared``.

    Green limit: g loses k (x - n), x = w max(0, g - max(r, b)), and all three planes gain the luma of that, 0.7152
    times as much: a pixel without its green is no darker. w is 1 in the dark and fades to 0 from 0.25 to 0.5.
    Of a neutral noisy sky x has a mean above 0, since it is one-sided; n is what the local mean of x (16 px) holds
    beyond the excess of the local means, so that the noise loses its green while the sky's mean stays neutral.

    References
    ----------
    Ottosson (2020), "A perceptual color space for image processing", for OKLab;
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
    shapes = contrast != 0.0 or len(curve) > 0
    if saturation == 1.0 and noise is None and chroma_reduction == green_limit == 0.0 and not shapes:
        return rgb, None
    codes = _codes(rgb)
    before = _block_means(codes)
    measured = chroma_reduction > 0.0 or green_limit > 0.0
    if np.isnan(before).all():
        return rgb, None
    bare = saturation <= 1.0 and noise is None and not measured
    shift = _no_shift() if bare else _no_shift(before.shape[1:])
    if measured:
        kept = None if spared is None else block_means(spared, BLOCK_PX, least=0.0).astype(np.float32)
        shift[:3] = noise_shifts(
            before, chroma_reduction=chroma_reduction, green_limit=green_limit, spared=kept
        )
    if saturation > 1.0:
        shift[3] = saturation_shares(before, shift)
    grain = NO_GRAIN
    if noise is not None:
        grain, shift[4] = noise.fine, noise.coarse
    tone = tone_table(sky=sky, contrast=contrast, curve=curve) if shapes else NO_TONE
    out = np.empty_like(codes) if out is None else out
    result, outside = _touched(codes, shift, grain, tone, out, saturation=saturation, limit=green_limit)
    if not compare:
        return result, None
    return result, _compared(before[:3], _block_means(result)[:3], outside)


def noise_lost(
    rgb: NDArray[np.floating],
    *,
    chroma_reduction: float,
    green_limit: float,
    spared: NDArray[np.float32] | None = None,
) -> Array:
    """Return what `finish_picture` takes out of a picture as colour noise, means over 4 x 4 pixels.

    Parameters
    ----------
    rgb, chroma_reduction, green_limit, spared
        As there.

    Returns
    -------
    (3, rows / 4, columns / 4) float32
        n of the green limit, and what OKLab's a and b lose; 0 where nothing is asked for or nothing is there.
    """
    before = _block_means(_codes(rgb))
    if np.isnan(before).all() or chroma_reduction == green_limit == 0.0:
        return np.zeros((3, *before.shape[1:]), dtype=np.float32)
    kept = None if spared is None else block_means(spared, BLOCK_PX, least=0.0).astype(np.float32)
    return noise_shifts(before, chroma_reduction=chroma_reduction, green_limit=green_limit, spared=kept)


def untouched() -> tuple[float, ...]:
    """Return what the loops take for a block that loses nothing and gets all of the saturation."""
    return tuple(float(value) for value in _no_shift()[:, 0, 0])


# --- the full picture -------------------------------------------------------------------------------------


def _codes(rgb: NDArray[np.floating]) -> Array:
    if rgb.ndim != 3 or rgb.shape[0] != 3:
        raise ValueError(f"a picture is (3, rows, columns), not {rgb.shape}")
    return np.ascontiguousarray(rgb, dtype=np.float32)


def _no_shift(shape: tuple[int, ...] = (1, 1)) -> Array:
    """Return what touches nothing: no green, chroma or luma lost, and all of the saturation everywhere."""
    shift = np.zeros((5, *shape), dtype=np.float32)
    shift[3] = 1.0
    return shift


def _block_means(codes: Array) -> Array:
    """Return means over 4 x 4 pixels of red, green, blue and green's excess x, (4, ...); NaN where all are missing.

    Blocks at the far edges are smaller where the sides are no multiple of 4.
    """
    rows, columns = codes.shape[1:]
    out = np.empty((4, -(-rows // BLOCK_PX), -(-columns // BLOCK_PX)), dtype=np.float32)
    map_row_blocks(lambda block: mean_rows(codes, out, block.start, block.stop), rows)
    return out


def _touched(
    codes: Array, shift: Array, grain: Array, tone: Array, out: Array, *, saturation: float, limit: float
) -> tuple[Array, float]:
    """Return ``out``, the picture with shifts, factors and tone applied, and the share of pixels out of gamut."""
    matrices = [
        np.ascontiguousarray(matrix, dtype=np.float32)
        for matrix in (RGB_TO_LMS, LMS_TO_OKLAB, OKLAB_TO_LMS, LMS_TO_RGB)
    ]
    factors = np.array([saturation - 1.0, limit], dtype=np.float32)

    def measure_rows(block: slice) -> int:
        return int(
            touch_rows(
                codes, out, shift, grain, *matrices, TRANSFER_TABLES, tone, factors, (block.start, block.stop)
            )
        )

    outside = sum(map_row_blocks(measure_rows, codes.shape[1]))
    return out, outside / codes[0].size


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
    return planes if planes[0].size < WHOLE_PIXELS else planes[:, rows // 3 : 2 * rows // 3]
