"""Gather what the page to look with needs from balanced masters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.run import LONG_EDGE, preview_layers, turner
from blend.base.robust import difference_noise
from blend.pages.explore import Layer, Scene, mask_codes, offered, write_explore
from blend.recipe.blendtable import Blend
from blend.recipe.model import resolved
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import COLOUR, Work
from blend.recipe.steps.blends import display_sky, luminance_noise
from blend.recipe.steps.protect_stars import colour_saturated, fill_picture, guard_lines
from blend.recipe.steps.stretch import aim, plane_noise, shown_noise, white_level
from blend.science.picture import SMALLEST_SIGMA


def explore_page(work: Work, *, command: str = "", long_edge: int = LONG_EDGE, factor: int = 1) -> str:
    """Return ``explore.html``: the layers before the blends, and all that makes the picture of them in a browser.

    Parameters
    ----------
    work : Work
        As it stands after the balance step, at full size or already binned by `preview_layers`.
    command : str, optional
        What runs the recipe on the target, ready for a shell; the page writes ``--set`` behind it.
    long_edge : int
        Of the layers, in pixels.
    factor : int
        Edge of the blocks that ``work`` has been averaged over already.

    Returns
    -------
    str
        One self-contained HTML page.
    """
    small, binned = preview_layers(work, long_edge=long_edge)
    return write_explore(scene_of(small, factor * binned, command=command))


def scene_of(small: Work, factor: int, *, command: str = "") -> Scene:
    """Return the page's content from binned layers: lines and cores as `blend_linear` begins with them."""
    turn = turner(small)

    def upright(plane: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.ascontiguousarray(turn(plane[None])[0])

    chosen = _chosen_amounts(small)
    work = guard_lines(small, every=True)
    colour = colour_saturated(work)
    noise = _noises(work)
    planes = {**dict(zip(COLOUR, colour, strict=True)), **_lines(work)}
    layers = {name: Layer(pixels=upright(plane), sigma=noise[name]) for name, plane in planes.items()}
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
        facts={**_facts(work, factor, layers["red"].pixels.shape), "blends": _blends(work, chosen)},
        formulas=offered(own),
        recipe=resolved(small.recipe),
        command=command,
    )


def _chosen_amounts(work: Work) -> dict[str, float]:
    """Return the amounts that the recipe leaves open, as its steps choose them on these layers."""
    if all(blend.amount != "auto" for blend in work.recipe.blend.values()):
        return {}
    done = run_all(work, steps=PICTURE_STEPS[:-1]).blended
    # Four figures: what stands in the copied command is what is drawn.
    return {made.name: float(f"{made.blend.weight:.4g}") for made in done if made.choice is not None}


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
    noise = {plane: plane_noise(work, plane) for plane in COLOUR}
    for name, line in work.lines.items():
        stretched = work.masters[name].domain == "display"
        noise[name] = difference_noise(work.masters[name].pixels[0]) if stretched else line.scaled_sigma
        noise[f"{name}.emission"] = line.sigma
    least = SMALLEST_SIGMA * white_level(work)
    return {name: max(sigma, least) for name, sigma in noise.items()}


def _facts(work: Work, factor: int, shape: tuple[int, ...]) -> dict[str, Any]:
    settings = work.recipe.for_master("stretch", "rgb")
    noise = {plane: plane_noise(work, plane) for plane in COLOUR}
    return {
        "rows": shape[0],
        "columns": shape[1],
        "factor": factor,
        "white": white_level(work),
        "top": white_level(work) if isinstance(settings.white, str) else settings.white,
        "target": aim(work),
        "colour": settings.colour,
        "stretch": _curve_settings(work, "rgb"),
        "sigma": max(noise.values()),
        "shown_sigma": shown_noise(work),
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
    settings = _curve_settings(work, name)
    master = work.masters[name]
    if master.domain != "display":
        return {**settings, "display": None}
    pixels = master.pixels[0]
    told = {"level": float(np.nanmedian(pixels)), "noise": difference_noise(pixels)}
    return {**settings, "display": told}


def whole_frame_steps(work: Work) -> dict[str, float]:
    """Return the settings in use of what needs the full frame at full size, which no page can show."""
    settings = work.recipe.finish
    values = {key: getattr(settings, key) for key in ("noise_sigma", "star_size", "star_brightness")}
    neutral = type(settings)()
    return {key: value for key, value in values.items() if value != getattr(neutral, key)}


def _curve_settings(work: Work, master: str) -> dict[str, Any]:
    settings = work.recipe.for_master("stretch", master)
    own = work.recipe.stretch.by_master.get(master)
    return {
        "curve": settings.curve,
        "sky_level": settings.sky_level,
        "black_sigma": settings.black_sigma,
        "own_level": own is not None and "sky_level" in own.model_fields_set,
    }


def _blends(work: Work, chosen: Mapping[str, float]) -> list[Mapping[str, Any]]:
    return [_blend(name, blend, chosen.get(name)) for name, blend in work.recipe.blend.items()]


def _blend(name: str, blend: Blend, chosen: float | None) -> Mapping[str, Any]:
    return {
        "name": name,
        "into": blend.into,
        "from": blend.from_,
        "formula": blend.formula,
        "amount": blend.weight if chosen is None else chosen,
        "chosen": chosen is not None,
        "method": blend.method,
        "params": dict(blend.params),
        "share": dict(blend.share_factors),
        "share_value": blend.model_dump(mode="json")["share"],
        "dust_a_v": blend.dust_a_v,
    }
