"""Masters as the steps need them: in fractions of full scale, borders masked, and known where they clip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import nullcontext

import numpy as np

from blend.base.errors import InputError
from blend.base.lazyplanes import LazyPlanes
from blend.base.master import Flag, Master, flags_of, scaled
from blend.base.rowblocks import map_row_blocks
from blend.recipe.mastertable import MasterFiles
from blend.recipe.state import COLOUR
from blend.science.sensor import Verdict, judge, refuse_faults

FLOAT_IN_FRACTIONS = 1.5
"""Floating-point data whose brightest pixel is below this are taken as fractions of full scale already."""


def brightest(light: Master) -> float:
    """Return the brightest pixel of a master; 0 where none is a number."""

    def measure_rows(block: slice) -> float:
        return float(np.fmax.reduce(light.pixels[:, block], axis=None))

    top = float(np.fmax.reduce(map_row_blocks(measure_rows, light.shape[0])))
    return 0.0 if np.isnan(top) else top


def plane_of(name: str, files: MasterFiles, picture: Master) -> Master:
    """Return a line master's one plane, or a colour master's frame as it is."""
    count = len(picture.pixels)
    if name == "rgb":
        return picture.with_(planes=COLOUR if count == 3 else ("grey",))
    index = COLOUR.index(files.plane) if count == 3 else 0
    picture = picture.with_facts(file_planes=count)
    if count == 1:
        return picture.with_(planes=(name,))
    # a copy, so that the other two planes are let go
    pixels = picture.pixels[index : index + 1]
    pixels = pixels if isinstance(pixels, LazyPlanes) else pixels.copy()
    return picture.with_(pixels=pixels, flags=flags_of(pixels), planes=(name,))


def shared_divisor(lights: Sequence[Master]) -> tuple[float, bool]:
    """Return what counts as full scale where a file does not say, and whether it is a guess worth telling.

    Floating-point data up to 1.5 are fractions already. Larger ones take the full scale that another light of the
    target states; where none does, the brightest pixel of all lights is full scale: one number for the whole target,
    so that its masters keep their proportions.
    """
    unknown = [light for light in lights if light.facts.full_scale is None]
    if not unknown:
        return 1.0, False
    top = max(brightest(light) for light in unknown)
    if top <= FLOAT_IN_FRACTIONS:
        return 1.0, False
    known = [light.facts.full_scale for light in lights if light.facts.full_scale is not None]
    return (max(known) if known else top), True


def guess_words(name: str, lights: Sequence[Master], divisor: float) -> list[tuple[str, str]]:
    """Return the warning of a master whose full scale is `shared_divisor`'s guess, in a list; empty where stated."""
    if all(light.facts.full_scale is not None for light in lights):
        return []
    text = f"{name}: no full scale is stated; {divisor:.6g} is taken as full scale for the whole target"
    return [("assumed-full-scale", text)]


def in_fractions(master: Master, divisor: float) -> Master:
    """Return a master divided by its own full scale, or by the target's."""
    own = master.facts.full_scale
    if own is None:
        own = 1.0 if brightest(master) <= FLOAT_IN_FRACTIONS else divisor
    done = scaled(master, own) if own != 1.0 else master
    stated = {plane: master.facts.noise.get(plane, master.facts.noise.get("")) for plane in master.planes}
    noise = {p: {size: sigma / own for size, sigma in known.items()} for p, known in stated.items() if known}
    full = master.facts.saturation
    levels = {p: full.get(p, full.get("")) for p in master.planes}
    saturation = {p: level / own for p, level in levels.items() if level is not None}
    return done.with_facts(full_scale=own, unit="", noise=noise, saturation=saturation)


def judged(
    light: Master, files: MasterFiles, *, where: str, header: Mapping[str, str] | None = None
) -> tuple[Master, Verdict]:
    """Return a light with its borders masked and its saturation known, or refuse what the job cannot use.

    Raises
    ------
    InputError
        It is empty of data, stretched already, or a mosaic.
    """
    with light.pixels.guard() if isinstance(light.pixels, LazyPlanes) else nullcontext():
        verdict = judge(light.pixels, light.planes, header=header, invalid=light.unusable())
    if files.domain != "display" or verdict.find("stretched") is None:
        refuse_faults(verdict, where)
    mosaic = verdict.find("mosaic")
    if mosaic is not None:
        expected = "a stack in colour, or of one line"
        advice = "take the mosaic apart before stacking"
        raise InputError(where, found=mosaic.text, expected=expected, advice=advice)
    pixels, flags = light.pixels, light.flags
    if verdict.border.any():
        pixels, flags = np.array(pixels), flags.copy()
        pixels[:, verdict.border] = np.nan
        flags[verdict.border] |= np.uint8(Flag.NO_DATA)
    # a flat spreads the level at which a sensor clips: what the stack states of it is no pile of equal pixels
    measured = {plane: level for plane, level in verdict.saturation.items() if level is not None}
    levels = {**measured, **light.facts.saturation}
    done = light.with_(pixels=pixels, flags=flags, domain=files.domain)
    return done.with_facts(saturation=levels), verdict
