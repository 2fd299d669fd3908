"""One plane of a light through its calibration: arithmetic of whole frames in a few passes over the memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.lazyplanes import AnyPlane, float_rows
from blend.base.robust import median
from blend.base.rowblocks import map_row_blocks
from blend.science.stars import find_stars, typical_fwhm


class Fault(IntFlag):
    """Bits of what a pixel of a light came to; the first three as `Flag` has them."""

    LOST = 1
    """There is no number."""
    REPAIRED = 2
    """A fault was filled from its neighbours."""
    SATURATED = 4
    """The raw light was at its saturation."""
    HOT = 8
    """It stands out by itself, in the dark or in the light."""
    DEAD_FLAT = 16
    """The flat is dead."""


DEAD_FLAT = 0.1
"""A pixel that sees less than this share of the typical light is dead: no lens darkens its corners so far."""

FRAMES = ("light", "dark", "bias", "flat", "flat_offset")
"""What a plane is calibrated with, in the order that `take_out_rows` takes it."""

Places = tuple[NDArray[np.intp], NDArray[np.intp]]

_MIDDLE, _FEWEST_STARS, _ENOUGH_STARS = 768, 10, 100
"""Side of the middle in which stars tell the width, the fewest that do, and how many are enough to know it to a tenth,
as telling marks of some pixels from stars takes (chosen, not measured)."""

_SAMPLE = 2_000_000
"""Pixels that tell a flat's median, to 0.1 % of their scatter."""

_ROWS = 32
"""Rows at a time whose temporaries stay in the processor's cache; nothing is summed, so the number changes no bit."""


def typical_light(flat: AnyPlane, offset: AnyPlane | None) -> float:
    """Return the median of the pixels of a flat that see light, from rows spread over it."""
    rows = slice(None, None, max(1, -(-flat.size // _SAMPLE)))
    sample = np.asarray(flat[rows] if offset is None else flat[rows] - offset[rows], dtype=np.float32)
    sample = sample[np.isfinite(sample)]
    if sample.size == 0:
        return float("nan")
    rough = median(sample)
    alive = sample[sample >= DEAD_FLAT * rough]
    return median(alive) if 0 < alive.size < sample.size else rough


def take_out(
    part: Mapping[str, AnyPlane],
    faults: NDArray[np.uint8],
    out: NDArray[np.float32],
    *,
    factor: float,
    norm: float,
    level: float | None,
) -> tuple[Places, Places]:
    """Fill ``out`` with (L - (1 - k) B - k D) / Fn of the frames that are there, the flat less its ``flat_offset``.

    Frames are read some rows at a time, and none is ever whole. Where the flat is dead, or the light has no number, is
    added to ``faults``. Returns where the light had a number and has none now, and where it is at ``level``.
    """
    k = np.float32(factor if "dark" in part else 0.0)
    used = [name for name in FRAMES if name in part and not (name == "bias" and k == 1.0)]
    flat, offset = "flat" in part, "flat_offset" in part
    full, least = np.float32(np.inf if level is None else level), np.float32(DEAD_FLAT * norm)
    numbers = (k, np.float32(1.0) - k, np.float32(norm if flat else 0.0), least, full)
    missing = float_rows(np.zeros((_ROWS, out.shape[1]), dtype=np.float32), slice(None))

    def fill_rows(block: slice) -> tuple[Places, Places]:
        rows = {name: float_rows(part[name], block) for name in used}
        odd, bright = take_out_rows(tuple(rows.get(name, missing) for name in FRAMES), numbers, out[block])
        filled = bad = np.zeros((1, 1), dtype=np.bool_)
        if odd:
            finite = np.isfinite(out[block])
            bad = ~finite & np.isfinite(rows["light"])
            if flat:
                with np.errstate(invalid="ignore"):
                    shown = rows["flat"] - rows["flat_offset"] if offset else rows["flat"]
                dead = ~((shown >= least) & (shown < np.inf))
                faults[block][dead] |= np.uint8(Fault.DEAD_FLAT)
                bad |= dead
            faults[block][~finite & ~bad] |= np.uint8(Fault.LOST)
        if bright and level is not None:
            filled = rows["light"] >= full
        return _shifted(bad, block.start), _shifted(filled, block.start)

    found = map_row_blocks(fill_rows, out.shape[0], height=_ROWS)
    return joined([bad for bad, _ in found]), joined([filled for _, filled in found])


def _shifted(mask: NDArray[np.bool_], first: int) -> Places:
    y, x = np.nonzero(mask)
    return y + first, x


def joined(places: Sequence[Places]) -> Places:
    """Return several lists of places as one."""
    return np.concatenate([y for y, _ in places]), np.concatenate([x for _, x in places])


@kernel
def take_out_rows(frames: Any, numbers: Any, out: Any) -> Any:  # pragma: no cover - compiled
    """Fill rows of `take_out`, undivided without a norm; return how many are no number, and how many are full."""
    light, dark, bias, flat, offset = frames
    k, rest, norm, least, full = numbers
    odd, bright = 0, 0
    nan, most = np.float32(np.nan), np.float32(np.inf)
    for y in range(out.shape[0]):
        rows, seen, warm, level, shown, lifted = out[y], light[y], dark[y], bias[y], flat[y], offset[y]
        for x in range(rows.size):
            rows[x] = seen[x] - k * warm[x] - rest * level[x]
            bright += 1 if seen[x] >= full else 0
        if norm > 0:
            for x in range(rows.size):
                value = shown[x] - lifted[x]
                # a plain division would raise where the flat is 0, and not run on vectors
                done = rows[x] * np.divide(norm, value)
                rows[x] = done if (value >= least) & (value < most) else nan
        for x in range(rows.size):
            odd += 0 if abs(rows[x]) < most else 1
    return odd, bright


def star_width(plane: NDArray[np.float32], saturation: float | None) -> float | None:
    """Return the FWHM of the stars in the middle of a plane, pixels; None where they are too few to tell."""
    edges = [slice(max(0, (size - _MIDDLE) // 2), (size + _MIDDLE) // 2) for size in plane.shape]
    stars = find_stars(plane[edges[0], edges[1]], saturation=saturation, most=_ENOUGH_STARS)
    return typical_fwhm(stars) if len(stars) >= _FEWEST_STARS else None
