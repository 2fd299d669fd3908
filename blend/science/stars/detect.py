"""Find the places on a plane where something star-like may stand; ``stars`` measures and judges them.

This is the only module that names sep. It raises sep's buffers when they fill and lets one thread in at a
time.
"""

from __future__ import annotations

from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import median, median_and_sigma
from blend.base.rowblocks import map_row_blocks

MESH_PX = 64
"""Side of a cell of the detection sky: wide against a star, narrow against a galaxy."""

FINE_MESH_PX = 16
"""The same where nebula fills the frame: narrow against its lumps, which pass for stars and swallow them."""

ROUGH = 0.5
"""Smoothed noise by that of pixels from which the sky bends within a cell: white noise leaves 0.375, as do demosaiced
masters; nebulae from 0.6 on."""

_MOST_SAMPLES = 2_000_000
"""Pixels the mesh is measured on: of 24 megapixels every fourth each way, 256 of a cell, whose median is known to 8 %
of a pixel's noise."""

_LEAST_CELL = 8
"""Side of a cell in samples: 64 of them tell a median to 16 % of their noise."""

_SMOOTHING = np.array([[1.0, 2.0, 1.0], [2.0, 4.0, 2.0], [1.0, 2.0, 1.0]]) / 16.0
"""Binomial, 1.7 px wide at half maximum: matched to the sharpest stars, and hot pixels lose three quarters by it."""

_WHITE, _MOST_RAISED = 0.375, 1.5
"""What `_SMOOTHING` leaves of white noise, the root of its sum of squares; and the most that noise is believed to be
raised over that, four times (chosen, not measured): beyond it a patch holds objects."""

_PATCH_PX = 128
"""Side of 16 patches over the frame that tell the smoothed noise: 16,384 pixels each, two cells of the mesh."""

_FEWEST_PIXELS, _LEVELS, _CONTRAST = 5, 16, 0.005
"""Pixels above the threshold, levels and share of the light for parting neighbours. The first and the last are sep's
defaults (Bertin & Arnouts 1996, A&AS 117, 393, from memory); 16 levels are half of its 32, for speed (not measured)."""

BUFFER_PIXELS = (300_000, 10_000_000, 100_000_000)
BUFFER_OBJECTS = (4_096, 65_536, 1_000_000)
"""sep's buffers, tried in turn, from its default for pixels, which takes half the time of a million to clear, to a
frame of 100 megapixels in which all is an object."""

_one_at_a_time = Lock()


def native_plane(plane: NDArray[Any]) -> NDArray[np.float32]:
    """Return the plane as native, contiguous float32, read-only: a view where it already is one.

    Kernels are compiled once for arrays that may be written to and once for those that may not; one is enough.
    """
    image = np.ascontiguousarray(plane, dtype=np.float32).view()
    image.flags.writeable = False
    return image


def find_candidates(
    plane: NDArray[np.float32], *, invalid: NDArray[np.bool_] | None, threshold_sigma: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], bool]:
    """Return barycentres (n, 2), footprint areas in pixels (n,), brightest first, and whether nebula bends the sky.

    Parameters
    ----------
    plane : (rows, columns) float32
        Native and contiguous; NaN is left out.
    invalid : (rows, columns) bool, optional
        True where a pixel must not be used.
    threshold_sigma : float
        Threshold over the local sky, in standard deviations of the smoothed plane.
    """
    signal = flatten_for_detection(plane, invalid=invalid)
    noise = _smoothed_noise(signal)
    rough = noise > ROUGH
    if rough:
        signal = flatten_for_detection(plane, invalid=invalid, mesh_px=FINE_MESH_PX)
        noise = _smoothed_noise(signal)
    found = _extract(signal, threshold=threshold_sigma * noise)
    found = found[np.argsort(-found["flux"], kind="stable")]
    xy = np.column_stack([found["x"], found["y"]]).astype(np.float64)
    return xy, found["npix"].astype(np.float64), rough


def flatten_for_detection(
    plane: NDArray[np.float32], *, invalid: NDArray[np.bool_] | None, mesh_px: int = MESH_PX
) -> NDArray[np.float32]:
    """Return (plane - local sky) / local noise, zero where invalid.

    Sky and noise come from a mesh of cells of ``mesh_px`` over every k-th pixel: 24 million pixels need no more
    than two million for it.
    """
    rows, columns = plane.shape
    step = max(1, int(np.ceil(np.sqrt(plane.size / _MOST_SAMPLES))))
    sample, unusable = plane[::step, ::step], None if invalid is None else invalid[::step, ::step]
    sky, noise = _mesh(sample, unusable, max(_LEAST_CELL, mesh_px // step))
    out = np.empty_like(plane)
    mask = np.zeros((1, 1), dtype=np.bool_) if invalid is None else np.ascontiguousarray(invalid, np.bool_)
    scale_y = (sky.shape[0] - 1) / max(rows - 1, 1)
    at = np.arange(columns) * ((sky.shape[1] - 1) / max(columns - 1, 1))
    left = np.minimum(at.astype(np.uintp), max(sky.shape[1] - 2, 0))  # without a sign: not looked at twice
    share = (at - left).astype(np.float32)

    def fill_rows(block: slice) -> None:
        room = np.empty((2, sky.shape[1] + 1), dtype=np.float32)
        _flatten_rows(plane, mask, sky, noise, scale_y, left, share, block.start, block.stop, room, out)

    map_row_blocks(fill_rows, rows)
    return out


def _mesh(
    sample: NDArray[np.float32], invalid: NDArray[np.bool_] | None, side: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    import sep

    data = np.ascontiguousarray(sample)
    bad = ~np.isfinite(data)
    if invalid is not None:
        bad |= invalid
    data = np.where(bad, np.float32(0), data)
    cell = int(np.clip(side, _LEAST_CELL, max(_LEAST_CELL, min(data.shape) // 3)))
    with _one_at_a_time:
        fitted = sep.Background(data, mask=bad, bw=cell, bh=cell, fw=3, fh=3)
        sky, noise = fitted.back(dtype=np.float32), fitted.rms(dtype=np.float32)
    usable = data[~bad]
    # so many tell a spread to 0.3 %
    _, spread = median_and_sigma(usable[:: max(1, usable.size // 200_000)])
    reach = float(np.ptp(usable)) if usable.size else 1.0
    # cells that happen to be even (clipped, filled) have no noise, and all in them would be stars; floors not measured;
    # the map is smooth, and one pixel of it in sixteen tells its middle
    least = max(0.5 * median(noise[::4, ::4]), 1e-3 * spread, 1e-6 * reach, 1e-30)
    return sky, np.maximum(noise, np.float32(least))


@kernel
def _flatten_rows(plane, mask, sky, noise, scale_y, left, share, start, stop, room, out):  # type: ignore[no-untyped-def]
    columns = plane.shape[1]
    masked = mask.shape[0] == plane.shape[0]
    high, wide = sky.shape
    most = np.float32(np.inf)
    level, weight = room[0], room[1]
    for y in range(start, stop):
        v = y * scale_y
        j = min(int(v), max(high - 2, 0))
        k = min(j + 1, high - 1)
        b = np.float32(v - j)
        for i in range(wide):
            level[i] = sky[j, i] + b * (sky[k, i] - sky[j, i])
            weight[i] = np.float32(1) / noise[j, i]
        level[wide] = level[wide - 1]
        here, there = plane[y], out[y]
        for x in range(columns):
            i = left[x]
            value = (here[x] - (level[i] + share[x] * (level[i + 1] - level[i]))) * weight[i]
            there[x] = value if abs(value) < most else np.float32(0)
        if masked:
            for x in range(columns):
                if mask[y, x]:
                    there[x] = np.float32(0)


def _smoothed_noise(signal: NDArray[np.float32]) -> float:
    """Return the noise of the smoothed signal; `_WHITE` for white noise, more where pixels are correlated."""
    from scipy.ndimage import convolve

    side = _PATCH_PX
    tops, lefts = (np.unique(np.linspace(0, max(length - side, 0), 4).astype(int)) for length in signal.shape)
    spreads = []
    for top in tops:
        for left in lefts:
            patch = signal[top : top + side, left : left + side]
            if np.count_nonzero(patch) * 2 > patch.size:
                spreads.append(median_and_sigma(convolve(patch, _SMOOTHING))[1])
    return float(np.clip(median(spreads), _WHITE, _MOST_RAISED)) if spreads else _WHITE


def _extract(signal: NDArray[np.float32], *, threshold: float) -> Any:
    import sep

    with _one_at_a_time:
        before = sep.get_extract_pixstack(), sep.get_sub_object_limit()
        try:
            for pixels, objects in zip(BUFFER_PIXELS, BUFFER_OBJECTS, strict=True):
                # sep fills the whole buffer first: no frame needs more places than it has pixels
                sep.set_extract_pixstack(min(pixels, signal.size + 1))
                sep.set_sub_object_limit(objects)
                try:
                    return sep.extract(
                        signal,
                        threshold,
                        minarea=_FEWEST_PIXELS,
                        filter_kernel=_SMOOTHING,
                        deblend_nthresh=_LEVELS,
                        deblend_cont=_CONTRAST,
                    )
                except Exception as fault:  # noqa: BLE001  sep raises the bare class when a buffer is full
                    full = fault
            raise full
        finally:
            sep.set_extract_pixstack(before[0])
            sep.set_sub_object_limit(before[1])
