"""Take the sky, tilted by moonlight, out of every plane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Master
from blend.recipe.model import Gradient, RegionTable
from blend.recipe.work import Work, frozen
from blend.science.gradient import Region, SkyFit, fit_sky, object_mask, region_mask, slope_left, subtract_sky

TOO_STEEP_SIGMA = 0.25
"""A slope left above this many sigma of a pixel, corner to corner, is worth a warning."""


def subtract_gradients(work: Work) -> Work:
    """Return the work with the sky of every plane at 0, what was taken out told, and the object mask kept."""
    invalid = work.invalid()
    linear = [master for master in work.masters.values() if master.domain == "linear"]
    stack = np.concatenate([master.pixels for master in linear])
    objects = object_mask(stack, invalid=invalid)
    del stack
    masters: dict[str, Master] = {}
    for name, master in work.masters.items():
        settings = work.recipe.for_master("gradient", name)
        if settings.model == "none":
            masters[name] = master
            continue
        masters[name], fits = _flatten(master, settings, objects | invalid, name)
        work = _tell(work, name, master, masters[name], fits, objects | invalid)
    return work.with_(masters=frozen(masters), objects=objects)


def _flatten(
    master: Master, settings: Gradient, masked: NDArray[np.bool_], name: str
) -> tuple[Master, dict[str, SkyFit]]:
    if settings.object_boxes:
        masked = masked | _mask(settings.object_boxes, master)
    only = _mask(settings.sky_boxes, master) if settings.sky_boxes else None
    pixels = np.empty_like(master.pixels)
    fits = {}
    for index, plane in enumerate(master.planes):
        fit = fit_sky(
            master.pixels[index],
            degree=settings.degree,
            masked=masked,
            sky_only=only,
            where=f"gradient.{name}.{plane}",
        )
        pixels[index] = subtract_sky(master.pixels[index], fit)
        fits[plane] = fit
    sky = {plane: fit.level for plane, fit in fits.items()}
    return master.with_(pixels=pixels, facts=replace(master.facts, sky=frozen(sky))), fits


def _mask(boxes: tuple[RegionTable, ...], master: Master) -> NDArray[np.bool_]:
    return region_mask([Region(**box.model_dump()) for box in boxes], master.shape)


def _tell(
    work: Work,
    name: str,
    before: Master,
    after: Master,
    fits: dict[str, SkyFit],
    masked: NDArray[np.bool_],
) -> Work:
    entries = {}
    planes = {plane: dict(told) for plane, told in work.told["masters"][name]["planes"].items()}
    for plane, fit in fits.items():
        noise = before.facts.noise.get(plane, {}).get(1, float("nan"))
        left = slope_left(after.plane(plane), masked)
        entries[plane] = {
            "degree": fit.degree,
            "amplitude": fit.amplitude,
            "residual": fit.residual,
            "slope_left": left,
            "slope_left_sigma": left / noise if noise > 0 else None,
        }
        planes[plane]["sky"] = fit.level
        if noise > 0 and left / noise > TOO_STEEP_SIGMA:
            text = f"{name}.{plane}: a slope of {left / noise:.2f} sigma of a pixel is left, corner to corner"
            work = work.warn(("slope-left", text))
    work = work.tell("gradient", name, entries).show(f"sky {name}", fits)
    return work.tell("masters", name, {**work.told["masters"][name], "planes": planes})
