"""What only short stacks need: a satellite's trail left out, and a second frame's word on cosmic rays."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from blend.app.frames.light_frame import LightFrame, LightPlan
from blend.base.shrink import shrink
from blend.files.scratch import FrameStore
from blend.science.grid import resample
from blend.science.plane import find_trail, measure_trail
from blend.science.sensor import remove_rays

_CELLS = 400
"""Cells along the longer edge, as many as `find_trail` was measured on."""


def mask_trail(frame: LightFrame, plan: LightPlan, store: FrameStore) -> None:
    """Note a satellite's trail in a light, and take the numbers from under it where another frame shows the place.

    Nothing is looked for in frames enough to be clipped.
    """
    if not plan.rays_in or not frame.kept:
        return
    planes = store.get(frame.index)
    plane = planes[plan.star_plane] - np.float32(frame.sky[plan.star_plane])
    size = max(1, round(max(plan.shape) / _CELLS))
    trail = find_trail(shrink(plane[None], size)[0])
    if trail is None:
        return
    trail = measure_trail(plane, trail, size=size, noise=frame.noise[plan.star_plane][1])
    (x0, y0), (x1, y1) = trail.start, trail.end
    words = f"a straight streak from ({x0:.0f}, {y0:.0f}) to ({x1:.0f}, {y1:.0f}), about {trail.width:.0f} px wide"
    if plan.frames > 1:
        rows, columns = np.mgrid[: plan.shape[0], : plan.shape[1]].astype(np.float32)
        across = ((columns - x0) * (y1 - y0) - (rows - y0) * (x1 - x0)) / np.hypot(x1 - x0, y1 - y0)
        # twice the half width at half maximum, and the pixel that resampling would draw in
        planes[:, np.abs(across) <= trail.width + 1.0] = np.nan
        store.put(frame.index, planes)
        words += ", left to the other frames"
    frame.notes = (
        *frame.notes,
        f"{frame.head.path.name}: {words}; it may be a satellite's or an aeroplane's trail",
    )


def remove_paired_rays(
    frames: Sequence[LightFrame], plan: LightPlan, store: FrameStore
) -> Iterator[tuple[LightFrame, int]]:
    """Fill in every frame the rays that the sharpest of the others does not show; give each with their number.

    Nothing is done for frames enough to be clipped, nor for interpolated planes, in which a ray is as wide as a star.
    """
    if not plan.rays_in or len(frames) < 2 or plan.interpolated:
        return
    for frame in frames:
        others = [one for one in frames if one is not frame]
        twin = min(others, key=lambda one: (one.fwhm if np.isfinite(one.fwhm) else np.inf, one.index))
        assert frame.alignment is not None and twin.alignment is not None
        theirs = np.linalg.inv(frame.alignment.matrix) @ twin.alignment.matrix
        planes, events = store.get(frame.index), 0
        seen, _ = resample(store.get(twin.index), np.zeros(plan.shape, np.uint8), theirs, plan.shape)
        for plane in range(len(planes)):
            scale = frame.gain[plane] / twin.gain[plane]
            other = scale * (seen[plane] - twin.sky[plane]) + frame.sky[plane]
            full = planes[plane] >= frame.full[plane]
            done = remove_rays(
                planes[plane],
                spared=full,
                other=other.astype(np.float32),
                electrons=plan.electrons,
            )
            planes[plane] = done.pixels
            events += done.events or 0
        store.put(frame.index, planes)
        yield frame, events
