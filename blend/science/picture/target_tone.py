"""How bright a picture is: white so that the target shows, black so that the sky's noise does not.

Sky at t, target at y_t: curve((light - black) / (reach - black)) = y_t is solved for the reach, the linear level at
which the curve alone would be 1. Above the target a shoulder leads to white:

y = y_t + (1 - y_t) k u / (1 + (k - 1) u), u = (I - light) / (white - light), k so that the slope goes on

A curve that only brightens is steepest between black and the sky on average: the sky's noise is shown by at most
t / (sky - black) times itself. Black is put as far below the sky as keeps that within `MOST_SKY_NOISE`. With black
there and the straight line for a curve, reach has its least value (`least_reach`): a shallower target stays dimmer.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray

from blend.base.roots import root_between

MOST_SKY_NOISE = 0.02
"""Displayed noise of a sky pixel, 5 steps of 8 bits: more looks like grain at arm's length; common practice."""


@dataclass(frozen=True)
class Tone:
    """Where a target landed."""

    # level and wanted: display values: as it is, and as it was asked for
    level: float
    wanted: float
    # "", "noise" or "saturation"; what kept it from there: brighter, the sky's noise would show; darker, the
    # sensor's white would be grey
    bound: Literal["", "noise", "saturation"]
    needed: float  # linear level over the sky from which noise allows the wanted value


@dataclass(frozen=True)
class Shoulder:
    """The end of a curve, in x from 0 at black to 1 at white: from (x, y) with the curve's slope to (1, 1).

    ``reach`` is the x at which the curve alone would be 1, ``steepness`` is that slope over the slope of the straight
    line to (1, 1). Monotone, hence the order of brightness stays; Schlick's rational (1994), as in
    `blend.science.picture.curves`.
    """

    x: float
    y: float
    steepness: float
    reach: float

    @classmethod
    def between(
        cls, light: float, y: float, slope: float, *, black: float, reach: float, white: float
    ) -> Self:
        """Return the shoulder from a linear level shown at ``y``, where the curve rises by ``slope``, to white."""
        straight, span = (1.0 - y) / (white - light), white - black
        return cls((light - black) / span, y, max(slope / straight, 1e-3), (reach - black) / span)

    def value(self, x: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return y for x from the shoulder's own to 1."""
        u = (x - np.float32(self.x)) * np.float32(1.0 / (1.0 - self.x))
        steep = np.float32(self.steepness)
        risen = steep * u / (np.float32(1.0) + (steep - np.float32(1.0)) * u)
        return np.asarray(np.float32(self.y) + np.float32(1.0 - self.y) * risen, dtype=np.float32)


def black_for(black: float, *, sky: float, white: float, sky_level: float, shown: float) -> float:
    """Return ``black``, or a lower one that keeps the noise of a sky at ``sky_level`` within its limit.

    Never so low that the straight line to white would show the sky above its level.
    """
    lowest = sky - 0.999 * (white - sky) * sky_level / (1.0 - sky_level)
    return min(black, max(sky - sky_level * shown / MOST_SKY_NOISE, lowest))


def least_reach(black: float, *, sky: float, sky_level: float) -> float:
    """Return the reach of the straight line that shows the sky at its level; less would bend the curve downwards."""
    # A hair more: a curve that only brightens gets there in the limit alone.
    return black + 1.0005 * (sky - black) / sky_level


def solve_reach(
    shown_at: Callable[[float, list[float]], NDArray[np.float64]],
    *,
    sky: float,
    black: float,
    white: float,
    sky_level: float,
    target: tuple[float, float],
) -> tuple[float, Tone]:
    """Return the reach that shows the target at its level, or comes nearest, and how it went.

    Parameters
    ----------
    shown_at : callable
        Of a reach and linear levels: their display values.
    sky, black, white : float
        Linear; white is where the sensor saturates, and the largest reach.
    sky_level : float
    target : (float, float)
        Linear level and wanted display value.
    """
    light, wanted = target
    least = least_reach(black, sky=sky, sky_level=sky_level)
    needed = black + wanted * (least - black) - sky

    def told(reach: float, bound: Literal["", "noise", "saturation"]) -> tuple[float, Tone]:
        level = float(shown_at(reach, [min(light, reach)])[0])
        return reach, Tone(min(level, 1.0), wanted, bound, needed)

    def miss(log_reach: float) -> float:
        return float(shown_at(sky + math.exp(log_reach), [light])[0]) - wanted

    low = max(least, sky + (light - sky) * (1.0 + 1e-9))
    if low >= white:
        return told(white, "noise" if least >= white else "saturation")
    ends = math.log(low - sky), math.log(white - sky)
    if miss(ends[1]) >= 0.0:
        return told(white, "saturation")
    if miss(ends[0]) <= 0.0:
        return told(low, "noise")
    return told(sky + math.exp(root_between(miss, *ends, tolerance=1e-12)), "")
