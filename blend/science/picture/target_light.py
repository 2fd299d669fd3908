"""The target's own light: how bright its brightest part is, stars in front of it and clipped cores aside."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.picture.colour import LUMINANCE_WEIGHTS

Mask = NDArray[np.bool_]

PERCENTILE = 99.9
MOST_PIXELS = 2_000_000
"""More are looked at in steps; what is found is then looked at whole."""

STARLESS_SHARE = 0.2
"""Of a region's light that lies outside its stars' masks: 2 to 10 % of a star's does, by the wings of a Moffat star;
of the galaxies and nebulae of `benchmarks/accuracy/look.py` 50 % and more."""

BESIDE = 0.1
"""Regions with this share of the largest one's light belong to the target."""

LEAST_PIXELS = 30
"""Fewer tell no percentile (chosen, not measured)."""

SEEN = 0.02
"""Of the target's brightest light: what is fainter is not counted to the part of the picture that shows the target."""


@dataclass(frozen=True)
class TargetLight:
    """What the picture's tone is set by; light and noise are linear, over a sky of 0, in the balanced planes' mean.

    Attributes
    ----------
    light : float
        The `PERCENTILE` of the target's own pixels.
    noise : float
        Of one sky pixel: of the planes' mean or of the luminance, whichever is noisier, shared noise counted.
    pixels : int
        How many were the target's own.
    stars : bool
        The target's light is that of stars.
    box : (x, y, width, height) or None
        Around the target, in pixels; None for stars.
    """

    light: float
    noise: float
    pixels: int
    stars: bool
    box: tuple[int, int, int, int] | None = None

    @property
    def signal_to_noise(self) -> float:
        """Light over noise of one pixel."""
        return self.light / self.noise if self.noise > 0.0 else float("inf")


def measure_target(
    planes: NDArray[np.float32], *, objects: Mask, stars: NDArray[np.float32], closed: Mask, noise: float
) -> TargetLight | None:
    """Find the target among the objects, and how bright its brightest part is.

    Objects that touch are one region. The target is the region with most light outside stars, and those with a tenth
    of that; where stars hold all but a fifth of its light, as in a cluster, all objects with their stars.

    Parameters
    ----------
    planes : (3, rows, columns)
        Linear, balanced, sky 0.
    objects : (rows, columns) bool
        As `blend.science.sky.object_mask` finds them.
    stars : (rows, columns) float32
        Above 0 on stars.
    closed : (rows, columns) bool
        Where a plane is clipped or has no data.
    noise : float
        Handed on.

    Returns
    -------
    TargetLight or None
        None where there is no object.
    """
    found = target_pixels(planes, objects=objects, stars=stars, closed=closed)
    if found is None:
        return None
    rows, columns, inside, of_stars = found
    thin = (slice(None, None, max(1, int(np.sqrt(inside.size / MOST_PIXELS)))),) * 2
    own = planes[:, rows, columns][(slice(None), *thin)][:, inside[thin]].mean(axis=0, dtype=np.float64)
    own = own[np.isfinite(own)]
    if own.size < LEAST_PIXELS:
        return None
    light = float(np.percentile(own, PERCENTILE))
    box = None if of_stars else _seen_box(planes, inside, rows, columns, least=max(SEEN * light, 4.0 * noise))
    return TargetLight(light, noise, int(own.size), of_stars, box) if light > 0.0 else None


def target_pixels(
    planes: NDArray[np.float32], *, objects: Mask, stars: NDArray[np.float32], closed: Mask
) -> tuple[slice, slice, Mask, bool] | None:
    """Return rows and columns around the target, which pixels there are its own, and whether it is stars.

    Parameters are those of `measure_target`; None where there is no object.
    """
    step = max(1, int(np.ceil(np.sqrt(objects.size / MOST_PIXELS))))
    coarse = (slice(None, None, step),) * 2
    labels, chosen = _regions(planes[(slice(None), *coarse)], objects[coarse], stars[coarse], closed[coarse])
    if labels is None:
        return None
    of_stars = not chosen.any()
    rows, columns = (_span(labels, chosen, axis, step) for axis in (1, 0))
    inside = objects[rows, columns] & ~closed[rows, columns]
    if not of_stars:
        part = np.repeat(np.repeat(chosen[labels], step, axis=0), step, axis=1)[rows, columns]
        inside &= part[: inside.shape[0], : inside.shape[1]]
        inside &= ~(stars[rows, columns] > 0)
    return rows, columns, inside, of_stars


def _regions(
    planes: NDArray[np.float32], objects: Mask, stars: NDArray[np.float32], closed: Mask
) -> tuple[NDArray[np.int32] | None, Mask]:
    """Return the objects' regions by number, 0 for none, and which numbers are the target's: none for stars alone."""
    from scipy.ndimage import label

    labels, count = label(objects, structure=np.ones((3, 3), dtype=np.int8))
    if count == 0:
        return None, np.zeros(1, dtype=np.bool_)
    light = np.nan_to_num(planes.mean(axis=0, dtype=np.float64))
    starless = (stars <= 0) & ~closed
    every = np.bincount(labels.ravel(), weights=light.ravel(), minlength=count + 1)
    own = np.bincount(labels.ravel(), weights=(light * starless).ravel(), minlength=count + 1)
    every[0] = own[0] = 0.0
    wide = (own > STARLESS_SHARE * every) & (own > 0.0)
    most = float(own[wide].max(initial=0.0))
    return labels, np.asarray(wide & (own >= BESIDE * most) & (most >= BESIDE * own.max()))


def _seen_box(
    planes: NDArray[np.float32], inside: Mask, rows: slice, columns: slice, *, least: float
) -> tuple[int, int, int, int]:
    """Return the box (x, y, width, height) around the target's light above a level, but for a few strays."""
    step = max(1, int(np.ceil(np.sqrt(inside.size / MOST_PIXELS))))
    thin = (slice(None, None, step),) * 2
    bright = planes[:, rows, columns][(slice(None), *thin)].mean(axis=0) > least
    places = np.argwhere(inside[thin] & bright)
    if not len(places):
        return (columns.start or 0, rows.start or 0, inside.shape[1], inside.shape[0])
    low, high = (np.percentile(places, q, axis=0).astype(int) * step for q in (0.5, 99.5))
    top, left = int(low[0]) + (rows.start or 0), int(low[1]) + (columns.start or 0)
    return (left, top, int(high[1] - low[1]) + step, int(high[0] - low[0]) + step)


def _span(labels: NDArray[np.int32], chosen: Mask, axis: int, step: int) -> slice:
    """Return the rows (axis 1) or columns (axis 0), at full size, that hold the chosen regions; all where none is."""
    held = np.flatnonzero(chosen[labels].any(axis=axis))
    return slice(int(held[0]) * step, (int(held[-1]) + 1) * step) if held.size else slice(None)


def shared_noise(planes: NDArray[np.float32], sigmas: list[float]) -> float:
    """Return the noise of one sky pixel of the planes' mean or of the luminance, the larger, linear.

    ``sigmas`` are the planes' own, as measured before resampling; planes that share noise, as those made of one file
    do, add up to more than independent ones, by as much as a sample of their pixels shows.
    """
    rows = planes.shape[1]
    part = planes[:, rows // 3 : rows // 3 + max(min(rows // 3, 2_000_000 // planes.shape[2]), 8)]
    found = [difference_noise(plane) for plane in part]
    most = 0.0
    for weights in ((1 / 3, 1 / 3, 1 / 3), LUMINANCE_WEIGHTS):
        alone, seen = (
            float(np.sqrt(sum((w * s) ** 2 for w, s in zip(weights, of, strict=True))))
            for of in (sigmas, found)
        )
        mixed = np.tensordot(np.asarray(weights, dtype=np.float32), part, 1)
        factor = difference_noise(mixed) / seen if seen > 0.0 else 1.0
        most = max(most, alone * (factor if np.isfinite(factor) else 1.0))
    return most
