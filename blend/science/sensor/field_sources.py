"""Which sources of a frame are field stars: neither on the target, nor wider than stars as bright."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, median
from blend.science.stars import Stars

Floats = NDArray[np.float64]

_LONG, _WIDTH_SCATTER, _WIDE, _SCATTERS = 2.0, 0.02, 0.05, 2.5
"""Elongation from which two stars are one; of the widths, in ln, the scatter that errors do not tell, and how far above
stars as bright, at least and in their scatter, a region of gas or a galaxy is (chosen, not measured)."""

_BENDS, _RAISED, _LOW = 40, 4.0, 0.2
"""Stars from which widths may bend over the field; how far above a crowd, in its scatter, a value is none of it; and
the share of all that is taken to be of the lower crowd at first (chosen)."""

_TINY = 1e-30
"""Keeps a weight finite where a picture of few steps leaves neither residual nor error."""

_ROUNDS = 10
"""Of fits in turn, which then move no more (chosen, not measured)."""


def single_stars(stars: Stars, shape: tuple[int, ...], *, most: int, fewest: int) -> NDArray[np.int64]:
    """Return the brightest stars less what is long, and what is wider than stars as bright: regions and galaxies.

    Regions of gas are the wider the brighter they are, as stars are under a curve: the narrowest of each brightness
    are stars.
    """
    chosen = np.flatnonzero(stars.elongation < _LONG)[:most]
    clear = ~stars.saturated[chosen]
    if clear.sum() < fewest:
        return chosen
    picked = stars.select(chosen)
    bright = np.log(picked.peak / np.median(picked.peak[clear]))
    terms = [np.ones_like(bright), bright]
    if (
        clear.sum() >= _BENDS
    ):  # of few stars a bend would follow the brightest, which may be a galaxy's nucleus
        x, y = (2.0 * picked.xy / np.array(shape[::-1]) - 1.0).T
        terms += [bright * bright, x, y, x * x, x * y, y * y]
    wide, error = np.log(picked.fwhm_px), picked.flux_error / picked.flux
    over = np.zeros_like(wide)
    over[clear], spread = _above(
        np.stack(terms, axis=1)[clear], wide[clear], np.hypot(_WIDTH_SCATTER, error[clear])
    )
    single: NDArray[np.int64] = chosen[over < max(_WIDE, _SCATTERS * spread) + 2.0 * error]
    return single


def on_target(xy: Floats, sky: Floats, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Return which sources lie on more light than the sky, a plane through the least of their rings.

    ``sky`` is (n, 4): level, noise, skew and count of pixels of each ring.
    """
    x, y = (2.0 * xy / np.array(shape[::-1]) - 1.0).T
    error = 1.2533 * sky[:, 1] / np.sqrt(sky[:, 3])
    over, spread = _above(np.stack([np.ones_like(x), x, y], axis=1), sky[:, 0], error)
    raised: NDArray[np.bool_] = over > _RAISED * spread
    return raised


def _above(terms: Floats, value: Floats, error: Floats) -> tuple[Floats, float]:
    """Return by how much values lie above a surface of these terms through their lower crowd, and its scatter."""
    weight = np.ones(len(value))
    for _ in range(_ROUNDS):  # towards the surface that a fifth lies under
        root = np.sqrt(weight)
        over = value - terms @ np.linalg.lstsq(terms * root[:, None], value * root, rcond=None)[0]
        weight = np.where(over > 0.0, _LOW, 1.0 - _LOW) / np.maximum(np.abs(over), 0.1 * error + _TINY)
    spread = usual = median(error)
    crowd = over < spread
    for _ in range(_ROUNDS):
        if crowd.sum() <= terms.shape[1]:
            break
        over = value - terms @ np.linalg.lstsq(terms[crowd], value[crowd], rcond=None)[0]
        below = -over[over < 0.0]
        spread = max(MAD_TO_SIGMA * median(below) if below.size else 0.0, usual)
        crowd = over < _RAISED * spread
    return over, spread
