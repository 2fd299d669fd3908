"""How much of a line to blend in: as much as the noise allows, or as much as shows a named signal best.

Everything is measured on means of 4 x 4 pixels. Noise that interpolation and demosaicing spread over neighbours is
whole again there, and what two planes share is measured with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import AnyPlane
from blend.base.robust import MAD_TO_SIGMA, bin_mean, converged_clip_factor, row_medians, second_differences
from blend.science.plane import bin_plane

NOISE_PX = 4
"""Side of the blocks in which noise is told: eyes see grain at this scale, and white noise is a quarter there."""

MOST_ADDED, MOST_OPAQUE = 1.5, 1.0
"""The most of emission-add, 2.5 times the line's contrast, and of opacity, beyond which a formula extrapolates."""

FAINT_SHARE, BRIGHT_SHARE = 0.5, 0.1
"""Of what shines: the fainter half is faint light, the brightest tenth is bright light."""

WIDE, SURE, FEWEST_WIDE = 4, 3.0, 4
"""Faint light is looked for in means over so many blocks a side, 16 px; at so many sigma it is there; and the fewest
such means that stand for it."""

FAR = 1e4
"""An amount beyond every use: base counts for nothing beside it."""

ENOUGH = 16
"""So many second differences tell noise at all."""

CLIP, FEWEST_BLOCKS, ENOUGH_DARK = 3.0, 6, 1000
"""Where second differences count as structure, in sigma; the blocks a side that can tell noise at all; and how many
differences outside the emission tell it to 3 % or better."""

Signal = Literal["faint", "bright"]
Blocks = NDArray[np.floating]


@dataclass(frozen=True)
class Choice:
    """A chosen amount."""

    amount: float  # 0 to ``most``, the smaller of the two limits
    # limit and most: what noise or signal allow, infinite where they set no bound; and what is never passed
    limit: float
    most: float
    # noise of blocks of 4 px after the blend by that before, where the line's light is kept whole
    noise: float
    gain: float  # the signal's ratio to that noise, after by before
    reason: str  # why this amount, in words


def noise_blocks(plane: AnyPlane) -> NDArray[np.float32]:
    """Return means of 4 x 4 pixels, NaN where a pixel is; what the functions of this module are given."""
    return bin_plane(plane, NOISE_PX, holes=True)


def noise_covariance(
    first: Blocks, second: Blocks, *, light: Blocks | None = None, lag: int = 2
) -> NDArray[np.float64]:
    """Return the 2 x 2 covariance matrix of the noise of two planes.

    C = <d d^T> / 36, d = I * [[1, -2, 1], [-2, 4, -2], [1, -2, 1]] of both planes, its entries ``lag`` apart, where
    neither passes 3 sigma: no sky counts, and few stars. Next to each other, blocks of interpolated planes share noise,
    which would read 9 % low.

    Parameters
    ----------
    first, second : (rows, columns)
        On one grid, at least 6 x 6; of one unit or not.
    light : (rows, columns), optional
        The emission, 0 where there is none. Only differences without any tell noise, or the darkest 1000 where fewer
        have none: structure of emission would count as noise, and a stretch makes bright noise small.
    lag : int
        In blocks. Two are enough for means over 4 px; single pixels of a demosaiced plane share noise over more.

    Raises
    ------
    ValueError
        Where the planes are too small or too empty to tell their noise.

    References
    ----------
    Immerkaer (1996), CVIU 64, 300, for the kernel; clipped second moments of two planes: derived here.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> a, b = rng.normal(size=(2, 300, 300))
    >>> noise_covariance(a, b - 0.5 * a).round(1).tolist()
    [[1.0, -0.5], [-0.5, 1.2]]
    """
    differences = np.stack([second_differences(plane, lag=lag).ravel() for plane in (first, second)])
    good = np.isfinite(differences).all(axis=0)
    if light is not None and np.count_nonzero(good) > ENOUGH_DARK:
        over = np.where(good, _greatest_around(light, lag).ravel(), np.inf)
        good &= over <= max(0.0, float(np.partition(over, ENOUGH_DARK - 1)[ENOUGH_DARK - 1]))
    differences = differences[:, good]
    if min(first.shape) < FEWEST_BLOCKS or differences.shape[1] < ENOUGH:
        raise ValueError(f"no noise to be had from {first.shape[0]} x {first.shape[1]} blocks")
    bound = CLIP * MAD_TO_SIGMA * row_medians(np.abs(differences))[:, None]
    kept, left = differences, converged_clip_factor(CLIP)
    for _ in range(10):
        inside = (np.abs(differences) <= bound).all(axis=0)
        if np.count_nonzero(inside) == kept.shape[1]:
            break
        kept = differences[:, inside]
        # a plain sum: BLAS would add in another order on another number of threads
        bound = CLIP * np.sqrt(np.square(kept).mean(axis=1, keepdims=True)) / left
    moments = [[float((kept[i] * kept[j]).mean()) for j in (0, 1)] for i in (0, 1)]
    return np.array(moments) / (36.0 * left**2)


def _greatest_around(plane: Blocks, lag: int) -> NDArray[np.float64]:
    """Return the greatest of the nine values that each of `second_differences` is made of; NaN where one is."""
    p = np.asarray(plane, dtype=np.float64)
    across = np.maximum(np.maximum(p[:, : -2 * lag], p[:, lag:-lag]), p[:, 2 * lag :])
    return np.asarray(np.maximum(np.maximum(across[: -2 * lag], across[lag:-lag]), across[2 * lag :]))


def noise_ratio(covariance: NDArray[np.float64], amount: float) -> float:
    """Return the noise of base + amount * line by that of base; 1 where the base has none."""
    weights = np.array([1.0, amount])
    before = float(covariance[0, 0])
    return float(np.sqrt(max(weights @ covariance @ weights, 0.0) / before)) if before > 0 else 1.0


def noise_limit(covariance: NDArray[np.float64], *, noise_budget: float) -> float:
    """Return the amount b at which base + b * line is ``noise_budget`` times as noisy as base.

    var(base) + 2 b cov + b^2 var(line) = noise_budget^2 var(base), the larger root.

    Parameters
    ----------
    covariance : (2, 2)
        Of base and line.
    noise_budget : float
        At least 1.

    Returns
    -------
    float
        Infinite where the line has no noise; 0 where the budget is 1 and nothing is shared. A line that holds base
        with a minus sign, as an emission does, makes base quieter at first, so that even a budget of 1 allows some.

    Examples
    --------
    >>> round(noise_limit(np.diag([1.0, 0.44]), noise_budget=1.2), 6)
    1.0
    """
    base, shared, line = (float(covariance[i]) for i in ((0, 0), (0, 1), (1, 1)))
    if not line > 0:
        return float("inf")
    room = (noise_budget**2 - 1.0) * base
    return max(0.0, float(np.sqrt(shared**2 + line * room) - shared) / line)


def added_amount(
    base: Blocks, line: Blocks, emission: Blocks, *, noise_budget: float = 1.2, most: float = MOST_ADDED
) -> Choice:
    """Choose the amount of emission-add: the smaller of `noise_limit` and ``most``.

    Parameters
    ----------
    base, line : (rows, columns)
        `noise_blocks` of the plane that changes and of the emission before it was faded, in one unit: what was faded
        away has no noise left, what was kept has all of it.
    emission : (rows, columns)
        `noise_blocks` of the faded emission; where all of it is 0 the amount is 0.
    noise_budget : float
        At least 1.

    Raises
    ------
    ValueError
        See `noise_covariance`.

    Notes
    -----
    ``gain`` is (1 + amount) / ``noise``: that of a line which the plane holds once already.
    """
    covariance = noise_covariance(base, line, light=emission)
    kept = bool((emission > 0).any())
    limit = noise_limit(covariance, noise_budget=noise_budget)
    amount = min(limit, most) if kept else 0.0
    noise = noise_ratio(covariance, amount)
    if not kept:
        reason = "no emission is significant, so there is nothing to add"
    elif limit < most:
        reason = f"more would pass the noise budget of {noise_budget:g} at 4 px, {most:g} is never passed"
    else:
        allowed = "any amount" if np.isinf(limit) else f"up to {limit:.3g}"
        reason = (
            f"{most:g} is never passed; the noise budget of {noise_budget:g} at 4 px would allow {allowed}"
        )
    return Choice(amount, limit, most, noise, (1.0 + amount) / noise if noise > 0 else 1.0, reason)


def signal_to_noise(signal: NDArray[np.float64], covariance: NDArray[np.float64], amount: float) -> float:
    """Return signal over noise of base + amount * change; 0 where there is no noise to compare with."""
    weights = np.array([1.0, amount])
    variance = float(weights @ covariance @ weights)
    return float(weights @ signal / np.sqrt(variance)) if variance > 0 else 0.0


def best_amount(signal: NDArray[np.float64], covariance: NDArray[np.float64], *, most: float) -> float:
    """Return the amount in [0, most] at which base + amount * change shows a signal best.

    w = C^-1 a, amount = w_change / w_base: the inverse-variance optimum of two planes that share noise.

    Parameters
    ----------
    signal : (2,)
        a: how much of the signal is in base and in change.
    covariance : (2, 2)
        C, of the noise of base and change.
    most : float
        Above 0.

    Examples
    --------
    Signals of 10 and 8, variances of 4, covariance 1.5:

    >>> round(best_amount(np.array([10.0, 8.0]), np.array([[4.0, 1.5], [1.5, 4.0]]), most=1.0), 5)
    0.60714
    """
    (base, shared), (_, change) = covariance
    weights = np.array([change * signal[0] - shared * signal[1], base * signal[1] - shared * signal[0]])
    ends = [0.0, most]
    if weights[0] > 0:
        ends.insert(0, float(np.clip(weights[1] / weights[0], 0.0, most)))
    return max(ends, key=lambda amount: signal_to_noise(signal, covariance, amount))


@dataclass(frozen=True, eq=False)
class LineLight:
    """A line's light in a luminance, as (rows, columns) of `noise_blocks`."""

    whole: Blocks  # (rows, columns); the emission before it was faded, any unit
    faded: Blocks  # (rows, columns); the same, faded
    # in_base and in_change: (rows, columns); what of the luminance, and of what amount 1 does to it, is the
    # line's own: the value with the line's light less that without it
    in_base: Blocks
    in_change: Blocks


def luminance_amount(
    base: Blocks, change: Blocks, light: LineLight, *, signal: Signal = "faint", most: float = MOST_OPAQUE
) -> Choice:
    """Choose the amount of a blend into luminance: the one that shows the named signal best.

    Parameters
    ----------
    base : (rows, columns)
        `noise_blocks` of the luminance before the blend, linear or as display values.
    change : (rows, columns)
        What amount 1 of the formula does to it, its value minus base, from the line before it was faded.
    light : LineLight
        Tells where which signal is, and how much of it base and change hold.
    signal : "faint" or "bright"
        The fainter half of the means over 16 px that pass 3 sigma, or the brightest tenth of the blocks that do.
        Where no faint light passes, bright light stands in for it and the reason says so.
    most : float
        Above 0.

    Returns
    -------
    Choice
        ``limit`` is `best_amount` without a bound, infinite where more is better for ever. ``gain`` is infinite where
        the luminance alone holds nothing of the signal.

    Raises
    ------
    ValueError
        See `noise_covariance`.

    Notes
    -----
    A signal is the line's own light, not what outshines its surroundings: arms of a galaxy are bright with stars, and
    dust darkens them. A luminance of this kind shows a signal best; it is no photometric luminance.
    """
    covariance = noise_covariance(base, change, light=light.faded)
    found = _signal_places(light, signal)
    if found is None:
        reason = "no emission is significant, so there is no signal to show"
        return Choice(0.0, 0.0, most, 1.0, 1.0, reason)
    named, weights = found
    rise = np.array([_mean(plane, weights) for plane in (light.in_base, light.in_change)])
    limit = best_amount(rise, covariance, most=FAR)
    limit = float("inf") if limit == FAR else limit
    amount = best_amount(rise, covariance, most=most)
    before = signal_to_noise(rise, covariance, 0.0)
    gain = signal_to_noise(rise, covariance, amount) / before if before > 0 else float("inf")
    if amount == 0:
        reason = f"more than none would make the signal-to-noise of {named} worse"
    elif amount < most:
        reason = f"the signal-to-noise of {named} is best there"
    else:
        reason = f"{most:g} is never passed; the signal-to-noise of {named} would be best at more"
    if not before > 0:
        reason += "; the luminance alone shows nothing of it"
    return Choice(amount, limit, most, noise_ratio(covariance, amount), gain, reason)


def faint_places(wide: NDArray[np.floating], sigma: float) -> NDArray[np.bool_] | None:
    """Return where means of emission over 16 px are faint light: above 3 sigma, and in the fainter half of those.

    Parameters
    ----------
    wide : (rows, columns)
        Means over 16 px.
    sigma : float
        Their noise.

    Returns
    -------
    bool (rows, columns), or None
        None with fewer than four that pass 3 sigma.

    Examples
    --------
    >>> faint_places(np.array([[0.0, 5.0, 6.0, 20.0, 30.0, 2.0]]), 1.0).tolist()
    [[False, True, True, False, False, False]]
    """
    shines = wide > SURE * sigma
    if np.count_nonzero(shines) < FEWEST_WIDE:
        return None
    return np.asarray(shines & (wide <= np.quantile(wide[shines], FAINT_SHARE)))


def bright_weights(light: Blocks, sigma: float) -> NDArray[np.float64] | None:
    """Return weights of the blocks that are bright: the brightest tenth of those above 3 sigma, each by its light.

    Parameters
    ----------
    light : (rows, columns)
        Means of emission over 4 px.
    sigma : float
        Their noise.

    Returns
    -------
    (rows, columns), or None
        None where no block passes 3 sigma.

    Examples
    --------
    >>> bright_weights(np.array([[0.0, 5.0, 6.0, 20.0, 30.0, 2.0]]), 1.0).tolist()
    [[0.0, 0.0, 0.0, 0.0, 30.0, 0.0]]
    """
    shines = light > SURE * sigma
    if not shines.any():
        return None
    bright = shines & (light >= np.quantile(light[shines], 1.0 - BRIGHT_SHARE))
    return np.where(bright, light, 0.0).astype(np.float64)


def _signal_places(light: LineLight, signal: Signal) -> tuple[str, NDArray[np.float64]] | None:
    """Return the signal's name in words and weights of the blocks that hold it; None where nothing shines."""
    sigma = float(np.sqrt(noise_covariance(light.whole, light.whole, light=light.faded)[0, 0]))
    named = "the brightest emission"
    if signal == "faint":
        weights = _faint_weights(light, sigma)
        if weights is not None:
            return "faint emission", weights
        named = "the brightest emission, as no faint emission passes 3 sigma in means over 16 px,"
    weights = bright_weights(light.faded, sigma)
    return None if weights is None else (named, weights)


def _faint_weights(light: LineLight, sigma: float) -> NDArray[np.float64] | None:
    wide, kept = bin_mean(light.whole, WIDE), bin_mean(light.faded, WIDE)
    # What was faded away for most of its light is not known to be any.
    on = faint_places(np.where(kept > 0.5 * wide, wide, 0.0), sigma / WIDE)
    if on is None:
        return None
    weights = np.zeros(light.whole.shape)
    spread = on.repeat(WIDE, axis=0).repeat(WIDE, axis=1)
    weights[: spread.shape[0], : spread.shape[1]] = spread
    return weights


def _mean(plane: Blocks, weights: NDArray[np.float64]) -> float:
    known = (weights > 0) & np.isfinite(plane)
    return float(np.average(plane[known], weights=weights[known])) if known.any() else 0.0
