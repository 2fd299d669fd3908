"""Last touches to the picture, none of them on unless the recipe asks."""

from __future__ import annotations

from math import isnan
from typing import Any

import numpy as np

from blend.base.rowblocks import map_row_blocks
from blend.recipe.state import Plane, Work
from blend.recipe.steps.blends import display_sky
from blend.recipe.steps.protect_stars import sharpest_width, star_width
from blend.science.line import star_radii
from blend.science.picture import Finished, LumaNoise, finish_picture, noise_of_luma, shrink_stars


def finish(work: Work) -> Work:
    """Return the work with the finishing touches of the recipe in ``display``."""
    assert work.display is not None
    settings, strength = work.recipe.finish, np.float32(work.recipe.protect.stars)
    noise = None
    if settings.noise_sigma > 0:
        noise = noise_of_luma(work.display, sigma=settings.noise_sigma, fwhm_px=sharpest_width(work))
    spared = work.star_mask if strength > 0 else None
    if spared is not None and strength < 1:
        spared = strength * spared
    display, finished = finish_picture(
        work.display,
        saturation=settings.saturation,
        noise=noise,
        chroma_reduction=settings.chroma_reduction,
        green_limit=settings.green_limit,
        contrast=settings.contrast,
        curve=settings.curve,
        sky=display_sky(work)[0] if settings.shapes else 0.0,
        spared=spared,
        compare=work.figures,
        out=work.display if work.alone else None,
    )
    display = _with_small_stars(work, display)
    residual = noise.plane() if noise is not None and "residual" in work.recipe.output.formats else None
    told = settings.model_dump()
    if noise is not None and work.figures:
        told["luma_noise"] = _noise_facts(noise)
    told |= _facts(finished) if finished else {}
    work = work.with_(display=display, residual=residual).tell("finish", None, told)
    return work.tell("clipped", None, clipped_shares(display))


def _with_small_stars(work: Work, display: Plane) -> Plane:
    """Return the picture with the stars of the mask smaller and fainter, as the recipe asks."""
    settings, stars, mask = work.recipe.finish, work.stars, work.star_mask
    if stars is None or mask is None or min(settings.star_size, settings.star_brightness) == 1:
        return display
    # What the mask has left out shines in a line, and is no star.
    column, row = np.clip(np.rint(stars.xy).astype(int), 0, np.array(mask.shape)[::-1] - 1).T
    shown = stars.select(mask[row, column] > 0.5)
    radii = star_radii(shown, fwhm_px=star_width(work, stars))
    return shrink_stars(
        display,
        xy=shown.xy,
        radii=radii,
        mask=mask,
        size=settings.star_size,
        brightness=settings.star_brightness,
    )


def _noise_facts(noise: LumaNoise) -> dict[str, Any]:
    """Return what the record says of luminance noise: by the size of its band in px, and the share that is left."""
    bands = {str(2**k): sigma for k, sigma in enumerate(noise.sigmas)}
    return {**bands, "left": None if isnan(noise.left) else noise.left}


def _facts(finished: Finished) -> dict[str, Any]:
    """Return what the record says of the finish: noise by block size in px, and colour, before and after."""
    return {
        "chroma_noise": {str(size): _pair(values) for size, values in finished.chroma_noise.items()},
        "mean_chroma": _pair(finished.mean_chroma),
        "sky_tint": _pair(finished.sky_tint),
        "colour_change": {"median": finished.colour_change, "95": finished.colour_change_95},
        "out_of_gamut": finished.out_of_gamut,
    }


def _pair(values: tuple[float, float]) -> dict[str, float | None]:
    """Return a figure before and after; None where the picture is too small to measure it."""
    before, after = (None if isnan(value) else value for value in values)
    return {"before": before, "after": after}


def clipped_shares(display: Plane) -> dict[str, float]:
    """Return the share of pixels with a plane at 0 and with a plane at 1."""

    def measure_rows(block: slice) -> tuple[int, int]:
        red, green, blue = display[:, block]
        low, high = (red <= 0) | (green <= 0) | (blue <= 0), (red >= 1) | (green >= 1) | (blue >= 1)
        return int(np.count_nonzero(low)), int(np.count_nonzero(high))

    counts = map_row_blocks(measure_rows, display.shape[1])
    pixels = display[0].size
    return {
        "black": sum(low for low, _ in counts) / pixels,
        "white": sum(high for _, high in counts) / pixels,
    }
