"""The profiles that a large object's halo may have: discs, broken discs, and what lies between them and ellipticals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.science.sky.halo import Ellipse, Halo, profile

STEEPNESS = np.geomspace(1.2, 16.0, 15)
"""Falls -d ln I / d ln R on the outline that are tried; what falls more slowly cannot be told from the sky."""
SERSIC = (0.5, 0.7, 1.4, 2.0, 4.0)
"""Sersic indices tried beside the disc's 1: from a disc that is cut off to an elliptical galaxy."""
BREAKS = (1.0, 1.3, 1.7, 2.3)
"""Radii beyond which a broken disc falls otherwise, from the outline to where most frames end."""
TURNS = (0.5, 0.7, 1.6, 3.0, 8.0)
"""Its fall out there over that inside: half to three times is what discs show, 8 an end.
Pohlen & Trujillo (2006), A&A 454, 759 (types I, II, III; from memory)."""


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
    columns = [profile(radius, float(s), n, at, turn) for n, at, turn, _ in KINDS for s in STEEPNESS]
    odds = np.repeat([each[3] for each in KINDS], STEEPNESS.size)
    return Profiles(ellipse, np.column_stack(columns), odds / odds.sum())
