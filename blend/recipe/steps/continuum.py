"""Scale each line master by its stars to its broad plane, and take the continuum out of it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.base.rowblocks import map_row_blocks
from blend.recipe.check import light_name
from blend.recipe.state import Line, Plane, Work, frozen
from blend.recipe.steps.doubts import doubt_line
from blend.recipe.steps.line_light import Masks, masks_of, part_line, pixel_noise, wider_fwhm
from blend.recipe.steps.protect_stars import with_star_mask
from blend.science.line import (
    DISC_SIGMA,
    Scale,
    given_scale,
    match_profiles,
    scale_from_stars,
    surroundings,
    value_at,
)
from blend.science.sky import sky_uncertainty
from blend.science.stars import Stars, find_stars, measure_at, seen_in_both, star_fluxes

ENOUGH_BESIDE = 30
"""So many stars beside the target tell the scale without those on it: a third are bright enough in the line."""

NEBULA = 1.5
"""Line over broad light of what the stars stand on, by that of stars, from which it is gas: discs of galaxies have 1 to
1.2, a nebula whose light in the broad band is its lines' 5 and more."""

FEWEST_WIDTHS = 8
"""So many stars seen in both planes tell their widths better than all stars of each do."""


def subtract_continuum(work: Work) -> Work:
    """Return the work with its ``lines`` in counts of the unbalanced broad plane, its stars and its star mask."""
    stars = _field_stars(work)
    work = work.with_(stars=stars)
    for name in work.line_names:
        work = _with_line(work, name, work.rgb.plane(work.recipe.continuum_for(name).from_))
    work = with_star_mask(_parted(work))
    for name in work.line_names:
        work = doubt_line(work, name)
    return work


def _parted(work: Work) -> Work:
    """Return the work with the lines that share a band told apart: each once more from a band without the others.

    The band holds R = C + sum L, and so a line of it would lose r / (t - r) of every other line's light. What is left
    of that after one round is its square, half a percent through 7 nm.
    """
    first = work.lines
    for name in work.line_names:
        band = work.recipe.continuum_for(name)
        others = [
            layers.light
            for other, line in first.items()
            if other != name and line.broad == band.from_ and work.recipe.continuum_for(other).line_in_band
            if (layers := line.measured) is not None
        ]
        if others and band.line_in_band:
            work = _with_line(work, name, _minus(work.rgb.plane(band.from_), others))
    return work


def _minus(plane: Plane, others: list[Plane]) -> Plane:
    """Return a band without the light of lines; where one has no data the band stays as it is."""
    out = np.empty(plane.shape, dtype=np.float32)

    def take_off(rows: slice) -> None:
        out[rows] = plane[rows]
        for light in others:
            out[rows] -= np.nan_to_num(light[rows])

    map_row_blocks(take_off, plane.shape[0])
    return out


def _field_stars(work: Work) -> Stars:
    """Return the stars on the reference's grid: those of the registration where it is the colour master's own."""
    if work.stars is not None:
        return work.stars
    rgb = work.rgb
    mean = np.empty(rgb.shape, dtype=np.float32)

    def average(rows: slice) -> None:
        rgb.pixels[:, rows].mean(axis=0, dtype=np.float32, out=mean[rows])

    map_row_blocks(average, mean.shape[0])
    levels = [level - rgb.facts.sky.get(plane, 0.0) for plane, level in rgb.facts.saturation.items()]
    return find_stars(mean, invalid=work.invalid(), saturation=min(levels, default=None))


def _with_line(work: Work, name: str, broad: Plane) -> Work:
    """Return the work with one line: its light beside that of ``broad``, the plane that holds its continuum."""
    line = work.masters[name]
    if line.domain == "display" or work.rgb.domain == "display":
        whole = line.pixels[0]
        sigma = difference_noise(whole)
        kept = Line(scaled=whole, emission=None, sigma=sigma, scaled_sigma=sigma, broad="red")
        return work.with_(lines=frozen({**work.lines, name: kept}))
    masks = masks_of(work, name)
    field, nebula = _beside_target(work, name, broad, masks)
    widths = _widths(work, name, broad, field, masks)
    matched = match_profiles(line.pixels[0], broad, fwhm_line=widths[0], fwhm_broad=widths[1])
    fwhm_px = max((width for width in widths if width > 0), default=wider_fwhm(work, name))
    scale = _scale(work, name, field, matched, masks, fwhm_px=fwhm_px)
    sky_error = 0.0 if nebula else _sky_error(work, name, scale.value)
    kept = part_line(work, name, scale, matched, masks, fwhm_px=fwhm_px, sky_error=sky_error)
    told: dict[str, Any] = {
        "scale": scale.value,
        "error": scale.error,
        "stars": scale.stars,
        "how": scale.how,
    }
    if scale.rough:
        told["rough_sky"] = True
    told["light"] = light_name(work.target, name)
    work = work.tell("continuum", name, told)
    return work.with_(lines=frozen({**work.lines, name: kept}))


def _sky_error(work: Work, name: str, scale: float) -> float:
    """Return the standard error of the sky of line - s broad, as the fits of both skies state it.

    Not for a nebula: where it leaves no sky free, what the fits state is as large as the nebula's own faint light.
    """
    plane = work.recipe.continuum_for(name).from_
    fits = (work.skies.get(key, {}).get(part) for key, part in ((name, name), ("rgb", plane)))
    own, base = (0.0 if fit is None else sky_uncertainty(fit) for fit in fits)
    return float(np.hypot(own, scale * base))


def _beside_target(work: Work, name: str, broad: Plane, masks: Masks) -> tuple[NDArray[np.float64], bool]:
    """Return the stars beside a disc of starlight, and whether the target is a nebula, where all stars are returned.

    On a disc stand knots of gas too, but all its stars count where hardly any stand beside it. In a nebula the
    surroundings are brighter in the line than starlight would be, and stars on it are as good as those beside it.
    """
    xy, fwhm_px = _clean_stars(work), wider_fwhm(work, name)
    planes = (work.masters[name].pixels[0], broad)
    line_around, around = (
        value_at(surroundings(plane, fwhm_px=fwhm_px, without=masks.saturated), xy) for plane in planes
    )
    on_target = around > DISC_SIGMA * pixel_noise(work.rgb, work.recipe.continuum_for(name).from_)
    if not on_target.any():
        return xy, False
    (line_flux, _), (flux, _) = (
        star_fluxes(p, xy, radius_px=fwhm_px, invalid=masks.unusable) for p in planes
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        starlight = float(np.nanmedian(np.where(flux > 0, line_flux / flux, np.nan)))
    nebula = float(np.median(line_around[on_target] / around[on_target])) > NEBULA * starlight
    few = len(xy) - np.count_nonzero(on_target) < ENOUGH_BESIDE
    return (xy if nebula or few else xy[~on_target]), nebula


def _widths(
    work: Work, name: str, broad: Plane, xy: NDArray[np.float64], masks: Masks
) -> tuple[float, float]:
    """Return the star width in the line and in the broad plane, of the same stars in both; or those of each master.

    All stars of a master would not do: in a line's, knots of gas are among them, which are wider.
    """
    guess, line = wider_fwhm(work, name), work.masters[name].pixels[0]
    measured = [measure_at(plane, xy, fwhm_px=guess, invalid=masks.unusable) for plane in (line, broad)]
    both = seen_in_both(*measured, reach_px=0.5 * guess)
    snr = both[0].flux / np.maximum(both[0].flux_error, 1e-300)
    if len(snr) < FEWEST_WIDTHS:
        return work.fwhm_px[name], work.fwhm_px["rgb"]
    bright = snr >= np.median(snr)
    line_px, broad_px = (float(np.median(stars.fwhm_px[bright])) for stars in both)
    return line_px, broad_px


def _scale(
    work: Work,
    name: str,
    xy: NDArray[np.float64],
    matched: tuple[Plane, Plane],
    masks: Masks,
    *,
    fwhm_px: float,
) -> Scale:
    settings = work.recipe.continuum_for(name)
    if settings.scale != "stars":
        return given_scale(float(settings.scale), xy=xy)
    return scale_from_stars(
        *matched,
        xy,
        fwhm_px=fwhm_px,
        invalid=masks.unusable,
        where=f"continuum.{name}",
        unmatched=work.masters[name].pixels[0],
    )


def _clean_stars(work: Work) -> NDArray[np.float64]:
    assert work.stars is not None
    return work.stars.xy[~work.stars.saturated]
