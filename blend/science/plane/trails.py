"""A satellite's trail: a straight, even streak from edge to edge of one master."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import atan2, cos, pi, sin

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise, median

LOW, HIGH = -3.0, 4.0
"""In sigma of a cell: values are held between, so that no star outshines a faint line across the frame."""

WIDE_CELLS = 31
"""Side of the squares whose mean is taken off: wide against a trail, narrow against a galaxy."""

VOTE, HEAVIEST, MOST_VOTES = 1.5, 3.0, 8_000
"""In sigma: what a cell must have over its surroundings to vote for lines, and the most that its vote weighs; and so
many cells vote at most."""

ANGLES, RHO_CELLS, PEAKS = 360, 1.5, 4
"""Directions tried, half a degree apart; width of a line there, in cells; and how many lines are looked at closely."""

PIECES, LIT, LEAST_PIECES = 12, 10, 8
"""Pieces of a line, how many of twelve must be lit, and the fewest that must have data. Edge-on galaxies and spikes end
inside the frame; a star beside the line may hide two pieces."""

PIECE_SIGMA, EVEN = 3.0, 0.3
"""How far a lit piece stands over both of its sides; and the least that a dim piece (10th percentile) may have of a
bright one (90th): a satellite shines evenly, a spike falls as it leaves its star."""

SIDES = (5, 11)
"""Cells to either side with which the line is compared; the far ones for trails wider than two cells."""

AXIS_DEG = 0.8
"""A line so near to rows or columns of its own frame is a bleeding column, a hot one, or a seam."""

REACH_PX, POINTS, RIM_PX = 30, 400, 8
"""How far to either side the width is looked for, in pixels; at how many points of the trail; and the outermost pixels,
which tell the ground."""

TAKEN = 6
"""Half-width, in directions and in bins, of what belongs to a line that was looked at: 3 degrees, 9 cells."""

REACHES_CELLS = (6.0, 3.0, 2.0, 2.0)
"""Voters that a line is fitted to, nearer and nearer."""


@dataclass(frozen=True)
class Trail:
    """A trail's ends (x, y), its width at half maximum, and its height over both sides in sigma of a cell.

    Pixels or cells: those of the plane it was found on.
    """

    start: tuple[float, float]
    end: tuple[float, float]
    width: float
    height: float


def find_trail(cells: NDArray[np.floating], *, axes_deg: Sequence[float] = (0.0, 90.0)) -> Trail | None:
    """Return the brightest trail of a small picture, or None.

    Every cell that stands over its surroundings votes for the lines through it (Hough's transform); of the lines with
    most votes one is a trail that stands over both of its sides on 10 of 12 pieces from edge to edge, evenly.

    Parameters
    ----------
    cells : (rows, columns)
        Means over some pixels a side, sky 0, a few hundred cells long; NaN where there is no data.
    axes_deg : sequence of float
        Directions of the rows and columns of the frame the light was taken in, from +x towards +y.

    Notes
    -----
    A trail along rows or columns is not found, nor one that ends inside the frame. 360 x 240 cells take 0.02 s.

    References
    ----------
    Duda & Hart (1972), Comm. ACM 15, 11, for lines by angle and distance.
    """
    noise = difference_noise(cells)
    if not noise > 0 or min(cells.shape) < 2 * WIDE_CELLS:
        return None
    known = np.isfinite(cells)
    held = np.where(known, np.clip(np.where(known, cells, 0.0) / noise, LOW, HIGH), 0.0)
    points, weight = _voters(held, known)
    for angle, rho in _voted(points, weight, reach=float(np.hypot(*held.shape))):
        line = _refined(points, angle, rho)
        if not _along_axis(line[0], axes_deg):
            trail = _confirmed(np.asarray(cells, dtype=np.float64) / noise, line)
            if trail is not None:
                return trail
    return None


def _voters(
    held: NDArray[np.float64], known: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the places (n, 2) of cells that stand over their surroundings, and the weight of each."""
    from scipy.ndimage import uniform_filter

    share = np.maximum(uniform_filter(known.astype(np.float64), WIDE_CELLS), 1e-6)
    over = np.where(known, held - uniform_filter(held, WIDE_CELLS) / share, 0.0)
    y, x = np.nonzero(over > VOTE)
    if y.size > MOST_VOTES:
        chosen = np.argsort(-over[y, x], kind="stable")[:MOST_VOTES]
        y, x = y[chosen], x[chosen]
    return np.stack([x, y], axis=1).astype(np.float64), np.minimum(over[y, x], HEAVIEST)


def _voted(
    points: NDArray[np.float64], weight: NDArray[np.float64], *, reach: float
) -> Iterator[tuple[float, float]]:
    """Yield angle of the normal and distance from the first cell of the lines with most votes."""
    bins = int(2.0 * reach / RHO_CELLS) + 2
    angles = np.arange(ANGLES) * (pi / ANGLES)
    votes = np.empty((ANGLES, bins))
    for i, angle in enumerate(angles):
        at = ((points @ (cos(angle), sin(angle)) + reach) / RHO_CELLS).astype(np.int64)
        votes[i] = np.bincount(at, weight, minlength=bins)[:bins]
    for _ in range(PEAKS):
        i, j = divmod(int(np.argmax(votes)), bins)
        yield float(angles[i]), (float(j) + 0.5) * RHO_CELLS - reach
        near = np.abs(np.arange(ANGLES) - i)
        votes[np.minimum(near, ANGLES - near) <= TAKEN, max(j - TAKEN, 0) : j + TAKEN + 1] = 0.0


def _refined(points: NDArray[np.float64], angle: float, rho: float) -> tuple[float, float]:
    """Return angle and distance of the line through the voters near a line, by least squares across it."""
    for reach in REACHES_CELLS:
        near = points[np.abs(points @ (cos(angle), sin(angle)) - rho) < reach]
        if len(near) < PIECES:
            break
        middle = near.mean(axis=0)
        _, _, axes = np.linalg.svd(near - middle, full_matrices=False)
        angle = atan2(axes[1, 1], axes[1, 0])
        rho = float(middle @ (cos(angle), sin(angle)))
    return angle, rho


def _along_axis(angle: float, axes_deg: Sequence[float]) -> bool:
    """Return whether a line, whose normal has an angle, runs along one of the axes."""
    direction = np.degrees(angle) + 90.0
    apart = [abs((direction - axis + 90.0) % 180.0 - 90.0) for axis in axes_deg]
    return min(apart, default=90.0) < AXIS_DEG


def chord(shape: tuple[int, ...], angle: float, rho: float) -> NDArray[np.float64]:
    """Return the points (n, 2) of a line inside a frame, one a pixel; those of a line outside are none."""
    reach = float(np.hypot(shape[0], shape[1]))
    along = np.arange(-np.ceil(reach), np.ceil(reach) + 1.0)
    x, y = rho * cos(angle) - along * sin(angle), rho * sin(angle) + along * cos(angle)
    inside = (x >= 0) & (x <= shape[1] - 1) & (y >= 0) & (y <= shape[0] - 1)
    return np.stack([x[inside], y[inside]], axis=1)


def across_profile(
    plane: NDArray[np.floating], points: NDArray[np.float64], angle: float, reach: int
) -> NDArray[np.float64]:
    """Return the values beside points of a line, (n, 2 reach + 1), nearest pixels; NaN outside the frame."""
    offsets = np.arange(-reach, reach + 1)
    x = np.rint(points[:, :1] + offsets * cos(angle)).astype(np.int64)
    y = np.rint(points[:, 1:] + offsets * sin(angle)).astype(np.int64)
    inside = (x >= 0) & (x < plane.shape[1]) & (y >= 0) & (y < plane.shape[0])
    values = plane[np.clip(y, 0, plane.shape[0] - 1), np.clip(x, 0, plane.shape[1] - 1)].astype(np.float64)
    values[~inside] = np.nan
    return values


def _confirmed(cells: NDArray[np.float64], line: tuple[float, float]) -> Trail | None:
    """Return the trail along a line if it stands over both sides all along, near ones or, of a wide trail, far ones."""
    points = chord(cells.shape, *line)
    if len(points) < 0.5 * min(cells.shape):
        return None
    values = across_profile(cells, points, line[0], SIDES[-1] + 1)
    for near in SIDES:
        heights = _heights(values, near)
        if heights.size and np.percentile(heights, 10.0) >= EVEN * np.percentile(heights, 90.0):
            (x0, y0), (x1, y1) = points[0], points[-1]
            height = median(heights)
            return Trail((float(x0), float(y0)), (float(x1), float(y1)), float("nan"), height)
    return None


def _heights(values: NDArray[np.float64], near: int) -> NDArray[np.float64]:
    """Return how high each piece stands over sides ``near`` cells away, in sigma; none where too few are lit."""
    held, middle = np.clip(values, LOW, HIGH), values.shape[1] // 2
    on = slice(middle - 1, middle + 2)
    sides = (slice(middle - near - 1, middle - near + 2), slice(middle + near - 1, middle + near + 2))
    heights, lit = [], 0
    for part in np.array_split(np.arange(len(values)), PIECES):
        if min(np.isfinite(values[part, columns]).mean() for columns in (on, *sides)) < 0.5:
            continue
        over = np.nanmean(held[part, on]) - max(np.nanmean(held[part, side]) for side in sides)
        lit += bool(over > PIECE_SIGMA * np.sqrt(2.0 / (3 * len(part))))
        around = np.concatenate([values[part, side] for side in sides], axis=1)
        heights.append(float(np.nanmedian(np.max(values[part, on], axis=1)) - np.nanmedian(around)))
    enough = len(heights) >= LEAST_PIECES and lit * PIECES >= LIT * len(heights)
    return np.array(heights if enough else [])


def measure_trail(plane: NDArray[np.floating], trail: Trail, *, size: int, noise: float) -> Trail:
    """Return a trail found on cells of ``size`` pixels in pixels, with its width and height measured on the plane.

    Parameters
    ----------
    plane : (rows, columns)
        Sky 0.
    trail : Trail
        From `find_trail`.
    size : int
        Pixels a side of a cell.
    noise : float
        Of a pixel.
    """
    shift = 0.5 * (size - 1)
    start, end = (np.array(at) * size + shift for at in (trail.start, trail.end))
    angle = atan2(end[1] - start[1], end[0] - start[0]) + 0.5 * pi
    points = start + np.linspace(0.0, 1.0, POINTS)[:, None] * (end - start)
    profile = np.nanmedian(across_profile(plane, points, angle, REACH_PX), axis=0)
    profile -= np.nanmedian(np.concatenate([profile[:RIM_PX], profile[-RIM_PX:]]))
    top = float(np.nanmax(profile))
    width = float(np.count_nonzero(profile > 0.5 * top))
    return Trail((start[0], start[1]), (end[0], end[1]), width, top / noise if noise > 0 else float("nan"))
