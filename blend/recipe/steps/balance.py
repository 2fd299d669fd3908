"""Make the average star white, and say by how much each plane was multiplied."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks, map_together
from blend.recipe.work import COLOUR, Line, Plane, Work, frozen
from blend.science.balance import LEAST_SIGNAL, Gains, given_gains, white_from_stars
from blend.science.colour import star_rgb
from blend.science.roughsky import shared_noise
from blend.science.stars import star_fluxes

APERTURE_FWHM, USUAL_FWHM_PX = 1.5, 2.7
"""Radius of a star's circle, and the width taken where no star tells one."""

ENOUGH_STARS = 12
"""So many tell white without the fainter ones."""


def balance(work: Work) -> Work:
    """Return the work with the colour planes multiplied by their gains, and the lines by their broad plane's gain."""
    gains = _gains(work)
    values = np.asarray(gains.values, dtype=np.float32)
    rgb = work.rgb
    if (values != 1).any():
        noise = {
            plane: {size: sigma * float(gain) for size, sigma in rgb.facts.noise.get(plane, {}).items()}
            for plane, gain in zip(COLOUR, values, strict=True)
        }
        rgb = rgb.with_(pixels=_times(rgb.pixels, values)).with_facts(noise=frozen(noise))
    by_plane = dict(zip(COLOUR, (float(v) for v in values), strict=True))
    lines = {name: line_times(line, by_plane[line.broad]) for name, line in work.lines.items()}
    masters = {"rgb": rgb} | {
        name: work.masters[name].with_(pixels=line.scaled[None]) for name, line in lines.items()
    }
    told = {
        "gains": by_plane,
        "errors": dict(zip(COLOUR, (float(v) for v in gains.errors), strict=True)),
        "stars": gains.stars,
        "how": gains.how,
    }
    work = work.with_(masters=frozen(masters), lines=frozen(lines), gains=tuple(by_plane.values()))
    for key, value in told.items():
        work = work.tell("balance", key, value)
    return work


def line_times(line: Line, gain: float) -> Line:
    """Return the line in counts that are ``gain`` times larger."""
    factor = np.array([gain], dtype=np.float32)

    def times(layer: Plane | None) -> Plane | None:
        return None if layer is None else _times(layer[None], factor)[0]

    return replace(
        line,
        scaled=_times(line.scaled[None], factor)[0],
        emission=times(line.emission),
        unfaded=times(line.unfaded),
        sigma=line.sigma * gain,
        scaled_sigma=line.scaled_sigma * gain,
    )


def _times(pixels: NDArray[np.float32], gains: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return planes times a gain each."""
    out = np.empty_like(pixels)

    def work(rows: slice) -> None:
        np.multiply(pixels[:, rows], gains[:, None, None], out=out[:, rows])

    map_row_blocks(work, pixels.shape[1])
    return out


def _gains(work: Work) -> Gains:
    white = work.recipe.balance.white
    if white == "none" or work.rgb.domain == "display":
        return replace(given_gains([1.0, 1.0, 1.0]), how="none")
    if isinstance(white, tuple):
        return given_gains(white)
    assert work.stars is not None
    flux, error, shared = star_light(work, work.stars.xy[~work.stars.saturated])
    b_v = work.recipe.balance.b_v
    colour = (1.0, 1.0, 1.0) if b_v is None else tuple(star_rgb(b_v))
    honest = error * np.asarray(shared)[:, None]
    # Where nebula is rough few stars may pass its scatter; then errors are those of the pixels.
    few = np.count_nonzero((flux > LEAST_SIGNAL * honest).all(axis=0)) < ENOUGH_STARS
    return white_from_stars(flux, error if few else honest, star_colour=colour)


def star_light(
    work: Work, xy: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], list[float]]:
    """Return star fluxes in the colour planes (3, n), errors by pixels, and how far shared noise exceeds those."""
    assert work.stars is not None
    fwhm = work.fwhm_px["rgb"] if work.fwhm_px["rgb"] > 0 else USUAL_FWHM_PX
    radius, invalid = APERTURE_FWHM * fwhm, work.invalid()
    measured = map_together(partial(star_fluxes, xy=xy, radius_px=radius, invalid=invalid), work.rgb.pixels)
    shared = partial(shared_noise, xy=work.stars.xy, fwhm_px=fwhm, radius_px=radius, invalid=invalid)
    flux, error = (np.array([pair[i] for pair in measured]) for i in (0, 1))
    return flux, error, map_together(shared, work.rgb.pixels)
