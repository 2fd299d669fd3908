"""Take the camera out of every light, and measure its noise before anything resamples it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from blend.base.errors import InputError, StepError
from blend.base.master import Facts, Flag, Master
from blend.base.robust import median
from blend.base.rowblocks import map_together
from blend.recipe.state import Plane, Source, Work, frozen
from blend.recipe.steps.doubts import fill_hot_columns, refuse_odd_units
from blend.recipe.steps.rays import note_on_rays, without_rays
from blend.recipe.tables import Calibrate
from blend.science.plane import measure_noise, sample_pixels
from blend.science.sensor import Calibrated, Frame
from blend.science.sensor import calibrate as calibrate_light


def calibrate(work: Work) -> Work:
    """Return the work with calibrated lights, their bad pixels flagged, and their noise and saturation as facts."""
    names = tuple(work.sources)
    done = map_together(lambda name: _calibrated_source(work, name), names)
    for name, (source, notes, rays) in zip(names, done, strict=True):
        work = work.warn(*((code, f"{name}: {text}") for code, text in notes))
        planes = {
            plane: {
                "sky": None,
                "noise": {str(size): sigma for size, sigma in light.facts.noise[plane].items()},
            }
            for light in source.lights
            for plane in light.planes
        }
        told = {"planes": planes, "rays": rays} if rays else {"planes": planes}
        work = work.tell("masters", name, told).warn(*note_on_rays(name, rays, source.lights[0].flags.size))
    return work.with_(sources=frozen({name: source for name, (source, *_) in zip(names, done, strict=True)}))


def _calibrated_source(work: Work, name: str) -> tuple[Source, list[tuple[str, str]], dict[str, int | None]]:
    """Return the calibrated lights of a master, notes, and how many rays were filled in each of its planes."""
    source = work.sources[name]
    settings = work.recipe.calibrate.for_master(name)
    lights: list[Master] = []
    notes: list[tuple[str, str]] = []
    rays: dict[str, int | None] = {}
    for index, light in enumerate(source.lights):
        done, found = _calibrated(light, source, index, settings, f"masters.{name}")
        notes += found
        if settings.hot_sigma:
            done, counts = without_rays(done)
            rays |= counts
        lights.append(measured(done))
    calibrated = Source(lights=tuple(lights))
    refuse_odd_units(name, calibrated)
    return calibrated, notes, rays


def _calibrated(
    light: Master, source: Source, index: int, settings: Calibrate, where: str
) -> tuple[Master, tuple[tuple[str, str], ...]]:
    frames: dict[str, Any] = {
        kind: _frame(getattr(source, kind), light, index, f"{where}.{kind}")
        for kind in ("dark", "bias", "flat", "flat_dark")
        if getattr(source, kind) is not None
    }
    if source.bias_level is not None:
        frames["bias"] = Frame(pixels=np.broadcast_to(np.float32(source.bias_level), light.pixels.shape))
    if light.domain == "display":
        if frames:
            raise StepError(
                f"{where}.{next(iter(frames))}",
                found="a calibration frame for a master that is already stretched",
                expected="linear light, which alone can be calibrated",
                advice="leave the frame out",
            )
        return light, ()
    facts = light.facts
    done = calibrate_light(
        _as_frame(light.pixels, light),
        saturation=[facts.saturation.get(plane) for plane in light.planes],
        dark_scaling=settings.dark_scaling,
        hot_sigma=settings.hot_sigma or float("inf"),
        allow_shifted=settings.allow_shifted_dark,
        gain_e=facts.gain_e * facts.full_scale if facts.gain_e and facts.full_scale else None,
        where=where,
        **frames,
    )
    whole, told = fill_hot_columns(_with_flags(light, done, source))
    return whole, _taken_out_twice(facts, frames, where) + done.notes + told


def _taken_out_twice(facts: Facts, frames: Iterable[str], where: str) -> tuple[tuple[str, str], ...]:
    """Return a note where a light's header says that it was stacked with a frame that is now taken out again."""
    twice = [kind for kind in frames if kind in facts.taken_out and kind != "bias"]
    if not twice:
        return ()
    words, given = " and ".join(twice), " and ".join(f"{where}.{kind}" for kind in twice)
    text = (
        f"stacked with {words}, as its header says, which {given} takes out again: leave it out of the "
        "target file, or stack without"
    )
    return (("calibrated-twice", text),)


def _frame(master: Master, light: Master, index: int, where: str) -> Frame:
    """Return the planes of a calibration stack that belong to one light."""
    pixels = master.pixels
    if pixels.shape[0] == 3 and len(light.planes) == 1:
        pixels = pixels[index : index + 1]
    elif pixels.shape[0] == 1 and len(light.planes) == 3:
        raise InputError(
            where,
            found="one plane",
            expected="three planes, as the light has",
            advice="stack the calibration frames as the lights were stacked",
        )
    return _as_frame(pixels, master)


def _as_frame(pixels: Plane, master: Master) -> Frame:
    facts = master.facts
    return Frame(
        pixels=pixels,
        exposure_s=facts.exposure_s,
        temperature_c=facts.temperature_c,
        iso=facts.iso,
        filter=facts.filter,
        file_planes=facts.file_planes,
        offset_out=facts.offset_out,
    )


def _with_flags(light: Master, done: Calibrated, source: Source) -> Master:
    flags = light.flags | done.faults & np.uint8(Flag.NO_DATA | Flag.REPAIRED | Flag.SATURATED)
    levels = {
        plane: level - _pedestal(source, index, done.dark_factor)
        for index, (plane, level) in enumerate(zip(light.planes, done.saturation, strict=True))
        if level is not None
    }
    return light.with_(pixels=done.pixels, flags=flags, facts=replace(light.facts, saturation=frozen(levels)))


def _pedestal(source: Source, index: int, factor: float | None) -> float:
    """Return the typical level that calibration took off a plane: B + k (D - B)."""
    bias = source.bias_level or 0.0 if source.bias is None else _typical(source.bias, index)
    if source.dark is None or factor is None:
        return bias
    return bias + factor * (_typical(source.dark, index) - bias)


def _typical(frame: Master, index: int) -> float:
    return median(sample_pixels(frame.pixels[min(index, len(frame.planes) - 1)]))


def measured(light: Master) -> Master:
    """Return a light with its noise as a fact: what its file states, else what its pixels show.

    A stack of interpolated frames hides its noise from every measurement; a header that tells it knows better.
    """
    invalid = light.has(Flag.NO_DATA)
    measured = map_together(lambda plane: measure_noise(light.plane(plane), invalid=invalid), light.planes)
    found, stated = dict(zip(light.planes, measured, strict=True)), light.facts.noise
    return light.with_facts(
        noise=frozen({name: {**noise, **stated.get(name, {})} for name, (noise, _) in found.items()}),
        broad_noise=frozen(
            {n: broad for n, (_, broad) in found.items() if n not in stated and np.isfinite(broad)}
        ),
    )
