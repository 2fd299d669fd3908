"""Colour spaces: sRGB code values, linear light, CIELAB and OKLab, CIEDE2000.

Colours are planar: three planes first, (3, ...). Light is linear sRGB (BT.709 primaries, white D65); code
values are sRGB, IEC 61966-2-1. Large pictures are worked in small chunks on all threads, in their own
precision.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.base.transfer import decode_block, encode_block

# Exact for primaries (.64, .33), (.30, .60), (.15, .06) and white (.3127, .3290); CSS Color Module Level 4,
# sample code.
RGB_TO_XYZ = np.array(
    [
        [506752 / 1228815, 87881 / 245763, 12673 / 70218],
        [87098 / 409605, 175762 / 245763, 12673 / 175545],
        [7918 / 409605, 87881 / 737289, 1001167 / 1053270],
    ]
)
XYZ_TO_RGB = np.linalg.inv(RGB_TO_XYZ)
WHITE_D65 = RGB_TO_XYZ.sum(axis=1)

# Ottosson (2020), "A perceptual color space for image processing", with the digits of CSS Color Module
# Level 4.
XYZ_TO_LMS = np.array(
    [
        [0.8190224379967030, 0.3619062600528904, -0.1288737815209879],
        [0.0329836539323885, 0.9292868615863434, 0.0361446663506424],
        [0.0481771893596242, 0.2642395317527308, 0.6335478284694309],
    ]
)
LMS_TO_OKLAB = np.array(
    [
        [0.2104542683093140, 0.7936177747023054, -0.0040720430116193],
        [1.9779985324311684, -2.4285922420485799, 0.4505937096174110],
        [0.0259040424655478, 0.7827717124575296, -0.8086757549230774],
    ]
)
OKLAB_TO_LMS = np.linalg.inv(LMS_TO_OKLAB)
RGB_TO_LMS = XYZ_TO_LMS @ RGB_TO_XYZ
LMS_TO_RGB = np.linalg.inv(RGB_TO_LMS)

Array = NDArray[Any]

_CHUNK = 1 << 16
"""Values at a time: their temporaries stay in a core's second-level cache, as `equation.VALUES_PER_CHUNK`."""


# --- sRGB -----------------------------------------------------------------------------------------------


def srgb_encode(light: Array) -> Array:
    """Turn linear light into sRGB code values.

    c = 12.92 l for l <= 0.0031308, else 1.055 l^(1/2.4) - 0.055; odd-symmetric below 0.

    Parameters
    ----------
    light : array of any shape
        float32 is worked in float32, all else in float64. NaN is kept.

    References
    ----------
    IEC 61966-2-1:1999; CSS Color Module Level 4 for negative values.

    Examples
    --------
    >>> np.round(srgb_encode(np.array([0.18, 0.5, 0.01, -0.01])), 6)
    array([ 0.461356,  0.735357,  0.099853, -0.099853])
    """
    return _flat_chunks(encode_block, light)


def srgb_decode(code: Array) -> Array:
    """Turn sRGB code values into linear light; types and sources as `srgb_encode`.

    l = c / 12.92 for c <= 0.04045, else ((c + 0.055) / 1.055)^2.4; odd-symmetric below 0.

    Examples
    --------
    >>> np.round(srgb_decode(np.array([0.5, 0.1, 128 / 255])), 7)
    array([0.2140411, 0.0100228, 0.2158605])
    """
    return _flat_chunks(decode_block, code)


# --- CIELAB and OKLab -----------------------------------------------------------------------------------


def linear_to_lab(rgb: Array) -> Array:
    """Turn linear sRGB, (3, ...), into CIELAB L*, a*, b* under D65.

    References
    ----------
    ISO/CIE 11664-4; white from xy (0.3127, 0.3290).

    Examples
    --------
    >>> np.round(linear_to_lab(np.array([1.0, 0.0, 0.0])), 3)
    array([53.237, 80.09 , 67.203])
    """
    return map_pixels(linear_to_lab_block, three_planes(rgb))


def linear_to_oklab(rgb: Array) -> Array:
    """Turn linear sRGB, (3, ...), into OKLab L, a, b; negative cone responses keep their sign.

    References
    ----------
    Ottosson (2020); CSS Color Module Level 4.

    Examples
    --------
    >>> np.round(linear_to_oklab(np.array([1.0, 0.0, 0.0])), 6)
    array([0.627955, 0.224863, 0.125846])
    """
    return map_pixels(linear_to_oklab_block, three_planes(rgb))


def ciede2000(lab1: Array, lab2: Array) -> NDArray[np.float64]:
    """Return the CIEDE2000 colour difference of CIELAB colours, (3, ...) each, to (...).

    References
    ----------
    Sharma, Wu & Dalal (2005), Color Res. Appl. 30, 21; computed by scikit-image.
    """
    from skimage import color

    difference: Callable[..., Array] = color.deltaE_ciede2000
    pair = [np.moveaxis(three_planes(lab).astype(np.float64), 0, -1) for lab in (lab1, lab2)]
    return np.asarray(difference(*pair), dtype=np.float64)


def mix_planes(matrix: Array, planes: Array) -> Array:
    # Plane by plane: a matrix product would call BLAS, whose sums may depend on its threads.
    mixed = [row[0] * planes[0] + row[1] * planes[1] + row[2] * planes[2] for row in matrix.tolist()]
    return np.stack(mixed)


def cube_root(values: Array) -> Array:
    if values.dtype != np.float32:
        return np.cbrt(values)
    # Four times as fast as the library's cube root, and within 4e-7 of it.
    with np.errstate(all="ignore"):
        root = np.log(np.abs(values))
        root *= 1.0 / 3.0
        np.exp(root, out=root)
    return np.copysign(root, values)


def cie_f(t: Array) -> Array:
    return np.where(t > 216 / 24389, cube_root(t), (24389 / 27 * t + 16.0) / 116.0)


def _cie_f_inverse(f: Array) -> Array:
    return np.where(f > 6 / 29, f * f * f, (116.0 * f - 16.0) * (27 / 24389))


def linear_to_lab_block(rgb: Array) -> Array:
    x, y, z = cie_f(mix_planes(RGB_TO_XYZ / WHITE_D65[:, None], rgb))
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)])


def lab_to_linear_block(lab: Array) -> Array:
    y = (lab[0] + 16.0) / 116.0
    xyz = _cie_f_inverse(np.stack([y + lab[1] / 500.0, y, y - lab[2] / 200.0]))
    return mix_planes(XYZ_TO_RGB * WHITE_D65, xyz)


def linear_to_oklab_block(rgb: Array) -> Array:
    return mix_planes(LMS_TO_OKLAB, cube_root(mix_planes(RGB_TO_LMS, rgb)))


def oklab_to_linear_block(lab: Array) -> Array:
    roots = mix_planes(OKLAB_TO_LMS, lab)
    return mix_planes(LMS_TO_RGB, roots * roots * roots)


# --- chunks ---------------------------------------------------------------------------------------------


def three_planes(planes: Array) -> Array:
    """Return three planes, (3, ...), as float32 where they are, else as float64.

    Raises
    ------
    ValueError
        Another shape.
    """
    array = np.asarray(planes)
    if array.ndim < 1 or array.shape[0] != 3:
        raise ValueError(f"three planes come first, not shape {array.shape}")
    return array if array.dtype == np.float32 else array.astype(np.float64, copy=False)


def _flat_chunks(task: Callable[[Array], Array], values: Array) -> Array:
    array = np.asarray(values)
    array = array if array.dtype == np.float32 else array.astype(np.float64, copy=False)
    return map_pixels(task, array.reshape(1, -1)).reshape(array.shape)


def map_pixels(
    task: Callable[..., Array],
    first: Array,
    *more: Array,
    planes: int | None = None,
    place: Array | None = None,
) -> Array:
    """Call ``task`` on chunks of pixels of planar arrays: (planes, n), and (n,) for those in ``more``.

    ``planes`` is how many it returns, 0 for one of (n,); as many as ``first`` has where it is not given.
    ``place`` is filled in where it is given, and may be ``first``.
    """
    shape = first.shape[1:]
    planes = len(first) if planes is None else planes
    flat = first.reshape(len(first), -1)
    others = [np.broadcast_to(array, shape).reshape(-1) for array in more]
    size = flat.shape[1]
    kind = (planes, size) if planes else (size,)
    out = np.empty(kind, dtype=first.dtype) if place is None else place.reshape(kind)

    def fill(part: slice) -> None:
        with np.errstate(all="ignore"):
            out[..., part] = task(flat[:, part], *(other[part] for other in others))

    map_row_blocks(fill, size, height=_CHUNK)
    return out.reshape((planes, *shape) if planes else shape)
