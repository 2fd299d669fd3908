"""The target's own light: how bright its brightest part is, stars in front of it and clipped cores aside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.picture.colour import LUMINANCE_WEIGHTS

Mask = NDArray[np.bool_]

PERCENTILE = 99.9
COARSE_PIXELS, MOST_PIXELS = 400_000, 1_000_000
"""More are looked at in steps: to find the target, and to measure it."""

STARLESS_SHARE = 0.2
"""Of a region's light that lies outside its stars' masks: 2 to 10 % of a star's does, by the wings of a Moffat star;
of the galaxies and nebulae of `benchmarks/accuracy/look.py` 50 % and more."""

BESIDE = 0.1
"""Regions with this share of the largest one's light belong to the target."""

LEAST_PIXELS = 30  # fewer have no 99.9th percentile worth the name: chosen, not measured

SEEN = 0.02
"""Of the target's brightest light: what is fainter is not counted to the part of the picture that shows the target."""


@dataclass(frozen=True)
class TargetLight:
    """What the picture's tone is set by; light and noise are linear, over a sky of 0, in the balanced planes' mean."""

    light: float  # the `PERCENTILE` of the target's own pixels
    # of one sky pixel: of the planes' mean or of the luminance, whichever is noisier, shared noise counted
    noise: float
    pixels: int  # how many were the target's own
    stars: bool  # the target's light is that of stars
    # (x, y, width, height) or None; around the target, in pixels; None for stars
    box: tuple[int, int, int, int] | None = None

    @property
    def signal_to_noise(self) -> float:
        """Light over noise of one pixel."""
        return self.light / self.noise if self.noise > 0.0 else float("inf")


def measure_target(
    planes: NDArray[np.float32], *, objects: Mask, stars: NDArray[Any], closed: Mask, noise: float
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
    stars : (rows, columns)
        Above 0, or True, on stars.
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
    light = planes[:, rows, columns].mean(axis=0, dtype=np.float64)
    own = light[inside & np.isfinite(light)]
    if own.size < LEAST_PIXELS:
        return None
    level = float(np.percentile(own, PERCENTILE))
    if not level > 0.0:
        return None
    seen = inside & (light > max(SEEN * level, 4.0 * noise))
    box = None if of_stars else _box_around(seen if seen.any() else inside, rows, columns)
    return TargetLight(level, noise, int(own.size), of_stars, box)


def target_pixels(
    planes: NDArray[np.float32], *, objects: Mask, stars: NDArray[Any], closed: Mask
) -> tuple[slice, slice, Mask, bool] | None:
    """Return rows and columns around the target, in steps, which pixels there are its own, and whether it is stars.

    Parameters are those of `measure_target`; None where there is no object.
    """
    step = _step(objects.size, COARSE_PIXELS)
    coarse = (slice(None, None, step),) * 2
    labels, chosen = _regions(planes[(slice(None), *coarse)], objects[coarse], stars[coarse], closed[coarse])
    if labels is None:
        return None
    of_stars = not chosen.any()
    held = (labels > 0) if of_stars else chosen[labels]
    spans = [np.flatnonzero(held.any(axis=axis)) for axis in (1, 0)]
    ends = [
        (int(span[0]) * step, min((int(span[-1]) + 1) * step, n))
        for span, n in zip(spans, objects.shape, strict=True)
    ]
    fine = _step((ends[0][1] - ends[0][0]) * (ends[1][1] - ends[1][0]), MOST_PIXELS)
    rows, columns = (slice(start, stop, fine) for start, stop in ends)
    inside = objects[rows, columns] & ~closed[rows, columns]
    if not of_stars:
        places = (np.arange(start, stop, fine) // step for start, stop in ends)
        inside &= held[np.ix_(*places)] & (stars[rows, columns] <= 0)
    return rows, columns, inside, of_stars


def _step(size: int, most: int) -> int:
    return max(1, int(np.ceil(np.sqrt(size / most))))


def _regions(
    planes: NDArray[np.float32], objects: Mask, stars: NDArray[Any], closed: Mask
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


def _box_around(seen: Mask, rows: slice, columns: slice) -> tuple[int, int, int, int]:
    """Return the box (x, y, width, height) around what is seen of a grid of pixels, but for a few strays."""
    low, high = np.percentile(np.argwhere(seen), (0.5, 99.5), axis=0).astype(int)
    step = rows.step
    size = (high - low + 1) * step
    return int(columns.start + low[1] * step), int(rows.start + low[0] * step), int(size[1]), int(size[0])


def shared_noise(planes: NDArray[np.float32], sigmas: list[float]) -> float:
    """Return the noise of one sky pixel of the planes' mean or of the luminance, the larger, linear.

    ``sigmas`` are the planes' own, as measured before resampling; planes that share noise, as those made of one file
    do, add up to more than independent ones, by as much as a sample of their pixels shows.
    """
    rows = planes.shape[1]
    part = planes[:, rows // 3 : rows // 3 + max(min(rows // 3, COARSE_PIXELS // planes.shape[2]), 8)]
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
