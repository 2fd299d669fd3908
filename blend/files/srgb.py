"""sRGB and Display P3: transfer curve, code values, and ICC profiles of fixed bytes.

A profile from a library holds today's date; this one is put together here, so that a picture is the same
bytes twice.

References
----------
IEC 61966-2-1:1999, for the curve and the primaries (those of ITU-R BT.709, white D65).
SMPTE EG 432-1 (2010), for the primaries of Display P3, whose white and curve are those of sRGB.
ICC.1:2001-04, for the profile (version 2). Lam (1985), for the Bradford adaptation from D65 to D50.
"""

from __future__ import annotations

import struct
from functools import cache

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks
from blend.base.transfer import decode_block, encode_block

Primaries = tuple[tuple[float, float], ...]
SRGB: Primaries = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))
P3: Primaries = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
_D65 = (0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290)
"""Chromaticities of red, green and blue, and XYZ of white (IEC 61966-2-1:1999)."""
_D50 = (0.9642, 1.0, 0.8249)
"""White of the profile connection space (ICC.1)."""
_BRADFORD = ((0.8951, 0.2664, -0.1614), (-0.7502, 1.7135, 0.0367), (0.0389, -0.0685, 1.0296))
"""Cone responses of the Bradford adaptation (ICC.1, annex E; from memory)."""
_CURVE_POINTS = 1024
"""Of the profile's curve, which programs interpolate: as many as common profiles have (from memory)."""


def code_values(display: NDArray[np.floating], *, bits: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return display pixels as interleaved integers (rows, columns, planes).

    code = floor((2^bits - 1) x + 1/2), x clipped to 0..1, NaN as 0.

    Parameters
    ----------
    display : (planes, rows, columns)
        sRGB code values, 0 to 1.
    bits : 8 or 16

    Examples
    --------
    >>> code_values(np.array([[[0.0, 0.5, 1.0, 1.2, np.nan]]]), bits=8).ravel()
    array([  0, 128, 255, 255,   0], dtype=uint8)
    """
    top = float(2**bits - 1)
    planes, rows, columns = display.shape
    picture = np.empty((rows, columns, planes), dtype=np.uint8 if bits == 8 else np.uint16)

    def convert(block: slice) -> None:
        for plane in range(planes):
            _fill_codes(np.ascontiguousarray(display[plane, block]), top, plane, picture[block])

    map_row_blocks(convert, rows)
    return picture


@kernel
def _fill_codes(values, top, plane, out):  # type: ignore[no-untyped-def]
    rows, columns = values.shape
    for row in range(rows):
        for column in range(columns):
            # In float64: at 16 bits float32 has few digits left below a step. The cast cuts the fraction off.
            value = np.float64(values[row, column])
            value = value if value > 0.0 else np.float64(0.0)  # NaN is not above 0
            out[row, column, plane] = np.int32(min(value, 1.0) * top + 0.5)


def display_p3(display: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return the code values of Display P3 of the same colours.

    Parameters
    ----------
    display : (3, rows, columns)
        sRGB code values, 0 to 1; NaN is kept.

    Examples
    --------
    >>> display_p3(np.array([1.0, 0.0, 0.0]).reshape(3, 1, 1)).ravel().round(4)
    array([0.9175, 0.2003, 0.1386], dtype=float32)
    """
    matrix = np.linalg.solve(_to_xyz(P3), _to_xyz(SRGB))
    out = np.empty(display.shape, dtype=np.float32)

    def convert(block: slice) -> None:
        light = decode_block(display[:, block].astype(np.float64))
        # Plane by plane: a matrix product's last bit may depend on the threads.
        for plane, (red, green, blue) in enumerate(matrix.tolist()):
            out[plane, block] = encode_block(red * light[0] + green * light[1] + blue * light[2])

    map_row_blocks(convert, display.shape[1])
    return out


@cache
def srgb_profile() -> bytes:
    """Return an ICC profile of sRGB, version 2, with a fixed date."""
    return _profile(SRGB, "sRGB IEC61966-2.1 equivalent")


@cache
def p3_profile() -> bytes:
    """Return an ICC profile of Display P3, version 2, with a fixed date."""
    return _profile(P3, "Display P3 equivalent")


def _profile(primaries: Primaries, name: str) -> bytes:
    """Return the profile of a display with these primaries, white D65 and sRGB's curve.

    Notes
    -----
    Three colorants adapted to D50 and one curve of 1024 points that all three share. Everything is rounded to
    the profile's fixed point, so the bytes do not depend on the last bit of an arithmetic.
    """
    red, green, blue = _colorants(primaries)
    curve = _curve()
    parts = [
        (b"desc", _description(name)),
        (b"cprt", b"text\0\0\0\0" + b"No copyright, use freely\0"),
        (b"wtpt", _xyz(_D65)),
        (b"rXYZ", _xyz(red)),
        (b"gXYZ", _xyz(green)),
        (b"bXYZ", _xyz(blue)),
        (b"rTRC", curve),
        (b"gTRC", curve),
        (b"bTRC", curve),
    ]
    offset = 128 + 4 + 12 * len(parts)
    table, data, seen = struct.pack(">I", len(parts)), b"", {}
    for signature, body in parts:
        if body not in seen:
            seen[body] = offset + len(data)
            data += body + b"\0" * (-len(body) % 4)
        table += struct.pack(">4sII", signature, seen[body], len(body))
    return _head(offset + len(data)) + table + data


def _head(size: int) -> bytes:
    """Return the 128 bytes of the profile header: display device, RGB to XYZ, perceptual, white D50."""
    date = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)
    head = struct.pack(">I4sI4s4s4s", size, b"\0" * 4, 0x02100000, b"mntr", b"RGB ", b"XYZ ")
    head += date + b"acsp" + b"\0" * 24 + struct.pack(">I", 0) + _xyz(_D50)[8:]
    return head + b"\0" * (128 - len(head))


def _xyz(values: tuple[float, float, float]) -> bytes:
    return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(value * 65536.0) for value in values))


def _description(text: str) -> bytes:
    letters = text.encode("ascii") + b"\0"
    return b"desc\0\0\0\0" + struct.pack(">I", len(letters)) + letters + b"\0" * (4 + 4 + 2 + 1 + 67)


def _curve() -> bytes:
    points = decode_block(np.arange(_CURVE_POINTS) / (_CURVE_POINTS - 1))
    levels = np.floor(points * 65535.0 + 0.5).astype(">u2")
    return b"curv\0\0\0\0" + struct.pack(">I", _CURVE_POINTS) + levels.tobytes()


def _to_xyz(primaries: Primaries) -> NDArray[np.float64]:
    """Return the matrix from linear light to XYZ, white Y = 1."""
    columns = np.array([(x / y, 1.0, (1.0 - x - y) / y) for x, y in primaries]).T
    return np.asarray(columns * np.linalg.solve(columns, np.array(_D65)))


def _colorants(primaries: Primaries) -> list[tuple[float, float, float]]:
    """Return XYZ of red, green and blue at full drive, adapted from D65 to D50 by Bradford."""
    to_xyz = _to_xyz(primaries)
    cone = np.array(_BRADFORD)
    gain = (cone @ np.array(_D50)) / (cone @ np.array(_D65))
    adapted = np.linalg.solve(cone, gain[:, np.newaxis] * (cone @ to_xyz))
    return [(float(column[0]), float(column[1]), float(column[2])) for column in adapted.T]
