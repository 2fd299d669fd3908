"""Contrast and a curve of one's own after the stretch: luminance moves, chromaticity and the sky stay.

u = (y - sky) / (1 - sky), y the code value of the luminance; the sky is 0, white is 1, and both stay

contrast: t(u) = u + c K u^2 (u - p) (1 - u)^2, darker below the pivot p = 0.3 and brighter above it; c = 0 is neutral
curve: t(u) through the points given and (0, 0), (1, 1), by the monotone cubic of Fritsch & Carlson

A pixel's three planes of light get one gain, decode(t) / decode(y). What is not above the sky gets none: with slope 1
at the sky, where both begin, its noise stays as it is, and so does its mean. Both rise: the order of brightness stays,
and what is below white stays below it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blend.base.equation import parse
from blend.science.picture.colourspace import srgb_decode, srgb_encode

Points = Sequence[tuple[float, float]]

PIVOT = 0.3
FULL = 10.88
"""K: at contrast 1 the slope is nowhere below 0.1, at -1 nowhere below 0.24: `tests/science/picture/test_tone.py`."""

# Of the square root of luminance; between two of them the line is off by at most 0.01 of a step of 16 bits.
CONTRAST = parse(
    f"u + amount * {FULL} * u ** 2 * (u - {PIVOT}) * (1 - u) ** 2", ["u", "amount"], where="contrast"
)
"""The one above; the page to look with prints it."""

STEPS = 4096
"""Of the square root of luminance; between two of them the line is off by at most 0.01 of a step of 16 bits."""

LEAST_FIRST_SLOPE = 1.0 / 3.0
"""Of the line from the sky to a curve's first point: below it no rising cubic leaves the sky with slope 1."""


def add_contrast(u: NDArray[np.float64], amount: float) -> NDArray[np.float64]:
    """Return u with contrast, -1 to 1; the equation stands above.

    Examples
    --------
    >>> add_contrast(np.array([0.0, 0.15, 0.3, 0.6, 1.0]), 1.0).round(3)
    array([0.   , 0.123, 0.3  , 0.788, 1.   ])
    """
    return CONTRAST.evaluate({"u": u, "amount": amount}, dtype="float64")


def monotone_curve(points: Points, at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the monotone cubic through (0, 0), the points and (1, 1), with slope 1 at (0, 0).

    Inner slopes are the mean of the two secants beside them; the slope at the end is the last secant's. Each secant d
    then limits the slopes a d and b d at its ends to a circle, a^2 + b^2 <= 9; the first one limits b alone.

    Parameters
    ----------
    points : sequence of (x, y)
        Both rising, between 0 and 1; the first y at least a third of its x (`LEAST_FIRST_SLOPE`).
    at : array
        Values from 0 to 1.

    References
    ----------
    Fritsch & Carlson (1980), SIAM J. Numer. Anal. 17, 238, the region they call S2.

    Examples
    --------
    >>> monotone_curve([(0.5, 0.6)], np.array([0.0, 0.25, 0.5, 1.0])).round(4)
    array([0. , 0.3, 0.6, 1. ])
    """
    x, y = np.array([(0.0, 0.0), *points, (1.0, 1.0)]).T
    width = np.diff(x)
    secant = np.diff(y) / width
    slope = np.concatenate([[1.0], 0.5 * (secant[1:] + secant[:-1]), secant[-1:]])
    for k, rise in enumerate(secant[1:], start=1):
        size = float(np.hypot(slope[k], slope[k + 1]))
        if size > 3.0 * rise:
            slope[k : k + 2] *= 3.0 * rise / size
    slope[1] = min(slope[1], np.sqrt(max(9.0 * secant[0] ** 2 - 1.0, 0.0)))
    place = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(width) - 1)
    h, s = width[place], (at - x[place]) / width[place]
    return np.asarray(
        y[place] * (1 + 2 * s) * (1 - s) ** 2
        + y[place + 1] * s**2 * (3 - 2 * s)
        + h * (slope[place] * s * (1 - s) ** 2 - slope[place + 1] * s**2 * (1 - s))
    )


def shaped(code: NDArray[np.float64], *, sky: float, contrast: float, curve: Points) -> NDArray[np.float64]:
    """Return code values of luminance with contrast and then the curve; what is not above the sky stays."""
    u = np.clip((code - sky) / (1.0 - sky), 0.0, 1.0)
    t = add_contrast(u, contrast) if contrast != 0.0 else u
    t = monotone_curve(curve, t) if len(curve) else t
    return np.where(code > sky, sky + (1.0 - sky) * t, code)


def tone_table(*, sky: float, contrast: float, curve: Points) -> NDArray[np.float32]:
    """Return the cube root of the gain of light by the square root of luminance, and its differences, (2, 4098).

    The cube root is the gain of OKLab's three numbers.
    """
    root = np.arange(STEPS + 2) / STEPS
    light = np.maximum(root**2, 1e-12)
    code = srgb_encode(np.minimum(light, 1.0))
    wanted = shaped(code, sky=sky, contrast=contrast, curve=curve)
    gain = np.where(code > sky, srgb_decode(wanted) / np.minimum(light, 1.0), 1.0)
    table = np.cbrt(gain).astype(np.float32)
    return np.stack([table, np.diff(table, append=table[-1:])])
