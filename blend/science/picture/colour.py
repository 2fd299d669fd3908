"""Luminance and putting a new one back, the gamut, and the colour of stars; colour spaces stand beside.

Colours are planar: three planes first, (3, ...). Light is linear sRGB (BT.709 primaries, white D65); code
values are sRGB, IEC 61966-2-1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.transfer import decode_block, encode_block
from blend.science.picture.colourspace import (
    LMS_TO_RGB,
    OKLAB_TO_LMS,
    RGB_TO_XYZ,
    XYZ_TO_RGB,
    Array,
    cie_f,
    cube_root,
    lab_to_linear_block,
    linear_to_lab_block,
    linear_to_oklab_block,
    map_pixels,
    mix_planes,
    oklab_to_linear_block,
    three_planes,
)

LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Recommendation ITU-R BT.709: luminance of linear red, green, blue."""

ROUNDING = 2e-6
"""What float32 leaves of matrices and powers there and back: no colour is outside by so little."""

SAME_CODE = 6e-8
"""Change of a code value that is none: float32 has no finer step just below 1; a 16-bit code value is 1.5e-5."""

DARKEST = 1e-6
"""Luminance below which a colour has no ratio worth keeping; one 16-bit code value is 1.2e-6."""

Method = Literal["ratio", "cielab", "oklab"]

# --- luminance ------------------------------------------------------------------------------------------


def luminance(rgb: Array) -> Array:
    """Return the luminance of linear light.

    Y = 0.2126 R + 0.7152 G + 0.0722 B

    Parameters
    ----------
    rgb : (3, ...)
        Linear.

    Returns
    -------
    (...) array

    References
    ----------
    Recommendation ITU-R BT.709.
    """
    return map_pixels(_luminance_block, three_planes(rgb), planes=0)


def display_luminance(rgb: Array) -> Array:
    """Return the code value of the luminance of a display picture, (3, ...) to (...).

    Y' = encode(0.2126 decode(R) + 0.7152 decode(G) + 0.0722 decode(B)); what a display formula is given as
    ``base``.
    """

    def change_block(block: Array) -> Array:
        return encode_block(_luminance_block(decode_block(block)))

    return map_pixels(change_block, three_planes(rgb), planes=0)


def replace_luminance(rgb: Array, y_new: Array, *, method: Method = "ratio", floor: float = DARKEST) -> Array:
    """Give linear light a new luminance and keep its colour.

    ``ratio``: rgb * (y_new / Y), every ratio of planes kept. ``cielab``: L* of the new luminance, a* and b*
    kept. ``oklab``: a and b kept, L moved until the luminance is the new one. The last two desaturate what
    they brighten.

    Parameters
    ----------
    rgb : (3, ...)
        Linear.
    y_new : (...)
        Luminance wanted, linear.
    method : "ratio", "cielab" or "oklab"
    floor : float
        Luminance below which colour is noise: a few sigma of the sky in a sky-subtracted picture.

    Returns
    -------
    (3, ...) array
        Its luminance is ``y_new``; to 2e-4 under ``cielab``, whose Y has more digits than BT.709's weights.
        May leave [0, 1].

    Notes
    -----
    Dividing by a luminance that is noise would paint the sky in every colour. Below ``floor``, and where
    ``y_new`` is not above 0, the pixel is shifted by ``y_new - Y`` in all planes alike; from ``floor`` to
    twice that the two answers are mixed, which keeps the luminance.

    References
    ----------
    ISO/CIE 11664-4 for CIELAB; Ottosson (2020) for OKLab. Solving L for the luminance is derived here.

    Examples
    --------
    >>> replace_luminance(np.array([0.2, 0.1, 0.05]), np.array(2 * 0.11765))
    array([0.4, 0.2, 0.1])
    """
    replace = _replacer(method, floor)
    return map_pixels(replace, three_planes(rgb), np.asarray(y_new))


def set_display_luminance(
    rgb: Array,
    y_new: Array,
    *,
    method: Method = "ratio",
    floor: float = DARKEST,
    y_old: Array | None = None,
    counted: GamutCount | None = None,
) -> tuple[NDArray[np.float32], float]:
    """Give a display picture a new luminance and keep its colour.

    Code values are decoded, the luminance replaced, light brought into [0, 1] at that luminance, and encoded.

    Parameters
    ----------
    rgb : (3, rows, columns)
        sRGB code values.
    y_new : (rows, columns)
        Code value of the luminance wanted (see `display_luminance`); clipped to [0, 1].
    method, floor
        As `replace_luminance`; ``floor`` is light, not a code value.
    y_old : (rows, columns), optional
        What `display_luminance` gives for ``rgb``, where it is at hand; saves computing it again.
    counted : GamutCount, optional
        Counts on: for a picture that is made part by part, whose share it knows in the end.

    Returns
    -------
    rgb : (3, rows, columns) float32
    share : float
        Share of the pixels with data whose colour had to give up chroma; NaN where ``counted`` is to tell it.

    Notes
    -----
    A pixel inside [0, 1] whose luminance does not change, by more than the last bit of a float32, keeps its bits.
    """
    replace, own = _replacer(method, floor), counted is None
    counted = counted or GamutCount()

    def change(block: Array, y_block: Array) -> Array:
        light = counted.fit(replace(decode_block(block), decode_block(y_block)))
        return np.minimum(encode_block(light), 1.0)

    def change_block(block: Array, y_block: Array, old: Array) -> Array:
        wanted = np.clip(y_block, 0.0, 1.0)
        kept = np.abs(wanted - old) <= SAME_CODE
        kept &= (block.min(axis=0) >= 0.0) & (block.max(axis=0) <= 1.0)
        count = int(np.count_nonzero(kept))
        if count == 0:
            return change(block, wanted)
        counted.add_inside(count)
        if count == kept.size:
            return block
        result, changed = block.copy(), np.flatnonzero(~kept)
        made = change(block.take(changed, axis=1), wanted[changed])
        for plane, values in zip(result, made, strict=True):
            plane[changed] = values
        return result

    codes = np.asarray(three_planes(rgb), dtype=np.float32)
    before = display_luminance(codes) if y_old is None else y_old
    targets = (np.asarray(y, dtype=np.float32) for y in (y_new, before))
    made = map_pixels(change_block, codes, *targets)
    return made, counted.share if own else float("nan")


def _luminance_block(rgb: Array) -> Array:
    red, green, blue = LUMINANCE_WEIGHTS
    return red * rgb[0] + green * rgb[1] + blue * rgb[2]  # type: ignore[no-any-return]


def _replacer(method: Method, floor: float) -> Callable[[Array, Array], Array]:
    table: dict[str, Callable[[Array, Array, Array], Array]] = {
        "ratio": _by_ratio,
        "cielab": _by_cielab,
        "oklab": _by_oklab,
    }
    if method not in table:
        raise ValueError(f"method is {method!r}, not one of {', '.join(table)}")
    if not floor > 0.0:
        raise ValueError(f"floor is {floor}, not above 0")

    def change_block(rgb: Array, y_new: Array) -> Array:
        y_old = _luminance_block(rgb)
        with np.errstate(all="ignore"):
            result = table[method](rgb, y_old, y_new)
        weight = np.where(y_new > 0.0, np.clip(y_old * (1.0 / floor) - 1.0, 0.0, 1.0), 0.0)
        dark = ~(weight >= 1.0)
        if dark.any():
            part = weight[dark]
            shifted = rgb[:, dark] + (y_new[dark] - y_old[dark])
            result[:, dark] = np.where(part > 0.0, part * result[:, dark], 0.0) + (1.0 - part) * shifted
        return result

    return change_block


def _by_ratio(rgb: Array, y_old: Array, y_new: Array) -> Array:
    return rgb * (y_new / y_old)


def _by_cielab(rgb: Array, y_old: Array, y_new: Array) -> Array:
    lab = linear_to_lab_block(rgb)
    # The ratio carries the new value over from BT.709's four digits to the Y of CIE XYZ.
    y_xyz = mix_planes(RGB_TO_XYZ, rgb)[1] * (y_new / y_old)
    lab[0] = 116.0 * cie_f(y_xyz) - 16.0
    return lab_to_linear_block(lab)


def _by_oklab(rgb: Array, y_old: Array, y_new: Array) -> Array:
    lab = linear_to_oklab_block(rgb)
    weights = (np.asarray(LUMINANCE_WEIGHTS) @ LMS_TO_RGB).tolist()
    offsets = [row[1] * lab[1] + row[2] * lab[2] for row in OKLAB_TO_LMS.tolist()]
    # Y is a cubic in L that rises, nearly a cube: Newton's steps from a pure cube's answer settle in four.
    lab[0] = lab[0] * cube_root(y_new / y_old)
    for _ in range(4):
        roots = [lab[0] + offset for offset in offsets]
        squares = [root * root for root in roots]
        excess = -y_new
        slope = np.zeros_like(y_new)
        for weight, root, square in zip(weights, roots, squares, strict=True):
            excess = excess + weight * (square * root)
            slope += 3.0 * weight * square
        lab[0] -= np.where(slope > 1e-12, excess / slope, 0.0)
    return oklab_to_linear_block(lab)


class GamutCount:
    """Brings light into [0, 1] by giving up chroma, and counts the pixels that were outside, from several threads.

    rgb' = Y + s (rgb - Y) with the largest s in [0, 1] that fits. CIE lightness depends on Y alone, so it is kept; so
    is the dominant wavelength, since the mixture moves on a straight line to the white. Amounts below 2e-6 are
    rounding: they are clipped and not counted.

    Examples
    --------
    >>> counted = GamutCount()
    >>> np.round(counted.fit(np.array([[2.0], [0.0], [0.0]]))[:, 0], 4), counted.share
    (array([1.  , 0.27, 0.27]), 1.0)
    """

    def __init__(self) -> None:
        # list.append is atomic; sums of whole numbers do not depend on the order of the threads.
        self._counts: list[tuple[int, int]] = []

    @property
    def share(self) -> float:
        """Share of the pixels with data that were outside so far."""
        outside = sum(count for count, _ in self._counts)
        total = sum(count for _, count in self._counts)
        return outside / total if total else 0.0

    def add_inside(self, count: int) -> None:
        """Count pixels that are known to be inside."""
        self._counts.append((0, count))

    def fit(self, rgb: Array) -> Array:
        """Return light in [0, 1] at its own luminance."""
        lowest, highest = rgb.min(axis=0), rgb.max(axis=0)
        outside = (lowest < -ROUNDING) | (highest > 1.0 + ROUNDING)
        count = int(np.count_nonzero(outside))
        self._counts.append((count, int(np.count_nonzero(~np.isnan(lowest)))))
        result = np.clip(rgb, 0.0, 1.0)
        if count:
            result[:, outside] = _desaturated(rgb[:, outside])
        return result


def _desaturated(rgb: Array) -> Array:
    y = np.clip(_luminance_block(rgb), 0.0, 1.0)
    away = rgb - _luminance_block(rgb)
    up, down = np.maximum(away.max(axis=0), 1e-12), np.maximum(-away.min(axis=0), 1e-12)
    share = np.minimum(np.minimum((1.0 - y) / up, y / down), 1.0)
    return np.clip(y + share * away, 0.0, 1.0)  # type: ignore[no-any-return]


# --- the colour of stars --------------------------------------------------------------------------------


def ballesteros_temperature(b_v: float) -> float:
    """Return the temperature of a star from its B - V, in kelvin.

    T = 4600 (1 / (0.92 (B-V) + 1.7) + 1 / (0.92 (B-V) + 0.62))

    Raises
    ------
    ValueError
        B - V outside -0.6 to 6.

    References
    ----------
    Ballesteros (2012), EPL 97, 34008, eq. 14.

    Examples
    --------
    >>> round(ballesteros_temperature(0.65), 1)
    5778.4
    """
    # the second denominator is 0 at -0.67, and no star is redder than 6
    if not -0.6 < b_v < 6.0:
        raise ValueError(f"B - V is {b_v}, outside -0.6 to 6")
    return 4600.0 * (1.0 / (0.92 * b_v + 1.7) + 1.0 / (0.92 * b_v + 0.62))


def black_body_rgb(temperature_k: float) -> NDArray[np.float64]:
    """Return the linear sRGB of a black body, green = 1.

    Parameters
    ----------
    temperature_k : float
        1667 to 25000 K; see `ballesteros_temperature` for a star's.

    Returns
    -------
    (3,) float64
        Red, green, blue. Within 0.3 % of Planck's law through the CIE 1931 observer for 3100 to 17000 K.

    Raises
    ------
    ValueError
        A temperature outside 1667 to 25000 K.

    References
    ----------
    Kang, Moon, Hong, Lee, Cho & Kim (2002), J. Korean Phys. Soc. 41, 865, for the Planckian locus in xy.

    Examples
    --------
    >>> np.round(black_body_rgb(ballesteros_temperature(0.65)), 2)
    array([1.14, 1.  , 0.94])
    """
    t = float(temperature_k)
    if not 1667.0 <= t <= 25000.0:
        raise ValueError(f"the temperature is {t} K, outside 1667 to 25000 K")
    if t <= 4000.0:
        x = -0.2661239e9 / t**3 - 0.2343589e6 / t**2 + 0.8776956e3 / t + 0.179910
    else:
        x = -3.0258469e9 / t**3 + 2.1070379e6 / t**2 + 0.2226347e3 / t + 0.240390
    if t <= 2222.0:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif t <= 4000.0:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    rgb = mix_planes(XYZ_TO_RGB, np.array([x / y, 1.0, (1.0 - x - y) / y]))
    return rgb / rgb[1]  # type: ignore[no-any-return]


def star_rgb(b_v: float) -> NDArray[np.float64]:
    """Return the linear sRGB, green = 1, of a star of colour index B - V taken as a black body.

    Examples
    --------
    >>> np.round(star_rgb(0.0), 2)
    array([0.87, 1.  , 1.45])
    """
    return black_body_rgb(ballesteros_temperature(b_v))
