"""What world coordinates in two headers say about how the frames lie, and whether their stars agree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from blend.science.grid.distortion import Distortion, fit_warp, frame_of, from_reference, to_reference
from blend.science.grid.matching import ACCEPT_PX, Side, chance_of, sound
from blend.science.grid.transforms import Matrix, scale_of, within

ROUNDING_PX = 0.01
"""What the headers' numbers are good for: below it a map is the identity, and a distortion none."""

REACH_PX = 6.0
"""Farthest that stars may be from where solved coordinates put them: solutions of two programs differ by a pixel or
two, and the first radius of a match is as wide."""

FEWEST_AGREEING = 3
SURE = -3.0
"""Stars that confirm coordinates, and log10 of the chance that they do so by accident. A map that the headers name is
one and not a million: it needs less evidence than one that was sought."""

ENOUGH_TO_CONTRADICT = 10
"""Stars in both frames of which three must agree, else the coordinates are those of another frame."""


@dataclass(frozen=True, eq=False)
class Seed:
    """The map that two headers state."""

    matrix: Matrix
    distortion: Distortion | None

    @property
    def mirrored(self) -> bool:
        """One frame is a mirror image of the other."""
        return bool(np.linalg.det(self.matrix[:2, :2]) < 0)


@dataclass(frozen=True)
class Agreement:
    """How stars agree with a seed: so many within reach of one shift (x, y), of those that could."""

    stars: int
    shift: tuple[float, float]
    possible: tuple[int, int]
    log_chance: float

    @property
    def confirms(self) -> bool:
        """Whether the stars confirm the headers."""
        return self.stars >= FEWEST_AGREEING and self.log_chance < SURE


def seed_of(
    moving: Any, reference: Any, moving_shape: tuple[int, int], shape: tuple[int, int]
) -> Seed | None:
    """Return the map from one frame to another by their world coordinates, SIP terms included.

    Parameters
    ----------
    moving, reference : astropy.wcs.WCS or None
    moving_shape, shape : (rows, columns)

    Returns
    -------
    Seed or None
        None where a header has none, or both do not make a map: no place in common, folded, a scale beyond 10.
    """
    if moving is None or reference is None:
        return None
    from astropy.wcs import NoConvergence
    from astropy.wcs.utils import pixel_to_pixel

    x, y = (np.linspace(0, length - 1, 24) for length in moving_shape[::-1])
    source = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    try:
        target = np.column_stack(pixel_to_pixel(moving.celestial, reference.celestial, *source.T))
    except (ValueError, TypeError, NoConvergence):
        return None
    good = np.isfinite(target).all(axis=1)
    near = np.abs(target - frame_of(shape)[0]).max(axis=1) < 20 * max(shape)
    good &= near
    if good.sum() < len(good) // 2:
        return None
    source, target, one = source[good], target[good], np.ones(int(good.sum()))
    frame = frame_of(shape)
    warp = fit_warp("none", source, target, one, frame=frame, base="affine")
    if np.abs(warp.rest(source, target)).max() > ROUNDING_PX:
        warp = fit_warp("polynomial", source, target, one, frame=frame, order=5)
    matrix, bend = warp.matrix, warp.distortion
    if np.abs(target - source).max() < ROUNDING_PX:
        matrix, bend = np.eye(3), None
    seed = Seed(matrix, None if bend is None else replace(bend, kind="world-coordinates"))
    return seed if sound(matrix, moving_shape, seed.mirrored) else None


def agreement(seed: Seed, mine: Side, theirs: Side) -> Agreement:
    """Count the stars that a seed brings together, but for one shift of up to 6 px of the coarser frame."""
    from scipy.spatial import cKDTree

    at = to_reference(seed.matrix, seed.distortion, mine.xy)
    coarser = max(1.0, abs(scale_of(seed.matrix, tuple(frame_of(mine.shape)[0]))))
    radius, reach = ACCEPT_PX * coarser, REACH_PX * coarser
    inside = within(at, theirs.shape)
    back = within(from_reference(seed.matrix, seed.distortion, theirs.xy), mine.shape)
    possible = (int(inside.sum()), int(back.sum()))
    if min(possible) == 0:
        return Agreement(0, (0.0, 0.0), possible, 0.0)
    near = theirs.tree.query_ball_point(at[inside], reach)
    off = np.array(
        [theirs.xy[j] - place for place, found in zip(at[inside], near, strict=True) for j in found]
    )
    if len(off) == 0:
        return Agreement(0, (0.0, 0.0), possible, 0.0)
    tree = cKDTree(off)
    crowd = tree.query_ball_point(off, radius, return_length=True)
    shift = np.median(off[tree.query_ball_point(off[crowd.argmax()], radius)], axis=0)
    apart, _ = theirs.tree.query(at[inside] + shift)
    stars = int((apart <= radius).sum())
    density = len(theirs.xy) * np.pi * radius**2 / (theirs.shape[0] * theirs.shape[1])
    chance = chance_of(stars - 1, max(possible[0] - 1, 1), float(1.0 - np.exp(-density)))
    tried = (reach / radius) ** 2
    return Agreement(
        stars, (float(shift[0]), float(shift[1])), possible, min(chance + float(np.log10(tried)), 0.0)
    )
