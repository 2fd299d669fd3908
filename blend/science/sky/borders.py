"""Wide smooth light at the frame's border: sky until shown otherwise, whatever a mask says.

A street light's lobe in a corner, or a sky that a large galaxy has bent, lies above a low-order surface as an object
does. But objects have a core, or structure, or a colour of their own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import bin_mean, difference_noise

CELL_PX = 64
"""Light is judged over so many pixels, by cells half as wide: a star, and most of a galaxy's core, is smaller."""
LEAST_AREA = 0.05
"""Share of the frame: with 0.02 masks of large discs moved, for nothing (`gradient.py`, series 5 to 42)."""
MOST_CELLS = 12
"""So many times that length fits along the short side at least."""
MOST_BENT = 0.25
"""Second difference over the light's range: a Gaussian lobe of twice that length and more has 0.22 at most, a core
within the frame more."""
LEAST_CUSP = 0.01
"""The same where light is brightest: below 0 for a lobe whose top is near; a disc of scale length h whose centre the
border cuts has (1 - exp(-1 / h))^2, 0.024 for six times that length."""
NOISE_LIMIT = 5.0
MOST_COLOUR = 3.0
"""Light over sky in one plane over the same in another: lamps differ from the sky by less, emission by far more."""


def smooth_borders(
    masked: NDArray[np.bool_],
    layers: Sequence[NDArray[np.float64]],
    levels: Sequence[float],
    *,
    size_px: int,
) -> NDArray[np.bool_]:
    """Return where a mask covers wide light that touches the border, is smooth, and has the sky's colour.

    Parameters
    ----------
    masked : (rows, columns) bool
        Of bins.
    layers : sequence of (rows, columns)
        Bins of every plane over its noise, NaN where unknown.
    levels : sequence of float
        The sky of every plane in the same unit; of one within its noise nothing is said.
    size_px : int
        Pixels across a bin.
    """
    from scipy.ndimage import label

    nothing = np.zeros(masked.shape, dtype=np.bool_)
    step = max(1, min(CELL_PX // size_px, min(masked.shape) // MOST_CELLS) // 2)
    covered = bin_mean(masked.astype(np.float32), step) > 0.5
    names, _ = label(covered)
    outer = np.unique(np.concatenate([names[0], names[-1], names[:, 0], names[:, -1]]))
    patches = [names == name for name in outer[outer > 0]]
    patches = [patch for patch in patches if patch.mean() >= LEAST_AREA]
    if not patches or covered.all():
        return nothing
    cells = [_cell_medians(layer, step) for layer in layers]
    noise = [difference_noise(one) for one in cells]
    found = np.zeros(covered.shape, dtype=np.bool_)
    for patch in patches:
        above = [float(np.nanmedian(one[patch]) - np.nanmedian(one[~covered])) for one in cells]
        if _is_sky(patch, above, cells, noise, levels):
            found |= patch
    rows, columns = (
        np.minimum(np.arange(full) // step, part - 1)
        for full, part in zip(masked.shape, covered.shape, strict=True)
    )
    return np.asarray(found[np.ix_(rows, columns)] & masked)


def _is_sky(
    patch: NDArray[np.bool_],
    above: Sequence[float],
    cells: Sequence[NDArray[np.float64]],
    noise: Sequence[float],
    levels: Sequence[float],
) -> bool:
    if not all(_is_smooth(one, patch, own) for one, own in zip(cells, noise, strict=True)):
        return False
    best = int(np.argmax(above))
    # What is darker than the free sky is no object: a large galaxy has bent the rough sky.
    return above[best] <= 0.0 or (
        not _has_a_cusp(cells[best], patch, noise[best]) and _has_the_colour(above, levels)
    )


def _cell_medians(layer: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Return medians over step x step bins, in which stars do not count; those beyond the last whole one left out."""
    rows, columns = (count // step for count in layer.shape)
    blocks = layer[: rows * step, : columns * step].reshape(rows, step, columns, step)
    parts = blocks.transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    # The middle of the known values, sorted to the front: a median over NaN costs ten times as much.
    count = np.isfinite(parts).sum(axis=2)
    middle = np.take_along_axis(
        np.sort(parts, axis=2), np.minimum(count // 2, parts.shape[2] - 1)[..., None], axis=2
    )[..., 0]
    return np.where(count > 0, middle, np.nan)


def _is_smooth(cells: NDArray[np.float64], patch: NDArray[np.bool_], noise: float) -> bool:
    """Tell whether light bends slowly from cell to cell, measured against its range and the noise of cells."""
    own = np.where(patch, cells, np.nan)
    along = [own[4:] - 2.0 * own[2:-2] + own[:-4], own[:, 4:] - 2.0 * own[:, 2:-2] + own[:, :-4]]
    bent = np.concatenate([one.ravel() for one in along])
    bent = np.abs(bent[np.isfinite(bent)])
    if bent.size == 0:
        return False
    allowed = MOST_BENT * float(np.nanmax(own) - np.nanmin(own))
    return bool(bent.max() <= max(allowed, NOISE_LIMIT * noise))


def _has_a_cusp(cells: NDArray[np.float64], patch: NDArray[np.bool_], noise: float) -> bool:
    """Tell whether light is hollow at its brightest, as discs and cores are even where a border cuts them."""
    own = np.where(patch, cells, np.nan)
    y, x = np.unravel_index(int(np.nanargmax(own)), own.shape)
    limit = max(LEAST_CUSP * float(np.nanmax(own) - np.nanmin(own)), NOISE_LIMIT * noise)
    bends = []
    for line, at in ((own[:, x], int(y)), (own[y], int(x))):
        starts = [first for first in (at - 4, at - 2, at) if first >= 0 and first + 4 < line.size]
        bends += [float(line[first] - 2.0 * line[first + 2] + line[first + 4]) for first in starts]
    known = [bend for bend in bends if np.isfinite(bend)]
    return not known or max(known) > limit


def _has_the_colour(above: Sequence[float], levels: Sequence[float]) -> bool:
    """Tell whether light is the same share of the sky in all planes."""
    shares = [light / level for light, level in zip(above, levels, strict=True) if level > 1.0]
    return len(shares) < 2 or max(shares) <= MOST_COLOUR * min(shares)
