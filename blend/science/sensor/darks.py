"""Does a dark belong to the pixels of a light: its hot pixels tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.lazyplanes import AnyPlane
from blend.base.robust import MEDIAN_ERROR, median, median_and_sigma, row_medians
from blend.science.plane import border_mask, find_hot_in_dark, is_constant, local_noise, places

FEWEST_HOT = 10
"""With fewer hot pixels than this to look for, their absence could be chance."""

SURE_SIGMA = 5.0
"""Of a brightness: ten hot pixels on stars by chance make no median of this size."""

SEEN_SIGMA, LEAST_SHARE, FOUND_SIGMA = 6.0, 0.25, 3.0
"""A hot pixel is looked for when it should stand so many sigma over the light, and found from a quarter of that on,
and 3 sigma: dark current doubles in 5 to 8 degrees C (`compare_facts.DOUBLING_C`), so a dark 10 degrees off still
passes."""

FITS_SHARE = 0.5
"""Of the hot pixels, chance taken off: nearly all are found under their own dark, and none under another."""

_SHIFTS = ((7, 11), (-13, 5), (9, -17), (-5, -8))
"""Wrong places, (rows, columns), that tell chance: farther than a star reaches, and no multiples of a mosaic's cell."""

_MOST = 2000
"""Of the hottest pixels: a share of them is known to 1 %."""

_RING = 5
"""Side of the square whose rim, outside the inner 3x3, tells a hot pixel's surroundings."""


@dataclass(frozen=True)
class DarkEvidence:
    """What the hot pixels of a dark say about the light."""

    hot_in_dark: int  # isolated hot pixels bright enough to be seen over the light's noise
    found_in_light: int  # how many of them are hot in the light, at their own places
    chance: float  # share found at wrong places, four shifts tried: stars and noise
    # Share found, less chance: 1 for the dark of an untouched light, about 0 for a shifted or already dark
    # subtracted one. NaN without hot pixels.
    share: float
    borders: float  # share of the light that is a border without data which the dark does not have
    # brightness and brightness_error: How bright the dark's hot pixels are in the light, as a share of the dark:
    # about the ratio of exposures for the dark of this sensor, about 0 for a shifted light. NaN without hot
    # pixels.
    brightness: float = float("nan")
    brightness_error: float = float("nan")

    @property
    def enough(self) -> bool:
        """Whether there are hot pixels enough to judge by."""
        return self.hot_in_dark >= FEWEST_HOT

    @property
    def fits(self) -> bool:
        """Whether nothing speaks against using the dark; too little evidence does not."""
        return self.share >= FITS_SHARE if self.enough else self.borders == 0.0

    @property
    def fainter(self) -> bool:
        """Whether the hot pixels do stand in the light, only fainter than the dark has them."""
        return self.enough and self.brightness > SURE_SIGMA * self.brightness_error


def dark_fits(
    light: AnyPlane,
    dark: AnyPlane,
    *,
    factor: float = 1.0,
    hot: NDArray[np.bool_] | None = None,
) -> DarkEvidence:
    """Look for a dark's hot pixels in the light.

    Parameters
    ----------
    light, dark : (rows, columns)
        One plane of each, same size and unit.
    factor : float
        Exposure of the light over that of the dark.
    hot : (rows, columns) bool, optional
        `find_hot_in_dark` of the dark, if it is at hand.

    Returns
    -------
    DarkEvidence

    Notes
    -----
    Of at most 2000 of the hottest that are highest among their eight neighbours. One counts when ``factor``
    times its excess is 6 sigma of the light or more, and as found when the light has a quarter of that excess
    there and at least 3 sigma: a dark 10 degrees C off still passes, since its hot pixels are where they
    should be.
    """
    borders = 0.0
    if not is_constant(light):
        border = border_mask(light)
        borders = float((border & ~border_mask(dark)).mean()) if border.any() else 0.0
    y, x, excess = _hottest(dark, find_hot_in_dark(dark) if hot is None else hot)
    noise = median(local_noise(light))
    wanted = factor * excess
    seen = wanted > SEEN_SIGMA * noise
    y, x, excess = y[seen], x[seen], excess[seen]
    wanted = np.maximum(LEAST_SHARE * wanted[seen], FOUND_SIGMA * noise)
    found, usable = _count_hot(light, y, x, wanted)
    by_chance = [_count_hot(light, y + dy, x + dx, wanted) for dy, dx in _SHIFTS]
    tried = sum(count for _, count in by_chance)
    chance = sum(hits for hits, _ in by_chance) / tried if tried else 0.0
    share = float("nan")
    if usable:
        share = max(0.0, (found / usable - chance) / (1.0 - chance)) if chance < 1.0 else 0.0
    return DarkEvidence(usable, found, chance, share, borders, *_brightness(light, y, x, excess))


def _brightness(
    light: AnyPlane, y: NDArray[np.intp], x: NDArray[np.intp], excess: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the median of the light's heights over the dark's, and its error."""
    if y.size == 0 or min(light.shape) < _RING:
        return float("nan"), float("nan")
    ratio = _over_ring(light, y, x)[0] / excess
    middle, scatter = median_and_sigma(ratio)
    return middle, MEDIAN_ERROR * scatter / max(1, np.isfinite(ratio).sum()) ** 0.5


def _hottest(
    dark: AnyPlane, hot: NDArray[np.bool_]
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    y, x = places(hot)
    height, highest = _over_ring(dark, y, x)
    good = np.isfinite(height) & highest
    y, x, height = y[good], x[good], height[good]
    order = np.argsort(-height, kind="stable")[:_MOST]
    return y[order], x[order], height[order]


def _over_ring(
    plane: AnyPlane, y: NDArray[np.intp], x: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return each pixel's height over the median of the ring 5x5 outside 3x3, and whether no neighbour tops
    it.

    NaN where the 5x5 leaves the frame.
    """
    rows, columns = plane.shape
    inside = (y >= 2) & (x >= 2) & (y < rows - 2) & (x < columns - 2)
    j, i = np.where(inside, y, 2), np.where(inside, x, 2)
    offsets = np.arange(-2, 3)
    patch = plane[j[:, None, None] + offsets[:, None], i[:, None, None] + offsets].astype(np.float64)
    ring = np.ones((_RING, _RING), dtype=np.bool_)
    ring[1:4, 1:4] = False
    with np.errstate(invalid="ignore"):
        height = patch[:, 2, 2] - row_medians(patch[:, ring])
    highest: NDArray[np.bool_] = np.asarray((patch[:, 1:4, 1:4] <= patch[:, 2:3, 2:3]).all(axis=(1, 2)))
    return np.where(inside, height, np.nan), highest


def _count_hot(
    light: AnyPlane, y: NDArray[np.intp], x: NDArray[np.intp], wanted: NDArray[np.float64]
) -> tuple[int, int]:
    if y.size == 0 or min(light.shape) < _RING:
        return 0, 0
    height, _ = _over_ring(light, y, x)
    good = np.isfinite(height)
    return int((height[good] > wanted[good]).sum()), int(good.sum())


def refuse_shifted(evidence: DarkEvidence, unlike: Sequence[str], where: str) -> None:
    """Raise `StepError` when the evidence says that dark and light are not of the same pixels.

    Parameters
    ----------
    evidence : DarkEvidence
    unlike : sequence of str
        In what the dark is known to differ from the light, from `blend.science.sensor.compare_facts.unlike`.
    where : str
        ``masters.ha.dark`` for example.

    Raises
    ------
    StepError
        Hot pixels or borders show a dark of another sensor, or one moved against the light.
    """
    if evidence.fits:
        return
    if evidence.enough:
        shown = (
            f"{evidence.found_in_light} of the dark's {evidence.hot_in_dark} hot pixels are hot in the light"
            f" ({100.0 * evidence.share:.0f} % after chance)"
        )
    else:
        share = 100.0 * evidence.borders
        shown = f"the light has borders without data ({share:.1f} % of it) that the dark has not"
    cause, expected, advice = _likeliest(evidence, unlike)
    raise StepError(where, found=f"{shown}: {cause}", expected=expected, advice=advice)


def _likeliest(evidence: DarkEvidence, unlike: Sequence[str]) -> tuple[str, str, str]:
    """Return the likeliest cause, what was expected and what to do."""
    alike = "a dark of the light's camera, exposure and temperature"
    if unlike:
        cause = f"it may be the dark of other lights ({'; '.join(unlike)})"
        return cause, alike, "name the dark of these lights, or leave the dark out"
    if evidence.fainter:
        cause = (
            f"they are there, {evidence.brightness:.2g} times as bright as in the dark, which may have been"
        )
        cause += " exposed longer or warmer"
        return (
            cause,
            alike,
            "name the dark of these lights, or state exposure_s of the light where it is wrong",
        )
    cause = "this stack may have been shifted or already dark-subtracted"
    if evidence.enough:
        cause += ", or the dark may be of another sensor"
    expected = "a light whose pixels are where the sensor had them"
    return cause, expected, "calibrate the single frames before stacking them, or leave the dark out"
