"""The share of a line master that is starlight: its scale on the broad plane, and profiles made equal.

A line filter passes the line and a slice of continuum. Stars without a line tell how large the slice is.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.robust import median
from blend.science.line.lower_mode import MOST, lower_mode
from blend.science.plane import blur_plane, mean_log_ratio
from blend.science.stars import (
    FWHM_PER_SIGMA,
    circle_noise,
    empty_places,
    profile_fluxes,
    scatter,
    star_fluxes,
)

APERTURE_FWHM = 2.25
"""Radius of the apertures: unequal wings lie beyond a smaller one, neighbours inside a larger; both cost percents."""

WELL_BROAD, WELL_LINE, ENOUGH_WELL = 25.0, 10.0, 12
"""Signal-to-noise in both masters of stars that tell the scale best, and how many of them do without the fainter ones.

Fainter stars are in the list because noise made them bright in the broad plane: their ratios read low by percents.
"""

LEAST_ERROR = 0.01
"""Relative error that scatter does not show: unequal wings beyond the aperture, stars in the sky's ring."""

ROUGH = 2.5
"""Scatter of the line's empty apertures over the error their rings tell, from which its sky is rough: 1.4 on five
simulated galaxies, 5 to 12 in five nebulae that fill the frame, 13.6 on a real frame with a planetary nebula."""

ROUGH_ERROR = 0.03
"""Relative error of a scale from fitted profiles: unequal wings, which wide apertures catch, move it by 3 % at most in
simulated nebulae."""

PER_WIDTH = 3.5
"""Relative error of such a scale by that of its widths: light goes with the square and more, 1.9 to 2.5 in simulated
nebulae, whose widths are off by half more than the crowd that is left of them states (24 nights)."""

GIVEN_SCATTER = 0.05
"""Star-to-star scatter assumed for a scale given as a number: typical of broad colours; common practice."""

WIDE_FWHM, WIDE_STARS = 3.5, 20
"""Radius that holds the wings too, and how many of the brightest stars tell what lies between: over twelve simulated
nights the scale's error is 0.6 % rms, without them 1.1 %; wider or with more stars, neighbours cost what wings give."""

WINGS = 0.01
"""Relative size that unequal wings are expected to have: half of 2 %, what one simulated profile has out there."""

UNDER = 0.03
"""Share of the light around a star by which its ring misses what lies under it: arms and H II regions are no plane."""

FEWEST_STARS, MOST_STARS = 3, 400
"""Fewer stars cannot show that one of them is an outlier; more than the second add time and no light (chosen)."""

MOST_ERROR = 0.5
"""Of ln s: points that leave it wider open tell no scale; a line taken off a half too strongly or weakly is none."""

PURE = 2.66
"""ln(1 / 0.07): how much higher than a star's the ratio of nothing but line light is, through 7 of 100 nm."""


@dataclass(frozen=True, eq=False)
class Scale:
    """How many counts of the line master one count of continuum in the broad plane stands for.

    ``scatter`` is the relative star-to-star scatter left when measurement errors are taken out: what the
    colour of one object may do to its ratio. The arrays hold every star that was measured; ``used`` tells
    which counted; ``rough`` that the sky between the stars asked for fitted profiles.
    """

    value: float
    error: float
    stars: int
    how: str
    scatter: float = GIVEN_SCATTER
    xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    line_flux: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    broad_flux: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    used: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=bool))
    rough: bool = False
    line_error: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    broad_error: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))


def scale_from_stars(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    xy: NDArray[np.float64],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
    where: str = "continuum.ha",
    noise: float = 0.0,
    pure: float = PURE,
    expected: tuple[float, float] | None = None,
    under: tuple[NDArray[np.floating], NDArray[np.floating]] | None = None,
    width_error: float = 0.0,
) -> Scale:
    """Measure the continuum scale s = N* / R* on stars.

    s = w exp(<ln(N_i / R_i)>), the mean being robust against variable and blended stars, over those that `lower_mode`
    takes for stars: H II regions as compact as stars lie above. w is what unequal wings beyond the aperture change,
    from wider apertures about the brightest.

    Parameters
    ----------
    line, broad : (rows, columns)
        On one grid, sky 0, any unit; best after ``match_profiles``.
    xy : (n, 2)
        Star positions, brightest first, saturated ones left out; so many as `MOST_STARS` are measured.
    fwhm_px : float
        Of the wider of the two profiles.
    invalid : bool (rows, columns), optional
        Pixels not to use; a star whose aperture touches one is left out.
    where : str
        Who asks, for the message of a fault.
    noise : float
        Of a pixel of the line as large areas show it, where it is known: what resampling or ``match_profiles`` spread
        over neighbours would pass for a rough sky, and for stars that differ.
    pure : float
        ln(t / r), of `lower_mode`.
    expected : two floats, optional
        What else tells ln s, and its standard deviation.
    under : two arrays (n,), optional
        What each plane's surroundings hold a pixel where the points stand: some of it stays in an aperture.
    width_error : float
        Relative error of the ratio of the widths that were matched: fitted profiles tell fluxes by it.

    Returns
    -------
    Scale
        ``error`` holds flux errors, the star-to-star scatter, the other modes that few stars allow, and half a percent
        that none of them shows; ``stars`` is the number of those that decided.

    Raises
    ------
    StepError
        With fewer than three bright points, or where they leave the scale open by more than a half.

    Notes
    -----
    Where nebula is everywhere its bends outshine most stars in an aperture: apertures at empty places scatter more
    than their rings tell. There fluxes are of profiles over a parabolic sky, their errors the scatter of the same
    fit at empty places.

    Stars are chosen by the flux expected from the broad plane, never by the measured flux of the line, which
    would favour stars that noise made bright.

    References
    ----------
    Waller (1990), PASP 102, 1217 (from memory), for scaling on stars; the robust mean is derived here.
    """
    points = np.asarray(xy, dtype=np.float64).reshape(-1, 2)[:MOST_STARS]
    (line_flux, line_error), (broad_flux, broad_error), rough = _measured(
        (line, broad), xy, fwhm_px=fwhm_px, invalid=invalid, noise=noise, under=under
    )
    seen = _seen(line_flux, line_error, broad_flux, broad_error)
    if len(seen) < FEWEST_STARS:
        raise _too_few(where, f"{len(seen)} of {len(points)} stars bright enough in the broad band")
    mode = lower_mode(
        line_flux[seen] / broad_flux[seen], line_error[seen] / broad_flux[seen], pure=pure, expected=expected
    )
    if mode.error > MOST_ERROR or not mode.stars.any():
        words = "that may all shine in the line, as H II regions do" if mode.stars.any() else "that all"
        raise _too_few(where, f"{len(seen)} points {words}, hardly a star among them,")
    stars, value = seen[mode.stars], float(np.exp(mode.value))
    with np.errstate(invalid="ignore"):
        shines = (value * broad_flux > 5.0 * line_error) & (line_flux > line_error)
    chosen = stars[shines[stars]]
    used = np.zeros(len(points), dtype=bool)
    error, scattered, told = mode.error, GIVEN_SCATTER, used
    if len(chosen) >= FEWEST_STARS:
        fit = mean_log_ratio(
            line_flux[chosen], broad_flux[chosen], errors=(line_error[chosen], broad_error[chosen])
        )
        used[chosen[fit.used]] = True
        value = float(np.exp(fit.value))
        well = used & (broad_flux > WELL_BROAD * broad_error) & (value * broad_flux > WELL_LINE * line_error)
        if np.count_nonzero(well) >= ENOUGH_WELL:
            fit = mean_log_ratio(
                line_flux[well], broad_flux[well], errors=(line_error[well], broad_error[well])
            )
            value, told = float(np.exp(fit.value)), well
        value, error = _with_expected(value, fit.error, expected)
        # The mode's own error is that of so many stars, and the mean's where there are more.
        error = max(error, mode.error) if len(seen) < MOST else error
        scattered = fit.scatter
    else:
        # Too few shine well enough for a mean: the mode is what all of them tell together.
        used[stars] = True
    if not rough:
        bright = np.flatnonzero(told)[:WIDE_STARS]
        ratio = line_flux[bright] / broad_flux[bright]
        wings = _wing_factor(line, broad, points[bright], ratio, fwhm_px=fwhm_px, invalid=invalid)
        value, line_flux = wings * value, wings * line_flux
    return Scale(
        value,
        value
        * float(np.hypot(error, np.hypot(ROUGH_ERROR, PER_WIDTH * width_error) if rough else LEAST_ERROR)),
        int(told.sum()),
        "stars",
        scattered,
        points,
        line_flux,
        broad_flux,
        used,
        rough,
        line_error,
        broad_error,
    )


def _with_expected(value: float, error: float, expected: tuple[float, float] | None) -> tuple[float, float]:
    """Return a scale and the error of its logarithm, weighed with what else is known of it."""
    if expected is None:
        return value, error
    weights = np.array([error, expected[1]]) ** -2.0
    mean = float((weights * [np.log(value), expected[0]]).sum() / weights.sum())
    return float(np.exp(mean)), float(weights.sum() ** -0.5)


def _too_few(where: str, found: str) -> StepError:
    return StepError(
        where,
        found=f"{found} to measure the scale",
        expected=f"at least {FEWEST_STARS}",
        advice=f"give the ratio of line to broad starlight as a number, for example {where}.scale = 0.07",
    )


_Fluxes = tuple[NDArray[np.float64], NDArray[np.float64], float]
"""Fluxes and their errors, and how many times those the scatter at empty places is."""


def _measured(
    planes: tuple[NDArray[np.float32], NDArray[np.float32]],
    xy: NDArray[np.float64],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None,
    noise: float,
    under: tuple[NDArray[np.floating], NDArray[np.floating]] | None,
) -> tuple[
    tuple[NDArray[np.float64], NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64]], bool
]:
    """Return fluxes and their errors of the first stars in the line and in the broad plane, and if the sky is rough."""
    everyone = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    points = everyone[:MOST_STARS]
    places = empty_places(planes[0].shape, everyone, fwhm_px=fwhm_px)
    line = _fluxes(planes[0], points, places, fwhm_px, invalid, noise=noise)
    broad = _fluxes(planes[1], points, places, fwhm_px, invalid)
    # The line alone is asked: faint stars that no list holds roughen the broad plane of any field.
    if line[2] > ROUGH:
        line, broad = (_fitted(plane, points, places, fwhm_px, invalid) for plane in planes)
        return line[:2], broad[:2], True
    if under is None:
        return line[:2], broad[:2], False
    area = UNDER * np.pi * (APERTURE_FWHM * fwhm_px) ** 2
    own, base = (area * np.maximum(light[:MOST_STARS], 0.0) for light in under)
    return (line[0], np.hypot(line[1], own)), (broad[0], np.hypot(broad[1], base)), False


def same_fluxes(
    plane: NDArray[np.float32], scale: Scale, *, fwhm_px: float, invalid: NDArray[np.bool_] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return fluxes and errors of a scale's stars in another plane, measured as the scale's own were."""
    places = empty_places(plane.shape, scale.xy, fwhm_px=fwhm_px)
    return (_fitted if scale.rough else _fluxes)(plane, scale.xy, places, fwhm_px, invalid)[:2]


def _fluxes(
    plane: NDArray[np.float32],
    xy: NDArray[np.float64],
    places: NDArray[np.float64],
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None,
    *,
    noise: float = 0.0,
) -> _Fluxes:
    radius = APERTURE_FWHM * fwhm_px
    flux, error = star_fluxes(plane, xy, radius_px=radius, invalid=invalid)
    empty, told = star_fluxes(plane, places, radius_px=radius, invalid=invalid)
    known = told[told > 0]
    # what pixels share, a ring's own deviations do not show
    shared = max(1.0, noise * circle_noise(radius) / float(median(known))) if len(known) else 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return flux, shared * error, scatter(empty / told) / shared


def _fitted(
    plane: NDArray[np.float32],
    xy: NDArray[np.float64],
    places: NDArray[np.float64],
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None,
) -> _Fluxes:
    flux = profile_fluxes(plane, xy, fwhm_px=fwhm_px, invalid=invalid)
    error = scatter(profile_fluxes(plane, places, fwhm_px=fwhm_px, invalid=invalid))
    return flux, np.where(np.isfinite(flux), error, np.nan), 1.0


def _wing_factor(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    xy: NDArray[np.float64],
    ratio: NDArray[np.float64],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None,
) -> float:
    """Return the flux ratio of stars with their wings by that without; 1 where few stars or much noise tell it.

    The mean change is drawn to 0 as its error demands: d w^2 / (w^2 + e^2), w the size expected.
    """
    radius = WIDE_FWHM * fwhm_px
    (wide, error), (base, base_error) = (
        star_fluxes(plane, xy, radius_px=radius, invalid=invalid) for plane in (line, broad)
    )
    with np.errstate(invalid="ignore"):
        good = (wide > 5.0 * error) & (base > 5.0 * base_error)
    if np.count_nonzero(good) < ENOUGH_WELL:
        return 1.0
    fit = mean_log_ratio(
        wide[good] / ratio[good], base[good], errors=(error[good] / ratio[good], base_error[good])
    )
    return float(np.exp(fit.value * WINGS**2 / (WINGS**2 + fit.error**2)))


def given_scale(value: float, *, error: float = 0.0, xy: NDArray[np.float64] | None = None) -> Scale:
    """Return a scale the user gave as a number; ``xy`` are stars on which residuals may still be measured.

    Examples
    --------
    >>> given_scale(0.07).how
    'given'
    """
    points = np.empty((0, 2)) if xy is None else np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    return Scale(value, error, 0, "given", xy=points, used=np.ones(len(points), dtype=bool))


def _seen(
    line_flux: NDArray[np.float64],
    line_error: NDArray[np.float64],
    broad_flux: NDArray[np.float64],
    broad_error: NDArray[np.float64],
) -> NDArray[np.intp]:
    """Return the indices of points that are bright in the broad plane, whatever they are in the line."""
    with np.errstate(invalid="ignore"):
        good = (
            np.isfinite(line_flux) & (broad_flux > 10.0 * broad_error) & (broad_error > 0) & (line_error > 0)
        )
    return np.flatnonzero(good)


def match_profiles(
    line: NDArray[np.float32], broad: NDArray[np.float32], *, fwhm_line: float, fwhm_broad: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Blur the sharper plane so that stars are equally wide in both.

    sigma = sqrt(|F_line^2 - F_broad^2|) / 2.3548, Gaussian.

    Parameters
    ----------
    line, broad : (rows, columns)
        NaN stays where it is and spreads nowhere: weights are renormalised over valid pixels.
    fwhm_line, fwhm_broad : float
        Star widths in pixels; where one is NaN both planes come back as they are.

    Returns
    -------
    line, broad : (rows, columns) float32
        The wider one is the input itself.

    Examples
    --------
    >>> plane = np.ones((5, 5), dtype=np.float32)
    >>> a, b = match_profiles(plane, plane, fwhm_line=3.0, fwhm_broad=4.0)
    >>> b is plane, bool(np.allclose(a, 1.0))
    (True, True)
    """
    sigma = matching_blur(fwhm_line=fwhm_line, fwhm_broad=fwhm_broad)
    if sigma < 0:
        return line, blur_plane(broad, -sigma)
    return (blur_plane(line, sigma) if sigma > 0 else line), broad


def matching_blur(*, fwhm_line: float, fwhm_broad: float) -> float:
    """Return the Gaussian that `match_profiles` blurs the line by, in pixels; below 0 it is the broad plane's."""
    difference = fwhm_broad**2 - fwhm_line**2
    sigma = np.sqrt(abs(difference)) / FWHM_PER_SIGMA
    # below this the blur moves a peak by less than noise ever shows
    return float(np.copysign(sigma, difference)) if np.isfinite(sigma) and sigma >= 0.15 else 0.0
