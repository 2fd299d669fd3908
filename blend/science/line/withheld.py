"""How much of the light that stands out of the noise a weight holds back."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import bin_mean, difference_noise

STANDS_OUT = 5.0
"""In sigma of means over 4 or 16 px: noise passes it in less than one of the blocks of 24 megapixels."""

WIDE = 4
"""Blocks a side of the wider means, 16 px: they see what is fainter than the noise of 4 px."""

Blocks = NDArray[np.floating]


def held_back(light: Blocks, passed: Blocks, *, covered: NDArray[np.bool_], sky: float) -> float | None:
    """Return the share of light standing out of its noise that does not pass; None where none stands out.

    1 - sum(passed) / sum(light) over blocks whose light passes 5 sigma in means over 4 or 16 px, the sky's error in the
    wider one. Starlight of another colour stands out as well: what is held back need not be light of the line.

    Parameters
    ----------
    light, passed : (rows / 4, columns / 4)
        Means over 4 x 4 pixels of the emission, and of it times its weight.
    covered : bool (rows / 4, columns / 4)
        Blocks that do not count: stars.
    sky : float
        Error of the sky.

    Examples
    --------
    >>> light = np.random.default_rng(1).normal(size=(64, 64))
    >>> light[20:24, 20:24] += 50.0
    >>> round(held_back(light, 0.75 * light, covered=light > np.inf, sky=0.0), 2)
    0.25
    """
    light = np.where(covered, np.nan, light)
    wide = bin_mean(light, WIDE)
    sigma = difference_noise(light)
    if not sigma > 0 or not wide.size:
        return None
    over = wide > STANDS_OUT * np.hypot(max(sigma / WIDE, np.nan_to_num(difference_noise(wide))), sky)
    spread = np.zeros(light.shape, dtype=bool)
    whole = over.repeat(WIDE, axis=0).repeat(WIDE, axis=1)
    spread[: whole.shape[0], : whole.shape[1]] = whole
    seen = (spread | (light > STANDS_OUT * np.hypot(sigma, sky))) & np.isfinite(light) & np.isfinite(passed)
    total = float(light[seen].sum(dtype=np.float64))
    return 1.0 - float(passed[seen].sum(dtype=np.float64)) / total if total > 0 else None
