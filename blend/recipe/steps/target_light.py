"""What the tone is set by: the target's light, measured once on balanced masters, whatever is blended later."""

from __future__ import annotations

import numpy as np

from blend.base.master import Flag
from blend.base.rowblocks import copy_planes
from blend.recipe.state import COLOUR, Plane, Work
from blend.recipe.steps.stretch import plane_noise
from blend.science.picture import measure_target, shared_noise


def with_target_light(work: Work) -> Work:
    """Return balanced work that knows how bright its target is; unchanged where no object or no linear light is."""
    rgb = work.rgb
    if rgb.domain != "linear" or work.objects is None or work.star_mask is None:
        return work
    closed = np.asarray(rgb.flags & np.uint8(Flag.SATURATED | Flag.NO_DATA) != 0)
    found = measure_target(
        _all_light(work),
        objects=work.objects,
        stars=work.star_mask,
        closed=closed,
        noise=shared_noise(rgb.pixels, [plane_noise(work, plane) for plane in rgb.planes]),
    )
    if found is None:
        return work
    told = {
        "light": found.light,
        "signal_to_noise": found.signal_to_noise,
        "pixels": found.pixels,
        "stars": found.stars,
    }
    return work.with_(target_light=found).tell("target_light", None, told)


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
