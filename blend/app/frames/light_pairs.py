"""A second frame's word on cosmic rays: what one light shows at a place and another of its field does not."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from blend.app.frames.light_frame import LightFrame, LightPlan
from blend.files.scratch import FrameStore
from blend.science.grid import resample
from blend.science.sensor import remove_rays


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
