"""The transfer curve of sRGB, a block of values at a time: light to code values and back, IEC 61966-2-1:1999."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel

Array = NDArray[Any]


def encode_block(light: Array) -> Array:
    """Return code values of light, whatever their shape; odd-symmetric below 0.

    float32 in [0, 1] goes through a polynomial in the fourth root of light, as near as float32's own rounding:
    2.8e-7 at worst, measured against float64 on four million values.
    """
    if light.dtype != np.float32:
        return np.copysign(_encode_exactly(np.abs(light)), light)
    return _by_kernel(_encode_unit, _encode_exactly, light)


def decode_block(code: Array) -> Array:
    """Return light of code values, whatever their shape; odd-symmetric below 0.

    float32 in [0, 1] goes through a polynomial, within 4e-7, and within 1e-6 of the light: as float32's logarithm.
    """
    if code.dtype != np.float32:
        return np.copysign(_decode_exactly(np.abs(code)), code)
    return _by_kernel(_decode_unit, _decode_exactly, code)


def _by_kernel(unit: Callable[..., Any], exactly: Callable[[Array], Array], values: Array) -> Array:
    """Compute values in [-1, 1] and NaN by a kernel, and others by themselves, whatever their neighbours are."""
    source = np.ascontiguousarray(values).reshape(-1)
    out = np.empty_like(source)
    if unit(source, out):
        large = np.abs(source) > 1.0
        out[large] = np.copysign(exactly(np.abs(source[large])), source[large])
    return out.reshape(values.shape)


def _encode_exactly(light: Array) -> Array:
    small = light <= 0.0031308
    # exp of log is three times as fast as the general power; 0 gives exp(-inf) = 0, which `small` replaces.
    with np.errstate(all="ignore"):
        code = np.log(light)
        code *= 1.0 / 2.4
        np.exp(code, out=code)
    code *= 1.055
    code -= 0.055
    np.multiply(light, 12.92, out=code, where=small)
    return code


def _decode_exactly(code: Array) -> Array:
    small = code <= 0.04045
    light = code + 0.055
    light *= 1.0 / 1.055
    with np.errstate(all="ignore"):
        np.log(light, out=light)
        light *= 2.4
        np.exp(light, out=light)
    np.multiply(code, 1.0 / 12.92, out=light, where=small)
    return light


_f = np.float32
# Derived here: Chebyshev fits of degree 9, as powers of u, which runs from -1 to 1; for 1.055 s^(5/3) - 0.055,
# s = light^(1/4), and for v^0.8, v = sqrt((code + 0.055) / 1.055). White must stay white: `min`, and the last digit
# of the first number of _DECODE, see to it that 1 gives 1.
_ENCODE = tuple(
    _f(c)
    for c in (
        *(0.418389962, 0.487125902, 0.100251265, -0.00687645783, 0.00142183758),
        *(-0.00041286179, 0.000123021281, -4.27588479e-05, 3.88484496e-05, -1.87722359e-05),
    )
)
_DECODE = tuple(
    _f(c)
    for c in (
        *(0.70882918, 0.304812682, -0.0163837869, 0.0035220595, -0.00104738474),
        *(0.000362629945, -0.000119309099, 4.45603432e-05, -3.81490575e-05, 1.77741243e-05),
    )
)
_ENCODE_SPAN = (_f(2.619669900441418), _f(1.619669900441418))
_DECODE_SPAN = (_f(2.860366294916934), _f(1.860366294916934))
_LINEAR, _LIGHT_KNEE, _CODE_KNEE = _f(12.92), _f(0.0031308), _f(0.04045)
_LINEAR_BACK, _OFFSET, _SHRINK, _ONE = _f(1.0 / 12.92), _f(0.055), _f(1.0 / 1.055), _f(1.0)


@kernel
def _encode_unit(light, out):  # type: ignore[no-untyped-def]
    # Of this and the next: True where a value is above 1, or below -1.
    a, b = _ENCODE_SPAN
    c0, c1, c2, c3, c4, c5, c6, c7, c8, c9 = _ENCODE
    large = False
    for i in range(light.size):
        here = abs(light[i])
        large |= here > _ONE
        u = np.sqrt(np.sqrt(here)) * a - b
        low = (((c4 * u + c3) * u + c2) * u + c1) * u + c0
        high = (((c9 * u + c8) * u + c7) * u + c6) * u + c5
        u2 = u * u
        code = high * (u2 * u2 * u) + low
        out[i] = np.copysign(min(code, _ONE) if here > _LIGHT_KNEE else here * _LINEAR, light[i])
    return large


@kernel
def _decode_unit(code, out):  # type: ignore[no-untyped-def]
    a, b = _DECODE_SPAN
    c0, c1, c2, c3, c4, c5, c6, c7, c8, c9 = _DECODE
    large = False
    for i in range(code.size):
        here = abs(code[i])
        large |= here > _ONE
        w = (here + _OFFSET) * _SHRINK
        u = np.sqrt(w) * a - b
        low = (((c4 * u + c3) * u + c2) * u + c1) * u + c0
        high = (((c9 * u + c8) * u + c7) * u + c6) * u + c5
        u2 = u * u
        light = min((high * (u2 * u2 * u) + low) * (w * w), _ONE)
        out[i] = np.copysign(light if here > _CODE_KNEE else here * _LINEAR_BACK, code[i])
    return large
