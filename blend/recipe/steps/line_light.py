"""One line's light: parted from its continuum, with its error, its weight, and which stars shine in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import LazyPlane, derived_plane
from blend.base.master import Flag, Master
from blend.base.robust import difference_noise
from blend.base.rowblocks import map_row_blocks, map_together
from blend.recipe.check import width_ratio
from blend.recipe.state import EmissionLayers, Line, Plane, Work
from blend.science.line import (
    APERTURE_FWHM,
    MOST_STARS,
    NOISE_PX,
    ColourTerm,
    EmissionNoise,
    Scale,
    cover_halos,
    cover_saturated,
    emission_sigma,
    find_halos,
    fit_profiles,
    held_back,
    keep_sharp,
    line_factor,
    line_light,
    line_sources,
    measure_noise,
    noise_blocks,
    on_disc,
    refine_broad,
    star_glow,
    star_mask,
    surroundings,
    take_tint,
    tint_of,
    unsure_light,
    weigh_emission,
)
from blend.science.stars import Stars, star_fluxes

MOST_COVERED = 0.9
"""Of a frame: less that is free of stars and line light does not tell the noise."""


@dataclass(frozen=True, eq=False)
class Masks:
    """Where either master is saturated, and where, or where any has no data."""

    saturated: NDArray[np.bool_]
    unusable: NDArray[np.bool_]


def masks_of(work: Work, name: str) -> Masks:
    """Return the masks of the colour master and a line's."""
    flags = [master.flags for master in work.masters.values()]
    two = (work.rgb.flags, work.masters[name].flags)
    masks = Masks(*(np.empty(work.rgb.shape, dtype=bool) for _ in range(2)))

    def fill(rows: slice) -> None:
        masks.saturated[rows] = (two[0][rows] | two[1][rows]) & np.uint8(Flag.SATURATED)
        missing = np.bitwise_or.reduce([plane[rows] for plane in flags]) & np.uint8(Flag.NO_DATA)
        masks.unusable[rows] = masks.saturated[rows] | (missing != 0)

    map_row_blocks(fill, work.rgb.shape[0])
    return masks


def wider_fwhm(work: Work, name: str) -> float:
    """Return the wider star width of the colour and the line master, or a usual one where neither is known."""
    widths = [width for width in (work.fwhm_px["rgb"], work.fwhm_px[name]) if width > 0]
    return max(widths, default=3.0)


Term = tuple[ColourTerm, str, tuple[float, float]]
"""How the scale goes with the colour, the other band of that colour, and the errors of both bands' skies."""


@dataclass(frozen=True, eq=False)
class _Parted:
    """A line's light and its broad plane with equal star profiles, what is known of them, and light around (cells).

    ``unsure`` is the error of smooth light, in cells; ``brightest`` places and light of the brightest stars.
    """

    light: Plane
    broad: Plane
    factor: float
    noise: EmissionNoise
    unsure: Plane
    around: tuple[Plane, Plane]
    knots: NDArray[np.bool_]
    brightest: tuple[NDArray[np.float64], NDArray[np.float64]]


def part_line(
    work: Work,
    name: str,
    scale: Scale,
    held: list[tuple[Plane, Plane]],
    masks: Masks,
    *,
    fwhm_px: float,
    blur_px: float,
    sky_error: Plane | None,
    term: Term | None = None,
) -> Line:
    """Return a line whose continuum is scaled: its light in counts of the broad plane, and what of it is sure.

    Profiles are matched for the subtraction and for the significance; what is kept is as sharp as the line's master.

    Parameters
    ----------
    held : list of two planes
        The line and its broad plane with equal star profiles, taken out of it: both are let go as soon as can be.
    fwhm_px, blur_px : float
        Width of the stars in both, and `matching_blur`.
    sky_error : (rows / 8, columns / 8), or None
        Standard error of the sky of line - s broad; what the data show alone where it is None.
    """
    settings, own = work.recipe.continuum_for(name), work.masters[name]
    parted = _parted(work, name, scale, held, masks, fwhm_px=fwhm_px, sky_error=sky_error, term=term)
    light, noise, factor = parted.light, parted.noise, parted.factor
    assert work.stars is not None
    field = work.stars.select(~parted.knots)

    def covered() -> Plane:
        # Made anew where it is asked for: to hold it while light is weighed costs more.
        stars = star_mask(field, work.rgb.shape, fwhm_px=fwhm_px)
        return cover_saturated(stars, masks.saturated, fwhm_px=fwhm_px)

    on_star = noise_blocks(covered()) > 0.0
    whole = noise_blocks(light)
    halos = find_halos(np.where(on_star, np.float32(np.nan), whole), *parted.brightest)
    weight, strongest = weigh_emission(
        light,
        parted.broad,
        noise,
        fade_sigma=settings.weight_sigma,
        around=parted.around,
        unsure=parted.unsure,
        stars=lambda: cover_halos(covered(), halos, fwhm_px=fwhm_px),
        without=masks.saturated,
    )
    sigma = noise.pixel
    if blur_px > 0:
        light = keep_sharp(light, own.pixels[0], blur_px=blur_px, factor=factor, stars=covered())
        whole = noise_blocks(light)
        sigma = float(
            factor * np.hypot(pixel_noise(own), scale.value * pixel_noise(work.rgb, settings.from_))
        )
    layers = EmissionLayers(light=light, weight=weight, sigma=None)
    passed = work.held(layers.passed())
    through = noise_blocks(passed)

    def stated() -> Plane | None:
        if not work.figures or "fits" not in work.recipe.output.formats:
            return None
        pixel = _summed_noise(whole, on_star | (through != 0.0)) or noise.pixel
        errors = emission_sigma(parted.broad, noise, pixel=pixel, unsure=parted.unsure)
        errors[masks.saturated] = np.nan
        return errors

    last: tuple[Callable[[], Any], ...] = (
        stated,
        lambda: held_back(whole, through, covered=on_star, sky=noise.sky),
        lambda: _lit(weight),
    )
    errors, held_share, lit = map_together(lambda measure: measure(), last)
    return Line(
        scaled=work.held(_divided(own.pixels[0], np.float32(scale.value))),
        emission=passed,
        sigma=sigma,
        scaled_sigma=pixel_noise(own) / scale.value,
        broad=settings.from_,
        unfaded=whole,
        measured=replace(layers, sigma=errors),
        knots=parted.knots,
        strongest=strongest,
        share=lit,
        held=held_share,
        halos=tuple(halos),
        scale=scale,
    )


def _parted(
    work: Work,
    name: str,
    scale: Scale,
    held: list[tuple[Plane, Plane]],
    masks: Masks,
    *,
    fwhm_px: float,
    sky_error: Plane | None,
    term: Term | None,
) -> _Parted:
    """Take the continuum out of a line, and measure what that leaves open."""
    settings = work.recipe.continuum_for(name)
    line, broad = matched = held.pop()
    broad = refine_broad(
        broad, fit_profiles(line, broad, scale=scale, fwhm_px=fwhm_px, invalid=masks.unusable)
    )
    filters: dict[str, Any] = {
        "width_ratio": width_ratio(work.target, name),
        "throughput_ratio": settings.throughput_ratio,
        "line_in_band": settings.line_in_band,
    }
    factor = line_factor(scale.value, **filters)
    starlight = factor * scale.value
    light = line_light(line, broad, scale=scale.value, **filters)
    glow, disc = (surroundings(plane, fwhm_px=fwhm_px, without=masks.saturated) for plane in (light, broad))
    unsure_tint = None
    if term is not None:
        beside = surroundings(work.rgb.plane(term[1]), fwhm_px=fwhm_px, without=masks.saturated)
        tint, unsure_tint = tint_of(term[0], disc, beside, glow, wrong=term[2])
        take_tint(light, broad, tint, disc, share=starlight)
        glow = glow - np.float32(starlight) * tint * disc

    def near(xy: NDArray[np.float64]) -> NDArray[np.bool_]:
        return on_disc(xy, glow, disc, sigma=pixel_noise(work.rgb, settings.from_))

    assert work.stars is not None
    on_target = near(work.stars.xy)
    stars, field = work.stars, ~near(scale.xy)
    measures: tuple[Callable[[], Any], ...] = (
        lambda: measure_noise(
            line,
            broad,
            scale=scale,
            factor=factor,
            fwhm_px=fwhm_px,
            invalid=masks.unusable,
            may_be_odd=field,
        ),
        lambda: _knots(stars, matched, scale.value, on_target, fwhm_px=fwhm_px, invalid=work.invalid()),
        lambda: _brightest(stars, factor, line, radius_px=APERTURE_FWHM * fwhm_px),
    )
    noise, knots, brightest = map_together(lambda measure: measure(), measures)
    scattered = _glow(broad, disc, masks, least=noise.faint / starlight)
    if unsure_tint is not None:
        scattered = np.hypot(scattered, unsure_tint * disc)
    sky = 0.0 if sky_error is None else np.float32(factor) * sky_error
    unsure = unsure_light(noise, sky, np.float32(starlight) * scattered)
    return _Parted(light, broad, factor, noise, unsure, (glow, disc), knots, brightest)


def _brightest(
    stars: Stars, factor: float, line: Plane, *, radius_px: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the places of the brightest stars and their light in the line's filter, in counts of the emission."""
    xy = stars.xy[np.argsort(-stars.flux, kind="stable")[:MOST_STARS]]
    flux, _ = star_fluxes(line, xy, radius_px=radius_px)
    return xy, factor * np.nan_to_num(flux)


def _glow(broad: Plane, disc: Plane, masks: Masks, *, least: float) -> Plane:
    """Return the glow of saturated stars in the broad plane, in cells; they saturate where the plane's brightest do."""
    top = np.concatenate(map_row_blocks(lambda rows: broad[rows][masks.saturated[rows]], len(broad)))
    top = top[np.isfinite(top)]
    level = float(np.median(top)) if top.size else 0.0
    return star_glow(disc, masks.saturated, level=level, least=least)


def _knots(
    stars: Stars,
    matched: tuple[Plane, Plane],
    scale: float,
    near: NDArray[np.bool_],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Return which stars are compact knots of the line; ``near`` tells which lie on a disc of starlight."""
    (line, line_error), (base, base_error) = (
        star_fluxes(plane, stars.xy, radius_px=fwhm_px, invalid=invalid) for plane in matched
    )
    found = line_sources(
        line / scale, base, line_error=line_error / scale, broad_error=base_error, on_disc=near
    )
    return np.asarray(found & ~stars.saturated)


def _lit(weight: Plane) -> float:
    """Return the share of the frame where light passes."""
    lit = map_row_blocks(lambda rows: int(np.count_nonzero(weight[rows])), weight.shape[0])
    return sum(lit) / weight.size


def pixel_noise(master: Master, plane: str = "") -> float:
    """Return the noise of a sky pixel of a master's plane, the first where none is named, as before resampling."""
    plane = plane or master.planes[0]
    sigma = master.facts.noise.get(plane, {}).get(1, float("nan"))
    return sigma if sigma > 0 else difference_noise(master.plane(plane))


def _summed_noise(blocks: Plane, without: NDArray[np.bool_]) -> float:
    """Return the noise of a pixel of the emission as sums over some pixels show it, off stars and line light.

    Of means over 4 x 4 pixels, two means apart: what interpolation spread over neighbours counts in full, and faint
    stars, which lift what each master tells by itself, are taken off. Means that touch share some of resampled noise.
    Where hardly anything is free all means count; 0 where there are none.
    """
    free = np.where(without & (without.mean() < MOST_COVERED), np.float32(np.nan), blocks)
    noise = difference_noise(free, lag=2)
    return NOISE_PX * noise if noise > 0 else 0.0


def _divided(plane: Plane, by: np.float32) -> LazyPlane:
    return derived_plane(plane.shape, lambda part: plane[part] / by)
