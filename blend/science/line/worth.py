"""What a line's master is worth: how much longer the colour would have had to be exposed for the same line light."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class LineNoise:
    """What the noise of a blended red plane is made of, for one line in one plane."""

    # broad and line: noise of the plane and of the line's master over equal areas, each in its own counts, > 0
    broad: float
    line: float
    scale: float  # line over plane for starlight, > 0
    factor: float  # `line_factor`: line light in counts of the plane for each count of line - scale * plane
    in_band: bool = True  # whether the plane holds the line itself


def exposure_factor(noise: LineNoise, *, gain_base: float, gain_line: float) -> float:
    """Return how many times longer the plane alone would have had to be exposed for the blend's signal-to-noise.

    (S / N)^2 of b R + a E over that of R, with E = f (L - s R) and F the line light that R holds:

    k = (b + a)^2 sigma_R^2 / ((b - a f s)^2 sigma_R^2 + (a f)^2 sigma_L^2)

    Parameters
    ----------
    noise : LineNoise
    gain_base, gain_line : float
        b and a: what the blend's formula does to a little more of the plane, and of the line, at the sky;
        1 and the amount for plain addition.

    Returns
    -------
    float
        1 where the line adds nothing; infinite where the plane does not hold the line. Where the sky's light makes the
        noise, signal-to-noise grows as the square root of the exposure.

    Notes
    -----
    Derived here; R enters E with the opposite sign, so that its noise cancels in part.

    Examples
    --------
    >>> night = LineNoise(broad=4e-4, line=1e-4, scale=0.2, factor=0.35)
    >>> round(exposure_factor(night, gain_base=1.0, gain_line=1.0), 2)
    4.58
    >>> exposure_factor(night, gain_base=1.0, gain_line=0.0)
    1.0
    """
    if not noise.in_band:
        return math.inf if gain_line else 1.0
    own = (gain_base - gain_line * noise.factor * noise.scale) * noise.broad
    added = gain_line * noise.factor * noise.line
    signal = (gain_base + gain_line) * noise.broad
    return signal**2 / (own**2 + added**2)
