"""Make the average star white, and say by how much each plane was multiplied."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.lazyplanes import AnyPlane
from blend.base.master import Master
from blend.base.rowblocks import map_row_blocks, map_together
from blend.recipe.state import COLOUR, Line, Plane, Work, frozen
from blend.recipe.steps.doubts import doubt_white
from blend.recipe.steps.flatwords import APERTURE_FWHM
from blend.recipe.steps.holes import with_holes_filled
from blend.recipe.steps.target_light import with_target_light
from blend.science.picture import (
    LEAST_SIGNAL,
    Gains,
    given_gains,
    star_rgb,
    white_from_catalogue,
    white_from_stars,
)
from blend.science.stars import (
    Matches,
    empty_places,
    match_catalogue,
    shared_noise,
    sky_to_pixels,
    star_fluxes,
)

USUAL_FWHM_PX = 2.7
"""The width taken where no star tells one (chosen, not measured)."""

ENOUGH_STARS = 12
"""So many tell white without the fainter ones."""


def balance(work: Work) -> Work:
    """Return the work with the colour planes multiplied by their gains, and the lines by their broad plane's gain."""
    gains, found = _gains(work)
    work = _times_gains(doubt_white(work, gains), np.asarray(gains.values, dtype=np.float32))
    told: dict[str, object] = {
        "gains": dict(zip(COLOUR, work.gains, strict=True)),
        "errors": dict(zip(COLOUR, (float(v) for v in gains.errors), strict=True)),
        "stars": gains.stars,
        "how": gains.how,
    }
    if found is not None:
        told["catalogue"] = _catalogue_words(work, gains, found)
    return with_target_light(with_holes_filled(work.tell("balance", None, told)))


def _times_gains(work: Work, values: NDArray[np.float32]) -> Work:
    """Return the work whose colour planes and lines are multiplied, where it is alone in their place."""
    by_plane = dict(zip(COLOUR, (float(v) for v in values), strict=True))
    work = work.with_(gains=tuple(by_plane.values()))
    masters, lines = dict(work.masters), {}
    if (values != 1).any():
        masters["rgb"] = _balanced(work.rgb, values, alone=work.alone)
    for name, line in work.lines.items():
        place = work.masters[name].writable()[0] if work.alone else None
        lines[name] = line_times(line, by_plane[line.broad], place=place)
        masters[name] = work.masters[name].with_(pixels=lines[name].scaled[None])
    return work.with_(masters=frozen(masters), lines=frozen(lines))


def _balanced(rgb: Master, values: NDArray[np.float32], *, alone: bool) -> Master:
    noise = {
        plane: {size: sigma * float(gain) for size, sigma in rgb.facts.noise.get(plane, {}).items()}
        for plane, gain in zip(COLOUR, values, strict=True)
    }
    pixels = rgb.writable() if alone else np.empty_like(rgb.pixels)

    def fill_rows(rows: slice) -> None:
        np.multiply(rgb.pixels[:, rows], values[:, None, None], out=pixels[:, rows])

    map_row_blocks(fill_rows, pixels.shape[1])
    return rgb.with_(pixels=pixels).with_facts(noise=frozen(noise))


def line_times(line: Line, gain: float, *, place: Plane | None = None) -> Line:
    """Return a line in counts that are ``gain`` times larger.

    ``place`` is where its scaled light may be written; then its measured layers are multiplied where they are.
    """

    def times(layer: Plane | None, *, own: bool = False) -> Any:
        return None if layer is None else _times(layer, gain, layer if own else None)

    layers: Any = line.measured
    if layers is None:
        emission = times(line.emission)
    else:
        # The product is formed anew: light times weight, as the files hold them, is what blends use, to the bit.
        own = place is not None
        layers = replace(layers, light=times(layers.light, own=own), sigma=times(layers.sigma, own=own))
        emission = layers.passed() if own else np.asarray(layers.passed())
    return replace(
        line,
        scaled=_times(line.scaled, gain, place),
        emission=emission,
        measured=None if layers is None or layers.sigma is None else layers,
        unfaded=times(line.unfaded),
        sigma=line.sigma * gain,
        scaled_sigma=line.scaled_sigma * gain,
    )


def _times(plane: AnyPlane, gain: float, out: Plane | None = None) -> Plane:
    """Return a plane times a gain, in ``out`` where it is given, which may be the plane itself."""
    made: Plane = np.empty(plane.shape, dtype=np.float32) if out is None else out
    map_row_blocks(lambda rows: np.multiply(plane[rows], np.float32(gain), out=made[rows]), len(made))
    return made


def _catalogue_words(work: Work, gains: Gains, found: Matches) -> dict[str, object]:
    """Return what the record tells of a white by a catalogue."""
    assert work.catalogue is not None
    return {
        "white_b_v": work.recipe.balance.b_v,
        "stars_in_file": len(work.catalogue),
        "stars_in_frame": found.in_frame,
        "matched": len(found.star),
        "shift_px": found.shift_px,
        "rms_px": found.rms_px,
        "b_v_range": gains.b_v_range,
        "slopes": dict(zip(("red", "blue"), gains.slopes, strict=True)),
        "slope_errors": dict(zip(("red", "blue"), gains.slope_errors, strict=True)),
    }


def _gains(work: Work) -> tuple[Gains, Matches | None]:
    white = work.recipe.balance.white
    if white == "none" or work.rgb.domain == "display":
        return replace(given_gains([1.0, 1.0, 1.0]), how="none"), None
    if isinstance(white, tuple):
        return given_gains(white), None
    b_v = work.recipe.balance.b_v
    if b_v is not None and work.catalogue is not None:
        return _catalogue_gains(work, b_v, work.catalogue)
    return _star_gains(work, b_v), None


def _catalogue_gains(work: Work, b_v: float, catalogue: NDArray[np.float64]) -> tuple[Gains, Matches]:
    """Return the gains at which a star of colour ``b_v`` is white, and which stars told it."""
    assert work.stars is not None
    where, wcs = "masters.rgb.catalogue", work.rgb.facts.wcs
    if wcs is None:
        raise StepError(
            where,
            found=f"no world coordinates in the header of the reference, {work.recipe.register.reference}",
            expected="a plate-solved master: CTYPE, CRVAL, CRPIX and CD cards",
            advice='solve that master, name a solved one as register.reference, or set balance.white = "stars"',
        )
    expected = sky_to_pixels(catalogue[:, 0], catalogue[:, 1], wcs, work.rgb.shape)
    found = match_catalogue(expected, work.stars.xy, work.rgb.shape, where=where)
    whole = ~work.stars.saturated[found.star]
    found = replace(found, star=found.star[whole], entry=found.entry[whole])
    flux, error, shared = star_light(work, work.stars.xy[found.star])
    honest = error * np.asarray(shared)[:, None]
    return white_from_catalogue(flux, honest, catalogue[found.entry, 2], white=b_v, where=where), found


def _star_gains(work: Work, b_v: float | None) -> Gains:
    field = work.field_stars()
    flux, error, shared = star_light(work, field.xy[~field.saturated])
    colour = (1.0, 1.0, 1.0) if b_v is None else tuple(star_rgb(b_v))
    honest = error * np.asarray(shared)[:, None]
    # Where nebula is rough few stars may pass its scatter; then errors are those of the pixels.
    few = np.count_nonzero((flux > LEAST_SIGNAL * honest).all(axis=0)) < ENOUGH_STARS
    try:
        return white_from_stars(flux, error if few else honest, star_colour=colour)
    except StepError as fault:
        assert work.stars is not None
        if not (left := len(work.stars) - len(field)):
            raise
        found = f"{fault.found}; {left} more shine in a line as H II regions do, and tell no white"
        raise StepError(fault.where, found=found, expected=fault.expected, advice=fault.advice) from None


def star_light(
    work: Work, xy: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[float]]:
    """Return star fluxes in the colour planes (3, n), errors by pixels, and how far shared noise exceeds those."""
    assert work.stars is not None
    fwhm = work.fwhm_px["rgb"] if work.fwhm_px["rgb"] > 0 else USUAL_FWHM_PX
    radius, invalid = APERTURE_FWHM * fwhm, work.invalid()
    measured = map_together(partial(star_fluxes, xy=xy, radius_px=radius, invalid=invalid), work.rgb.pixels)
    places = empty_places(work.rgb.shape, work.stars.xy, fwhm_px=fwhm)
    shared = partial(shared_noise, places=places, radius_px=radius, invalid=invalid)
    flux, error = (np.array([pair[i] for pair in measured]) for i in (0, 1))
    return flux, error, map_together(shared, work.rgb.pixels)
