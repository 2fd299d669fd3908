"""What speaks against a run's own masters, with the evidence: told, or reason to stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

import numpy as np

from blend.base.errors import InputError, StepError
from blend.base.master import Flag, Master
from blend.base.robust import median
from blend.base.rowblocks import copy_planes, map_together
from blend.recipe.state import COLOUR, Plane, Source, Work, frozen
from blend.recipe.steps.flatwords import APERTURE_FWHM
from blend.recipe.steps.line_light import wider_fwhm
from blend.science.line import LINE_SIGMA, SAME_NOISE, FilterHalo, same_noise
from blend.science.picture import Gains
from blend.science.plane import (
    DISAGREE_SIGMA,
    LEAST_GAIN,
    MOST_GAIN,
    Trail,
    disagreement,
    fill_columns,
    find_hot_columns,
    find_trail,
    line_order,
    measure_noise,
    measure_trail,
    odd_units,
    out_of_order,
    possible,
    sample_pixels,
)
from blend.science.stars import star_fluxes

RED_NM = (600.0, 700.0)
"""Lines that the red plane holds."""

LEVEL_PIXELS = 50_000
"""So many tell the level of a plane to a hundredth of its noise."""

MOST_NAMED = 12
"""So many columns are named one by one."""

MOST_UNSURE = 0.25
"""Of a gain: a grey with a quarter too much red or blue is 6 to 9 CIEDE2000 from grey, computed for 0.1 to 0.5."""

MOST_STARS = 400
"""So many of the brightest tell the order of the planes."""


def doubt_line(work: Work, name: str) -> Work:
    """Return the work with a word on whether a line master shows its line at all, and is a picture of its own."""
    line = work.lines[name]
    if line.emission is None:
        return work
    alike = same_noise(work.masters[name].pixels[0], list(work.rgb.pixels))
    copied = max(alike) > SAME_NOISE
    found = (line.strongest is None or line.strongest >= LINE_SIGMA) and not copied
    told: dict[str, Any] = {
        "found": found,
        "sigma": line.strongest,
        "share": line.share,
        "held_back": line.held,
        "noise_correlation": max(alike),
    }
    if line.halos:
        told["halos"] = [asdict(halo) for halo in line.halos]
        work = work.warn(("filter-halo", _halo_words(name, line.halos)))
    work = work.add("continuum", name, {"line_light": told})
    work = work.with_(lines=frozen({**work.lines, name: replace(line, found=found)}))
    if copied:
        text = f"{name}: its noise is that of the colour master's {COLOUR[int(np.argmax(alike))]} plane (correlation "
        text += f"{max(alike):.3f}; two exposures share none): it is that plane under another name, and no line light "
        return work.warn(
            ("line-is-colour", text + "can come of it. Name the stack taken through the line's filter")
        )
    if not found:
        text = (
            f"{name}: no line light found (the highest significance outside stars is {line.strongest:.1f}; "
        )
        text += f"noise alone hardly ever reaches {LINE_SIGMA:g}). The target may have none, the "
        text += (
            "master may be of a broad filter or exposed too briefly, or its sky or scale may be too uncertain"
        )
        work = work.warn(("no-line-light", text))
    return _doubt_order(work, name)


def _halo_words(name: str, halos: tuple[FilterHalo, ...]) -> str:
    radii = sorted(halo.radius_px for halo in halos)
    wide = f"{radii[0]:.0f} px" if radii[-1] < 1.05 * radii[0] else f"{radii[0]:.0f} to {radii[-1]:.0f} px"
    stars = ", ".join(f"({halo.star[0]:.0f}, {halo.star[1]:.0f})" for halo in halos[:MOST_NAMED])
    more = ", ..." if len(halos) > MOST_NAMED else ""
    text = f"{name}: discs of even light, of radius {wide}, lie around {len(halos)} bright stars in this line alone "
    text += f"(stars at {stars}{more}; pixels of the reference): they may be reflections in the filter, and nothing of "
    return text + "them comes into the picture"


def _doubt_order(work: Work, name: str) -> Work:
    """Return the work with a warning where a red line's starlight follows another plane than the one called red."""
    line_nm = work.target.masters[name].line_nm
    holds = work.recipe.continuum_for(name).from_
    if work.stars is None or holds != "red" or not (line_nm is None or RED_NM[0] <= line_nm <= RED_NM[1]):
        return work
    xy = work.stars.xy[~work.stars.saturated][:MOST_STARS]
    radius, invalid = APERTURE_FWHM * wider_fwhm(work, name), work.invalid()
    pairs = [
        star_fluxes(plane, xy, radius_px=radius, invalid=invalid)
        for plane in (work.masters[name].pixels[0], *work.rgb.pixels)
    ]
    flux, error = (np.array([pair[i] for pair in pairs]) for i in (0, 1))
    order = line_order((flux[0], error[0]), (flux[1:], error[1:]), holds=0)
    if order is None or not out_of_order(order, holds=0):
        return work
    closest = COLOUR[order.closest]
    text = f"{name}: its starlight follows the plane called {closest} (scatter {order.scatter[order.closest]:.3f} of "
    text += (
        f"{order.stars} stars) closer than the one called red ({order.scatter[0]:.3f}), by {order.sigma:.1f} "
    )
    text += "sigma, though the line lies in the red: the colour planes may stand in another order, blue first, or "
    return work.warn(("plane-order", text + "this master may be of another filter"))


def refuse_odd_units(name: str, source: Source) -> None:
    """Raise `InputError` where the planes of a colour master are of different units, by their sky and their noise.

    Raises
    ------
    InputError
        Sky and noise of the planes show different units.
    """
    planes = [(light, plane) for light in source.lights for plane in light.planes]
    if len(planes) != len(COLOUR) or any(light.domain == "display" for light, _ in planes):
        return
    levels = np.array([_level(light, plane) for light, plane in planes])
    noise = np.array([light.facts.noise[plane].get(1, np.nan) for light, plane in planes])
    factors = odd_units(levels, noise)
    if factors is None:
        return
    told, sky, grain = (", ".join(f"{v:.3g}" for v in values) for values in (factors, levels, noise))
    raise InputError(
        f"masters.{name}.light",
        found=f"red, green and blue in different units: sky {sky}, noise of a pixel {grain} of full scale",
        expected="planes of one unit, whose sky and noise differ by a factor of a few",
        advice=f"multiply red, green and blue by about {told}, or state the full scale of each file in its header",
    )


def fill_hot_columns(light: Master) -> tuple[Master, tuple[tuple[str, str], ...]]:
    """Return a calibrated light whose hot columns are filled and flagged, and what there is to tell of them."""
    found = [find_hot_columns(plane) for plane in light.pixels]
    if not any(len(hot) for hot in found):
        return light, ()
    pixels = copy_planes(light.pixels)
    flags, words = light.flags.copy(), []
    for name, plane, hot in zip(light.planes, pixels, found, strict=True):
        if len(hot):
            noise = measure_noise(plane)[0][1]
            fill_columns(plane, hot)
            flags[:, hot.columns] |= np.uint8(Flag.REPAIRED)
            numbers = ", ".join(str(column) for column in hot.columns[:MOST_NAMED])
            more = ", ..." if len(hot) > MOST_NAMED else ""
            high = f"by {median(hot.excess) / noise:.1f} sigma of a pixel" if noise > 0 else ""
            words.append(f"{len(hot)} in {name} ({numbers}{more}), {high}")
    text = f"columns of the sensor outshine their neighbours over most of their height: {'; '.join(words)}. They were "
    text += "filled from both sides; darks of the same length and dithering would take them out"
    return light.with_(pixels=pixels, flags=flags), (("hot-columns", text),)


def doubt_trails(
    work: Work, name: str, master: Master, views: Mapping[str, tuple[Plane, int, float]]
) -> Work:
    """Return the work with a warning of a straight trail across a master.

    Parameters
    ----------
    master : Master
        Registered, sky taken out.
    views : mapping
        Plane to its means over blocks of some pixels a side, sky 0, that side, and the noise of a pixel.
    """
    axes = []
    for alignment in (entry for (own, _), entry in work.alignments.items() if own == name):
        (a, b), (c, d) = alignment.matrix[:2, :2]
        axes += [float(np.degrees(np.arctan2(c, a))), float(np.degrees(np.arctan2(d, b)))]

    def find(plane: str) -> Trail | None:
        cells, size, noise = views[plane]
        trail = find_trail(cells, axes_deg=axes or (0.0, 90.0))
        return None if trail is None else measure_trail(master.plane(plane), trail, size=size, noise=noise)

    found = dict(zip(views, map_together(find, views), strict=True))
    words = [f"{plane} {_trail_words(trail)}" for plane, trail in found.items() if trail is not None]
    if not words:
        return work
    text = f"{name}: a straight, even streak crosses the frame ({'; '.join(words)}; pixels of the reference): it may "
    text += "be a satellite's or an aeroplane's trail. Stack again with clipping, or without that frame"
    return work.warn(("trail", text))


def _trail_words(trail: Trail) -> str:
    (x0, y0), (x1, y1) = trail.start, trail.end
    size = f"about {trail.width:.0f} px wide and {trail.height:.1f} sigma of a pixel high"
    return f"from ({x0:.0f}, {y0:.0f}) to ({x1:.0f}, {y1:.0f}), {size}"


def _level(light: Master, plane: str) -> float:
    return median(sample_pixels(light.plane(plane), most=LEVEL_PIXELS))


def doubt_white(work: Work, gains: Gains) -> Work:
    """Return the work with a warning where stars tell a white that hardly any camera asks for.

    Raises
    ------
    StepError
        Where the sky's colour, or the noise where no sky is known, contradicts it.
    """
    sky, noise = work.rgb.facts.sky, work.rgb.facts.noise
    for index, plane in ((0, "red"), (2, "blue")):
        gain, error = float(gains.values[index]), float(gains.errors[index])
        if gains.how not in ("stars", "catalogue"):
            continue
        if possible(gain):
            if error > MOST_UNSURE * gain:
                text = f"white: {plane} x {gain:.3g} +- {error:.2g} over green from {gains.stars} stars; the colours "
                text += "of all that shines are as uncertain. Give white = [red, green, blue] if you know it"
                work = work.warn(("white-uncertain", text))
            continue
        grain = {name: noise.get(name, {}).get(1, float("nan")) for name in ("green", plane)}
        if all(sky.get(name, 0.0) > 3.0 * grain[name] for name in grain):
            what, other = "the colour of the sky that was taken out", sky["green"] / sky[plane]
        else:
            what, other = "the noise of the planes", grain["green"] / grain[plane]
        apart = disagreement(gain, error, other) if other > 0 else 0.0
        text = f"{plane} x {gain:.3g} +- {error:.2g} over green from {gains.stars} stars; cameras ask for "
        text += f"{LEAST_GAIN:.2g} to {MOST_GAIN:g}"
        if apart > DISAGREE_SIGMA:
            raise StepError(
                "balance.white",
                found=f"{text}; and {what} gives about {other:.2g}, {apart:.1f} sigma away",
                expected="two estimates that agree",
                advice="many of the stars may be compact parts of a nebula: give the gains as three numbers, those of "
                'another field of this camera for example, balance.white = [1.3, 1.0, 1.5], or "none"',
            )
        text = f"white: {text}. {what[0].upper()}{what[1:]} gives about {other:.2g}, which does not contradict it"
        work = work.warn(
            ("white-out-of-bounds", text + "; the planes may be of different units or exposures")
        )
    return work
