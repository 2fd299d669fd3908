"""The continuum scale told by a target's own light, where hardly any star tells it: a disc of starlight, or gas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA
from blend.science.line.local_medians import MEDIAN_NOISE
from blend.science.line.starlight_left import OTHER_COLOUR

FEWEST_CELLS = 60
"""Cells of 8 x 8 px that make a disc: a window of medians holds a dozen of them, so that they are five places."""

SHARED_CELLS = 12.0
"""So many neighbouring cells share one window of `surroundings`."""

SURE_RATIO = 0.1
"""Cells whose ratio the sky leaves more uncertain than this are left out."""

MODE_SHARE = 1.0 / 3.0
"""The shortest interval that holds this share of the cells is the mode: half of them would reach into the arms."""

DIFFUSE_NM = 0.5
"""Equivalent width, and its error, of the diffuse gas that the mode of a disc still holds: half of what is diffuse,
itself half of the 1 to 3 nm of whole spirals (Kennicutt 1998, ARA&A 36, 189, from memory)."""

MOST_SPREAD, SPREAD_SHARE = 0.5, 0.3
"""Range of ln(line / broad) from 16 to 84 % of the cells beyond which they have no ratio in common: 0.06 on a real
spiral, 0.2 to 0.4 on simulated ones, 2.9 with a planetary nebula. And the share of it that counts as error: gas that
widens it lies under the mode too."""

REDDER = 1.7
"""A disc's colour (this band over the others) by the stars', from which the light is a line's: galaxies and stars of
the field differ by 0.4 mag at most."""


BRIGHT_GAS, NO_GAS = 0.9, 0.5
"""Quantiles of the line's cells: above the first they are a nebula's, below the second its surroundings."""

SEEN_SIGMA = 3.0
"""In the scatter of the surroundings: how bright a nebula is in both planes."""

OTHER_LIGHT, OTHER_LIGHT_ERROR = 0.15, 0.3
"""ln of a nebula's light in the broad band by its lines through the filter, and its error: 0 for a line alone; [S II],
helium, [N II] beside a narrow filter and starlight on dust add to it, together a third in the Orion Nebula (from
memory)."""


@dataclass(frozen=True)
class DiscRatio:
    """The scale by a disc of starlight or by a nebula, its standard error, and how many cells told it."""

    value: float
    error: float
    cells: int
    of: Literal["disc", "nebula"] = "disc"


def gas_scale(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    beside: NDArray[np.float32],
    *,
    star_colour: float,
    pure: float,
) -> DiscRatio | None:
    """Return the scale by a nebula whose light in the broad band is the line's: s = (N / R) r / t; None without one.

    The median ratio of the cells that are brightest in the line, a tenth, over the fainter half: no sky counts.

    Parameters
    ----------
    line, broad : (rows / 8, columns / 8)
        `surroundings` of both planes.
    beside : (rows / 8, columns / 8)
        The sum of the other bands' surroundings: a line fills its band, not those beside it.
    star_colour : float
        Typical flux of stars in the broad band by that in the others.
    pure : float
        ln(t / r).
    """
    known = np.isfinite(line) & np.isfinite(broad) & np.isfinite(beside)
    if np.count_nonzero(known) < 10 * FEWEST_CELLS or not star_colour > 0:
        return None
    low, high = np.quantile(line[known], (NO_GAS, BRIGHT_GAS))
    around, gas = known & (line <= low), known & (line >= high)
    light = []
    for plane in (line, broad, beside):
        level = float(np.median(plane[around]))
        light.append(np.asarray(plane[gas] - level, dtype=np.float64))
        noise = MAD_TO_SIGMA * float(np.median(np.abs(plane[around] - level)))
        if plane is not beside and not np.median(light[-1]) > SEEN_SIGMA * noise:
            return None
    if np.median(light[1]) < REDDER * star_colour * np.median(light[2]):
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(light[0] / light[1])
    logs = logs[np.isfinite(logs)]
    value = float(np.exp(np.median(logs) - pure + OTHER_LIGHT))
    spread = MAD_TO_SIGMA * float(np.median(np.abs(logs - np.median(logs))))
    return DiscRatio(value, value * float(np.hypot(spread, OTHER_LIGHT_ERROR)), len(logs), "nebula")


def disc_ratio(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    *,
    noise: tuple[float, float],
    sky_errors: tuple[float, float],
    width_nm: float,
) -> DiscRatio | None:
    """Return the mode of line over broad light over the bright cells of a target; None where there is no disc.

    The mean of ln(line / broad) over the shortest interval that holds a third of the brighter half of the cells: gas
    only raises others. 0.5 nm over the width of the filter are taken off for the diffuse gas that is everywhere. Its
    error: as much, the interval, a share of the whole spread, the sky's, and 5 % for a colour that stars do not have.

    Parameters
    ----------
    line, broad : (rows / 8, columns / 8)
        `surroundings` of both planes, sky 0.
    noise : two floats
        Of a pixel of either plane.
    sky_errors : two floats
        Standard errors of both skies.
    width_nm : float
        Of the line's filter.

    References
    ----------
    Hong, Calzetti & Dickinson (2014), PASP 126, 79 (from memory), scale on the target's own pixels by where the
    skewness of the difference turns; the mode used here follows from the same: gas makes the ratios skew, upwards.
    """
    ratio = np.asarray(line, dtype=np.float64) / np.where(broad > 0, broad, np.nan)
    wrong = [np.hypot(MEDIAN_NOISE * sigma, sky) for sigma, sky in zip(noise, sky_errors, strict=True)]
    with np.errstate(invalid="ignore", divide="ignore"):
        error = np.hypot(wrong[0] / line, wrong[1] / broad)
        sure = (ratio > 0) & (broad > 3.0 * noise[1]) & (error < SURE_RATIO)
    count = int(np.count_nonzero(sure))
    if count < FEWEST_CELLS:
        return None
    sure &= broad >= np.median(broad[sure])
    count = int(np.count_nonzero(sure))
    logs, errors = np.log(ratio[sure]), error[sure]
    order = np.argsort(logs, kind="stable")
    logs, errors = logs[order], errors[order]
    range_of = float(np.quantile(logs, 0.84) - np.quantile(logs, 0.16))
    if range_of > MOST_SPREAD:
        return None
    held = max(3, round(MODE_SHARE * count))
    first = int(np.argmin(logs[held - 1 :] - logs[: count - held + 1]))
    mode = slice(first, first + held)
    spread = float(np.std(logs[mode])) / np.sqrt(max(1.0, held / SHARED_CELLS))
    parts = (
        spread,
        SPREAD_SHARE * range_of,
        float(np.median(errors[mode])),
        OTHER_COLOUR,
        DIFFUSE_NM / width_nm,
    )
    value = float(np.exp(logs[mode].mean())) / (1.0 + DIFFUSE_NM / width_nm)
    return DiscRatio(value, value * float(np.sqrt(np.square(parts).sum())), count)
