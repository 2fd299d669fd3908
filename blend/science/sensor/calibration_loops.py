"""One plane of a light through its calibration: arithmetic of whole frames in a few passes over the memory."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median
from blend.base.rowblocks import map_row_blocks

DEAD_FLAT = 0.1
"""A pixel that sees less than this share of the typical light is dead: no lens darkens its corners so far."""

_MIDDLE, _FEWEST_STARS, _ENOUGH_STARS = 768, 10, 100
"""Side of the middle in which stars tell the width, the fewest that do, and how many are enough to know it to a tenth,
as telling marks of some pixels from stars takes (chosen, not measured)."""

_SAMPLE = 2_000_000
"""Pixels that tell a flat's median, to 0.1 % of their scatter."""

_ROWS = 16
"""Rows at a time whose temporaries stay in the processor's cache; nothing is summed, so the number changes no bit."""


def typical_light(flat: NDArray[np.float32], offset: NDArray[np.float32] | None) -> float:
    """Return the median of the pixels of a flat that see light, from rows spread over it."""
    rows = slice(None, None, max(1, -(-flat.size // _SAMPLE)))
    sample = flat[rows] if offset is None else flat[rows] - offset[rows]
    sample = sample[np.isfinite(sample)]
    if sample.size == 0:
        return float("nan")
    rough = median(sample)
    alive = sample[sample >= DEAD_FLAT * rough]
    return median(alive) if alive.size else rough


def take_out(
    light: NDArray[np.float32],
    part: Mapping[str, NDArray[np.float32]],
    factor: float,
    norm: float,
    out: NDArray[np.float32],
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Fill ``out`` with (L - (1 - k) B - k D) / Fn for the frames that are there, the flat less its ``flat_offset``.

    Returns where the flat is dead, and where the light had a number and has none now.
    """
    dark, bias, flat, offset = part.get("dark"), part.get("bias"), part.get("flat"), part.get("flat_offset")
    k = np.float32(factor if dark is not None else 0.0)
    # pages of zeros that nothing is written to take no memory
    dead, bad = np.zeros(light.shape, dtype=np.bool_), np.zeros(light.shape, dtype=np.bool_)

    def subtract(block: slice) -> None:
        rows = out[block]
        if dark is None:
            rows[...] = light[block]
        else:
            np.subtract(light[block], dark[block] if k == 1.0 else k * dark[block], out=rows)
        if bias is not None and k != 1.0:
            rows -= (np.float32(1.0) - k) * bias[block]

    def divide(block: slice) -> None:
        if flat is None:
            return
        bright = flat[block] if offset is None else flat[block] - offset[block]
        alive = (bright >= np.float32(DEAD_FLAT * norm)) & (bright < np.inf)
        out[block] *= np.float32(norm) / bright
        if not alive.all():
            dead[block] = ~alive
            out[block][~alive] = np.nan

    def fill_rows(block: slice) -> None:
        # the state of numpy's warnings belongs to a thread
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            subtract(block)
            divide(block)
        finite = np.isfinite(out[block])
        if not finite.all():
            bad[block] = dead[block] | (~finite & np.isfinite(light[block]))

    map_row_blocks(fill_rows, light.shape[0], height=_ROWS)
    return dead, bad


def star_width(plane: NDArray[np.float32], saturation: float | None) -> float | None:
    """Return the FWHM of the stars in the middle of a plane, pixels; None where they are too few to tell."""
    from blend.science.stars import find_stars, typical_fwhm

    edges = [slice(max(0, (size - _MIDDLE) // 2), (size + _MIDDLE) // 2) for size in plane.shape]
    stars = find_stars(plane[edges[0], edges[1]], saturation=saturation, most=_ENOUGH_STARS)
    return typical_fwhm(stars) if len(stars) >= _FEWEST_STARS else None


def mark_saturated(
    light: NDArray[np.float32],
    level: np.float32,
    repaired: tuple[NDArray[np.intp], NDArray[np.intp]],
    mask: NDArray[np.bool_],
) -> None:
    """Add the pixels of the raw light at saturation to ``mask``, but for those that were filled in.

    A hot pixel may stand at saturation by itself; what is filled in is not saturated.
    """
    before = mask[repaired]

    def fill_rows(block: slice) -> None:
        full = light[block] >= level
        if full.any():
            mask[block] |= full

    map_row_blocks(fill_rows, light.shape[0])
    mask[repaired] = before
