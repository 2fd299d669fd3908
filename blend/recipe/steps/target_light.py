"""What the tone is set by: the target's light, measured once on balanced masters, whatever is blended later."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Flag
from blend.base.rowblocks import copy_planes
from blend.recipe.state import COLOUR, Plane, Work
from blend.recipe.steps.line_light import pixel_noise
from blend.recipe.steps.protect_stars import USUAL_FWHM_PX, star_width
from blend.science.line import near_stars
from blend.science.picture import measure_target, shared_noise

EDGE_FWHM = 4.0
"""A star this near to the edge, in star widths, may be cut, and then no list of stars has it."""


def with_target_light(work: Work) -> Work:
    """Return balanced work that knows how bright its target is; unchanged where no object or no linear light is."""
    rgb = work.rgb
    if rgb.domain != "linear" or work.objects is None or work.star_mask is None:
        return work
    stars, closed = target_masks(work)
    found = measure_target(
        _all_light(work),
        objects=work.objects,
        stars=stars,
        closed=closed,
        noise=shared_noise(rgb.pixels, [pixel_noise(rgb, plane) for plane in rgb.planes]),
    )
    if found is None:
        return work
    told = {key: getattr(found, key) for key in ("light", "signal_to_noise", "pixels", "stars", "box")}
    return work.with_(target_light=found).tell("target_light", None, told)


def target_masks(work: Work) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where stars are, and where nothing is to be looked at: clipped, without data, near an edge."""
    rgb = work.rgb
    assert work.star_mask is not None
    closed = np.asarray(rgb.flags & np.uint8(Flag.SATURATED | Flag.NO_DATA) != 0)
    width = USUAL_FWHM_PX if work.stars is None else star_width(work, work.stars)
    margin = int(np.ceil(EDGE_FWHM * width))
    if min(rgb.shape) > 4 * margin:
        for edge in (closed[:margin], closed[-margin:], closed[:, :margin], closed[:, -margin:]):
            edge[...] = True
    if work.stars is None:
        return work.star_mask > 0, closed
    # All of them, those too that shine in a line: such a one may be a star, and a knot says little of the whole target.
    return near_stars(work.stars, work.star_mask, fwhm_px=width), closed


def _all_light(work: Work) -> Plane:
    """Return the colour with every line in it once: a line that its plane's band does not hold is added."""
    absent = [
        line
        for name, line in work.lines.items()
        if line.emission is not None and not work.recipe.continuum_for(name).line_in_band
    ]
    if not absent:
        return work.rgb.pixels
    light = copy_planes(work.rgb.pixels)
    for line in absent:
        light[COLOUR.index(line.broad)] += line.emission
    return light
