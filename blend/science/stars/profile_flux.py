"""Star fluxes where the sky between the stars is rough: nebula that bends within an aperture's ring."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, median
from blend.science.stars.stars import FWHM_PER_SIGMA, crowd

REACH_FWHM = 2.0
"""Radius of the fit: beyond it a star has no light to speak of, and a nebula more bends than a parabola."""

CLEAR_FWHM = 5.0
"""Distance of an empty place from every known star."""

MOST_PLACES = 200
"""Enough for a scatter known to some percent."""

FEWEST_PLACES = 20
"""Fewer tell no scatter."""

LN_WIDTHS = np.arange(-0.9, 0.91, 0.05)
"""ln of the widths that are tried, by the one expected: from two fifths to two and a half of it, in steps that a
parabola through three of them divides."""

FEW_WIDTHS = 3
"""Fewer stars cannot show that one of them is an outlier."""

SHARED = 1.5
"""Scatter of empty circles over the error their rings tell, from which pixels share noise: 1.0 to 1.2 on plain frames,
1.9 in green and 2.7 in red and blue of a bilinear demosaic, whose photosites are a half and a quarter of all."""


def profile_fluxes(
    plane: NDArray[Any],
    xy: NDArray[np.floating],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
) -> NDArray[np.float64]:
    """Return the flux of a Gaussian over a parabolic sky, fitted within two star widths.

    I = F P(x - x_i) + a + b x + c y + d x^2 + e x y + f y^2, plain least squares.

    Parameters
    ----------
    plane : (rows, columns)
    xy : (n, 2)
    fwhm_px : float
        Above 0. A wrong one scales all fluxes of planes of equal profiles alike: their ratios stay.
    invalid : (rows, columns) bool, optional

    Returns
    -------
    (n,) float64
        NaN where the circle leaves the frame or holds an invalid pixel.

    Notes
    -----
    F is the same linear form of the pixels round every star but for the place within a pixel.
    """
    sigma = fwhm_px / FWHM_PER_SIGMA
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    out = np.full(len(points), np.nan)
    for n, values, r2, sky in _circles(plane, points, fwhm_px=fwhm_px, invalid=invalid):
        profile = np.exp(-0.5 * r2 / sigma**2) / (2.0 * np.pi * sigma**2)
        profile -= sky @ (sky.T @ profile)
        out[n] = profile @ values / (profile @ profile)
    return out


def profile_width(
    plane: NDArray[Any],
    xy: NDArray[np.floating],
    weights: NDArray[np.floating],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
) -> tuple[float, float]:
    """Return the FWHM that stars share where the sky between them is rough, in pixels, and its relative standard error.

    Of each star the width whose Gaussian over a parabolic sky leaves the least squares; of all, the weighted mean of
    the heaviest crowd. Moments, which `measure_at` takes, count the bends of a nebula as the star's own light.

    Parameters
    ----------
    plane : (rows, columns)
    xy : (n, 2)
    weights : (n,)
        What each star's width is worth, such as the square of its light where nothing else shines; not below 0.
    fwhm_px : float
        Expected: the circles are of `profile_fluxes`, and widths are sought around it.
    invalid : (rows, columns) bool, optional

    Returns
    -------
    width, error : float
        NaN for fewer than three stars.
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    found = np.full(len(points), np.nan)
    variances = (fwhm_px * np.exp(LN_WIDTHS) / FWHM_PER_SIGMA) ** 2
    for n, values, r2, sky in _circles(plane, points, fwhm_px=fwhm_px, invalid=invalid):
        profiles = np.exp(-0.5 * r2 / variances[:, None])
        profiles -= (profiles @ sky) @ sky.T
        along = np.maximum(profiles @ values, 0.0)
        told = along**2 / np.square(profiles).sum(axis=1)
        best = int(np.argmax(told))
        if 0 < best < len(told) - 1:
            before, here, after = told[best - 1 : best + 2]
            step = 0.5 * (before - after) / (before - 2.0 * here + after)
            found[n] = LN_WIDTHS[best] + step * (LN_WIDTHS[1] - LN_WIDTHS[0])
    known = np.isfinite(found) & (weights > 0)
    if np.count_nonzero(known) < FEW_WIDTHS:
        return float("nan"), float("nan")
    widths, shares = found[known], weights[known]
    own = crowd(widths, shares)
    widths, shares = widths[own], shares[own] / shares[own].sum()
    mean = float(shares @ widths)
    # of a weighted mean; one star that outweighs all others has nothing to be held against
    independent = max(1.0 / float(shares @ shares) - 1.0, 1.0)
    return fwhm_px * float(np.exp(mean)), float(np.sqrt(shares @ np.square(widths - mean) / independent))


def _circles(
    plane: NDArray[Any], points: NDArray[np.float64], *, fwhm_px: float, invalid: NDArray[np.bool_] | None
) -> Iterator[tuple[int, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]]:
    """Give, of each point whose circle is whole, its number, pixels and their squared distances; and a parabolic sky's
    orthonormal terms in them."""
    reach = int(np.ceil(REACH_FWHM * fwhm_px))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    inside = np.hypot(dx, dy) <= REACH_FWHM * fwhm_px
    x, y = dx[inside] / reach, dy[inside] / reach
    sky, _ = np.linalg.qr(np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1))
    for n, (px, py) in enumerate(points):
        i, j = round(px), round(py)
        if min(i, j) < reach or i + reach >= plane.shape[1] or j + reach >= plane.shape[0]:
            continue
        box = np.s_[j - reach : j + reach + 1, i - reach : i + reach + 1]
        values = plane[box][inside].astype(np.float64)
        if np.isfinite(values).all() and (invalid is None or not invalid[box][inside].any()):
            yield n, values, (dx[inside] - (px - i)) ** 2 + (dy[inside] - (py - j)) ** 2, sky


def empty_places(shape: tuple[int, int], xy: NDArray[np.floating], *, fwhm_px: float) -> NDArray[np.float64]:
    """Return up to `MOST_PLACES` places (n, 2) on a grid, each `CLEAR_FWHM` star widths from every star of ``xy``."""
    from scipy.spatial import cKDTree

    step = max(2.0 * REACH_FWHM * fwhm_px, float(np.sqrt(shape[0] * shape[1] / (2.0 * MOST_PLACES))))
    y, x = np.mgrid[0.5 * step : shape[0] : step, 0.5 * step : shape[1] : step]
    places = np.rint(np.stack([x.ravel(), y.ravel()], axis=1))
    if len(xy):
        places = places[cKDTree(xy).query(places)[0] > CLEAR_FWHM * fwhm_px]
    chosen: NDArray[np.float64] = places[
        np.linspace(0, len(places) - 1, min(len(places), MOST_PLACES)).astype(int)
    ]
    return chosen


def scatter(values: NDArray[np.float64]) -> float:
    """Return the robust standard deviation of the finite values; NaN for fewer than `FEWEST_PLACES`."""
    finite = values[np.isfinite(values)]
    if len(finite) < FEWEST_PLACES:
        return float("nan")
    return float(MAD_TO_SIGMA * median(np.abs(finite - np.median(finite))))


def shared_noise(
    plane: NDArray[Any],
    places: NDArray[np.floating],
    *,
    radius_px: float,
    invalid: NDArray[np.bool_] | None = None,
) -> float:
    """Return how many times the error of `star_fluxes` the scatter of empty circles is; 1 where pixels share no noise.

    Parameters
    ----------
    plane : (rows, columns)
    places : (n, 2)
        Clear of stars: `empty_places`.
    radius_px : float
        Of the circles.
    invalid : (rows, columns) bool, optional
    """
    from blend.science.stars.stars import star_fluxes

    flux, error = star_fluxes(plane, places, radius_px=radius_px, invalid=invalid)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = scatter(flux / error)
    return factor if factor > SHARED else 1.0
