"""From linear light to a picture: solve the curve that puts the sky where the recipe wants it."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np

from blend.recipe.state import Work, frozen
from blend.recipe.steps.line_light import pixel_noise
from blend.recipe.steps.protect_stars import sharpest_width
from blend.science.picture import SolvedStretch, kept_noise, solve_stretch, stretch_planes


def stretch(work: Work) -> Work:
    """Return the work with ``display`` filled and the solved curve told."""
    assert work.linear is not None
    if work.rgb.domain == "display":
        return work.with_(display=work.linear)
    settings = work.recipe.stretch.for_master("rgb")
    solved = solve_stretch(
        settings.curve,
        sky=0.0,
        sigma=max(pixel_noise(work.rgb, plane) for plane in work.rgb.planes),
        shown_sigma=shown_noise(work),
        white=white_level(work) if isinstance(settings.white, str) else settings.white,
        sky_level=settings.sky_level,
        black_sigma=settings.black_sigma,
        target=aim(work),
    )
    # an amount that is to be chosen asks for the linear light once more
    chosen = any(blend.amount == "auto" for blend in work.recipe.blends("display").values())
    place = work.linear if work.alone and not chosen else None
    display = stretch_planes(work.linear, solved, colour=settings.colour, place=place)
    if work.behind is not None:
        planes = stretch_planes(work.behind.planes, solved, colour=settings.colour)
        work = work.with_(behind=replace(work.behind, planes=planes))
    work = with_stretch(work, "rgb", solved)
    if solved.lowered:
        text = (
            f"the sky stands at {solved.sky_level:.3f} instead of {solved.wanted_level:.3f}: "
            f"higher, its noise would show (more than 0.025)"
        )
        work = work.warn(("sky-level-lowered", text))
    return work.with_(display=display)


def aim(work: Work) -> tuple[float, float] | None:
    """Return the light of the target and the display value it is to have; None where white is not set by it."""
    settings = work.recipe.stretch.for_master("rgb")
    if settings.white != "target" or work.target_light is None:
        return None
    return work.target_light.light, settings.white_level


def shown_noise(work: Work) -> float | None:
    """Return the noise of one sky pixel of what the stretch acts on, as the finish leaves it."""
    kept = kept_noise(work.recipe.finish.noise_sigma, sharpest_width(work))
    settings = work.recipe.stretch.for_master("rgb")
    if aim(work) is not None and work.target_light is not None:
        return kept * work.target_light.noise
    return kept * mean_noise(work) if settings.colour == "preserve" else None


def white_level(work: Work) -> float:
    """Return the linear level that becomes white: where the first balanced plane saturates, so that cores are white."""
    facts = work.rgb.facts
    tops = [
        gain * (facts.saturation.get(plane, 1.0) - facts.sky.get(plane, 0.0))
        for plane, gain in zip(work.rgb.planes, work.gains, strict=True)
    ]
    return min(tops)


def black_level(work: Work) -> float:
    """Return the linear level that becomes black, as `solve_stretch` is asked for it: so far below a sky of 0."""
    settings = work.recipe.stretch.for_master("rgb")
    return -settings.black_sigma * max(pixel_noise(work.rgb, plane) for plane in work.rgb.planes)


def mean_noise(work: Work) -> float:
    """Return the noise of one sky pixel of the planes' mean, on which a colour-preserving stretch acts."""
    sigmas = [pixel_noise(work.rgb, plane) for plane in work.rgb.planes]
    return float(np.sqrt(np.square(sigmas).sum()) / len(sigmas))


def with_stretch(work: Work, name: str, solved: SolvedStretch) -> Work:
    """Return the work with the solved stretch of a master, which the record tells."""
    keys = ("curve", "parameter", "black", "white", "sky_level", "sky_slope", "sky_noise", "lowered")
    facts = {key: getattr(solved, key) for key in (*keys, "clipped_share")}
    if solved.tone:
        facts |= {"reach": solved.reach, "target": asdict(solved.tone)}
    return work.with_(stretches=frozen({**work.stretches, name: solved})).tell("stretch", name, facts)
