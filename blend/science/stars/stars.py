"""Find stars and measure their places, widths and fluxes."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median_and_sigma
from blend.base.rowblocks import map_row_blocks
from blend.science.stars.detect import find_candidates, native_plane
from blend.science.stars.starshape import COLUMNS, aperture_fluxes, core_sigmas, measure_stars

FWHM_PER_SIGMA = 2.3548200450309493
"""2 sqrt(2 ln 2)."""

STEEPEST = 0.85
"""Most of its height a star may fall by from pixel to pixel; a Gaussian of FWHM 1.8 px reaches 0.82."""

RUNAWAY = 1.98
"""Widths by the typical one that no leeway covers in a nebula: a width that doubled in one turn ran up a slope."""

_SMALLEST_PX = 16
"""Side of a plane with room for two cells of the detection's mesh."""

_FULL_SHARE = 0.98
"""Of the saturation level: a core is full a little below it, where clipped frames were averaged (not measured)."""

_ASKED, _CLEAR_SIGMA, _CROWD = 600, 15.0, 0.12
"""Candidates that are asked for the typical width; flux over its error from which a width is known to some percent;
half-width, in ln, of the crowd they form. 587 stars of 40 sigma and more on ten invented nights, 1.8 to 5 px wide,
measured 0.86 to 1.13 of the typical width (1st to 99th percentile), so that a crowd holds nearly all."""
_MOST_WEIGHT = 2.0
"""Typical sources that one may count for in the width of a frame: a nucleus must not tell it alone."""

_FIRST_SIGMAS, _USUAL_SIGMA, _LEAST_SIGMA = (0.8, 6.0), 1.5, 0.8
"""Windows, in px: those first tried, by the footprint; the one where no star tells; the narrowest, below which pixels
and not the window limit what is seen (chosen, not measured)."""

_FULL_SIGMA = 12.0
"""Widest window of a full core, px, which is as wide as its footprint (chosen, not measured)."""

_HOT_SIGMA = 0.45
"""Width of what is one pixel and its blur: a star 1.06 px wide, px."""

_NARROWEST, _WIDEST, _LONGEST = 0.65, 1.8, 1.6
"""Widths by the typical one, and least limit of the elongation. Of the 587 stars one in a thousand was narrower than
0.66, wider than 1.23 or longer than 1.56; lumps and galaxies are told by the rest of the way (chosen)."""

_LONGER = 1.5
"""Elongation by the usual one of a frame: where guiding or a corner draws all stars out, they still are stars."""

_FULL_WIDEST, _FULL_LONGEST = 8.0, 4.0
"""The same limits for full cores, which are as wide as they are bright and bleed (chosen, not measured)."""

_SHARP_SIGMA, _STEEPEST_SHARP = 0.75, 0.95
"""Stars narrower than 1.8 px fall more steeply: of the 587, those 1.8 px wide by up to 0.92."""

_CORE_SIGMA, _MOST_CORES, _CORE_RATIOS = 40.0, 400, (0.75, 1.1)
"""Stars whose cores tell half maxima, how many, and what their ratio is held between: 0.97 to 1.01 on the ten nights,
0.9 for broad wings."""

_NO_MASK = np.zeros((1, 1), dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class Stars:
    """Stars of one plane, by falling flux."""

    xy: NDArray[np.float64]  # (n, 2) float64; windowed centroids, pixel centres at integers
    # flux and flux_error: (n,) float64; flux of the Gaussian core over the local sky, and its error from the
    # sky's noise
    flux: NDArray[np.float64]
    flux_error: NDArray[np.float64]
    peak: NDArray[np.float64]  # (n,) float64; highest pixel over the local sky
    fwhm_px: NDArray[np.float64]  # (n,) float64; full width at half maximum of the profile as it is sampled
    elongation: NDArray[np.float64]  # (n,) float64; long over short axis, 1 for a round star
    saturated: NDArray[np.bool_]  # (n,) bool; True where a pixel of the core reaches the saturation level

    def __len__(self) -> int:
        return len(self.xy)

    def select(self, chosen: NDArray[Any]) -> Stars:
        """Return the stars that a boolean mask, or an array of indices, picks."""
        return Stars(**{item.name: getattr(self, item.name)[chosen] for item in fields(self)})


def find_stars(
    plane: NDArray[Any],
    *,
    invalid: NDArray[np.bool_] | None = None,
    saturation: float | None = None,
    threshold_sigma: float = 5.0,
    most: int = 4000,
) -> Stars:
    """Find stars and measure them by Gaussian windows.

    The centre c moves by 2 sum(w I (x - c)) / sum(w I), w a Gaussian of the frame's typical width, until it
    stands still; the width s is the Gaussian that equals its own window.

    Parameters
    ----------
    plane : (rows, columns)
        Any real type and byte order, any unit; NaN is left out.
    invalid : (rows, columns) bool, optional
        True where a pixel must not be used.
    saturation : float, optional
        Level, in the plane's unit, at which pixels pile up.
    threshold_sigma : float
        Detection threshold over the local sky, standard deviations of the smoothed plane, above 0; 5 is common
        practice.
    most : int
        The brightest so many are kept: of 24 megapixels 4000 are one in every 77 x 77 pixels, enough for any fit.

    Returns
    -------
    Stars
        Possibly none.

    Notes
    -----
    Left out: what falls from one pixel to the next more steeply than optics allow (hot pixels, clusters of
    them, cosmic rays), what is narrower than 0.65 or wider than 1.8 times the typical star (lumps of
    nebula, galaxy cores), and what is far longer than its neighbours. A pixel is part of the profile: a
    Gaussian of FWHM 2 px averaged over pixels reads 2.1 px. Widths of single stars are moments, which are
    steadier, times one factor for the frame that turns the moment of its profile into the width at half
    maximum.

    References
    ----------
    The matched window is the adaptive moment of Bernstein & Jarvis (2002), AJ 123, 583, section 3 (from
    memory), with a round window.
    """
    image = native_plane(plane)
    mask = None if invalid is None else np.ascontiguousarray(invalid, dtype=np.bool_)
    if min(image.shape) < _SMALLEST_PX or not np.isfinite(image).any():
        return _as_stars(np.empty((0, len(COLUMNS))), saturation=None)
    xy, area, rough = find_candidates(image, invalid=mask, threshold_sigma=threshold_sigma)
    xy, area = xy[: 3 * most], area[: 3 * most]
    rows = _measure(image, mask, xy, area, saturation=saturation, most_width=RUNAWAY if rough else np.inf)
    rows = _one_each(rows)
    rows[:, 5] *= _core_to_moment(image, rows)
    stars = _as_stars(rows, saturation=saturation)
    return stars.select(np.argsort(-stars.flux, kind="stable")[:most])


def measure_at(
    plane: NDArray[Any],
    xy: NDArray[np.floating],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
    saturation: float | None = None,
) -> Stars:
    """Measure a plane's stars where another plane shows them.

    Parameters
    ----------
    plane : (rows, columns)
        As for `find_stars`.
    xy : (n, 2)
        Where the stars stand, on this plane's grid; places outside it are left out.
    fwhm_px : float
        About as wide as they are, pixels, above 0; half or twice of it does no harm.
    invalid : (rows, columns) bool, optional
    saturation : float, optional

    Returns
    -------
    Stars
        Those that look like stars here and stand within half of ``fwhm_px``, at least a pixel, of their place.

    Notes
    -----
    Lumps of a nebula that fills the frame outnumber the stars of a narrow band, and the most crowded width is then
    theirs. At the places of another plane's stars it is the stars'.
    """
    image = native_plane(plane)
    mask = None if invalid is None else np.ascontiguousarray(invalid, dtype=np.bool_)
    places = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    size = np.array(image.shape[::-1])
    places = np.ascontiguousarray(places[((places >= 1) & (places <= size - 2)).all(axis=1)])
    if min(image.shape) < _SMALLEST_PX or len(places) == 0:
        return _as_stars(np.empty((0, len(COLUMNS))), saturation=None)
    # The footprint from which the first window becomes the width that is expected.
    area = np.full(len(places), np.pi * (2.0 * fwhm_px / FWHM_PER_SIGMA) ** 2)
    rows = _measure(image, mask, places, area, saturation=saturation)
    rows = _one_each(_in_place(rows, places, max(1.0, 0.5 * fwhm_px)))
    rows[:, 5] *= _core_to_moment(image, rows)
    return _as_stars(rows, saturation=saturation)


def _in_place(rows: NDArray[np.float64], places: NDArray[np.float64], radius: float) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    apart, _ = cKDTree(places).query(rows[:, :2])
    kept: NDArray[np.float64] = rows[apart <= radius]
    return kept


def seen_in_both(first: Stars, second: Stars, *, reach_px: float) -> tuple[Stars, Stars]:
    """Return the stars of two lists that are each other's nearest, within ``reach_px``, in one order."""
    from scipy.spatial import cKDTree

    if not (len(first) and len(second)):
        return first.select(np.empty(0, dtype=np.intp)), second.select(np.empty(0, dtype=np.intp))
    apart, there = cKDTree(second.xy).query(first.xy)
    back = cKDTree(first.xy).query(second.xy)[1]
    mutual = (apart <= reach_px) & (back[there] == np.arange(len(first)))
    return first.select(mutual), second.select(there[mutual])


def isolated(stars: Stars, *, reach_px: float, share: float = 0.1) -> NDArray[np.bool_]:
    """Return which stars (n,) have none within ``reach_px`` that has more than a share of their flux."""
    from scipy.spatial import cKDTree

    alone = np.ones(len(stars), dtype=np.bool_)
    if len(stars) > 1:
        first, second = cKDTree(stars.xy).query_pairs(reach_px, output_type="ndarray").T
        for own, other in ((first, second), (second, first)):
            alone[own[stars.flux[other] > share * stars.flux[own]]] = False
    return alone


def typical_fwhm(stars: Stars) -> float:
    """Return the most crowded FWHM of the better half of the unsaturated stars, pixels; NaN for fewer than three.

    Each counts by its signal-to-noise and the less the wider it is: what is no star, knots of a galaxy's arms and their
    sums, is faint and wider.

    Examples
    --------
    >>> few = Stars(*(np.zeros((2, 2)),), *(np.ones(2) for _ in range(5)), np.zeros(2, dtype=bool))
    >>> typical_fwhm(few)
    nan
    """
    return fwhm_and_error(stars)[0]


def fwhm_and_error(stars: Stars) -> tuple[float, float]:
    """Return `typical_fwhm` and its standard error, sqrt(pi / 2) sigma / sqrt(n), that of a median."""
    clear = stars.select(~stars.saturated)
    if len(clear) < 3:
        clear = stars
    if len(clear) < 3:
        return float("nan"), float("nan")
    snr = clear.flux / np.maximum(clear.flux_error, 1e-300)
    better = snr >= np.median(snr)
    widths = clear.fwhm_px[better]
    weights = np.minimum(snr[better], _MOST_WEIGHT * np.median(snr[better])) / widths**2
    widths = widths[crowd(np.log(widths), weights)]
    return float(np.median(widths)), float(np.sqrt(np.pi / 2 / len(widths)) * median_and_sigma(widths)[1])


def crowd(widths: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return who belongs to the heaviest crowd of widths, in ln: stars share theirs, lumps and knots do not."""
    order = np.argsort(widths)
    rising, total = widths[order], np.append(0.0, np.cumsum(weights[order]))
    first, last = np.searchsorted(rising, rising - _CROWD, "right"), np.searchsorted(rising, rising + _CROWD)
    heaviest = rising[np.argmax(total[last] - total[first])]
    return np.asarray(np.abs(widths - heaviest) < _CROWD)


def star_fluxes(
    plane: NDArray[Any],
    xy: NDArray[np.floating],
    *,
    radius_px: float,
    invalid: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return fluxes in circles over a local sky, and their errors.

    F = sum(share I) - area sky, sky the median of a ring from 1.5 r + 2 to 2 r + 6 px.

    Parameters
    ----------
    plane : (rows, columns)
    xy : (n, 2)
        Centres.
    radius_px : float
        Radius of the circle, above 0.5.
    invalid : (rows, columns) bool, optional

    Returns
    -------
    flux, error : (n,) float64
        NaN where the circle touches an invalid pixel or leaves the frame. The error is the sky's noise alone.
    """
    image = native_plane(plane)
    mask = _NO_MASK if invalid is None else np.ascontiguousarray(invalid, dtype=np.bool_)
    points = np.ascontiguousarray(xy, dtype=np.float64).reshape(-1, 2)

    def measure_part(part: slice) -> NDArray[np.float64]:
        return np.asarray(aperture_fluxes(image, mask, points[part], float(radius_px)))

    # an empty part makes no points no case of its own
    measured = np.concatenate([np.empty((0, 2)), *map_row_blocks(measure_part, len(points))])
    return measured[:, 0].copy(), measured[:, 1].copy()


def circle_noise(radius_px: float) -> float:
    """Return the error of `star_fluxes` over the noise of a pixel: that of the circle's sum, and of its ring's median.

    Examples
    --------
    >>> round(circle_noise(5.0), 2)
    9.86
    """
    area = np.pi * radius_px**2
    ring = np.pi * ((2.0 * radius_px + 6.0) ** 2 - (1.5 * radius_px + 2.0) ** 2)
    # The median of n values has pi/2 times the variance of their mean.
    return float(np.sqrt(area + 0.5 * np.pi * area * area / ring))


def _measure(
    image: NDArray[np.float32],
    invalid: NDArray[np.bool_] | None,
    xy: NDArray[np.float64],
    area: NDArray[np.float64],
    *,
    saturation: float | None,
    most_width: float = np.inf,
) -> NDArray[np.float64]:
    """Measure twice: some candidates freely for the typical width, then all with a window of that width."""
    mask = _NO_MASK if invalid is None else invalid
    radius = np.sqrt(area / np.pi)
    sample = np.linspace(0, len(xy) - 1, min(len(xy), _ASKED)).astype(int)
    guess = np.clip(0.5 * radius[sample], *_FIRST_SIGMAS)
    typical = _typical_sigma(_in_windows(image, mask, xy[sample], guess, adapt=True), saturation)
    if not np.isfinite(typical):
        typical = _USUAL_SIGMA
    level = _full_level(saturation)
    top = _tops(image, xy)
    windows = np.where(top >= level, np.clip(0.5 * radius, typical, _FULL_SIGMA), max(typical, _LEAST_SIGMA))
    rows = _in_windows(image, mask, xy, windows, adapt=False)
    chosen: NDArray[np.float64] = rows[_looks_like_star(rows, typical, level, most_width)]
    return chosen


def _in_windows(
    image: NDArray[np.float32],
    mask: NDArray[np.bool_],
    xy: NDArray[np.float64],
    windows: NDArray[np.float64],
    *,
    adapt: bool,
) -> NDArray[np.float64]:
    """Return what `measure_stars` finds, some stars on each thread."""

    def measure_part(part: slice) -> NDArray[np.float64]:
        return np.asarray(measure_stars(image, mask, xy[part], windows[part], adapt))

    return np.concatenate([np.empty((0, len(COLUMNS))), *map_row_blocks(measure_part, len(xy))])


def _full_level(saturation: float | None) -> float:
    return np.inf if saturation is None else _FULL_SHARE * saturation


def _tops(image: NDArray[np.float32], xy: NDArray[np.float64]) -> NDArray[np.float64]:
    x = np.clip(np.rint(xy[:, 0]).astype(int), 1, image.shape[1] - 2)
    y = np.clip(np.rint(xy[:, 1]).astype(int), 1, image.shape[0] - 2)
    near = np.stack([image[y + j, x + i] for j in (-1, 0, 1) for i in (-1, 0, 1)])
    top: NDArray[np.float64] = np.where(np.isfinite(near), near, -np.inf).max(axis=0).astype(np.float64)
    return top


def _typical_sigma(rows: NDArray[np.float64], saturation: float | None) -> float:
    """Return the most crowded width: stars of a frame share theirs, lumps and marks do not.

    Each candidate counts by the square of its short over its long axis: half as many round stars outweigh the
    drawn-out lumps of a nebula, which had the word in 37 of 120 invented H-alpha frames, and have it in 3. Where
    guiding draws all out, all lose alike.
    """
    with np.errstate(invalid="ignore"):
        sharp = rows[:, 7] > STEEPEST
        full = rows[:, 9] >= _full_level(saturation)
        keep = np.isfinite(rows[:, 5]) & ~sharp & ~full & (rows[:, 5] > _HOT_SIGMA)
    clear = keep & (rows[:, 2] > _CLEAR_SIGMA * rows[:, 3])
    rows = rows[clear if clear.sum() >= 5 else keep]
    if len(rows) == 0:
        return float("nan")
    chosen, roundness = np.log(rows[:, 5]), np.nan_to_num(1.0 / rows[:, 6]) ** 2
    return float(np.exp(np.median(chosen[crowd(chosen, roundness)])))


def _looks_like_star(
    rows: NDArray[np.float64], typical: float, level: float, most_width: float
) -> NDArray[np.bool_]:
    """Judge shape against the typical star; faint stars get the leeway their noise needs, more of it for what noise
    moves more: half of it for the lower width, a third for the upper, all of it for the elongation (not measured)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        leeway = np.clip(3.0 * rows[:, 3] / rows[:, 2], 0.0, 1.0)
        ratio = rows[:, 5] / typical
        full = rows[:, 9] >= level
        limit = STEEPEST if typical > _SHARP_SIGMA else _STEEPEST_SHARP
        smooth = rows[:, 7] < limit + 3.0 * rows[:, 8] / rows[:, 4]
        wide_enough = ratio > _NARROWEST / (1.0 + 0.5 * leeway)
        widest = np.minimum(_WIDEST * (1.0 + 0.3 * leeway), most_width)
        narrow_enough = ratio < np.where(full, _FULL_WIDEST, widest)
        usual = np.nanmedian(rows[:, 6]) if np.isfinite(rows[:, 6]).any() else 1.0
        longest = max(_LONGEST, _LONGER * usual) * (1.0 + leeway)
        round_enough = rows[:, 6] < np.where(full, _FULL_LONGEST, longest)
        positive = rows[:, 2] > 2.0 * rows[:, 3]
    chosen: NDArray[np.bool_] = (
        np.isfinite(rows[:, 0]) & (smooth | full) & wide_enough & narrow_enough & round_enough & positive
    )
    return chosen


def _core_to_moment(image: NDArray[np.float32], rows: NDArray[np.float64]) -> float:
    """Return the ratio of the width at half maximum to the moment: 1 for a Gaussian, 0.9 for broad wings."""
    bright = rows[(rows[:, 2] > _CORE_SIGMA * rows[:, 3])]
    if len(bright) < 3:
        return 1.0
    bright = bright[np.argsort(-bright[:, 2], kind="stable")[:_MOST_CORES]]
    sigmas = np.empty(len(bright))
    core_sigmas(image, bright, sigmas)
    ratio = sigmas / bright[:, 5]
    ratio = ratio[np.isfinite(ratio)]
    return float(np.clip(np.median(ratio), *_CORE_RATIOS)) if ratio.size >= 3 else 1.0


def _one_each(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Keep the brightest where several candidates moved to one place."""
    if len(rows) < 2:
        return rows
    from scipy.spatial import cKDTree

    rows = rows[np.argsort(-rows[:, 2], kind="stable")]
    pairs = cKDTree(rows[:, :2]).query_pairs(float(np.median(rows[:, 5])), output_type="ndarray")
    keep = np.ones(len(rows), dtype=np.bool_)
    keep[pairs.max(axis=1) if len(pairs) else []] = False
    return rows[keep]


def _as_stars(rows: NDArray[np.float64], *, saturation: float | None) -> Stars:
    return Stars(
        xy=rows[:, :2].copy(),
        flux=rows[:, 2].copy(),
        flux_error=rows[:, 3].copy(),
        peak=rows[:, 4].copy(),
        fwhm_px=FWHM_PER_SIGMA * rows[:, 5],
        elongation=rows[:, 6].copy(),
        saturated=np.asarray(rows[:, 9] >= _full_level(saturation), dtype=np.bool_),
    )
