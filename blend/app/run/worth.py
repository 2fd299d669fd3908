"""What a run's line masters brought, as exposure of colour, and what the Moon cost: for the record, and from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from blend.base.master import Master
from blend.recipe.check import width_ratio
from blend.recipe.state import COLOUR, Line, Work
from blend.science.line import H_ALPHA_NM, LineNoise, exposure_factor, line_factor
from blend.science.moon import COLOURS_NM, Conditions, SkyPlace, band_growth, sky_places
from blend.science.picture import Formula, apply_formula

WORTH_ERROR = 0.05
"""Relative error of the factor: on simulated pairs whose factor is known it held within this, see
benchmarks/accuracy/worth.py."""


def taken_of(work: Work) -> dict[str, Any]:
    """Return when, where and with what exposure each master was taken, as far as it is known."""
    return {name: taken_of_master(master) for name, master in work.masters.items()}


def taken_of_master(master: Master) -> dict[str, Any]:
    """Return date, exposure, frames, site, pointing and full scale of a master, those that are known."""
    facts = master.facts
    told = {
        "date_obs": facts.date_obs,
        "exposure_s": facts.exposure_s,
        "frames": facts.frames,
        "site": facts.site,
        "pointing": facts.pointing or (middle_of(facts.wcs, master.shape) if facts.wcs is not None else None),
        "full_scale": facts.full_scale,
    }
    known = {key: value for key, value in told.items() if value is not None}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in known.items()}


def middle_of(wcs: Any, shape: tuple[int, int]) -> tuple[float, float] | None:
    """Return right ascension and declination, degrees, of the middle of a grid; None where no sky lies there."""
    rows, columns = shape
    place = wcs.celestial.pixel_to_world((columns - 1) / 2.0, (rows - 1) / 2.0).icrs
    middle = (float(place.ra.deg), float(place.dec.deg))
    return middle if all(map(math.isfinite, middle)) else None


def place_of(taken: Mapping[str, Any]) -> SkyPlace | None:
    """Return where Moon and target stood in the middle of a master's exposures; None where that is not known.

    Raises
    ------
    ValueError
        Year, site or place is out of range.
    """
    if not all(taken.get(key) for key in ("date_obs", "site", "pointing")):
        return None
    begin = datetime.fromisoformat(str(taken["date_obs"]))
    lasted = (taken.get("exposure_s") or 0.0) * (taken.get("frames") or 1)
    ra_deg, dec_deg = taken["pointing"]
    latitude, longitude, height = taken["site"]
    return sky_places(
        ra_deg=ra_deg,
        dec_deg=dec_deg,
        times=[begin + timedelta(seconds=0.5 * lasted)],
        site=(latitude, longitude, height),
    )[0]


def worth_of(work: Work) -> dict[str, Any]:
    """Return, a line that a linear blend puts into a colour plane, what exposure of colour it stands for.

    Returns
    -------
    dict
        Line to ``into``, ``exposure_factor`` with its relative ``error``, and where date, site and place are known
        ``exposure_factor_without_moon`` and ``sky_growth``: how much brighter the Moon made the sky of both, predicted.
    """
    told = {}
    for done in work.blended:
        blend, line = done.blend, work.lines.get(done.blend.master)
        if (
            done.formula.domain != "linear"
            or blend.into not in COLOUR
            or not (blend.emission and blend.weight)
        ):
            continue
        noise = _noise(work, line, blend.master, blend.into) if line is not None and line.found else None
        if noise is not None:
            gains = _gains(done.formula, amount=blend.weight, params=blend.params)
            factors = _factors(work, blend.master, blend.into, noise, gains)
            told[blend.master] = {"into": blend.into, **factors}
    return told


def _factors(
    work: Work, line: str, into: str, noise: LineNoise, gains: tuple[float, float]
) -> dict[str, Any]:
    factor = exposure_factor(noise, gain_base=gains[0], gain_line=gains[1])
    if not math.isfinite(factor):
        return {"exposure_factor": None}
    told: dict[str, Any] = {"exposure_factor": factor, "error": WORTH_ERROR}
    growth = _growth(work, line, into)
    if growth is not None:
        dark = replace(noise, broad=noise.broad / growth[0] ** 0.5, line=noise.line / growth[1] ** 0.5)
        told["exposure_factor_without_moon"] = exposure_factor(dark, gain_base=gains[0], gain_line=gains[1])
        told["sky_growth"] = {into: growth[0], line: growth[1]}
    return told


def _noise(work: Work, light: Line, line: str, into: str) -> LineNoise | None:
    settings = work.recipe.continuum_for(line)
    if settings.from_ != into or light.scale is None:
        return None
    broad, narrow = (work.broad_noise(name, plane) for name, plane in (("rgb", into), (line, "")))
    # the balanced plane is gain times its own
    gain = work.recorded.get("balance", {}).get("gains", {}).get(into, 1.0)
    if not (broad > 0 and narrow > 0):
        return None
    factor = line_factor(
        light.scale.value,
        width_ratio=width_ratio(work.target, line),
        throughput_ratio=settings.throughput_ratio,
        line_in_band=settings.line_in_band,
    )
    return LineNoise(
        broad=broad / gain, line=narrow, scale=light.scale.value, factor=factor, in_band=settings.line_in_band
    )


def _gains(formula: Formula, *, amount: float, params: Mapping[str, float]) -> tuple[float, float]:
    """Return what a little more of base, and of line, adds to a formula's result at the sky."""
    step = 1e-4
    base, line = np.array([[0.0, step, 0.0]]), np.array([[0.0, 0.0, step]])
    at_sky, more_base, more_line = apply_formula(
        formula, base, line, amount=amount, sky=0.0, base_sigma=step, line_sigma=step, params=params
    )[0]
    return float(more_base - at_sky) / step, float(more_line - at_sky) / step


def _growth(work: Work, line: str, into: str) -> tuple[float, float] | None:
    """Return how much brighter the Moon made the sky of a plane and of a line's master; None where unknown or low."""
    grown = []
    for name, nm, narrow in (
        ("rgb", COLOURS_NM[into], False),
        (line, work.target.masters[line].line_nm or H_ALPHA_NM, True),
    ):
        try:
            place = place_of(taken_of_master(work.masters[name]))
        except ValueError:
            return None
        growth = math.nan if place is None else band_growth(place, Conditions(), nm, narrow=narrow)
        if not math.isfinite(growth):
            return None
        grown.append(growth)
    return grown[0], grown[1]
