"""What tells a line's continuum scale: stars, the target's own disc where they are few, and whether it can be."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.rowblocks import map_together
from blend.recipe.check import width_ratio
from blend.recipe.mastertable import WIDTH_NM
from blend.recipe.state import COLOUR, Plane, Work
from blend.recipe.steps.line_light import Masks, Term, pixel_noise, wider_fwhm
from blend.science.line import (
    DISC_SIGMA,
    MEDIAN_NOISE,
    REDDER,
    DiscRatio,
    Scale,
    disc_ratio,
    gas_scale,
    given_scale,
    scale_from_stars,
    surroundings,
    term_of_stars,
    value_at,
)
from blend.science.sky import sky_uncertainty
from blend.science.stars import isolated, measure_at, seen_in_both, star_fluxes

NO_LINE_IN_BAND = 5.0
"""ln of how far above a star's ratio that of gas may lie where the broad plane does not hold the line: as far as odd
points are looked for."""

ENOUGH_BESIDE = 30
"""So many stars beside the target tell the scale without those on it: a third are bright enough in the line."""

NEBULA = 1.5
"""Line over broad light of what the stars stand on, by that of stars, from which it is gas: discs of galaxies have 1 to
1.2, a nebula whose light in the broad band is its lines' 5 and more."""

NEIGHBOUR_FWHM = 2.25
"""No brighter star, nor one of a tenth of the light, within the aperture of `scale_from_stars`."""

WIDER = 1.25
"""Width in the line by that in the broad band, of the narrower quarter of sources, from which one is no point in the
line: H II regions; stars differ by 0.03."""

FEW_STARS, UNSURE = 8, 0.10
"""Fewer stars, or a larger relative error, and the disc is asked too."""

DISAGREE_SIGMA = 3.0
"""Stars and disc that differ by more do not tell one scale."""

BESIDE = {"red": "green", "green": "blue", "blue": "green"}
"""The band that tells a plane's colour: the next one, in which library stars of one colour differ least at H-alpha."""

NEBULA_WORDS = (
    "too few stars stand out of the nebula to measure the continuum scale on; it goes by the nebula's own light and "
    "the widths of the filters, to a third. Give it as a number where it is known"
)

EXPECTED_ERROR = 0.7
"""Of ln of the scale that filters and exposures let expect: a factor of two."""

MOST_OFF = 3.0
"""Factor between the scale and what filters and exposures let expect: colours, throughputs and clouds make up to 2."""


@dataclass(frozen=True, eq=False)
class Field:
    """The line and its broad plane, their surroundings in cells, and stars (n, 2) that may tell the scale.

    ``nebula`` where the target shines in the line more than starlight could, and all stars are taken.
    """

    planes: tuple[Plane, Plane]
    around: tuple[Plane, Plane]
    xy: NDArray[np.float64]
    nebula: bool


def field_of(work: Work, name: str, broad: Plane, masks: Masks) -> Field:
    """Return the stars beside a disc of starlight, and whether the target is a nebula, where all stars are returned.

    On a disc stand H II regions too, but all its stars count where hardly any stand beside it. In a nebula the
    surroundings are brighter in the line than starlight would be, and stars on it are as good as those beside it.
    """
    fwhm_px = wider_fwhm(work, name)
    planes = (work.masters[name].pixels[0], broad)
    xy = _compact(work, planes, masks, fwhm_px=fwhm_px)
    line, disc = (surroundings(plane, fwhm_px=fwhm_px, without=masks.saturated) for plane in planes)
    line_around, under = value_at(line, xy), value_at(disc, xy)
    on_target = under > DISC_SIGMA * pixel_noise(work.rgb, work.recipe.continuum_for(name).from_)
    if not on_target.any():
        return Field(planes, (line, disc), xy, nebula=False)
    (line_flux, _), (flux, _) = (
        star_fluxes(p, xy, radius_px=fwhm_px, invalid=masks.unusable) for p in planes
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        starlight = float(np.nanmedian(np.where(flux > 0, line_flux / flux, np.nan)))
    nebula = float(np.median(line_around[on_target] / under[on_target])) > NEBULA * starlight
    few = len(xy) - np.count_nonzero(on_target) < ENOUGH_BESIDE
    kept = np.full(len(xy), True) if nebula or few else ~on_target
    return Field(planes, (line, disc), xy[kept], nebula)


def _compact(work: Work, planes: tuple[Plane, Plane], masks: Masks, *, fwhm_px: float) -> NDArray[np.float64]:
    """Return the stars without a bright neighbour that are as wide in the line as others are, by their width in both.

    Those that are too faint in the line to have a width there stay: their flux is judged by its error.
    """
    assert work.stars is not None
    stars = work.stars.select(~work.stars.saturated)
    xy = stars.xy[isolated(work.stars, reach_px=NEIGHBOUR_FWHM * fwhm_px)[~work.stars.saturated]]
    line, broad = seen_in_both(
        *map_together(lambda plane: measure_at(plane, xy, fwhm_px=fwhm_px, invalid=masks.unusable), planes),
        reach_px=0.5 * fwhm_px,
    )
    if len(line) < FEW_STARS:
        return xy
    ratio = line.fwhm_px / broad.fwhm_px
    leeway = 1.0 + 3.0 * line.flux_error / line.flux
    wide = broad.xy[ratio > WIDER * leeway * np.quantile(ratio, 0.25)]
    kept: NDArray[np.float64] = xy[_apart(xy, wide) > 0.5 * fwhm_px]
    return kept


def _apart(xy: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(others).query(xy)[0]) if len(others) else np.full(len(xy), np.inf)


def find_scale(
    work: Work,
    name: str,
    field: Field,
    matched: tuple[Plane, Plane],
    masks: Masks,
    *,
    fwhm_px: float,
    width_error: float,
) -> tuple[Work, Scale, dict[str, Any]]:
    """Return the scale of a line, the work with what there is to warn of it, and the parts it was put together from.

    ``width_error`` is the relative error of the ratio of both planes' star widths.

    Raises
    ------
    StepError
        Without enough stars or a disc, and where the two disagree by more than three sigma.
    """
    settings = work.recipe.continuum_for(name)
    if settings.scale != "stars":
        scale = given_scale(float(settings.scale), xy=field.xy)
        return doubt_expected(work, name, scale.value), scale, {}
    where = f"continuum.{name}"
    # Where the plane does not hold the line, gas may have any ratio.
    in_band = settings.line_in_band
    pure = float(np.log(settings.throughput_ratio / width_ratio(work.target, name))) if in_band else None
    expected = expected_scale(work, name)

    def by_stars(known: tuple[float, float] | None) -> Scale | StepError:
        try:
            return scale_from_stars(
                *matched,
                field.xy,
                fwhm_px=fwhm_px,
                invalid=masks.unusable,
                where=where,
                noise=work.broad_noise(name),
                under=(value_at(field.around[0], field.xy), value_at(field.around[1], field.xy)),
                pure=NO_LINE_IN_BAND if pure is None else pure,
                expected=known,
                width_error=width_error,
            )
        except StepError as few:
            return few

    found = by_stars(None if expected is None else (float(np.log(expected)), EXPECTED_ERROR))
    stars = None if isinstance(found, StepError) else found
    unsure = stars is None or stars.stars < FEW_STARS or stars.error > UNSURE * stars.value
    own = _nebula(work, name, field, masks, pure) if unsure and pure is not None else None
    own = own or _disc(work, name, field, stars, sure=not unsure)
    weighed: Scale | None = None
    if own is not None and (
        own.of == "nebula" or stars is None or stars.error > UNSURE * stars.value or not unsure
    ):
        # Points that do not know by themselves are stars or gas by what the target's own light tells.
        again = by_stars((float(np.log(own.value)), own.error / own.value))
        stars = None if isinstance(again, StepError) else again
        weighed = None if stars is None else replace(stars, how=f"stars and {own.of}")
    if stars is None and own is None:
        assert isinstance(found, StepError)
        raise found
    scale = weighed or together(stars, own, where)
    work = doubt_expected(work, name, scale.value)
    if scale.how == "nebula":
        work = work.warn(("scale-from-nebula", f"{name}: {NEBULA_WORDS}"))
    parts = {} if own is None else {f"from_{own.of}": _told(own)}
    if own is not None and stars is not None:
        parts["from_stars"] = _told(stars)
    return work, scale, parts


def colour_of_continuum(work: Work, name: str, scale: Scale, masks: Masks, *, fwhm_px: float) -> Term | None:
    """Return how a line's scale goes with colour, the other band of that colour, and errors of smooth light in both.

    None where there is no other band, where the scale is no star's, and where stars do not tell.
    """
    plane = work.recipe.continuum_for(name).from_
    beside = BESIDE[plane]
    if beside not in work.rgb.planes or not scale.how.startswith("stars"):
        return None
    term = term_of_stars(scale, work.rgb.plane(beside), fwhm_px=fwhm_px, invalid=masks.unusable)
    if term is None:
        return None
    own, other = (
        float(np.hypot(_sky_error(work, "rgb", band), MEDIAN_NOISE * pixel_noise(work.rgb, band)))
        for band in (plane, beside)
    )
    return term, beside, (own, other)


def _above(stars: Scale, disc: DiscRatio) -> bool:
    """Return whether points lie above what a disc tells: gas only adds to it, so that they are no stars."""
    errors = np.hypot(stars.error / stars.value, disc.error / disc.value)
    return bool(np.log(stars.value / disc.value) > max(DISAGREE_SIGMA * errors, np.log(NEBULA)))


def _told(part: Scale | DiscRatio) -> dict[str, Any]:
    count = {"stars": part.stars} if isinstance(part, Scale) else {"cells": part.cells}
    return {"scale": part.value, "error": part.error, **count}


def together(stars: Scale | None, disc: DiscRatio | None, where: str) -> Scale:
    """Return the scale of stars, of a disc, or of both: the mean of their logarithms, weighted by their errors.

    Raises
    ------
    StepError
        Stars and disc disagree.
    """
    if disc is None:
        assert stars is not None
        return stars
    if stars is None:
        return Scale(disc.value, disc.error, 0, disc.of)
    errors = np.array([stars.error / stars.value, disc.error / disc.value])
    apart = float(np.log(stars.value / disc.value) / np.hypot(*errors))
    if abs(apart) > DISAGREE_SIGMA:
        raise StepError(
            where,
            found=f"{stars.value:.4g} +- {stars.error:.2g} from {stars.stars} stars and {disc.value:.4g} +- "
            f"{disc.error:.2g} from the target's own disc, {abs(apart):.1f} sigma apart: the stars may be H II regions"
            + ("" if apart > 0 else ", or the disc may hold gas"),
            expected="two estimates of one scale",
            advice=f"give the ratio of line to broad starlight as a number, for example {where}.scale = "
            f"{min(stars.value, disc.value):.3g}",
        )
    weights = errors**-2.0
    value = float(np.exp((weights * np.log([stars.value, disc.value])).sum() / weights.sum()))
    error = value / float(np.sqrt(weights.sum()))
    return replace(stars, value=value, error=error, how="stars and disc")


def _disc(work: Work, name: str, field: Field, stars: Scale | None, *, sure: bool) -> DiscRatio | None:
    """Return what a target's own disc tells of the scale, or None where it has none that shines by starlight.

    Where stars are ``sure`` of their scale a disc is asked only whether they lie above it.
    """
    plane = work.recipe.continuum_for(name).from_
    found = disc_ratio(
        *field.around,
        noise=(pixel_noise(work.masters[name]), pixel_noise(work.rgb, plane)),
        sky_errors=(_sky_error(work, name, name), _sky_error(work, "rgb", plane)),
        width_nm=work.target.masters[name].width_nm or WIDTH_NM,
    )
    if found is None or (stars is not None and found.value > NEBULA * stars.value):
        return None
    expected = expected_scale(work, name)
    if expected is not None and found.value > MOST_OFF * expected:
        return None
    if sure and not (stars is not None and _above(stars, found)):
        return None
    return found if _is_starlight(work, name, plane, field) else None


def _nebula(work: Work, name: str, field: Field, masks: Masks, pure: float) -> DiscRatio | None:
    """Return what a nebula tells of the scale, or None where there is none, or no colour to know it by."""
    others = [other for other in COLOUR if other != work.recipe.continuum_for(name).from_]
    if len(work.rgb.planes) < len(COLOUR):
        return None
    fwhm_px = wider_fwhm(work, name)
    beside = [
        surroundings(work.rgb.plane(other), fwhm_px=fwhm_px, without=masks.saturated) for other in others
    ]
    colour = _star_colour(work, field, others)
    return gas_scale(*field.around, np.sum(beside, axis=0), star_colour=colour, pure=pure)


def _star_colour(work: Work, field: Field, others: list[str]) -> float:
    """Return the typical flux of stars in the broad plane by that in the others; NaN without stars."""
    planes = (field.planes[1], *(work.rgb.plane(other) for other in others))
    if not (len(field.xy) and work.fwhm_px["rgb"] > 0):
        return float("nan")
    flux, *beside = (star_fluxes(one, field.xy, radius_px=work.fwhm_px["rgb"])[0] for one in planes)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = flux / np.sum(beside, axis=0)
    return float(np.median(ratios[np.isfinite(ratios)])) if np.isfinite(ratios).any() else float("nan")


def _sky_error(work: Work, key: str, plane: str) -> float:
    """Return the standard error of the sky of a master's plane, as its fit weighs it."""
    fit = work.skies.get(key, {}).get(plane)
    return 0.0 if fit is None else sky_uncertainty(fit.even)


def _is_starlight(work: Work, name: str, plane: str, field: Field) -> bool:
    """Return whether the bright cells are no redder than stars: a line fills its band, not those beside it."""
    if len(work.rgb.planes) < len(COLOUR):
        return True
    others = [other for other in COLOUR if other != plane]
    fwhm_px, base = wider_fwhm(work, name), field.around[1]
    beside = [surroundings(work.rgb.plane(other), fwhm_px=fwhm_px) for other in others]
    bright = base > DISC_SIGMA * pixel_noise(work.rgb, plane)
    with np.errstate(invalid="ignore", divide="ignore"):
        own = float(np.median(base[bright])) / float(np.median(sum(cells[bright] for cells in beside)))
    typical = _star_colour(work, field, others)
    return not (np.isfinite(typical) and typical > 0) or 0 < own < REDDER * typical


def expected_scale(work: Work, name: str) -> float | None:
    """Return the scale that widths and exposures let expect; None where the masters are not in counts of one unit.

    r t (exposure ratio) (pixel area ratio) (ratio of gains), the gains stated or of one camera at one ISO setting.
    """
    line, rgb = work.masters[name].facts, work.rgb.facts
    full, full_rgb = line.full_scale or 1.0, rgb.full_scale or 1.0
    if min(full, full_rgb) < 2.0 or not line.exposure_s or not rgb.exposure_s:
        return None
    counts = full_rgb / full
    if line.gain_e and rgb.gain_e:
        counts *= rgb.gain_e / line.gain_e
    elif not line.iso or line.iso != rgb.iso or full != full_rgb:
        return None
    bands = width_ratio(work.target, name) * work.recipe.continuum_for(name).throughput_ratio
    area = (work.pixel_side(name) / work.pixel_side("rgb")) ** 2
    return bands * line.exposure_s / rgb.exposure_s * area * counts


def doubt_expected(work: Work, name: str, value: float) -> Work:
    expected = expected_scale(work, name)
    if expected is None or 1.0 / MOST_OFF <= value / expected <= MOST_OFF:
        return work
    text = f"{name}: its continuum scale is {value:.4g}, where the widths of the filters and the exposures let expect "
    text += f"about {expected:.3g}. The stars may be H II regions, or a width, an exposure or the gain may be another, "
    return work.warn(("scale-unexpected", text + "or the masters may be sums or normalised"))
