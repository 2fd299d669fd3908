"""Find where every light falls on the reference's grid, and bring all of them there in one resampling each."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.master import Facts, Flag, Master
from blend.base.rowblocks import map_row_blocks, map_together, row_blocks
from blend.recipe.state import COLOUR, Plane, Source, Work, frozen
from blend.recipe.steps.holes import coverage_box, crop_cost, flag_holes
from blend.science.grid import (
    Alignment,
    align,
    align_by_structure,
    noise_factor,
    resample,
    same_grid,
    seed_of,
)
from blend.science.sensor import refine_centres
from blend.science.stars import Stars, find_stars, fwhm_and_error, measure_at, typical_fwhm

Key = tuple[str, int]
"""A master's name and the number of one of its lights."""

FEWEST_STARS = 5
"""Shared stars below this number do not outvote a master's own list."""


def register(work: Work) -> Work:
    """Return the work with ``masters`` on one grid and the alignments told."""
    settings = work.recipe.register_
    lights = {
        (name, index): light
        for name, source in work.sources.items()
        for index, light in enumerate(source.lights)
    }
    home = (settings.reference, 0)
    first = _first_alike(lights, home)
    alone = [key for key, own in first.items() if key == own]
    found = dict(zip(alone, map_together(_stars_of, [lights[key] for key in alone]), strict=True))
    stars = {key: found[first[key]] for key in lights}
    alignments = _align_all(work, stars, home, first)
    reference = work.sources[settings.reference].lights[0]
    masters = {
        name: _onto_reference(name, source, alignments, reference) for name, source in work.sources.items()
    }
    widths = {name: _fwhm(name, work.sources[name].lights[0], stars, alignments) for name in masters}
    work = _tell(work, lights, alignments, stars, widths)
    work = work.with_(
        sources={},
        masters=masters,
        alignments=frozen(alignments),
        fwhm_px={name: width * alignments[name, 0].scale for name, (width, _) in widths.items()},
    )
    if settings.reference == "rgb" and len(alignments) == len(masters) and settings.canvas == "reference":
        # The colour master is one file and stays on its own grid: its stars are the field's, found once.
        work = work.with_(stars=stars[home])
    work = flag_holes(work)
    if settings.canvas == "common":
        box = coverage_box(work)
        work = work.warn(*crop_cost(work, box, 'register.canvas = "common"'))
        masters = {name: crop_master(master, box) for name, master in work.masters.items()}
        work = work.with_(masters=masters)
    return work


def crop_master(master: Master, box: tuple[int, int, int, int]) -> Master:
    """Return the part of a master inside ``box`` (x, y, width, height in pixels), its WCS moved along."""
    x, y, width, height = box
    return master.with_(
        pixels=master.pixels[:, y : y + height, x : x + width],
        flags=master.flags[y : y + height, x : x + width],
        facts=facts_from(master.facts, x, y),
    )


def facts_from(facts: Facts, x: int, y: int) -> Facts:
    """Return the facts of what begins at a pixel, the WCS moved along."""
    wcs = facts.wcs
    if wcs is not None:
        wcs = wcs.deepcopy()
        wcs.wcs.crpix = wcs.wcs.crpix - np.array([x, y])
    return replace(facts, wcs=wcs)


def _first_alike(lights: dict[Key, Master], home: Key) -> dict[Key, Key]:
    """Return for every light the first one with the same pixels: a file that serves three planes is registered once."""
    first: dict[Key, Key] = {}
    for key in sorted(lights, key=lambda key: key != home):
        light = lights[key].pixels
        alike = (own for own in set(first.values()) if _same(light, lights[own].pixels))
        first[key] = next(alike, key)
    return first


def _same(one: NDArray[np.float32], other: NDArray[np.float32]) -> bool:
    if one.shape != other.shape:
        return False
    middle = one.shape[1] // 2
    return np.array_equal(one[:, middle], other[:, middle], equal_nan=True) and np.array_equal(
        one, other, equal_nan=True
    )


def _stars_of(light: Master) -> Stars:
    level = min(light.facts.saturation.values(), default=None)
    plane = _mean_plane(light)
    return refine_centres(find_stars(plane, invalid=light.has(Flag.NO_DATA), saturation=level), plane)


def _mean_plane(light: Master) -> Plane:
    if len(light.planes) == 1:
        return light.plane(light.planes[0])
    total = np.empty(light.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        np.add(light.pixels[0, rows], light.pixels[1, rows], out=total[rows])
        for plane in light.pixels[2:]:
            total[rows] += plane[rows]
        total[rows] /= np.float32(len(light.planes))

    map_row_blocks(fill_rows, light.shape[0])
    return total


def _align_all(work: Work, stars: dict[Key, Stars], home: Key, first: dict[Key, Key]) -> dict[Key, Alignment]:
    shapes = {key: work.sources[key[0]].lights[key[1]].shape for key in stars}
    reference = work.sources[home[0]].lights[home[1]]
    found: dict[Key, Alignment] = {}
    for key in stars:
        where = f"register {_label(key, work)} to {_label(home, work)}"
        settings, light = work.recipe.register.for_master(key[0]), work.sources[key[0]].lights[key[1]]
        if first[key] != key and first[key] in found:
            found[key] = found[first[key]]
        elif first[key] == home or settings.transform == "none":
            found[key] = same_grid(shapes[key], shapes[home], where=where)
        elif settings.method == "structure":
            found[key] = align_by_structure(_with_gaps(light), _with_gaps(reference), where=where)
        else:
            found[key] = align(
                stars[key],
                stars[home],
                moving_shape=shapes[key],
                reference_shape=shapes[home],
                transform=settings.transform,
                seed=seed_of(light.facts.wcs, reference.facts.wcs, shapes[key], shapes[home]),
                where=where,
            )
    return found


def _with_gaps(light: Master) -> Plane:
    """Return the mean of a light's planes, NaN where it has no data."""
    return np.where(light.has(Flag.NO_DATA), np.float32(np.nan), _mean_plane(light))


def _label(key: Key, work: Work) -> str:
    name, index = key
    lights = work.sources[name].lights
    return f"{name}.{COLOUR[index]}" if len(lights) > 1 else name


def _onto_reference(
    name: str,
    source: Source,
    alignments: dict[Key, Alignment],
    reference: Master,
) -> Master:
    parts = [
        resample(
            light.pixels,
            light.flags,
            alignments[name, index].matrix,
            reference.shape,
            distortion=alignments[name, index].distortion,
        )
        for index, light in enumerate(source.lights)
    ]
    pixels = parts[0][0] if len(parts) == 1 else np.concatenate([part[0] for part in parts])
    flags = parts[0][1] if len(parts) == 1 else np.bitwise_or.reduce([part[1] for part in parts])
    if all(bool((flags[rows] & Flag.NO_DATA).all()) for rows in row_blocks(len(flags))):
        raise StepError(
            f"register {name}",
            found="no pixel of it falls on the reference's frame",
            advice="check that both masters show the same field",
        )
    first = source.lights[0].facts
    facts = replace(
        first,
        wcs=reference.facts.wcs,
        rows=reference.facts.rows,
        noise=_joined(source, "noise"),
        broad_noise=_joined(source, "broad_noise"),
        saturation=_joined(source, "saturation"),
    )
    planes = tuple(plane for light in source.lights for plane in light.planes)
    return Master(pixels=pixels, flags=flags, planes=planes, domain=source.lights[0].domain, facts=facts)


def _joined(source: Source, fact: str) -> dict[str, Any]:
    return {plane: value for light in source.lights for plane, value in getattr(light.facts, fact).items()}


def _fwhm(
    name: str,
    light: Master,
    stars: dict[Key, Stars],
    alignments: dict[Key, Alignment],
) -> tuple[float, float]:
    """Return a master's star width in its own pixels, with its error.

    A line master's is taken where the colour master has its stars: in a narrow band lumps of nebula may outnumber them.
    """
    own = fwhm_and_error(stars[name, 0])
    field = stars["rgb", 0]
    field = field.select(~field.saturated)
    if name == "rgb" or len(field) < FEWEST_STARS:
        return own
    shared = measure_at(
        _mean_plane(light),
        alignments[name, 0].backward(alignments["rgb", 0].forward(field.xy)),
        fwhm_px=typical_fwhm(field) * alignments["rgb", 0].scale / alignments[name, 0].scale,
        invalid=light.has(Flag.NO_DATA),
        saturation=min(light.facts.saturation.values(), default=None),
    )
    return fwhm_and_error(shared) if np.count_nonzero(~shared.saturated) >= FEWEST_STARS else own


def _tell(
    work: Work,
    lights: dict[Key, Master],
    alignments: dict[Key, Alignment],
    stars: dict[Key, Stars],
    widths: dict[str, tuple[float, float]],
) -> Work:
    home = (work.recipe.register_.reference, 0)
    for key, alignment in alignments.items():
        if key == home:
            continue
        label = _label(key, work)
        light, home_shape = lights[key], lights[home].shape
        work = work.tell(
            "register", label, _alignment_facts(alignment) | _noise_facts(light, alignment, home_shape)
        )
        for code, words in alignment.doubts:
            work = work.warn((code, f"{label}: {words}"))
        if alignment.overlap < 0.5:
            text = f"{label} overlaps only {alignment.overlap:.0%} of the reference's frame"
            work = work.warn(("small-overlap", text))
    for (name, index), found in stars.items():
        width, error = widths[name]
        facts = {"fwhm_px": width, "fwhm_error_px": error, "stars": len(found)} if index == 0 else {}
        work = work.add("masters", name, facts)
    return work


def _noise_facts(light: Master, alignment: Alignment, shape: tuple[int, int]) -> dict[str, Any]:
    """Return what resampling leaves of a pixel's noise, and the noise of a resampled pixel of each plane."""
    factor = noise_factor(alignment.matrix, alignment.distortion, light.shape, shape)
    noise = {plane: float(scales[1]) * factor for plane, scales in light.facts.noise.items() if 1 in scales}
    return {"noise_factor": factor, "noise_after": noise}


def _alignment_facts(alignment: Alignment) -> dict[str, Any]:
    error = alignment.error_px
    return {
        "matrix": [[float(value) for value in row] for row in alignment.matrix],
        "rms_px": alignment.rms_px,
        "matched": alignment.matched,
        "mirrored": alignment.mirrored,
        "transform": alignment.transform,
        "overlap": alignment.overlap,
        "by": alignment.by,
        "distortion": None if alignment.distortion is None else alignment.distortion.facts(),
        "error_px": None if error is None else {"centre": error[0], "worst": error[1]},
    }
