"""Robust means of flux ratios over stars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, median

BISQUARE = 6.0
"""Deviations, in sigma, from which a star counts nothing (Beers, Flynn & Gebhardt 1990, from memory)."""

ROUNDS, STILL, HALVINGS = 30, 1e-9, 60
"""Of the fits, whose steps end far below any error of a flux; and of the search for a scatter, to the last bit."""

USED = 0.1
"""Weight by the full one from which a star is told as used."""

LEAST_DEVIATION = 1e-3
"""Of a log, in the first, rough line: what lies nearer counts no more."""


@dataclass(frozen=True, eq=False)
class RatioFit:
    """A robust mean of log-ratios: ``value`` and ``error`` of the log, ``scatter`` beyond errors, ``used``
    (n,)."""

    value: float
    error: float
    scatter: float
    used: NDArray[np.bool_]


def mean_log_ratio(
    numerator: NDArray[np.float64],
    denominator: NDArray[np.float64],
    *,
    errors: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> RatioFit:
    """Return the robust mean of ln(numerator / denominator) over stars, with an honest error.

    l_i = ln(a_i / b_i) + (e_a^2 / a^2 - e_b^2 / b^2) / 2, weight w_i = B(u_i) / (e_i^2 + tau^2), where e_i
    is the error of the ratio from both fluxes, tau the scatter that errors do not explain, and B the
    bisquare of u_i = (l_i - l) / (6 sqrt(e_i^2 + tau^2)); error = sqrt(sum w^2 (l_i - l)^2) / sum w, or
    what the flux errors alone would give, whichever is larger.

    Parameters
    ----------
    numerator, denominator : (n,)
        Positive fluxes.
    errors : two arrays (n,)
        Standard deviations of the two.

    Notes
    -----
    The errors are taken at the fluxes that fit both measurements. Both carry errors, so that a regression
    of one on the other would be biased low; a ratio is not. The second term of l_i takes out the bias of
    a logarithm of a noisy value, to second order.

    References
    ----------
    Beers, Flynn & Gebhardt (1990), AJ 100, 32, for the bisquare location; the weights and the error are
    derived here.
    """
    logs = np.log(numerator / denominator)
    measured = (errors[0] / numerator) ** 2 + (errors[1] / denominator) ** 2
    middle = weighted_median(logs, 1.0 / np.maximum(measured, median(measured)))
    weights, variances, tau2 = np.ones_like(logs), measured, 0.0
    for _ in range(ROUNDS):
        parts = _expected_variances(numerator, denominator, errors, float(np.exp(middle)))
        variances = parts[0] + parts[1]
        deviations = logs + 0.5 * (parts[0] - parts[1]) - middle
        weights, tau2 = bisquare_weights(deviations, variances)
        step = float((weights * deviations).sum() / weights.sum())
        middle += step
        if abs(step) < STILL:
            break
    deviations = deviations - step
    sum_w = float(weights.sum())
    count = max(2, int((weights > 0).sum()))
    spread = float(np.sqrt((weights**2 * deviations**2).sum() * count / (count - 1))) / sum_w
    least = float(np.sqrt((weights**2 * variances).sum())) / sum_w
    return RatioFit(middle, max(spread, least), float(np.sqrt(tau2)), weights * (variances + tau2) > USED)


@dataclass(frozen=True, eq=False)
class LineFit:
    """A robust line through log-ratios: ``value`` and ``error`` at 0, ``slope`` and its error, ``used`` (n,)."""

    value: float
    error: float
    slope: float
    slope_error: float
    used: NDArray[np.bool_]


def line_log_ratio(
    numerator: NDArray[np.float64],
    denominator: NDArray[np.float64],
    against: NDArray[np.float64],
    *,
    errors: tuple[NDArray[np.float64], NDArray[np.float64]],
) -> LineFit:
    """Return the robust line ln(numerator / denominator) = value + slope x over stars, with honest errors.

    The logs, their variances, the scatter tau beyond them and the bisquare weights are those of `mean_log_ratio`, taken
    about the line; with X = (1, x) and A = (X^T W X)^-1 the covariance is A (X^T W^2 d^2 X) A n / (n - 2), or what the
    flux errors alone would give, whichever is larger.

    Parameters
    ----------
    numerator, denominator : (n,)
        Positive fluxes, n at least 3.
    against : (n,)
        x, taken as exact: what it lacks in precision is scatter about the line.
    errors : two arrays (n,)
        Standard deviations of the two fluxes.

    References
    ----------
    White (1980), Econometrica 48, 817, for the covariance (from memory); the rest as `mean_log_ratio`.
    """
    logs = np.log(numerator / denominator)
    design = np.stack([np.ones_like(against), against], axis=1)
    a: NDArray[Any]
    line, a = _least_deviation_line(logs, design)
    for _ in range(ROUNDS):
        parts = _expected_variances(numerator, denominator, errors, np.exp(design @ line))
        target = logs + 0.5 * (parts[0] - parts[1])
        variances = parts[0] + parts[1]
        deviations = target - design @ line
        weights, tau2 = bisquare_weights(deviations, variances)
        a = np.linalg.pinv(design.T @ (weights[:, None] * design))
        step = a @ (design.T @ (weights * deviations))
        line = line + step
        if np.abs(step).max() < STILL:
            break
    deviations = target - design @ line
    count = max(3, int((weights > 0).sum()))
    spread, least = (
        np.sqrt(np.diag(a @ (design.T @ ((weights**2 * square)[:, None] * design)) @ a))
        for square in (deviations**2 * count / (count - 2), variances)
    )
    error = np.maximum(spread, least)
    used = weights * np.maximum(variances + tau2, 1e-12) > USED
    return LineFit(float(line[0]), float(error[0]), float(line[1]), float(error[1]), used)


def _least_deviation_line(
    logs: NDArray[np.float64], design: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[Any]]:
    """Return the line of least absolute deviation, near enough to start from: wrong pairs do not turn it."""
    inverse: NDArray[Any]
    weights = np.ones_like(logs)
    for _ in range(ROUNDS):
        inverse = np.linalg.pinv(design.T @ (weights[:, None] * design))
        line = inverse @ (design.T @ (weights * logs))
        weights = 1.0 / np.maximum(np.abs(logs - design @ line), LEAST_DEVIATION)
    return line, inverse


def _expected_variances(
    numerator: NDArray[np.float64],
    denominator: NDArray[np.float64],
    errors: tuple[NDArray[np.float64], NDArray[np.float64]],
    ratio: float | NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the variances of both logs at the fluxes that fit both measurements best.

    At the measured fluxes, a star that noise made faint would weigh less, and the mean would be biased up.
    """
    a2, b2 = np.maximum(errors[0] ** 2, 1e-300), np.maximum(errors[1] ** 2, 1e-300)
    best = (ratio * numerator * b2 + denominator * a2) / (ratio**2 * b2 + a2)
    return a2 / (ratio * best) ** 2, b2 / best**2


def weighted_median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Return the value at which half of the weight is reached, between neighbours where it falls there.

    Examples
    --------
    >>> weighted_median(np.array([3.0, 1.0, 2.0]), np.ones(3))
    2.0
    >>> round(weighted_median(np.array([1.0, 2.0, 3.0]), np.array([1.0, 1.0, 10.0])), 1)
    2.8
    """
    order = np.argsort(values, kind="stable")
    middles = np.cumsum(weights[order]) - 0.5 * weights[order]
    return float(np.interp(0.5 * float(weights.sum()), middles, values[order]))


def bisquare_weights(
    deviations: NDArray[np.float64], variances: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Return weights B(u) / (variance + tau^2) of deviations, and tau^2, their scatter beyond the variances."""
    tau2 = _scatter_beyond(deviations, variances)
    total = np.maximum(variances + tau2, 1e-12)
    u2 = deviations**2 / (BISQUARE**2 * total)
    return np.where(u2 < 1.0, (1.0 - u2) ** 2, 0.0) / total, tau2


def _is_above_one(values: NDArray[np.float64]) -> bool:
    """Return whether the median is above 1: mostly told by a count, a fifth of a selection's time."""
    more = 2 * int(np.count_nonzero(values > 1.0)) - values.size
    return more > 0 or (more == 0 and median(values) > 1.0)


def _scatter_beyond(deviations: NDArray[np.float64], variances: NDArray[np.float64]) -> float:
    """Return the variance tau^2 for which the median of deviation^2 / (variance + tau^2) is that of a
    Gaussian."""
    squares = (MAD_TO_SIGMA * deviations) ** 2
    if not _is_above_one(squares / np.maximum(variances, 1e-300)):
        return 0.0
    low, high = 0.0, float(squares.max())
    for _ in range(HALVINGS):
        tau2 = 0.5 * (low + high)
        if _is_above_one(squares / (variances + tau2)):
            low = tau2
        else:
            high = tau2
    return 0.5 * (low + high)
