"""Cosmic rays in one frame: pixels that are sharper than any star, followed to the end of their tracks.

    e = I - (I_left + I_right) / 2, or the same upwards     e > limit, and e > c h + margin

e is the Laplacian along one axis, h the height above the ground about, c the most that e / h comes to in a star.
A star's light falls off by its profile whatever its brightness; a ray leaves charge beside pixels that have none.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.science.plane import TILE, fill_values, local_noise, places, sample_pixels, sky_mode
from blend.science.sensor.ray_loops import edge_rows, judge_places
from blend.science.sensor.sharpness import star_core_width

Places = tuple[NDArray[np.intp], NDArray[np.intp]]

FEW_FRAMES = 4
"""Up to so many frames are stacked without clipping, which would find a ray by the other frames' word."""

SHARPEST_PX = 2.0
"""Narrower stars look like rays: only another frame can tell."""

_FIRST = (6.5, 3.2, 6.0)
"""Of an event's first pixel: its edge, the edge's margin over a star's in its own sigma, and its height over the lower
quarter of the ring, all but the second in noise of a pixel. The edge alone, 5.3 of its own sigma, would find one pixel
of pure noise in ten million."""

_NEXT = (3.0, 1.0, 3.0)
"""Of pixels beside an event: a ray is likely there."""

_SEEING = 0.85
"""The sharpest star of a frame against the typical one: over a real frame widths lay from 0.90 of their median on."""

_WIDEST_PX = 3.5
"""The ring that the height is told by lies 3 px out; a wider star is judged as one of this width."""

_SHARE = 0.4
"""What another frame may show of a height: a star's, through half the seeing, is more."""

_LONGEST_COLUMN = 64
"""Events in one or two columns or rows that are longer belong to the sensor, or to a star that bleeds."""

_ROUNDS = 200
"""Pixels that an event may grow to either side: tracks along the sensor are longer, and rare (chosen, not measured)."""

_SMALLEST_PX = 8
"""Side of a plane with room for a ring of 7 x 7."""

_SKY_SIGMA = 3.0
"""Sky over zero, in its noise, from which it tells what noise light brings along: nearer zero its level was taken
off."""

_PHASES, _FAINT = 5, 1e-3
"""Places of a star's centre in a pixel's quarter that are tried, an eighth apart; and the share of its peak below which
its light is lost in any noise."""
_NOWHERE: Places = (np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))


@dataclass(frozen=True, eq=False)
class Rays:
    """What was found in a plane: its pixels in the order of the rows, and how many events they make."""

    places: Places
    events: int


@dataclass(frozen=True, eq=False)
class Cleaned:
    """A plane without its rays."""

    # (rows, columns) float32; rays are filled, all other pixels keep their bits; the plane itself where there are
    # none
    pixels: NDArray[np.float32]
    places: Places  # rows and columns of what was filled
    # None where nothing could be told: stars narrower than 2 px or too few, and no other frame
    events: int | None
    fwhm_px: float | None  # of the stars, see `sharpness.star_core_width`


def remove_rays(
    plane: NDArray[np.float32],
    *,
    spared: NDArray[np.bool_] | None = None,
    other: NDArray[np.floating] | None = None,
    electrons: float | None = None,
    outshining: bool = False,
) -> Cleaned:
    """Find the rays of a plane, see `find_rays`, and fill them: from ``other``, or else from good neighbours.

    Where many frames may have been averaged, noise is so low that a galaxy's own grain has sharp edges, by a hundredth
    of its light: with ``outshining`` events count that are brighter than what they lie on.
    """
    noise = local_noise(plane)
    width = star_core_width(plane, _even(noise), spared=spared)
    sharp = width is not None and width >= SHARPEST_PX
    if not sharp and other is None:
        return Cleaned(plane, _NOWHERE, None, width)
    seen = find_rays(
        plane,
        fwhm_px=width if sharp else None,
        noise=noise,
        spared=spared,
        other=other,
        electrons=electrons,
    )
    pixels = _filled(plane, seen.places, other)
    if outshining and seen.events:
        seen = _outshining(plane, pixels, seen.places)
        pixels = _filled(plane, seen.places, other)
    return Cleaned(pixels, seen.places, seen.events, width)


def _outshining(plane: NDArray[np.float32], filled: NDArray[np.float32], at: Places) -> Rays:
    """Return the events whose own light, at its height, is more than the light above the sky that it lies on."""
    from scipy.ndimage import label

    events = np.zeros(plane.shape, dtype=np.bool_)
    events[at] = True
    names, count = label(events, np.ones((3, 3)))
    name, sky = names[at], sky_mode(sample_pixels(plane))
    own, beneath = (np.full(count + 1, -np.inf) for _ in range(2))
    np.maximum.at(own, name, plane[at] - filled[at])
    np.maximum.at(beneath, name, filled[at] - sky)
    kept = own > beneath
    of_kept = kept[name]
    return Rays((at[0][of_kept], at[1][of_kept]), int(kept[1:].sum()))


def _shot_noise(sky: float, noise: float, electrons: float | None) -> float:
    """Return the variance that a unit of light brings along; 0 where the sky does not tell."""
    if electrons is not None:
        return 1.0 / electrons
    return noise**2 / sky if sky > _SKY_SIGMA * noise else 0.0


def _even(noise: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return the noise of squares, at least the median of nine: one alone is good to 8 %, and too low finds rays."""
    from scipy.ndimage import median_filter

    smooth: NDArray[np.float32] = median_filter(noise, size=3, mode="nearest")
    return np.maximum(smooth, noise)


def _filled(
    plane: NDArray[np.float32], at: Places, other: NDArray[np.floating] | None
) -> NDArray[np.float32]:
    if not at[0].size:
        return plane
    pixels = plane.copy()
    pixels[at] = np.nan if other is None else other[at]
    left = at
    while True:
        missing = np.isnan(pixels[left])
        left = (left[0][missing], left[1][missing])
        if not left[0].size:
            return pixels
        mask = np.zeros(pixels.shape, dtype=np.bool_)
        mask[left] = True
        # the middle of a wide event is filled from its rim
        values = fill_values(pixels, mask, *left)
        if np.isnan(values).all():
            return pixels
        pixels[left] = values


def find_rays(
    plane: NDArray[np.floating],
    *,
    fwhm_px: float | None,
    noise: NDArray[np.float32] | None = None,
    spared: NDArray[np.bool_] | None = None,
    other: NDArray[np.floating] | None = None,
    electrons: float | None = None,
) -> Rays:
    """Find cosmic rays in a plane that was never resampled.

    Parameters
    ----------
    plane : (rows, columns)
        Any unit; NaN is no data. Not changed.
    fwhm_px : float or None
        Width of the plane's stars, in its own pixels. Below 2, or unknown, nothing is found without ``other``.
    noise : optional
        `local_noise` of the plane, if it is at hand.
    spared : (rows, columns) bool, optional
        Saturated pixels: events that touch them are stars, or what bleeds from them.
    other : (rows, columns), optional
        Another frame on the same grid, brought to the same level of stars.
    electrons : float, optional
        In one unit of the plane. Unknown: all the sky's noise is taken for that of its light, which is the most.

    Returns
    -------
    Rays

    Notes
    -----
    Noise is that of the square of 64 pixels, or the scatter of the edges about the pixel where that is larger, as it
    is on a bright core. Found pixels are filled from good neighbours and those beside them judged again, with lower
    limits, until none is added. With ``other``, a pixel counts if the other frame shows less than 0.4 of its height
    within one pixel. Rays as wide as a star are not found, nor faint ones on bright stars.

    References
    ----------
    van Dokkum (2001), PASP 113, 1420: Laplacian edges, noise, contrast against fine structure, rounds over cleaned
    pixels. Edges along one axis and the star's own limit c, in place of subsampling and medians, are derived here.

    Examples
    --------
    >>> sky = np.random.default_rng(5).normal(10.0, 1.0, (64, 64)).astype(np.float32)
    >>> sky[20, 30:34] += 40.0
    >>> found = find_rays(sky, fwhm_px=3.0)
    >>> found.events, [len(part) for part in found.places]
    (1, [4, 4])
    """
    pixels = np.array(plane, dtype=np.float32, order="C")
    sharp = fwhm_px is not None and fwhm_px >= SHARPEST_PX
    if min(pixels.shape) < _SMALLEST_PX or not (sharp or other is not None):
        return Rays(_NOWHERE, 0)
    noise = _even(local_noise(pixels) if noise is None else noise)
    twin = pixels if other is None else np.ascontiguousarray(other, dtype=np.float32)
    sky = sky_mode(sample_pixels(pixels))
    shot = _shot_noise(sky, float(np.median(noise)), electrons)
    star = star_edge(min(_SEEING * fwhm_px, _WIDEST_PX)) if sharp and fwhm_px is not None else np.inf

    def judged(at: Places, limits: tuple[float, float, float]) -> Places:
        found = np.zeros(at[0].size, dtype=np.bool_)
        edge, margin, height = limits
        # of I - (I_left + I_right) / 2 - c h
        own = float(np.hypot(1.0 - min(star, 1.0), np.sqrt(0.5)))
        rules = np.array([edge, margin * own, height, star, _SHARE, sky, shot])
        judge_places(pixels, twin, noise, *at, rules, other is not None, found)
        return at[0][found], at[1][found]

    new = judged(_edges(pixels, noise), _FIRST)
    mask = np.zeros(pixels.shape, dtype=np.bool_)
    for _ in range(_ROUNDS):
        if not new[0].size:
            break
        mask[new] = True
        pixels[new] = fill_values(pixels, mask, *new)
        new = judged(_beside(new, mask, np.isfinite(pixels)), _NEXT)
    return _events(mask, spared)


@lru_cache(maxsize=64)
def star_edge(fwhm_px: float) -> float:
    """Return the most that e / h comes to anywhere in a star of a Gaussian profile, wherever its centre lies.

    Examples
    --------
    >>> round(star_edge(1.6), 2), round(star_edge(3.0), 2)
    (0.66, 0.27)
    """
    rows, columns = np.mgrid[-9:10, -9:10].astype(np.float64)
    most = 0.0
    for dy, dx in np.ndindex(_PHASES, _PHASES):
        star = np.exp(-4.0 * np.log(2.0) * ((rows - dy / 8.0) ** 2 + (columns - dx / 8.0) ** 2) / fwhm_px**2)
        windows = np.lib.stride_tricks.sliding_window_view(star, (7, 7)).reshape(-1, 49)
        inner = np.ones((7, 7), dtype=np.bool_)
        inner[1:-1, 1:-1] = False
        ring = np.sort(windows[:, inner.ravel()], axis=1)[:, 6].reshape(13, 13)
        centre = star[3:-3, 3:-3]
        edge = np.maximum(
            centre - (star[2:-4, 3:-3] + star[4:-2, 3:-3]) / 2,
            centre - (star[3:-3, 2:-4] + star[3:-3, 4:-2]) / 2,
        )
        most = max(most, float(np.max((edge / (centre - ring))[centre > _FAINT])))
    return most


def _edges(pixels: NDArray[np.float32], noise: NDArray[np.float32]) -> Places:
    found = np.zeros(pixels.shape, dtype=np.bool_)
    limit = np.float32(_FIRST[0])

    def fill_rows(block: slice) -> None:
        edge_rows(pixels, noise, limit, found, block.start, block.stop)

    map_row_blocks(fill_rows, len(pixels), height=TILE)
    return places(found)


def _beside(at: Places, mask: NDArray[np.bool_], good: NDArray[np.bool_]) -> Places:
    """Return the pixels within one of those given that are good and not yet found, each once."""
    rows, columns = mask.shape
    dy, dx = (grid.ravel() for grid in np.meshgrid((-1, 0, 1), (-1, 0, 1), indexing="ij"))
    y, x = (at[0][:, None] + dy).ravel(), (at[1][:, None] + dx).ravel()
    inside = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
    y, x = np.divmod(np.unique(y[inside] * columns + x[inside]), columns)
    new = ~mask[y, x] & good[y, x]
    return y[new], x[new]


def _extent(values: NDArray[np.intp], event: NDArray[np.integer], count: int) -> NDArray[np.intp]:
    """Return over how many rows, or columns, each event reaches."""
    low, high = np.full(count, values.max()), np.zeros(count, dtype=np.intp)
    np.minimum.at(low, event, values)
    np.maximum.at(high, event, values)
    span: NDArray[np.intp] = high - low + 1
    return span


def _events(mask: NDArray[np.bool_], spared: NDArray[np.bool_] | None) -> Rays:
    """Return the pixels of events, without those of the sensor's columns and of saturated stars."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    y, x = places(mask)
    if not y.size:
        return Rays((y, x), 0)
    # 1.5: neighbours by sides and by corners
    pairs = cKDTree(np.column_stack([y, x])).query_pairs(1.5, output_type="ndarray")
    links = coo_array((np.ones(len(pairs), np.int8), (pairs[:, 0], pairs[:, 1])), shape=(y.size, y.size))
    count, event = connected_components(links, directed=False)
    extents = [_extent(values, event, count) for values in (y, x)]
    lost = np.zeros(count, dtype=np.bool_)
    for along, across, lines in ((extents[0], extents[1], x), (extents[1], extents[0], y)):
        column = (across <= 2) & (along > _LONGEST_COLUMN)
        # and what is left of such a column beyond a star that crosses it
        apart = np.zeros(count, dtype=np.bool_)
        apart[event[~np.isin(lines, lines[column[event]])]] = True
        lost |= ~apart
    if spared is not None:
        for dy, dx in np.ndindex(3, 3):
            j, i = np.clip(y + dy - 1, 0, mask.shape[0] - 1), np.clip(x + dx - 1, 0, mask.shape[1] - 1)
            lost[event[spared[j, i]]] = True
    kept = ~lost[event]
    return Rays((y[kept], x[kept]), int(count - lost.sum()))
