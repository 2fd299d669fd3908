"""How much of a line to blend in: as much as the noise allows, or as much as shows a named signal best.

Everything is measured on means of 4 x 4 pixels. Noise that interpolation and demosaicing spread over neighbours is
whole again there, and what two planes share is measured with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.smooth import bin_plane

NOISE_PX = 4
"""Side of the blocks in which noise is told: eyes see grain at this scale, and white noise is a quarter there."""

MOST_ADDED, MOST_OPAQUE = 1.5, 1.0
"""The most of emission-add, 2.5 times the line's contrast, and of opacity, beyond which a formula extrapolates."""

FAINT_SHARE, BRIGHT_SHARE, DARK_SHARE = 0.5, 0.1, 0.1
"""Of the blocks that shine: the fainter half is faint light, the brightest tenth is knots, the faintest tenth stands
for the sky where there is none."""

FAR = 1e4
"""An amount beyond every use: base counts for nothing beside it."""

RING, ENOUGH = 6, 16
"""Blocks around a signal that tell its surroundings, and how many of a kind are enough for their median."""

Signal = Literal["faint", "knots"]
Blocks = NDArray[np.floating]


@dataclass(frozen=True)
class Choice:
    """A chosen amount.

    Attributes
    ----------
    amount : float
        0 to ``most``, the smaller of the two limits.
    limit, most : float
        What noise or signal allow, infinite where they set no bound; and what is never passed.
    noise : float
        Noise of blocks of 4 px after the blend by that before, where the line's light is kept whole.
    gain : float
        The signal's ratio to that noise, after by before.
    reason : str
        Why this amount, in words.
    """

    amount: float
    limit: float
    most: float
    noise: float
    gain: float
    reason: str


def noise_blocks(plane: NDArray[np.floating]) -> NDArray[np.float32]:
    """Return means of 4 x 4 pixels, NaN where a pixel is; what the functions of this module are given."""
    return bin_plane(np.asarray(plane, dtype=np.float32), NOISE_PX, holes=True)


def noise_covariance(first: Blocks, second: Blocks) -> NDArray[np.float64]:
    """Return the 2 x 2 covariance matrix of the noise of two planes.

    cov(a, b) = sigma_a sigma_b (sigma^2(u + v) - sigma^2(u - v)) / (sigma^2(u + v) + sigma^2(u - v)), u = a / sigma_a,
    v = b / sigma_b, each sigma from second differences by the median, so that neither sky nor stars count.

    Parameters
    ----------
    first, second : (rows, columns)
        On one grid, at least 6 x 6; of one unit or not.

    Raises
    ------
    ValueError
        Where the planes are too small or too empty to tell their noise.

    References
    ----------
    Gnanadesikan & Kettenring (1972), Biometrics 28, 81, for the covariance from sum and difference, from memory.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> a, b = rng.normal(size=(2, 300, 300))
    >>> noise_covariance(a, b - 0.5 * a).round(1).tolist()
    [[1.0, -0.5], [-0.5, 1.2]]
    """
    sigmas = [difference_noise(plane) if min(plane.shape) >= 6 else float("nan") for plane in (first, second)]
    if not np.isfinite(sigmas).all():
        raise ValueError(f"no noise to be had from {first.shape[0]} x {first.shape[1]} blocks")
    matrix = np.diag(np.square(sigmas))
    if min(sigmas) > 0:
        u, v = first / np.float64(sigmas[0]), second / np.float64(sigmas[1])
        plus, minus = difference_noise(u + v) ** 2, difference_noise(u - v) ** 2
        shared = sigmas[0] * sigmas[1] * (plus - minus) / (plus + minus)
        matrix[0, 1] = matrix[1, 0] = shared
    return matrix


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
    base: Blocks, line: Blocks, *, noise_budget: float = 1.2, most: float = MOST_ADDED, kept: bool = True
) -> Choice:
    """Choose the amount of emission-add: the smaller of `noise_limit` and ``most``.

    Parameters
    ----------
    base, line : (rows, columns)
        `noise_blocks` of the plane that changes and of the emission before it was faded, in one unit: what was faded
        away has no noise left, what was kept has all of it.
    noise_budget : float
        At least 1.
    kept : bool
        Whether anything of the emission was significant; else the amount is 0.

    Raises
    ------
    ValueError
        See `noise_covariance`.

    Notes
    -----
    ``gain`` is (1 + amount) / ``noise``: that of a line which the plane holds once already.
    """
    covariance = noise_covariance(base, line)
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
        a: how far the signal stands above its surroundings in base and in change.
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


def luminance_amount(
    base: Blocks, change: Blocks, emission: Blocks, *, signal: Signal = "faint", most: float = MOST_OPAQUE
) -> Choice:
    """Choose the amount of a blend into luminance: the one that shows the named signal best.

    Parameters
    ----------
    base : (rows, columns)
        `noise_blocks` of the luminance before the blend, linear or as display values.
    change : (rows, columns)
        What amount 1 of the formula does to it, its value minus base, from the line before it was faded.
    emission : (rows, columns)
        `noise_blocks` of the faded emission: tells where which signal is. Any unit.
    signal : "faint" or "knots"
        The fainter half of the blocks that shine, or the brightest tenth.
    most : float
        Above 0.

    Returns
    -------
    Choice
        ``limit`` is `best_amount` without a bound, infinite where more is better for ever.

    Raises
    ------
    ValueError
        See `noise_covariance`.

    Notes
    -----
    A luminance of this kind shows a signal best; it is no photometric luminance.
    """
    covariance = noise_covariance(base, change)
    where = _signal_blocks(emission, signal)
    if where is None:
        reason = "no emission is significant, so there is no signal to show"
        return Choice(0.0, 0.0, most, 1.0, 1.0, reason)
    rise = np.array([_rise(plane, *where) for plane in (base, change)])
    limit = best_amount(rise, covariance, most=FAR)
    limit = float("inf") if limit == FAR else limit
    amount = best_amount(rise, covariance, most=most)
    before = signal_to_noise(rise, covariance, 0.0)
    gain = signal_to_noise(rise, covariance, amount) / before if before > 0 else float("inf")
    named = {"faint": "faint emission", "knots": "the brightest knots"}[signal]
    if amount == 0:
        reason = f"more than none would make the signal-to-noise of {named} worse"
    elif amount < most:
        reason = f"the signal-to-noise of {named} is best there"
    else:
        reason = f"{most:g} is never passed; the signal-to-noise of {named} would be best at more"
    return Choice(amount, limit, most, noise_ratio(covariance, amount), gain, reason)


def _signal_blocks(emission: Blocks, signal: Signal) -> tuple[NDArray[np.bool_], NDArray[np.bool_]] | None:
    """Return where the signal is and where its surroundings are; None where nothing shines."""
    from scipy.ndimage import maximum_filter

    shines = emission > 0
    values = emission[shines]
    if values.size < 2:
        return None
    if signal == "knots":
        on = emission >= np.quantile(values, 1.0 - BRIGHT_SHARE)
        off = maximum_filter(on, size=2 * RING + 1) & ~maximum_filter(on, size=3) & np.isfinite(emission)
    else:
        on = shines & (emission <= np.quantile(values, FAINT_SHARE))
        off = maximum_filter(on, size=2 * RING + 1) & (emission == 0)
    if np.count_nonzero(off) < ENOUGH:  # a nebula fills the frame: its darkest parts have to do
        off = emission <= np.quantile(values, DARK_SHARE)
        on &= ~off
    return (on, off) if on.any() and off.any() else None


def _rise(plane: Blocks, on: NDArray[np.bool_], off: NDArray[np.bool_]) -> float:
    return float(np.nanmedian(plane[on]) - np.nanmedian(plane[off]))
