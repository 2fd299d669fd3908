"""Take the sensor out of a mosaic, photosite by photosite, before anything is interpolated.

    S = (L - B - k (D - B)) / (Fn W)        Fn = F / median F of the photosites of one kind

L light, B bias or stated black, D dark (it still holds the bias), F flat without its offset, W full scale less black.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.robust import known_median
from blend.base.rowblocks import map_row_blocks
from blend.science.plane import HOT_SIGMA, find_hot_in_dark, find_isolated, repair, sample_pixels
from blend.science.sensor.calibration_loops import DEAD_FLAT
from blend.science.sensor.rays import remove_rays
from blend.science.stars import FWHM_PER_SIGMA, Stars, typical_fwhm

Plane = NDArray[np.float32]
Mask = NDArray[np.bool_]

SHARP_PX = 2.5
"""Full width below which a centroid is drawn towards the samples; 1.7 is common for every second photosite."""

MOST_FITTED = 1500
"""Of the brightest stars: frames are laid over one another by fewer."""

_FIT_FWHM, _LEAST_REACH = 1.4, 2
"""Radius of the fit by the width, where a Gaussian has 0.4 % of its peak, and the least in photosites: 21 for five
unknowns."""

_TURNS, _MOST_STEP_PX, _MOST_WIDENING, _NARROWEST, _WIDEST = 15, 0.3, 0.2, 0.3, 3.0
"""Steps of the fit; how far one moves a centre, and widens, by the first guess; and what the width is held between: so
no first step overshoots (chosen, not measured)."""

_NEIGHBOUR_SHARE = 0.15
"""Half of what a star 1.6 px wide puts into an edge neighbour, of its peak; see `badpixels`."""


@dataclass(frozen=True, eq=False)
class Sensor:
    """What is the same in every frame of a sensor, ready to be taken out."""

    offset: Plane  # (rows, columns) float32; B + k (D - B)
    inverse: Plane | None  # (rows, columns) float32 or None; 1 / Fn; NaN where the flat is dead
    bad: Mask  # (rows, columns) bool; hot in the dark, or dead in the flat
    span: float  # W
    # photosites of one kind are so many apart: 2 for a Bayer mosaic, 1 for a sensor without colours
    step: int
    has_dark: bool


@dataclass(frozen=True, eq=False)
class Light:
    """A calibrated mosaic in fractions of full scale, negatives kept, with its saturated and its filled photosites.

    ``rays`` is the number of cosmic rays that were filled; None where none were looked for, or stars are too sharp.
    """

    pixels: Plane
    saturated: Mask
    repaired: int
    rays: int | None = None


def prepare_sensor(
    shape: tuple[int, int],
    *,
    black: Plane,
    span: float,
    step: int,
    dark: Plane | None = None,
    bias: Plane | None = None,
    flat: Plane | None = None,
    factor: float = 1.0,
    hot_sigma: float = HOT_SIGMA,
) -> Sensor:
    """Gather what is to be taken out of every frame.

    Parameters
    ----------
    shape : (rows, columns)
    black : (rows, columns)
        Stated black of every photosite; counts only where there is neither dark nor bias.
    span : float
        Full scale less black, in the frames' unit.
    step : int
        2 for a Bayer mosaic, 1 without colours.
    dark, bias, flat : (rows, columns), optional
        Masters; the flat without its offset.
    factor : float
        k; other than 1 it needs a bias.
    hot_sigma : float

    Raises
    ------
    StepError
        The flat holds no light.

    Notes
    -----
    The arguments are the masters and the rules of one sensor, hence their number.
    """
    if dark is not None and factor != 1.0 and bias is None:
        raise ValueError("a dark is scaled only against a bias")
    if not span > 0.0:
        raise ValueError(f"full scale less black is {span}")
    if dark is not None:
        offset = dark if factor == 1.0 or bias is None else bias + np.float32(factor) * (dark - bias)
    else:
        offset = black if bias is None else bias
    bad = np.zeros(shape, dtype=np.bool_)
    inverse = None
    if flat is not None:
        inverse = np.empty(shape, dtype=np.float32)
    for part in _kinds(step):
        if dark is not None:
            bad[part] |= find_hot_in_dark(np.ascontiguousarray(dark[part]), hot_sigma=hot_sigma)
        if flat is not None and inverse is not None:
            inverse[part] = _inverse_flat(flat[part])
            bad[part] |= ~np.isfinite(inverse[part])
    return Sensor(
        np.ascontiguousarray(offset, dtype=np.float32), inverse, bad, float(span), step, dark is not None
    )


def _kinds(step: int) -> list[tuple[slice, slice]]:
    return [(slice(y, None, step), slice(x, None, step)) for y in range(step) for x in range(step)]


def _inverse_flat(flat: Plane) -> Plane:
    sample = sample_pixels(flat)
    norm = float(np.median(sample)) if sample.size else float("nan")
    if not norm > 0.0:
        raise StepError(
            "stack light: flat",
            found=f"its photosites of one kind have a median of {norm:.4g}",
            expected="light in the flat, its offset taken out",
            advice="stack the flats with their bias, or check that the right file is given",
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        good = flat >= np.float32(DEAD_FLAT * norm)
        return np.where(good, np.float32(norm) / flat, np.float32(np.nan)).astype(np.float32)


def calibrate_mosaic(
    pixels: Plane,
    sensor: Sensor,
    *,
    saturation: float | None,
    line: bool = False,
    hot_sigma: float = HOT_SIGMA,
    rays_in: Sequence[tuple[slice, slice]] = (),
    electrons: float | None = None,
) -> Light:
    """Calibrate one frame.

    Parameters
    ----------
    pixels : (rows, columns) float32
        As counted.
    sensor : Sensor
    saturation : float or None
        Level of the raw counts at and above which a photosite is saturated.
    line : bool
        Only the photosites of one colour see the light: neighbours of other colours say nothing of a star.
    hot_sigma : float
    rays_in : sequence of (rows, columns) slices
        Photosites of one kind each, in which cosmic rays are looked for: frames that no stack will clip.
    electrons : float, optional
        In full scale, for the noise of bright places; see `rays.find_rays`.

    Notes
    -----
    Bad photosites get the median of the good ones of their kind around them. Without a dark, photosites that stand
    alone are found in the frame itself, but in a line's frame, where a sharp star may stand on one photosite; there the
    rejection of the stack has to do, and dither helps it.
    """
    out = np.empty(pixels.shape, dtype=np.float32)
    saturated = np.zeros(pixels.shape, dtype=np.bool_)
    scale = np.float32(1.0 / sensor.span)

    def fill_rows(block: slice) -> None:
        np.subtract(pixels[block], sensor.offset[block], out=out[block])
        if sensor.inverse is not None:
            out[block] *= sensor.inverse[block]
        out[block] *= scale
        if saturation is not None:
            np.greater_equal(pixels[block], np.float32(saturation), out=saturated[block])

    with np.errstate(invalid="ignore"):
        map_row_blocks(fill_rows, pixels.shape[0])
    bad = sensor.bad
    found = [_without_rays(out, saturated, bad, part, electrons) for part in rays_in]
    told = [events for events in found if events is not None]
    if not sensor.has_dark and not line and np.isfinite(hot_sigma):
        bad = bad | _alone(out, sensor.step, hot_sigma)
    filled = 0
    if bad.any():
        saturated &= ~bad
        for part in _kinds(sensor.step):
            new, repaired = repair(np.ascontiguousarray(out[part]), np.ascontiguousarray(bad[part]))
            out[part] = new
            filled += int(repaired.sum())
    return Light(out, saturated, filled, sum(told) if told else None)


def _without_rays(
    out: Plane, saturated: Mask, bad: Mask, part: tuple[slice, slice], electrons: float | None
) -> int | None:
    """Fill the rays among the good photosites of one kind, and return how many there were."""
    kind = out[part].copy()
    kind[bad[part]] = np.nan
    clean = remove_rays(kind, spared=saturated[part], electrons=electrons)
    out[part][clean.places] = clean.pixels[clean.places]
    return clean.events


def _alone(pixels: Plane, step: int, hot_sigma: float) -> Mask:
    """Find photosites that stand alone among their kind, and among all their neighbours."""
    found = np.zeros(pixels.shape, dtype=np.bool_)
    levels = np.empty((step, step), dtype=np.float32)
    for y, x in np.ndindex(step, step):
        part = np.ascontiguousarray(pixels[y::step, x::step])
        found[y::step, x::step] = find_isolated(part, hot_sigma=hot_sigma)
        levels[y, x] = known_median(sample_pixels(part))
    if step == 1:
        return found
    rows, columns = np.nonzero(found)
    height = pixels[rows, columns] - levels[rows % step, columns % step]
    beside = np.zeros(rows.size, dtype=np.float64)
    for dy, dx in ((-1, 0), (1, 0), (0, -1), (0, 1)):
        j = np.abs(rows + dy)
        j = np.where(j >= pixels.shape[0], rows - 1, j)
        i = np.abs(columns + dx)
        i = np.where(i >= pixels.shape[1], columns - 1, i)
        beside += np.nan_to_num(pixels[j, i] - levels[j % step, i % step]) / 4.0
    star = beside * np.sign(height) > _NEIGHBOUR_SHARE * np.abs(height)
    found[rows[star], columns[star]] = False
    return found


def spread_mask(mask: Mask, *, reach: int) -> Mask:
    """Return where a mask is set within ``reach`` photosites, in a square: what an interpolation may have touched.

    Examples
    --------
    >>> spread_mask(np.eye(1, 5, 2, dtype=bool), reach=1).tolist()
    [[False, True, True, True, False]]
    """
    if not mask.any():
        return mask.copy()
    out: Any = mask.copy()
    for axis in (0, 1):
        grown = out.copy()
        for step in range(1, reach + 1):
            ahead: list[slice] = [slice(None), slice(None)]
            behind: list[slice] = [slice(None), slice(None)]
            ahead[axis], behind[axis] = slice(step, None), slice(None, -step)
            grown[tuple(ahead)] |= out[tuple(behind)]
            grown[tuple(behind)] |= out[tuple(ahead)]
        out = grown
    return np.asarray(out)


def refine_centres(stars: Stars, plane: Plane) -> Stars:
    """Return stars with fitted centres where they are too sharp for a centroid; see `fit_centres`.

    Stars wider than 2.5 px, saturated ones, and all but the brightest 1500 are left as they are: a centroid serves
    the first, a fit the second no better, and the faint ones are lost in their noise.

    Parameters
    ----------
    stars : Stars
        Of ``plane``.
    plane : (rows, columns)
    """
    width = typical_fwhm(stars)
    chosen = np.flatnonzero(~stars.saturated)[:MOST_FITTED]
    if not width < SHARP_PX or not chosen.size:
        return stars
    xy = stars.xy.copy()
    xy[chosen] = fit_centres(plane, xy[chosen], fwhm_px=width)
    return replace(stars, xy=xy)


def fit_centres(plane: Plane, xy: NDArray[np.floating], *, fwhm_px: float) -> NDArray[np.float64]:
    """Return the centres of stars by a fit of a Gaussian, for stars too sharp for a centroid.

    I = sky + A exp(-((x - x0)^2 + (y - y0)^2) / 2 s^2), least squares over a circle about the first guess

    Parameters
    ----------
    plane : (rows, columns)
        Photosites of one colour, say: samples of a sharp star, with gaps between them.
    xy : (n, 2)
        First guesses, good to half a pixel.
    fwhm_px : float
        First guess of the width.

    Returns
    -------
    (n, 2) float64
        The guess itself where the fit leaves it by more than half a pixel, or touches the edge or a NaN.

    Notes
    -----
    A centroid of samples is drawn towards the nearest one: at 1.7 px full width by up to 0.025 px, and the same for
    every star of that phase, so that numbers do not help. The fit is not. Saturated stars are worse off with it.
    """
    guess = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    reach = max(_LEAST_REACH, round(_FIT_FWHM * fwhm_px))
    at = np.rint(guess).astype(np.intp)
    rows, columns = plane.shape
    inside = (at >= reach).all(axis=1) & (at[:, 0] < columns - reach) & (at[:, 1] < rows - reach)
    span = np.arange(-reach, reach + 1)
    y, x = (grid.ravel().astype(np.float64) for grid in np.meshgrid(span, span, indexing="ij"))
    safe = np.where(inside[:, None], at, reach)
    data = plane[safe[:, 1:] + y.astype(np.intp), safe[:, :1] + x.astype(np.intp)].astype(np.float64)
    usable = inside & np.isfinite(data).all(axis=1)
    # 0.3: with the pixels that the circle cuts in half
    circle = np.hypot(x, y) <= reach + 0.3
    found = guess.copy()
    if usable.any():
        offsets = (guess - at)[usable]
        moved = _fit_gaussians(
            data[usable][:, circle], offsets, x[circle], y[circle], fwhm_px / FWHM_PER_SIGMA
        )
        good = (np.hypot(*(moved - offsets).T) < 0.5) & np.isfinite(moved).all(axis=1)
        chosen = np.flatnonzero(usable)[good]
        found[chosen] = at[chosen] + moved[good]
    return found


def _fit_gaussians(
    data: NDArray[np.float64],
    centres: NDArray[np.float64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    sigma: float,
) -> NDArray[np.float64]:
    """Fit sky, height, centre and width to every row of ``data`` by damped Gauss-Newton steps."""
    least, most = data.min(axis=1), data.max(axis=1)
    terms = np.column_stack([least, most - least, centres, np.full(len(data), sigma)])
    for _ in range(_TURNS):
        dx, dy = x - terms[:, 2:3], y - terms[:, 3:4]
        s = terms[:, 4:5]
        shape = np.exp(-0.5 * (dx * dx + dy * dy) / s**2)
        light = terms[:, 1:2] * shape
        slopes = np.stack(
            [
                np.ones_like(shape),
                shape,
                light * dx / s**2,
                light * dy / s**2,
                light * (dx * dx + dy * dy) / s**3,
            ],
            axis=2,
        )
        rest = data - terms[:, :1] - light
        normal = np.einsum("npi,npj->nij", slopes, slopes)
        right = np.einsum("npi,np->ni", slopes, rest)
        normal += 1e-9 * np.einsum("nii->n", normal)[:, None, None] * np.eye(5)
        step = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        step[:, 2:4] = np.clip(step[:, 2:4], -_MOST_STEP_PX, _MOST_STEP_PX)
        step[:, 4] = np.clip(step[:, 4], -_MOST_WIDENING * sigma, _MOST_WIDENING * sigma)
        terms += step
        terms[:, 4] = np.clip(terms[:, 4], _NARROWEST * sigma, _WIDEST * sigma)
    return terms[:, 2:4]
