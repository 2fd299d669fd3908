"""Finish: the last touch on the display picture."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.science.colourspace import (
    decode_block,
    encode_block,
    linear_to_oklab_block,
    map_pixels,
    oklab_to_linear_block,
)


def saturate(rgb: NDArray[np.floating], *, amount: float) -> NDArray[np.floating]:
    """Scale the chroma of a display picture.

    In OKLab, L and hue kept: (a, b)' = k (a, b), with k = ``amount`` or the largest k below it that stays
    in [0, 1].

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

    def work(codes: NDArray[Any]) -> NDArray[Any]:
        lab = linear_to_oklab_block(decode_block(np.clip(codes, 0.0, 1.0)))
        light = oklab_to_linear_block(_scaled(lab, amount))
        # Beyond rounding: half a step of a 16-bit picture.
        outside = (light.min(axis=0) < -7e-6) | (light.max(axis=0) > 1.0 + 7e-6)
        if outside.any():
            light[:, outside] = _fitted(lab[:, outside], amount)
        return np.minimum(encode_block(np.clip(light, 0.0, 1.0)), 1.0)

    return map_pixels(work, np.asarray(rgb, dtype=np.float32))


def _scaled(lab: NDArray[Any], factor: float | NDArray[Any]) -> NDArray[Any]:
    return np.stack([lab[0], lab[1] * factor, lab[2] * factor])


def _fitted(lab: NDArray[Any], amount: float) -> NDArray[Any]:
    """Return light with the largest chroma factor that stays in [0, 1], by halving.

    Eight halvings find it to a 256th of the change asked for, less than a step of an 8-bit picture.
    """
    low = np.full(lab.shape[1], 1.0 if amount > 1.0 else 0.0, dtype=lab.dtype)
    high = np.full_like(low, amount)
    for _ in range(8):
        middle = 0.5 * (low + high)
        light = oklab_to_linear_block(_scaled(lab, middle))
        fits = (light.min(axis=0) >= -7e-6) & (light.max(axis=0) <= 1.0 + 7e-6)
        low, high = np.where(fits, middle, low), np.where(fits, high, middle)
    return oklab_to_linear_block(_scaled(lab, low))
