"""Scale each line master by its stars to its broad plane, and take the continuum out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Flag, Master
from blend.base.robust import difference_noise
from blend.base.rowblocks import map_row_blocks
from blend.recipe.check import light_name, width_ratio
from blend.recipe.model import Continuum
from blend.recipe.steps.doubts import doubt_line
from blend.recipe.steps.guard import knots_among, with_star_mask
from blend.recipe.work import Line, Plane, Work, frozen
from blend.science.amount import noise_blocks
from blend.science.continuum import Scale, given_scale, match_profiles, scale_from_stars
from blend.science.emission import fade_emission, keep_sharp, line_factor, line_light
from blend.science.profiles import fit_profiles, refine_broad
from blend.science.protect import star_mask
from blend.science.residual import measure_noise
from blend.science.stars import Stars, find_stars


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
            light
            for other, line in first.items()
            if other != name and line.broad == band.from_ and work.recipe.continuum_for(other).line_in_band
            if (light := line.emission) is not None
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
    settings = work.recipe.continuum_for(name)
    masks = _masks(work, name)
    matched = match_profiles(
        line.pixels[0],
        broad,
        fwhm_line=work.fwhm_px[name],
        fwhm_broad=work.fwhm_px["rgb"],
    )
    scale = _scale(work, name, settings, matched, masks)
    emission, sigma, unfaded = _emission(work, name, settings, scale, matched, masks)
    kept = Line(
        scaled=_divided(line.pixels[0], scale.value),
        emission=emission,
        sigma=sigma,
        scaled_sigma=_pixel_noise(line) / scale.value,
        broad=settings.from_,
        unfaded=unfaded,
    )
    told: dict[str, Any] = {
        "scale": scale.value,
        "error": scale.error,
        "stars": scale.stars,
        "how": scale.how,
    }
    if scale.rough:
        told["rough_sky"] = True
    told["light"] = light_name(work.target, name)
    work = work.tell("continuum", name, told).show(f"scale {name}", scale)
    return work.with_(lines=frozen({**work.lines, name: kept}))


@dataclass(frozen=True, eq=False)
class _Masks:
    """Where either master is saturated, and where, or where any has no data."""

    saturated: NDArray[np.bool_]
    unusable: NDArray[np.bool_]


def _masks(work: Work, name: str) -> _Masks:
    flags = [master.flags for master in work.masters.values()]
    two = (work.rgb.flags, work.masters[name].flags)
    masks = _Masks(*(np.empty(work.rgb.shape, dtype=bool) for _ in range(2)))

    def fill(rows: slice) -> None:
        masks.saturated[rows] = (two[0][rows] | two[1][rows]) & np.uint8(Flag.SATURATED)
        missing = np.bitwise_or.reduce([plane[rows] for plane in flags]) & np.uint8(Flag.NO_DATA)
        masks.unusable[rows] = masks.saturated[rows] | (missing != 0)

    map_row_blocks(fill, work.rgb.shape[0])
    return masks


def _divided(plane: Plane, by: float) -> Plane:
    out = np.empty(plane.shape, dtype=np.float32)
    map_row_blocks(lambda rows: np.divide(plane[rows], np.float32(by), out=out[rows]), plane.shape[0])
    return out


def _scale(work: Work, name: str, settings: Continuum, matched: tuple[Plane, Plane], masks: _Masks) -> Scale:
    xy = _clean_stars(work)
    if settings.scale != "stars":
        return given_scale(float(settings.scale), xy=xy)
    return scale_from_stars(
        *matched,
        xy,
        fwhm_px=_wider(work, name),
        invalid=masks.unusable,
        where=f"continuum.{name}",
        unmatched=work.masters[name].pixels[0],
    )


def _emission(
    work: Work,
    name: str,
    settings: Continuum,
    scale: Scale,
    matched: tuple[Plane, Plane],
    masks: _Masks,
) -> tuple[Plane, float, Plane]:
    """Return the line's light faded where it is not significant, in counts of the broad plane, the noise of a pixel of
    it, and its 4-px means before that.

    Profiles are matched for the subtraction and for the significance; what is kept is as sharp as the line's master.
    """
    line, broad = matched
    wide, unusable = _wider(work, name), masks.unusable
    broad = refine_broad(broad, fit_profiles(line, broad, scale=scale, fwhm_px=wide, invalid=unusable))
    ratio = width_ratio(work.target, name)
    factor = line_factor(
        scale.value,
        width_ratio=ratio,
        throughput_ratio=settings.throughput_ratio,
        line_in_band=settings.line_in_band,
    )
    light = line_light(
        line,
        broad,
        scale=scale.value,
        width_ratio=ratio,
        throughput_ratio=settings.throughput_ratio,
        line_in_band=settings.line_in_band,
    )
    noise = measure_noise(
        line,
        broad,
        scale=scale,
        factor=factor,
        fwhm_px=wide,
        invalid=unusable,
    )
    kept, sigma = light, noise.pixel
    own = work.masters[name]
    if not np.shares_memory(line, own.pixels):
        stars = _stars_without_line(work, line, broad, scale=scale.value, fwhm_px=wide)
        kept = keep_sharp(light, own.pixels[0], line, factor=factor, stars=stars)
        sigma = float(
            factor * np.hypot(_pixel_noise(own), scale.value * _pixel_noise(work.rgb, settings.from_))
        )
    faded = fade_emission(
        light, broad, noise, fade_sigma=settings.fade_sigma, saturated=masks.saturated, kept=kept
    )
    return faded, sigma, noise_blocks(kept)


def _stars_without_line(work: Work, line: Plane, broad: Plane, *, scale: float, fwhm_px: float) -> Plane:
    """Return the mask of the stars that are no knots of this line."""
    assert work.stars is not None
    knots = knots_among(work, work.stars, _divided(line, scale), broad, fwhm_px=fwhm_px)
    return star_mask(work.stars.select(~knots), work.rgb.shape, fwhm_px=fwhm_px)


def _clean_stars(work: Work) -> NDArray[np.float64]:
    assert work.stars is not None
    return work.stars.xy[~work.stars.saturated]


def _wider(work: Work, name: str) -> float:
    """Return the wider star width of the colour and the line master, or a usual one where neither is known."""
    widths = [width for width in (work.fwhm_px["rgb"], work.fwhm_px[name]) if width > 0]
    return max(widths, default=3.0)


def _pixel_noise(master: Master, plane: str = "") -> float:
    plane = plane or master.planes[0]
    sigma = master.facts.noise.get(plane, {}).get(1, float("nan"))
    return sigma if sigma > 0 else difference_noise(master.plane(plane))
