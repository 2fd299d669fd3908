"""Scale each line master by its stars to its broad plane, and take the continuum out of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from blend.base.robust import difference_noise
from blend.base.rowblocks import map_row_blocks, map_together
from blend.recipe.check import light_name
from blend.recipe.line_in_filter import filter_warnings, line_in_filter
from blend.recipe.state import Line, Plane, Work, frozen
from blend.recipe.steps.doubts import doubt_line
from blend.recipe.steps.line_light import Masks, masks_of, part_line, wider_fwhm
from blend.recipe.steps.line_scale import Field, colour_of_continuum, field_of, find_scale
from blend.recipe.steps.protect_stars import with_star_mask
from blend.science.line import CELL_PX, match_profiles, matching_blur
from blend.science.stars import Stars, find_stars, measure_at, profile_fluxes, profile_width, seen_in_both

SKIP = 8
"""Cells from one place to the next where the fits are asked for their error, which follows a surface of degree 2."""

NEBULA_WIDER = 1.25
"""Circle in which stars over a nebula are fitted, by the colour's: a line's stars may be wider, and a circle of the
colour's own size cuts off what tells a wide one (24 simulated nebulae: 4.5 % off with 1, 3.4 with 1.25)."""

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
    field = field_of(work, name, broad, masks)
    *widths, width_error = _widths(work, name, broad, field, masks)
    matched = [match_profiles(line.pixels[0], broad, fwhm_line=widths[0], fwhm_broad=widths[1])]
    blur_px = matching_blur(fwhm_line=widths[0], fwhm_broad=widths[1])
    fwhm_px = max((width for width in widths if width > 0), default=wider_fwhm(work, name))
    work, scale, parts = find_scale(
        work, name, field, matched[0], masks, fwhm_px=fwhm_px, width_error=width_error
    )
    sky_error = None if field.nebula else _sky_error(work, name, scale.value)
    term = None if field.nebula else colour_of_continuum(work, name, scale, masks, fwhm_px=fwhm_px)
    kept = part_line(
        work, name, scale, matched, masks, fwhm_px=fwhm_px, blur_px=blur_px, sky_error=sky_error, term=term
    )
    told: dict[str, Any] = {
        "scale": scale.value,
        "error": scale.error,
        "stars": scale.stars,
        "how": scale.how,
        **parts,
    }
    if scale.rough:
        told["rough_sky"] = True
    if term is not None:
        told["colour_term"] = {
            **{key: getattr(term[0], key) for key in ("slope", "error", "scatter", "stars")},
            "colour": f"{work.recipe.continuum_for(name).from_} over {term[1]}",
        }
    told["light"] = light_name(work.target, name)
    if passband := line_in_filter(work.target, name):
        told["passband"] = passband
    work = work.tell("continuum", name, told)
    work = work.warn(*filter_warnings(work.target, name))
    return work.with_(lines=frozen({**work.lines, name: kept}))


def _sky_error(work: Work, name: str, scale: float) -> Plane:
    """Return the standard error of the sky of line - s broad in cells of 8 x 8 pixels, as the fits of both weigh it.

    Not for a nebula: where it leaves no sky free, what the fits state is as large as the nebula's own faint light.
    """
    cells = [np.arange(-(-length // CELL_PX)) for length in work.rgb.shape]
    some = [np.append(along[:-1:SKIP], along[-1]) for along in cells]
    y, x = (along * CELL_PX for along in some)
    points = np.stack([np.tile(x, len(y)), np.repeat(y, len(x))], axis=1)
    total = np.zeros(len(points))
    for key, plane, share in ((name, name, 1.0), ("rgb", work.recipe.continuum_for(name).from_, scale)):
        fit = work.skies.get(key, {}).get(plane)
        if fit is not None:
            total += (share * fit.even.at(points)[1]) ** 2
    across = [np.interp(cells[1], some[1], row) for row in np.sqrt(total).reshape(len(y), len(x))]
    return np.array(
        [np.interp(cells[0], some[0], down) for down in np.transpose(across)], np.float32
    ).T.copy()


def _widths(work: Work, name: str, broad: Plane, field: Field, masks: Masks) -> tuple[float, float, float]:
    """Return the star width in the line and in the broad plane, of the same stars in both; or those of each master.

    All stars of a master would not do: in a line's, knots of gas are among them, which are wider. Last the relative
    error of their ratio, where a nebula lies under the stars; else 0. There fits over a bent sky have the word where
    moments, which count the nebula and are surer without, are further from them than that.
    """
    guess, line = wider_fwhm(work, name), work.masters[name].pixels[0]
    both = seen_in_both(
        *map_together(
            lambda plane: measure_at(plane, field.xy, fwhm_px=guess, invalid=masks.unusable), (line, broad)
        ),
        reach_px=0.5 * guess,
    )
    snr = both[0].flux / np.maximum(both[0].flux_error, 1e-300)
    widths = work.fwhm_px[name], work.fwhm_px["rgb"]
    if len(snr) >= FEWEST_WIDTHS:
        bright = snr >= np.median(snr)
        widths = float(np.median(both[0].fwhm_px[bright])), float(np.median(both[1].fwhm_px[bright]))
    if not (field.nebula and work.fwhm_px["rgb"] > 0):
        return *widths, 0.0
    expected = NEBULA_WIDER * work.fwhm_px["rgb"]
    flux = profile_fluxes(broad, field.xy, fwhm_px=expected, invalid=masks.unusable)
    weights = np.maximum(flux, 0.0) ** 2
    (line_px, line_error), (broad_px, broad_error) = (
        profile_width(plane, field.xy, weights, fwhm_px=expected, invalid=masks.unusable)
        for plane in (line, broad)
    )
    error = float(np.hypot(line_error, broad_error))
    if not error >= 0:
        return *widths, 0.0
    agree = abs(widths[0] / widths[1] / (line_px / broad_px) - 1.0) <= error
    return (*widths, error) if agree else (line_px, broad_px, error)
