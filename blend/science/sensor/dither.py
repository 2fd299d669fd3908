"""What the frames' shifts say of the noise that will be left: dithered, drifting, or standing still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STRAIGHT = 0.7
"""Share of the way that is gained from the first frame to the last; a random walk of 10 gains 0.3, dither less."""

STILL_PX = 1.0
"""Frames within one pixel of one another put every fault of the sensor onto itself."""

FEWEST = 5
"""Frames: of 20,000 sets strewn at random in a square 1 % were straighter than `STRAIGHT` with five, 7 % with four."""


@dataclass(frozen=True)
class Drift:
    """How the frames moved."""

    kind: str
    step_px: float  # typical way from one frame to the next
    whole_px: float  # from the first to the last
    direction_deg: float  # of the way, from +x towards +y

    def words(self) -> str:
        """Return what it means, or nothing where there is nothing to say."""
        if self.kind == "drifting":
            return (
                f"walking noise is likely: the frames drift {self.step_px:.2f} px from one to the next, "
                f"{self.whole_px:.1f} px in all, always the same way ({self.direction_deg:.0f} deg); "
                "move the telescope at random between frames (dither) by some pixels"
            )
        if self.kind == "still":
            return (
                "the frames lie within a pixel of one another: what is wrong with a photosite does not average "
                "out; move the telescope at random between frames (dither) by some pixels"
            )
        return ""


def judge_drift(shifts: NDArray[np.floating]) -> Drift:
    """Tell dithered frames from drifting ones.

    straightness = |last - first| / sum |step|

    Parameters
    ----------
    shifts : (n, 2)
        Where the sky lies on the sensor, frame by frame in order of time, pixels. Frames beyond a meridian flip are
        to be judged by themselves.

    Examples
    --------
    >>> judge_drift(np.outer(np.arange(12), [0.8, 0.3])).kind
    'drifting'
    >>> judge_drift(np.random.default_rng(1).uniform(-8, 8, (12, 2))).kind
    'dithered'
    """
    xy = np.asarray(shifts, dtype=np.float64).reshape(-1, 2)
    if len(xy) < FEWEST:
        return Drift("unknown", float("nan"), float("nan"), float("nan"))
    steps = np.hypot(*np.diff(xy, axis=0).T)
    # a straight line fitted to all frames: the first and the last alone may have jumped
    time = np.arange(len(xy)) - (len(xy) - 1) / 2.0
    speed = (time @ (xy - xy.mean(axis=0))) / (time @ time)
    whole = float(np.hypot(*speed)) * (len(xy) - 1)
    straight = min(1.0, whole / max(float(steps.sum()), 1e-12))
    spread = float(np.hypot(*np.ptp(xy, axis=0)))
    kind = "dithered"
    if spread < STILL_PX:
        kind = "still"
    elif straight > STRAIGHT:
        kind = "drifting"
    angle = float(np.degrees(np.arctan2(speed[1], speed[0])))
    return Drift(kind, float(np.median(steps)), whole, angle)
