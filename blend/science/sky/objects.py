"""Where the objects are: regions drawn by hand, and the mask of everything that shines above the sky.

The search works on means of small bins, so it costs the same for any frame. It looks at the bins, then at 2x2 bins,
4x4 bins and so on; what is found at a finer scale is left out of the coarser ones, so that a bright core does not
smear, and the faint outskirts show by their sheer extent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import bin_mean, difference_noise, median, median_and_sigma
from blend.base.rowblocks import map_row_blocks, map_together
from blend.science.sky.blocks import bin_light, bin_size, chebyshev_surface, chebyshev_terms, unit_coordinates
from blend.science.sky.borders import smooth_borders
from blend.science.sky.solver import CLIP_ABOVE, CLIP_BELOW, weighted_fit

FINE_SIGMA = 4.0
"""Limit for single bins: of 120 000 bins of pure noise, 4 pass."""
COARSE_SIGMA = 3.5
"""Limit for groups of bins; there are few of them, so fewer pass by chance."""
SMALLEST_LEVEL = 10
"""Groups are made larger while at least this many fit along the short side."""
WANTED_SKY = 0.35
"""With less sky than this left the limits are raised: a halo is better fitted than masked to the frame's edge."""
DOUBTED_SKY = 0.5
"""With less sky than this left, a first sky without a bend is tried, too: where a disc fills most of the height, a bent
one may follow its outskirts, and call the true sky beside them bright."""
MOST_RAISED = 1024.0
"""No deep master needs more: its noise hides nothing of a galaxy that reaches all borders, and with a limit of 8 the
whole frame was an object, its slope of 400 sigma with it (`benchmarks/accuracy/strangers.py`)."""
ROUNDS = 6
SURROUNDINGS = 7
"""Bins across the surroundings that a star in wide light is held against."""


@dataclass(frozen=True)
class Region:
    """A box or an ellipse drawn by hand.

    Attributes
    ----------
    shape : "box" or "ellipse"
        The ellipse fills the box.
    unit : "px" or "fraction"
        Pixels, or fractions of the frame's width (x, w) and height (y, h).
    x, y : float
        Corner of the unturned box nearest to the first pixel; y counts rows of the array. In pixels, x = 10 and
        w = 5 cover columns 10 to 14.
    w, h : float
        Width and height, above 0.
    angle_deg : float
        Turn about the centre, from +x towards +y.
    """

    shape: Literal["box", "ellipse"]
    unit: Literal["px", "fraction"]
    x: float
    y: float
    w: float
    h: float
    angle_deg: float = 0.0


def region_mask(regions: Sequence[Region], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return where any of the regions is, (rows, columns) bool.

    A pixel belongs to a region if its centre does.

    Examples
    --------
    >>> region_mask([Region("box", "px", 1, 0, 2, 1)], (2, 4)).astype(int)
    array([[0, 1, 1, 0],
           [0, 0, 0, 0]])
    """
    mask = np.zeros(shape, dtype=np.bool_)
    for region in regions:
        _draw_region(region, mask)
    return mask


def _draw_region(region: Region, mask: NDArray[np.bool_]) -> None:
    rows, columns = mask.shape
    wide, high = (columns, rows) if region.unit == "fraction" else (1.0, 1.0)
    half_w, half_h = 0.5 * region.w * wide, 0.5 * region.h * high
    x0 = region.x * wide + half_w - 0.5
    y0 = region.y * high + half_h - 0.5
    angle = np.deg2rad(region.angle_deg)
    cosine, sine = np.cos(angle), np.sin(angle)
    dx = np.arange(columns) - x0

    def fill_rows(block: slice) -> None:
        dy = (np.arange(block.start, block.stop) - y0)[:, None]
        along = (dx * cosine + dy * sine) / max(half_w, 1e-12)
        across = (dy * cosine - dx * sine) / max(half_h, 1e-12)
        # The far edge belongs to the next pixel, or a box of whole pixels would gain a row by rounding.
        tiny = 1e-9
        if region.shape == "box":
            inside = (np.abs(along) <= 1.0 - tiny) & (np.abs(across) <= 1.0 - tiny)
        else:
            inside = along**2 + across**2 <= 1.0 - tiny
        mask[block] |= inside

    map_row_blocks(fill_rows, rows)


def object_mask(
    pixels: NDArray[np.float32] | Sequence[NDArray[np.float32]],
    *,
    invalid: NDArray[np.bool_] | None = None,
    least_noise: Sequence[float] | None = None,
) -> NDArray[np.bool_]:
    """Find galaxies, nebulae and stars, grown until the sky no longer brightens towards them.

    Over and over: fit a low-order sky to what is not masked, take it off, mask every group of bins (1, 2, 4, ... bins
    wide) whose mean lies above 3.5 sigma (single bins: 4) of the noise at that scale in any plane or in the sum of
    all planes, and one group more on each side. Stops when the mask no longer changes.

    Parameters
    ----------
    pixels : (planes, rows, columns) float32, or a sequence of planes
        Linear, any unit. NaN where there is no data.
    invalid : (rows, columns) bool, optional
        True where pixels must not be used.
    least_noise : sequence of float, optional
        Of a pixel, a plane: what is known of noise that smoothing has hidden from bins; 0 where nothing is.

    Returns
    -------
    (rows, columns) bool
        True on objects. Pixels without data are not marked for that reason alone. Parts of a nebula that fills the
        whole frame stay unmasked where they are as dark as the darkest sky there is.

    Notes
    -----
    The noise at each scale is measured there, by second differences that a smooth sky cancels: correlated noise
    raises the limits by itself.
    """
    rows, columns = pixels[0].shape
    size = bin_size((rows, columns))
    bins = [bin_light(plane, size=size, invalid=invalid) for plane in pixels]
    least = [0.0] * len(bins) if least_noise is None else [sigma / size for sigma in least_noise]
    return _enlarge(_find_in_bins(np.stack(bins), least=least, size_px=size), size, (rows, columns))


def _find_in_bins(bins: NDArray[np.float64], *, least: Sequence[float], size_px: int) -> NDArray[np.bool_]:
    """Return the mask on the grid of bins (planes, rows, columns)."""
    from scipy.ndimage import binary_closing

    known = np.asarray(np.isfinite(bins).any(axis=0), dtype=np.bool_)
    scaled = map_together(lambda index: _in_units_of_noise(bins[index], least[index]), range(len(bins)))
    seen = [each for each in scaled if each is not None]
    if not seen:
        return np.zeros_like(known)
    layers, levels = zip(*seen, strict=True)
    # Planes that share noise (demosaiced ones do) add up to more than independent ones.
    together = difference_noise(np.sum(layers, axis=0)) or 1.0
    if max(least) > 0.0:
        together = max(together, len(layers) ** 0.5)
    masked, raised = _search(layers, levels, known, together, size_px=size_px, degree=2)
    sky = np.count_nonzero(known & ~masked)
    if sky < DOUBTED_SKY * known.size:
        straight, least_raised = _search(layers, levels, known, together, size_px=size_px, degree=1)
        # A sky is what leaves the least to objects, by limits as low as can be.
        if (-least_raised, np.count_nonzero(known & ~straight)) > (-raised, sky):
            masked = straight
    # A dark bin amid an object is the object's too, though too few neighbours are left to show it.
    closed = np.asarray(binary_closing(masked, structure=np.ones((3, 3), dtype=np.bool_)), dtype=np.bool_)
    return (masked | closed) & known


def _search(
    layers: Sequence[NDArray[np.float64]],
    levels: Sequence[float],
    known: NDArray[np.bool_],
    together: float,
    *,
    size_px: int,
    degree: int,
) -> tuple[NDArray[np.bool_], float]:
    """Return the mask that a first sky of a degree leads to, and how far the limits were raised for it."""
    masked = np.zeros(known.shape, dtype=np.bool_)
    rough = map_together(partial(_first_sky, degree=degree), layers)
    raised, last, sharp = 1.0, ROUNDS - 1, None
    for turn in range(2 * ROUNDS):
        raised = max(1.0, 0.5 * raised)
        flat = [layer - sky for layer, sky in zip(layers, rough, strict=True)]
        if len(flat) > 1:
            flat.append(np.sum(flat, axis=0) / together)
        # The first sky is rough: what it calls bright by a hair may be sky.
        careful = 1.0 if turn else 0.5
        while True:
            above = map_together(partial(above_noise, reach=careful / raised), flat)
            fresh = np.logical_or.reduce(above)
            if (known & ~fresh).mean() >= WANTED_SKY or raised >= MOST_RAISED:
                break
            raised *= 2.0
        if sharp is not None:
            fresh &= sharp | ~smooth_borders(fresh, layers, levels, size_px=size_px)
        settled = turn > 0 and np.count_nonzero(fresh != masked) <= 0.005 * fresh.size
        masked = fresh
        if settled or turn == last:
            wide = masked if sharp is not None else smooth_borders(masked, layers, levels, size_px=size_px)
            if sharp is not None or not wide.any():
                break
            # Stars in it stay masked; without it the rest is looked for once more.
            sharp = np.logical_or.reduce(map_together(_sharp, layers))
            masked &= sharp | ~wide
            last = turn + ROUNDS
        pairs = [(layer, masked, previous) for layer, previous in zip(layers, rough, strict=True)]
        rough = map_together(lambda each: _sky_outside(*each), pairs)
    return masked, raised


def _sharp(layer: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark what lies above the noise beside its own surroundings."""
    from scipy.ndimage import uniform_filter

    known = np.isfinite(layer)
    held = np.where(known, layer, 0.0)
    share = uniform_filter(known.astype(np.float64), SURROUNDINGS)
    around = uniform_filter(held, SURROUNDINGS) / np.maximum(share, 1e-6)
    return _grown(np.where(known, layer - around, 0.0) > FINE_SIGMA)


def _in_units_of_noise(plane: NDArray[np.float64], least: float) -> tuple[NDArray[np.float64], float] | None:
    """Return the plane over its own noise, at least ``least``, about its median, and that median over the noise.

    None where it holds one value only.
    """
    middle, spread = median_and_sigma(plane)
    noise = difference_noise(plane)
    if not np.isfinite(middle):
        return None
    # Synthetic frames can have no noise, and quantised ones none at the scale of a bin; the digits of float32 remain.
    digits = 3e-7 * float(np.nanmax(np.abs(plane)))
    noise = max(noise if np.isfinite(noise) else 0.0, least, digits, 1e-3 * spread)
    if not spread > digits:
        return None
    return (plane - middle) / noise, middle / noise


def _first_sky(layer: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    """Fit a surface to the lower part of coarse cells: objects only add light, so the darker cells are sky."""
    step = max(1, min(layer.shape) // 16)
    cells = bin_mean(layer, step)
    u, v = _cell_coordinates(cells.shape, step, layer.shape)
    values = cells.ravel()
    good = np.isfinite(values)
    if good.sum() < 12:
        return np.full(layer.shape, float(np.nanmedian(layer)))
    terms, values = chebyshev_terms(u, v, degree=degree)[good], values[good]
    weights = np.ones(values.size)
    for _ in range(40):
        answer = weighted_fit(terms, values, weights**-0.5)
        off = values - terms @ answer
        low = -off[off < 0.0]
        sigma = 1.5 * median(low) if low.size else 0.0
        # Cells above the fit count little and the further the less; those below hold it down.
        fresh = np.where(off > 0.0, 0.15 / (1.0 + (off / max(sigma, 1e-9)) ** 2), 1.0)
        if np.abs(fresh - weights).max() < 1e-3:
            break
        weights = fresh
    # The asymmetric weights put the fit below the sky by a part of the cells' noise; the mode does not have that fault.
    answer[0] += _mode(values - terms @ answer)
    return _surface(answer, layer.shape, degree=degree)


def _mode(values: NDArray[np.float64]) -> float:
    """Return the half-sample mode: the shortest half of the sorted values, halved until ten are left."""
    ordered = np.sort(values)
    while ordered.size > 10:
        half = (ordered.size + 1) // 2
        widths = ordered[half - 1 :] - ordered[: ordered.size - half + 1]
        start = int(np.argmin(widths))
        ordered = ordered[start : start + half]
    return float(np.median(ordered))


def _sky_outside(
    layer: NDArray[np.float64], masked: NDArray[np.bool_], previous: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Fit the sky to coarse cells of what is not masked: degree 2 where a third of the frame is left, else 1."""
    step = max(1, min(layer.shape) // 24)
    cells = bin_mean(np.where(masked, np.nan, layer), step)
    u, v = _cell_coordinates(cells.shape, step, layer.shape)
    values = cells.ravel()
    good = np.isfinite(values)
    share = good.mean()
    if good.sum() < 20 or share < 0.03:
        return previous
    degree = 2 if share > 0.33 else 1
    terms = chebyshev_terms(u, v, degree=degree)
    used = good
    for _ in range(5):
        answer = weighted_fit(terms[used], values[used], np.ones(int(used.sum())))
        off = values - terms @ answer
        middle, sigma = median_and_sigma(off[used])
        fresh = good & (off - middle < CLIP_ABOVE * sigma) & (off - middle > -CLIP_BELOW * sigma)
        if sigma == 0.0 or fresh.sum() < 3 * terms.shape[1] or (fresh == used).all():
            break
        used = fresh
    return _surface(answer, layer.shape, degree=degree)


def _cell_coordinates(
    cells: tuple[int, ...], step: int, shape: tuple[int, ...]
) -> tuple[NDArray[np.float64], ...]:
    y, x = np.mgrid[: cells[0], : cells[1]] * step + 0.5 * (step - 1)
    return unit_coordinates(np.stack([x.ravel(), y.ravel()], axis=1), (shape[0], shape[1]))


def _surface(answer: NDArray[np.float64], shape: tuple[int, ...], *, degree: int) -> NDArray[np.float64]:
    u, v = np.linspace(-1.0, 1.0, shape[1]), np.linspace(-1.0, 1.0, shape[0])
    return chebyshev_surface(answer, u, v, degree=degree)


def above_noise(layer: NDArray[np.float64], *, reach: float) -> NDArray[np.bool_]:
    """Mark what lies above the noise at any scale.

    Parameters
    ----------
    layer : (rows, columns) float64
        Means of bins above the sky, over the noise of a bin; NaN where unknown.
    reach : float
        Lowers (above 1) or raises (below 1) the limits.
    """
    cells = layer.copy()
    levels = []
    group = 1
    while True:
        noise = 1.0 / group
        if group > 1:
            measured = difference_noise(cells)
            # Few cells can measure a noise that is too low; it cannot fall faster than that of white noise.
            noise = max(noise, measured) if np.isfinite(measured) else noise
        limit = (FINE_SIGMA if group == 1 else COARSE_SIGMA) / reach
        # Where there is no noise of account (synthetic frames), rounding must not turn into objects.
        bright = cells > max(limit * noise, 1e-9)
        if bright.any():
            bright = _grown(bright)
            cells[bright] = np.nan
        levels.append(bright)
        group *= 2
        if min(layer.shape) // group < SMALLEST_LEVEL:
            break
        cells = _halve(cells)
    found = levels.pop()
    while levels:
        finer = levels.pop()
        found = finer | _enlarge(found, 2, (finer.shape[0], finer.shape[1]))
    return found


def _grown(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the cells with their eight neighbours."""
    wide = cells.copy()
    wide[:, 1:] |= cells[:, :-1]
    wide[:, :-1] |= cells[:, 1:]
    grown = wide.copy()
    grown[1:] |= wide[:-1]
    grown[:-1] |= wide[1:]
    return grown


def _halve(cells: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return means of 2 x 2 cells, those at the far edges of fewer; NaN where fewer than two are known."""
    rows, columns = cells.shape
    even = np.full((rows + rows % 2, columns + columns % 2), np.nan)
    even[:rows, :columns] = cells
    known = np.isfinite(even)
    filled = np.where(known, even, 0.0)
    total = filled[::2, ::2] + filled[::2, 1::2] + filled[1::2, ::2] + filled[1::2, 1::2]
    pairs = known[::2].view(np.int8) + known[1::2].view(np.int8)
    count = pairs[:, ::2] + pairs[:, 1::2]
    return np.where(count >= 2, total / np.maximum(count, 1), np.nan)


def _enlarge(coarse: NDArray[np.bool_], size: int, shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Repeat every cell ``size`` times along both axes and cut, or fill up with the last cell, to ``shape``."""
    rows = np.minimum(np.arange(shape[0]) // size, coarse.shape[0] - 1)
    columns = np.minimum(np.arange(shape[1]) // size, coarse.shape[1] - 1)
    wide = coarse[:, columns]
    return np.asarray(wide[rows], dtype=np.bool_)
