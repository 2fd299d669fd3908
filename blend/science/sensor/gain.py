"""Gain and read noise of a sensor from two flats and two bias frames: the pair method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.robust import clipped_mean

QUANTISATION = 1.0 / 12.0
"""Variance of rounding to whole numbers."""

CLIP_SIGMA = 5.0
"""Values beyond are hot pixels and rays: of a Gaussian one in 1.7 million, which takes 1.5e-5 of its variance."""


@dataclass(frozen=True, kw_only=True)
class GainOf:
    """Gain and read noise of the photosites of one colour, or of all."""

    colour: str
    # gain_e and gain_error: electrons a count
    gain_e: float
    gain_error: float
    # read_noise_e and read_noise_error: electrons, rounding included
    read_noise_e: float
    read_noise_error: float
    read_noise_analogue_e: float  # electrons, rounding to whole numbers taken out
    # flat_level and bias_level: counts
    flat_level: float
    bias_level: float


def pair_gain(
    flats: tuple[NDArray[np.floating], NDArray[np.floating]],
    biases: tuple[NDArray[np.floating], NDArray[np.floating]],
    *,
    colour: str = "all",
) -> GainOf:
    """Measure gain and read noise from two flats and two bias frames of one kind of photosites.

    g = ((F1 + F2) - (B1 + B2)) / (var(F1 - F2) - var(B1 - B2)), R = g sqrt(var(B1 - B2) / 2)

    Parameters
    ----------
    flats, biases : two arrays (rows, columns) each
        Counts; the flats at one level. Read only.
    colour : str
        Passed on.

    Raises
    ------
    StepError
        The flats scatter little more than the bias frames do: their light makes less than half of the variance.

    Notes
    -----
    The difference of two flats is free of their common pattern, which a single flat is not. Should their levels differ,
    the second is scaled to the first. Variances are of values within 5 sigma, hot pixels and cosmic rays left out. The
    variance of n values is uncertain by sqrt(2 / (n - 1)) of itself, which gives the errors.

    References
    ----------
    Janesick (2001), Scientific Charge-Coupled Devices; Howell (2006), Handbook of CCD Astronomy, section 4.3 (both
    from memory).
    """
    first, second = (np.asarray(frame, dtype=np.float64) for frame in flats)
    dark1, dark2 = (np.asarray(frame, dtype=np.float64) for frame in biases)
    bias_level = 0.5 * (_mean(dark1) + _mean(dark2))
    level1, level2 = _mean(first) - bias_level, _mean(second) - bias_level
    ratio = level1 / level2 if level2 > 0 else float("nan")
    flat_variance, count = _variance(first - bias_level - ratio * (second - bias_level))
    # the scaled flat carries ratio times the level in its variance, ratio squared times its own
    flat_variance *= 2.0 / (1.0 + ratio)
    bias_variance, bias_count = _variance(dark1 - dark2)
    excess = flat_variance - bias_variance
    error = sqrt(2.0 * flat_variance**2 / (count - 1) + 2.0 * bias_variance**2 / (bias_count - 1))
    if not (excess > max(3.0 * error, bias_variance) and level1 > 0.0):
        raise StepError(
            "gain",
            found=f"the flats scatter by {flat_variance:.4g}, the bias frames by {bias_variance:.4g} (squared)",
            expected="flats whose light dominates the noise",
            advice="give two flats first and two bias frames after them, raw, none of them stacked",
        )
    gain = 2.0 * level1 / excess
    read = gain * sqrt(bias_variance / 2.0)
    share = error / excess
    analogue = max(bias_variance / 2.0 - QUANTISATION, 0.0)
    return GainOf(
        colour=colour,
        gain_e=gain,
        gain_error=gain * share,
        read_noise_e=read,
        read_noise_error=read * sqrt(share**2 + 0.5 / (bias_count - 1)),
        read_noise_analogue_e=gain * sqrt(analogue),
        flat_level=level1,
        bias_level=bias_level,
    )


def _mean(values: NDArray[np.float64]) -> float:
    return clipped_mean(values, kappa=CLIP_SIGMA)[0]


def _variance(values: NDArray[np.float64]) -> tuple[float, int]:
    _, sigma, count = clipped_mean(values, kappa=CLIP_SIGMA)
    return sigma * sigma, count


def mean_gain(parts: Sequence[GainOf]) -> GainOf:
    """Return the mean of the colours, weighted by their errors."""
    weights = np.array([part.gain_error**-2 for part in parts])
    reads = np.array([part.read_noise_error**-2 for part in parts])

    def mean(name: str, w: NDArray[np.float64]) -> float:
        return float(np.sum(w * np.array([getattr(part, name) for part in parts])) / w.sum())

    return GainOf(
        colour="all",
        gain_e=mean("gain_e", weights),
        gain_error=float(weights.sum() ** -0.5),
        read_noise_e=mean("read_noise_e", reads),
        read_noise_error=float(reads.sum() ** -0.5),
        read_noise_analogue_e=mean("read_noise_analogue_e", reads),
        flat_level=mean("flat_level", weights),
        bias_level=mean("bias_level", weights),
    )
