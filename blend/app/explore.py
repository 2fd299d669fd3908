"""Gather what the page to look with needs from balanced masters."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.outputs import turner
from blend.app.preview import LONG_EDGE, preview_layers
from blend.base.robust import difference_noise
from blend.pages.explore import Layer, Scene, offered, write_explore
from blend.recipe.model import Blend, resolved
from blend.recipe.steps.blends import display_sky, luminance_noise
from blend.recipe.steps.stretch import mean_noise, plane_noise, white_level
from blend.recipe.work import COLOUR, Work
from blend.science.stretch import SMALLEST_SIGMA


def explore_page(work: Work, *, command: str = "", long_edge: int = LONG_EDGE) -> str:
    """Return ``explore.html``: the layers before the blends, and all that makes the picture of them in a browser.

    Parameters
    ----------
    work : Work
        As it stands after the balance step, at full size or already binned by `preview_layers`.
    command : str, optional
        What runs the recipe on the target, ready for a shell; the page writes ``--set`` behind it.
    long_edge : int
        Of the layers, in pixels.

    Returns
    -------
    str
        One self-contained HTML page.
    """
    small, factor = preview_layers(work, long_edge=long_edge)
    return write_explore(scene_of(small, factor, command=command))


def scene_of(small: Work, factor: int, *, command: str = "") -> Scene:
    """Return the page's content from binned layers."""
    turn = turner(small)

    def upright(plane: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.ascontiguousarray(turn(plane[None])[0])

    layers = {name: Layer(pixels=upright(p), sigma=s) for name, (p, s) in _planes(small).items()}
    own = {name: table.define(name) for name, table in small.recipe.formulas.items()}
    return Scene(
        title=small.recipe.title or small.target.name,
        layers=layers,
        mask=None if small.star_mask is None else upright(small.star_mask),
        facts=_facts(small, factor, next(iter(layers.values())).pixels.shape),
        formulas=offered(own),
        recipe=resolved(small.recipe),
        command=command,
    )


def _planes(work: Work) -> dict[str, tuple[NDArray[np.float32], float]]:
    """Return the planes of light with their noise: the colour, every line's emission, and line masters in use."""
    least = SMALLEST_SIGMA * white_level(work)
    planes = {p: (work.rgb.plane(p), max(plane_noise(work, p), least)) for p in COLOUR}
    used = {blend.from_ for blend in work.recipe.blend.values()}
    for name, line in work.lines.items():
        if work.masters[name].domain == "display":
            pixels = work.masters[name].pixels[0]
            planes[name] = (pixels, max(difference_noise(pixels), least))
        elif name in used:
            planes[name] = (line.scaled, max(line.scaled_sigma, least))
        if line.emission is not None:
            planes[f"{name}.emission"] = (line.emission, max(line.sigma, least))
    return planes


def _facts(work: Work, factor: int, shape: tuple[int, ...]) -> dict[str, Any]:
    settings = work.recipe.for_master("stretch", "rgb")
    noise = {plane: plane_noise(work, plane) for plane in COLOUR}
    return {
        "rows": shape[0],
        "columns": shape[1],
        "factor": factor,
        "white": white_level(work),
        "colour": settings.colour,
        "stretch": _curve_settings(work, "rgb"),
        "sigma": max(noise.values()),
        "shown_sigma": mean_noise(work) if settings.colour == "preserve" else None,
        "noise": {**noise, "luminance": luminance_noise(work)},
        "display": _display_facts(work),
        "lines": {name: _line_settings(work, name) for name in work.lines},
        "blends": [_blend(name, blend) for name, blend in work.recipe.blend.items()],
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


def _curve_settings(work: Work, master: str) -> dict[str, Any]:
    settings = work.recipe.for_master("stretch", master)
    own = work.recipe.stretch.by_master.get(master)
    return {
        "curve": settings.curve,
        "sky_level": settings.sky_level,
        "black_sigma": settings.black_sigma,
        "own_level": own is not None and "sky_level" in own.model_fields_set,
    }


def _blend(name: str, blend: Blend) -> Mapping[str, Any]:
    return {
        "name": name,
        "into": blend.into,
        "from": blend.from_,
        "formula": blend.formula,
        "amount": blend.amount,
        "method": blend.method,
        "params": dict(blend.params),
        "share": dict(blend.share_factors),
        "share_value": blend.model_dump(mode="json")["share"],
        "dust_a_v": blend.dust_a_v,
    }
