"""Cosmic rays in masters of few frames, which no stacking has clipped: found, filled, flagged, counted."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from blend.base.master import Flag, Master
from blend.base.rowblocks import map_together
from blend.science.sensor import FEW_FRAMES, remove_rays

MANY_PER_MPX = 100.0
"""A master that loses more says so: 900 s on a thick sensor of one megapixel left 340, 300 s 110, measured."""


def without_rays(light: Master) -> tuple[Master, dict[str, int | None]]:
    """Return a calibrated light with its rays filled, and how many each plane had.

    Counted is what the repair of single pixels and small marks has left. Planes count None where stars are too sharp,
    or too few, to tell; a master of more frames is returned as it is and counts nothing. Of one of nobody knows how
    many, what outshines its surroundings is filled.
    """
    facts = light.facts
    unknown = facts.frames is None
    frames = facts.frames or 1
    if frames > FEW_FRAMES or light.domain == "display":
        return light, {}
    # electrons in full scale, of all frames together
    gain = None if unknown else facts.gain_e
    electrons = gain * facts.full_scale * frames if gain and facts.full_scale else None
    full = light.has(Flag.SATURATED)
    found = map_together(
        lambda plane: remove_rays(light.plane(plane), spared=full, electrons=electrons, outshining=unknown),
        light.planes,
    )
    counts = {plane: clean.events for plane, clean in zip(light.planes, found, strict=True)}
    if not any(counts.values()):
        return light, counts
    pixels, flags = np.stack([clean.pixels for clean in found]), light.flags.copy()
    for clean in found:
        flags[clean.places] |= np.uint8(Flag.REPAIRED)
    return light.with_(pixels=pixels, flags=flags), counts


def note_on_rays(name: str, counts: Mapping[str, int | None], size: int) -> list[tuple[str, str]]:
    """Return what is told of a master of ``size`` pixels in which many rays were filled."""
    most = max((count for count in counts.values() if count is not None), default=0)
    if most <= MANY_PER_MPX * size / 1e6:
        return []
    planes = ", ".join(f"{plane} {count}" for plane, count in counts.items() if count is not None)
    text = f"{name}: cosmic rays were filled ({planes}); a stack of more than {FEW_FRAMES} frames clips them"
    return [("cosmic-rays", text)]
