"""The halo of the largest object: its outline, and the profiles that it may have."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median_and_sigma
from blend.science.sky.blocks import SkyBlocks

STEEPNESS = np.geomspace(1.2, 16.0, 15)
"""Falls -d ln I / d ln R on the outline that are tried; what falls more slowly cannot be told from the sky."""
SERSIC = (0.5, 0.7, 1.4, 2.0, 4.0)
"""Sersic indices tried beside the disc's 1: from a disc that is cut off to an elliptical galaxy."""
BREAKS = (1.0, 1.3, 1.7, 2.3)
"""Radii beyond which a broken disc falls otherwise, from the outline to where most frames end."""
TURNS = (0.5, 0.7, 1.6, 3.0, 8.0)
"""Its fall out there over that inside: half to three times is what discs show, 8 an end.
Pohlen & Trujillo (2006), A&A 454, 759 (types I, II, III; from memory)."""

HALO_DOUBT = 0.2
"""Error of the halo's value as a share of itself: arms and lopsided discs leave ellipses by up to that much."""
RADIUS_DOUBT = 0.08
"""Of a radius as a share of itself: the same where a disc falls by 2.5 scale lengths to a radius; more at its end."""
DOUBTS = np.array([0.05, 0.05, 0.08, 0.08])
"""Of the outline's centre x and y (half lengths), ln(width / length) and turn (radians): arms pull the outline."""


@dataclass(frozen=True)
class Ellipse:
    """Outline of an object: centre, half length and half width in pixels, turn from +x towards +y."""

    x: float
    y: float
    half_length_px: float
    half_width_px: float
    angle_deg: float

    def radius(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the elliptical radius of points (n, 2): 1 on the outline."""
        return self.polar(xy)[0]

    def polar(self, xy: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return radius and angle (radians) of points (n, 2) on the object's plane."""
        angle = np.deg2rad(self.angle_deg)
        dx, dy = xy[:, 0] - self.x, xy[:, 1] - self.y
        along = (dx * np.cos(angle) + dy * np.sin(angle)) / self.half_length_px
        across = (dy * np.cos(angle) - dx * np.sin(angle)) / self.half_width_px
        return np.asarray(np.hypot(along, across)), np.asarray(np.arctan2(across, along))


@dataclass(frozen=True)
class Halo:
    """Smooth outskirts of an object: strength exp(-n steepness (R^(1/n) - 1)), R = 1 on the outline.

    ``strength`` is the value on the outline, ``steepness`` -d ln I / d ln R there, ``sersic`` is n. A disc (n = 1) may
    be broken: beyond ``break_at`` it falls ``turn`` times as fast.
    """

    ellipse: Ellipse
    strength: float
    steepness: float
    sersic: float
    break_at: float = 1.0
    turn: float = 1.0

    def shine(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the halo's light at points (n, 2)."""
        return self._at(self.ellipse.radius(xy))

    def doubt(self, xy: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far the light at points (n, 2) may be from that: a share of it, or as the outline is misplaced."""
        radius = self.ellipse.radius(xy)
        moved = 0.5 * (self._at(radius * (1.0 - RADIUS_DOUBT)) - self._at(radius * (1.0 + RADIUS_DOUBT)))
        return np.maximum(HALO_DOUBT * self._at(radius), moved)

    def _at(self, radius: NDArray[np.float64]) -> NDArray[np.float64]:
        return self.strength * np.exp(-self.steepness * fall(radius, self.sersic, self.break_at, self.turn))


def fall(
    radius: NDArray[np.float64], sersic: float, break_at: float = 1.0, turn: float = 1.0
) -> NDArray[np.float64]:
    """Return -ln of a halo's light over that on the outline for a steepness of 1, at elliptical radii; see `Halo`."""
    # Inside half the outline the profile is never compared with anything, but it must stay finite.
    reach = sersic * (np.maximum(radius, 0.3) ** (1.0 / sersic) - 1.0)
    return np.asarray(reach + (turn - 1.0) * np.maximum(radius - break_at, 0.0))


@dataclass(frozen=True, eq=False)
class Profiles:
    """All profiles that are tried at some places: ``shapes`` (n, k), 1 on the outline, and ``odds`` (k,) beforehand.

    Discs, broken discs and other Sersic profiles are equally likely, and so is each fall and each kind among its own.
    """

    ellipse: Ellipse
    shapes: NDArray[np.float64]
    odds: NDArray[np.float64]

    def halo(self, which: int, strength: float) -> Halo:
        """Return one of them as a halo."""
        kind, steepness = divmod(which, STEEPNESS.size)
        return Halo(self.ellipse, strength, float(STEEPNESS[steepness]), *KINDS[kind][:3])


KINDS = (
    (1.0, 1.0, 1.0, 1.0),
    *((n, 1.0, 1.0, 1.0 / len(SERSIC)) for n in SERSIC),
    *((1.0, at, turn, 1.0 / len(BREAKS) / len(TURNS)) for at in BREAKS for turn in TURNS),
)
"""Sersic index, break, turn and odds of each."""


def profiles_at(ellipse: Ellipse, xy: NDArray[np.float64]) -> Profiles:
    """Return all profiles about an outline at points (n, 2)."""
    radius = ellipse.radius(xy)
    falls = np.column_stack([fall(radius, *kind[:3]) for kind in KINDS])
    shapes = np.exp(-falls[:, :, None] * STEEPNESS).reshape(radius.size, -1)
    odds = np.repeat([each[3] for each in KINDS], STEEPNESS.size)
    return Profiles(ellipse, shapes, odds / odds.sum())


def halo_slopes(halo: Halo, xy: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the halo's derivatives, one column a parameter, and what is known of each beforehand (1 / doubt^2).

    Parameters: ln strength, ln steepness, and the four of `DOUBTS`.
    """
    shine = halo.shine(xy)
    others = [replace(halo, steepness=halo.steepness * 1.01)]
    others += [replace(halo, ellipse=moved(halo.ellipse, step)) for step in 0.01 * np.eye(4)]
    columns = [(other.shine(xy) - shine) / 0.01 for other in others]
    return np.column_stack([shine, *columns]), np.concatenate([np.zeros(2), 1.0 / DOUBTS**2])


def moved(ellipse: Ellipse, step: NDArray[np.float64]) -> Ellipse:
    """Return the ellipse with centre, ratio of axes and turn changed, in the units of `DOUBTS`."""
    ratio = float(np.clip(ellipse.half_width_px / ellipse.half_length_px * np.exp(step[2]), 0.05, 1.0 / 0.05))
    return replace(
        ellipse,
        x=ellipse.x + step[0] * ellipse.half_length_px,
        y=ellipse.y + step[1] * ellipse.half_length_px,
        half_width_px=ellipse.half_length_px * ratio,
        angle_deg=ellipse.angle_deg + float(np.rad2deg(step[3])),
    )


def find_ellipse(blocks: SkyBlocks, model: NDArray[np.float64], *, sky: NDArray[np.bool_]) -> Ellipse | None:
    """Return the outline of the brightest extended object, from the light of all blocks above a first sky.

    The outline is the isophote at 2 % of the peak, or at 6 sigma of a block where that is brighter. A uniform ellipse
    with half axes a and b has second moments a^2 / 4 and b^2 / 4. None where no object covers six blocks.
    """
    from scipy.ndimage import label

    excess = np.where(np.isfinite(blocks.light), blocks.light - model, 0.0)
    noise = max(
        float(np.median(blocks.errors[sky])),
        median_and_sigma((blocks.values - model)[sky])[1],
    )
    hidden = np.where(blocks.share < 0.9, excess, 0.0)
    peak = float(np.partition(hidden, -3)[-3]) if hidden.size > 3 else 0.0
    bright = (hidden > max(6.0 * noise, 0.02 * peak)).reshape(blocks.grid)
    names, count = label(bright, structure=np.ones((3, 3)))
    if count == 0:
        return None
    flat = names.ravel()
    light = np.bincount(flat, weights=hidden, minlength=count + 1)
    light[0] = 0.0
    member = flat == int(np.argmax(light))
    if member.sum() < 6:
        return None
    return _outline(blocks.xy[member], blocks.size_px)


def _outline(xy: NDArray[np.float64], size_px: int) -> Ellipse:
    centre = xy.mean(axis=0)
    moments = np.cov((xy - centre).T, bias=True) + np.eye(2) * size_px**2 / 12.0
    spread, axes = np.linalg.eigh(moments)
    length = 2.0 * float(np.sqrt(spread[1]))
    width = max(2.0 * float(np.sqrt(spread[0])), 0.15 * length)
    angle = float(np.rad2deg(np.arctan2(axes[1, 1], axes[0, 1])))
    return Ellipse(float(centre[0]), float(centre[1]), length, width, angle)
