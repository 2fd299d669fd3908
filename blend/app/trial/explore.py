"""Gather what the page to look with needs from balanced masters."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.run import LONG_EDGE, preview_layers, turner
from blend.app.trial.layers import Box
from blend.app.trial.page_values import control_facts, finish_facts, page_values, places
from blend.base.robust import difference_noise
from blend.pages.explore import Layer, Origin, Scene, mask_codes, offered, write_explore
from blend.recipe.check import blend_heading
from blend.recipe.model import resolved
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import COLOUR, Work
from blend.recipe.steps.blends import display_sky, luminance_noise
from blend.recipe.steps.line_light import pixel_noise
from blend.recipe.steps.protect_stars import colour_saturated, fill_picture, guard_lines, sharpest_width
from blend.recipe.steps.stretch import mean_noise, white_level
from blend.science.picture import MOST_SIGMA, SMALLEST_SIGMA, kept_noise, noise_lost

Upright = Callable[[NDArray[Any]], NDArray[Any]]

KEPT_STEPS = 81
"""Of what the finish leaves of noise, by its sigma: between two of them a straight line is off by less than 1e-3."""

SHIFT_SIGMA = 1e-4
"""Of what blocks lose of OKLab's a and b: steps of the page's codes are then 2e-6, a hundredth of an 8-bit one."""


def explore_page(
    work: Work,
    *,
    command: str = "",
    origin: Origin | None = None,
    tiles: Sequence[Mapping[str, Any]] = (),
    long_edge: int = LONG_EDGE,
    factor: int = 1,
    box: Box | None = None,
) -> str:
    """Return ``explore.html``: the layers before the blends, and all that makes the picture of them in a browser.

    Parameters
    ----------
    work : Work
        As it stands after the balance step, at full size or already binned by `preview_layers`.
    command : str, optional
        What runs the recipe on the target, ready for a shell; the page writes ``--set`` behind it.
    origin, tiles
        See `blend.pages.explore.Scene`.
    long_edge : int
        Of the layers, in pixels.
    factor : int
        Edge of the blocks that ``work`` has been averaged over already.
    box : Box, optional
        Of its pixels, what a result shows; all of them when absent.

    Returns
    -------
    str
        One self-contained HTML page.
    """
    small, binned = preview_layers(work, long_edge=long_edge)
    part = None
    if box is not None:
        x, y, width, height = (edge // binned for edge in box)
        part = (x, y, width, height)
    scene = scene_of(small, factor * binned, command=command, box=part)
    return write_explore(replace(scene, origin=origin, tiles=tiles))


def scene_of(small: Work, factor: int, *, command: str = "", box: Box | None = None) -> Scene:
    """Return the page's content from binned layers: lines and cores as `blend_linear` begins with them."""
    upright = _upright(small, box)
    chosen, lost = _chosen_amounts(small), _lost(small, upright)
    work = guard_lines(small, every=True)
    colour = colour_saturated(work)
    noise = _noises(work)
    planes = {**dict(zip(COLOUR, colour, strict=True)), **_lines(work)}
    layers = {name: Layer(pixels=upright(plane), sigma=noise[name]) for name, plane in planes.items()}
    own_values = {"values": page_values(work.recipe, chosen), **control_facts(work.recipe)}
    mask = None if work.star_mask is None else mask_codes(upright(work.star_mask))
    behind = {}
    if mask is not None and work.star_mask is not None and work.recipe.protect.stars > 0:
        # Upright, as the page counts pixels; bins of a fill may begin at another row there, so it is filled as it lies.
        filled = fill_picture(colour, work.star_mask)
        for name, values in zip(COLOUR, filled.planes[:, 0], strict=True):
            plane = np.zeros(work.rgb.shape, dtype=np.float32)
            plane.reshape(-1)[filled.places] = values
            behind[name] = Layer(pixels=upright(plane)[mask > 0][None], sigma=noise[name])
    own = {name: table.define(name) for name, table in small.recipe.formulas.items()}
    return Scene(
        title=small.recipe.title or small.target.name,
        layers=layers,
        behind=behind,
        mask=mask,
        facts={
            **_facts(work, factor, layers["red"].pixels.shape),
            **own_values,
            "blends": [_blend(work, name, name in chosen) for name in work.recipe.blend],
            "places": places(small, factor, upright),
        },
        shifts={name: Layer(pixels=plane, sigma=SHIFT_SIGMA) for name, plane in lost.items()},
        formulas=offered(own),
        recipe=resolved(small.recipe),
        command=command,
    )


def _upright(work: Work, box: Box | None) -> Upright:
    """Return the function that takes a plane of the grid to the part in a box, upright."""
    turn, (x, y, width, height) = turner(work), box or (0, 0, *work.rgb.shape[::-1])
    return lambda plane: np.ascontiguousarray(turn(plane[None, y : y + height, x : x + width])[0])


def _chosen_amounts(work: Work) -> dict[str, float]:
    """Return the amounts that the recipe leaves open, as its steps choose them on these layers."""
    if all(blend.amount != "auto" for blend in work.recipe.blend.values()):
        return {}
    done = run_all(work, steps=PICTURE_STEPS[:-1]).blended
    # Four figures: what stands in the copied command is what is drawn.
    return {made.name: float(f"{made.blend.weight:.4g}") for made in done if made.choice is not None}


def _lost(work: Work, upright: Upright) -> dict[str, NDArray[np.float32]]:
    """Return what blocks of 4 x 4 pixels lose as colour noise under the recipe, upright; nothing where none do."""
    settings = work.recipe.finish
    if settings.chroma_reduction == settings.green_limit == 0:
        return {}
    done, strength = run_all(work.with_(figures=False), steps=PICTURE_STEPS[:-1]), work.recipe.protect.stars
    assert done.display is not None
    spared = None if work.star_mask is None or strength <= 0 else upright(strength * work.star_mask)
    planes = noise_lost(
        np.stack([upright(plane) for plane in done.display]),
        chroma_reduction=settings.chroma_reduction,
        green_limit=settings.green_limit,
        spared=spared,
    )
    return dict(zip(("n", "a", "b"), planes, strict=True))


def _lines(work: Work) -> dict[str, NDArray[np.float32]]:
    """Return the planes that blends may draw from: every line's emission, and line masters in use."""
    used = {blend.from_ for blend in work.recipe.blend.values()}
    planes = {}
    for name, line in work.lines.items():
        if work.masters[name].domain == "display":
            planes[name] = work.masters[name].pixels[0]
        elif name in used:
            planes[name] = line.scaled
        if line.emission is not None:
            planes[f"{name}.emission"] = line.emission
    return planes


def _noises(work: Work) -> dict[str, float]:
    """Return the noise of every plane that the page may hold."""
    noise = {plane: pixel_noise(work.rgb, plane) for plane in COLOUR}
    for name, line in work.lines.items():
        stretched = work.masters[name].domain == "display"
        noise[name] = difference_noise(work.masters[name].pixels[0]) if stretched else line.scaled_sigma
        noise[f"{name}.emission"] = line.sigma
    least = SMALLEST_SIGMA * white_level(work)
    return {name: max(sigma, least) for name, sigma in noise.items()}


def _facts(work: Work, factor: int, shape: tuple[int, ...]) -> dict[str, Any]:
    settings = work.recipe.stretch.for_master("rgb")
    noise, target = {plane: pixel_noise(work.rgb, plane) for plane in COLOUR}, work.target_light
    width = sharpest_width(work)
    return {
        "rows": shape[0],
        "columns": shape[1],
        "factor": factor,
        "white": white_level(work),
        "target": None if target is None else {"light": target.light, "noise": target.noise},
        "colour": settings.colour,
        "finish": finish_facts(work.recipe),
        "stretch": _curve_settings(work, "rgb"),
        "sigma": max(noise.values()),
        "kept_noise": [kept_noise(float(k), width) for k in np.linspace(0.0, MOST_SIGMA, KEPT_STEPS)],
        "most_sigma": MOST_SIGMA,
        "mean_noise": mean_noise(work) if settings.colour == "preserve" else None,
        "noise": {**noise, "luminance": luminance_noise(work)},
        "display": _display_facts(work),
        "lines": {name: _line_settings(work, name) for name in work.lines},
        "protect": work.recipe.protect.stars,
        "whole_frame": whole_frame_steps(work),
    }


def _display_facts(work: Work) -> dict[str, float] | None:
    """Return sky and noise of a colour master that is stretched already; None for linear light."""
    if work.rgb.domain != "display":
        return None
    level, noise = display_sky(work.with_(display=work.rgb.pixels))
    return {"level": level, "noise": noise}


def _line_settings(work: Work, name: str) -> dict[str, Any]:
    master, told = work.masters[name], None
    if master.domain == "display":
        pixels = master.pixels[0]
        told = {"level": float(np.nanmedian(pixels)), "noise": difference_noise(pixels)}
    return {**_curve_settings(work, name), "display": told}


def whole_frame_steps(work: Work) -> dict[str, float]:
    """Return the settings in use of what needs the full frame at full size, which no page can show."""
    settings = work.recipe.finish
    values = {key: getattr(settings, key) for key in ("noise_sigma", "star_size", "star_brightness")}
    neutral = type(settings)()
    return {key: value for key, value in values.items() if value != getattr(neutral, key)}


def _curve_settings(work: Work, master: str) -> dict[str, Any]:
    settings = work.recipe.stretch.for_master(master)
    own = work.recipe.stretch.by_master.get(master)
    return {
        "curve": settings.curve,
        "sky_level": settings.sky_level,
        "black_sigma": settings.black_sigma,
        "own_level": own is not None and "sky_level" in own.model_fields_set,
    }


def _blend(work: Work, name: str, chosen: bool) -> Mapping[str, Any]:
    """Return what the page needs of a blend and cannot change."""
    blend = work.recipe.blend[name]
    return {
        "name": name,
        "heading": blend_heading(work.target, blend.from_, blend.into),
        "into": blend.into,
        "from": blend.from_,
        "chosen": chosen,
        "method": blend.method,
        "share": dict(blend.plane_factors),
    }
