"""Put a picture on another grid, and find the part of a grid that every picture covers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks
from blend.science.grid.distortion import Distortion, from_reference
from blend.science.grid.lanczos import (
    SUPPORT,
    UNDONE,
    mark_support,
    resample_clean_rows,
    resample_undone_rows,
    weight_table,
)

_BEND_PX = 8
"""Spacing of the nodes between which a distortion is interpolated: one of 12 px at the corners of 1000 px is then good
to 0.001 px."""

_AS_FINE = 0.95
"""Down to this many output pixels per input pixel the plain kernel is kept: it folds next to nothing."""


def resample(
    pixels: NDArray[np.float32],
    flags: NDArray[np.uint8],
    matrix: NDArray[np.floating],
    shape: tuple[int, int],
    *,
    distortion: Distortion | None = None,
    low_floor: bool = True,
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Resample by normalised Lanczos-3 on the grid that ``matrix`` maps to.

    out(x) = sum(w_i I_i) / sum(w_i) over the valid pixels i around matrix^-1 x, w = L(dx) L(dy)

    Parameters
    ----------
    pixels : (planes, rows, columns) float32
    flags : (rows, columns) uint8
        Bits of `Flag`.
    matrix : (3, 3)
        Maps a point (x, y, 1) of ``pixels`` to the output.
    shape : (rows, columns)
        Of the output.
    distortion : Distortion, optional
        D of the output: its pixel x is made of the input around matrix^-1 (x + D(x)).
    low_floor : bool
        Floor each output pixel at the least valid input pixel of its support.

    Returns
    -------
    pixels : (planes, *shape) float32
        Surface brightness is kept: no factor for the area of a pixel. NaN where there is no data.
    flags : shape uint8
        ``NO_DATA`` where less than 3/4 of the bilinear weight of the four nearest input pixels is valid.
        ``SATURATED`` and ``REPAIRED`` from those of the four that weigh more than 1/20.

    Raises
    ------
    ValueError
        The matrix has no inverse, or pixels and flags differ in size.

    Notes
    -----
    An identity matrix and an equal shape return the inputs themselves. Where the output's pixels are larger
    than the input's, the kernel widens by their ratio. Within the support of a saturated pixel the result
    is kept between the least and the greatest of the four nearest input pixels: a clipped core would ring
    by 11 % on both sides. Elsewhere only the low side is floored; a ceiling would cost star peaks 8 %.

    References
    ----------
    Duchon (1979), J. Appl. Meteor. 18, 1016; Turkowski (1990), Graphics Gems, 147.
    """
    forward: NDArray[np.float64] = np.array(matrix, dtype=np.float64)
    if pixels.ndim != 3 or flags.shape != pixels.shape[1:]:
        raise ValueError(f"flags of shape {flags.shape} do not cover pixels of shape {pixels.shape}")
    if forward.shape != (3, 3) or not np.isfinite(forward).all() or abs(np.linalg.det(forward)) < 1e-12:
        raise ValueError("the matrix has no inverse")
    if (
        distortion is None
        and tuple(shape) == flags.shape
        and np.array_equal(forward / forward[2, 2], np.eye(3))
    ):
        return pixels, flags
    shrink = _scale_at_centre(forward, flags.shape)
    shrink = 1.0 if shrink > _AS_FINE else shrink
    planes, near = _prepare(pixels, flags, reach=int(np.ceil(SUPPORT / shrink)))
    table, inverse = weight_table(shrink), _inverse_facing(forward, flags.shape)
    nodes = _bend_nodes(distortion, shape)
    out = np.empty((planes.shape[0], *shape), dtype=np.float32)
    out_flags = np.full(shape, UNDONE, dtype=np.uint8)
    quick = shrink == 1.0 and low_floor

    def fill_rows(block: slice) -> None:
        rows, bent = (block.start, block.stop), _bent_rows(nodes, block, shape[1])
        if quick:
            resample_clean_rows(planes, near, table, inverse, bent, *rows, out, out_flags)
        resample_undone_rows(planes, near, table, inverse, bent, bool(low_floor), *rows, out, out_flags)

    map_row_blocks(fill_rows, shape[0])
    return out, out_flags


def _bend_nodes(distortion: Distortion | None, shape: tuple[int, int]) -> NDArray[np.float64] | None:
    """Return the distortion at nodes of the output, (2, rows, columns), one beyond its far edges."""
    if distortion is None:
        return None
    y, x = np.mgrid[tuple(slice((length - 1) // _BEND_PX + 2) for length in shape)] * float(_BEND_PX)
    return distortion.at(np.column_stack([x.ravel(), y.ravel()])).T.reshape(2, *x.shape)


def _bent_rows(nodes: NDArray[np.float64] | None, rows: slice, columns: int) -> NDArray[np.float64]:
    """Return the distortion of every pixel of some rows, (2, rows, columns), bilinear between the nodes."""
    if nodes is None:
        return np.empty((2, 0, 0))
    y, x = np.arange(rows.start, rows.stop), np.arange(columns)
    b, a = ((line % _BEND_PX) / _BEND_PX for line in (y, x))
    j, i = y // _BEND_PX, x // _BEND_PX
    down = nodes[:, j] * (1.0 - b)[:, None] + nodes[:, j + 1] * b[:, None]
    return np.ascontiguousarray(down[:, :, i] * (1.0 - a) + down[:, :, i + 1] * a)


def noise_factor(
    matrix: NDArray[np.floating],
    distortion: Distortion | None,
    moving: tuple[int, int],
    shape: tuple[int, int],
) -> float:
    """Return the noise of a resampled pixel over that of an input pixel, for noise that pixels do not share.

    sqrt(mean over the frame of sum(w_x^2) sum(w_y^2)), w the weights at each place.

    Parameters
    ----------
    matrix, distortion
        As for `resample`.
    moving, shape : (rows, columns)
        Of the input and of the output.

    Examples
    --------
    >>> shift = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])
    >>> round(noise_factor(shift, None, (100, 100), (100, 100)), 3)
    0.786
    """
    forward = np.asarray(matrix, dtype=np.float64)
    shrink = _scale_at_centre(forward, moving)
    table = weight_table(1.0 if shrink > _AS_FINE else shrink).astype(np.float64)
    y, x = (line.ravel() for line in np.mgrid[0:32, 0:32])
    # an odd share of the frame, so that no scale falls into step with the grid
    points = np.column_stack([x * shape[1] / 32.3819, y * shape[0] / 32.3819]).round()
    at = from_reference(forward, distortion, points)
    phase = np.rint((at - np.floor(at)) * (len(table) - 1)).astype(np.intp)
    squares = (table**2).sum(axis=1)[phase]
    return float(np.sqrt(squares.prod(axis=1).mean()))


def _prepare(
    pixels: NDArray[np.float32], flags: NDArray[np.uint8], *, reach: int
) -> tuple[NDArray[np.float32], NDArray[np.uint8]]:
    """Flag NaN as ``NO_DATA``, and mark what lies within ``reach`` of anything flagged."""
    planes = np.ascontiguousarray(pixels, dtype=np.float32).view()
    # Always read-only, so that the kernels are compiled for one kind of array.
    planes.flags.writeable = False
    near = np.empty((flags.shape[0], flags.shape[1]), dtype=np.uint8)

    def copy(block: slice) -> None:
        np.bitwise_and(flags[block], np.uint8(7), out=near[block])
        for plane in planes:
            near[block] |= (~np.isfinite(plane[block])).view(np.uint8)

    map_row_blocks(copy, len(near))
    mark_support(near, reach)
    return planes, near


def _inverse_facing(matrix: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Return the inverse, with a positive third coordinate on the picture's side of the horizon."""
    inverse = np.linalg.inv(matrix)
    inverse /= inverse[2, 2] if abs(inverse[2, 2]) > 1e-12 else 1.0
    centre = matrix @ [0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1), 1.0]
    facing = np.sign((inverse @ (centre / centre[2]))[2])
    signed: NDArray[np.float64] = np.ascontiguousarray(inverse * facing)
    if not matrix[2, :2].any():
        # An affine map's third coordinate is 1; rounding must not send it through the division.
        signed[2] = (0.0, 0.0, 1.0)
    return signed


def _scale_at_centre(matrix: NDArray[np.float64], shape: tuple[int, ...]) -> float:
    """Return output pixels per input pixel, from the area of a pixel at the centre."""
    x, y = 0.5 * (shape[1] - 1), 0.5 * (shape[0] - 1)
    corners = matrix @ np.array([[x, x + 1, x], [y, y, y + 1], [1, 1, 1]])
    a, b, c = (corners[:2] / corners[2]).T
    return float(np.sqrt(abs((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])))


def full_coverage_box(masks: Sequence[NDArray[np.bool_]]) -> tuple[int, int, int, int]:
    """Return the largest upright rectangle that every mask covers, as (x, y, width, height).

    Parameters
    ----------
    masks : sequence of (rows, columns) bool
        True where there is data, or a hole inside it (`blend.science.picture.holes`); at least one, all of one shape.

    Returns
    -------
    x, y, width, height : int
        All 0 where nothing is covered by all.

    Raises
    ------
    ValueError
        There are no masks.

    Notes
    -----
    The search keeps, row by row, how far each column is covered upwards, and takes the largest rectangle under that
    histogram: one visit a pixel.

    Examples
    --------
    >>> mask = np.ones((5, 6), dtype=bool)
    >>> mask[:, 0] = False
    >>> full_coverage_box([mask])
    (1, 0, 5, 5)
    """
    if not masks:
        raise ValueError("no masks")
    both = np.array(masks[0], dtype=np.bool_, order="C")
    for mask in masks[1:]:
        both &= mask
    if both.all():
        return (0, 0, both.shape[1], both.shape[0])
    box = np.zeros(4, dtype=np.int64)
    _largest_rectangle(both, np.zeros((3, both.shape[1] + 1), dtype=np.int64), box)
    return (int(box[0]), int(box[1]), int(box[2]), int(box[3]))


@kernel
def _largest_rectangle(mask: Any, room: Any, best: Any) -> None:
    rows, columns = mask.shape
    height, starts, tops = room[0], room[1], room[2]
    area = 0
    for y in range(rows):
        depth = 0
        for x in range(columns + 1):
            if x < columns:
                height[x] = height[x] + 1 if mask[y, x] else 0
            start = x
            while depth > 0 and tops[depth - 1] >= height[x]:
                depth -= 1
                start = starts[depth]
                size = tops[depth] * (x - start)
                if size > area:
                    area = size
                    best[0], best[1] = start, y - tops[depth] + 1
                    best[2], best[3] = x - start, tops[depth]
            if height[x] > 0:
                starts[depth], tops[depth] = start, height[x]
                depth += 1
