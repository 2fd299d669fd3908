"""The report's pictures of the sky: its model with the blocks it stands on, before and after, and what is left."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median_and_sigma
from blend.files.png import jpeg_bytes, png_bytes
from blend.pages.fill_template import data_url
from blend.recipe.state import SkyView, Work
from blend.science.sky import SkyFit

HARD_SIGMA = 5.0
"""Black and white of the hard stretch lie this many sigma of a pixel from the sky."""
PANEL_PX = 360
"""Long edge of one panel."""
REJECTED, MASKED = (0.93, 0.55, 0.15), (0.20, 0.42, 0.72)
LEAST_SHARE = 0.1

Picture = NDArray[np.float32]
Grid = NDArray[np.float64]


@dataclass(frozen=True)
class SkyFigure:
    """One plane: data URLs of its panels and their captions."""

    name: str
    model: str
    before: str
    after: str
    residual: str
    text: str
    hard: str
    scale: str


def sky_figures(work: Work) -> list[SkyFigure]:
    """Return the pictures of every plane whose sky was taken out, in the order of the masters.

    Parameters
    ----------
    work : Work
        After the gradient step.

    Notes
    -----
    Some 10 ms a plane: the panels are drawn from block values and small means, never from whole planes.
    """
    figures = []
    for name, master in work.masters.items():
        views, upside_down = work.sky_views.get(name, {}), master.facts.rows == "bottom-up"
        for plane, fit in work.skies.get(name, {}).items():
            figures.append(_figure(f"{name}.{plane}", fit, views[plane], upside_down))
    return figures


def _figure(name: str, fit: SkyFit, view: SkyView, upside_down: bool) -> SkyFigure:
    noise = view.noise if view.noise > 0.0 else median_and_sigma(view.after)[1]
    noise = noise if noise > 0.0 else 1.0
    middle = median_and_sigma(view.before)[0]
    left = block_grid(fit, fit.block_values - fit.at(fit.block_xy)[0])
    reach = 3.0 * max(fit.residual, 1e-6 * noise)
    panels = {
        "model": model_panel(fit, view.before.shape),
        "before": hard_stretch(view.before - middle, noise),
        "after": hard_stretch(view.after, noise),
        "residual": residual_panel(left, reach, view.before.shape),
    }
    urls = {
        kind: _url(picture[:, ::-1] if upside_down else picture, kind) for kind, picture in panels.items()
    }
    return SkyFigure(
        name=name,
        **urls,
        text=_text(fit, noise),
        hard=f"black to white: {HARD_SIGMA:g} sigma of a pixel below the sky to {HARD_SIGMA:g} above",
        scale=f"blue to red: -{reach:.2g} to +{reach:.2g} of full scale, {reach / noise:.2g} sigma of a pixel",
    )


def block_grid(fit: SkyFit, values: NDArray[np.floating]) -> Grid:
    """Return block values as (down, across); NaN where a block was not used."""
    shown = np.where(fit.block_used, values, np.nan)
    return np.asarray(shown.reshape(fit.block_grid), dtype=np.float64)


def model_panel(fit: SkyFit, shape: tuple[int, ...]) -> Picture:
    """Return the model from dark to bright, (3, rows, columns), rejected and masked blocks tinted."""
    y, x = np.meshgrid(
        np.linspace(0, fit.shape[0] - 1, shape[0]), np.linspace(0, fit.shape[1] - 1, shape[1]), indexing="ij"
    )
    sky = fit.at(np.stack([x.ravel(), y.ravel()], axis=1))[0].reshape(shape)
    low, high = float(sky.min()), float(sky.max())
    grey = 0.15 + 0.8 * (sky - low) / (high - low) if high > low else np.full(shape, 0.5)
    picture = np.repeat(grey[None].astype(np.float32), 3, axis=0)
    masked = np.asarray((fit.block_share < LEAST_SHARE) & ~fit.block_used)
    for blocks, colour in ((masked, MASKED), (~fit.block_used & ~masked, REJECTED)):
        where = _spread(blocks.reshape(fit.block_grid), shape)
        tint = np.array(colour, dtype=np.float32)[:, None]
        picture[:, where] = 0.45 * picture[:, where] + 0.55 * tint
    return picture


def hard_stretch(plane: NDArray[np.floating], noise: float) -> Picture:
    """Return a grey picture (1, rows, columns) with the sky, 0, in the middle of a short scale."""
    shown = 0.5 + np.nan_to_num(plane, nan=-np.inf, neginf=-1e30) / (2.0 * HARD_SIGMA * noise)
    return np.asarray(np.clip(shown, 0.0, 1.0)[None], dtype=np.float32)


def residual_panel(left: Grid, reach: float, shape: tuple[int, ...]) -> Picture:
    """Return block residuals (3, rows, columns): white none, blue below, red above, grey where not used."""
    known = np.isfinite(left)
    part = np.clip(np.where(known, left, 0.0) / reach, -1.0, 1.0)
    above, below = np.maximum(part, 0.0), np.maximum(-part, 0.0)
    picture = np.stack([1.0 - 0.85 * below, 1.0 - 0.7 * (above + below), 1.0 - 0.85 * above])
    picture = np.where(known, picture, 0.6).astype(np.float32)
    return np.stack([_spread(plane, shape) for plane in picture])


def _spread(grid: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Repeat the cells of a grid to a picture of another shape."""
    rows = np.arange(shape[0]) * grid.shape[0] // shape[0]
    columns = np.arange(shape[1]) * grid.shape[1] // shape[1]
    wide = grid[rows]
    return np.asarray(wide[:, columns])


def _text(fit: SkyFit, noise: float) -> str:
    kind = f"{fit.name}, degree {fit.degree}" if fit.bumps is None else "spline"
    masked = int(((fit.block_share < LEAST_SHARE) & ~fit.block_used).sum())
    used = int(fit.block_used.sum())
    rejected = fit.block_used.size - used - masked
    guided = f"; the line's light times {fit.line_factor:.3g} taken out first" if fit.line_factor else ""
    held = "; moonlight fitted below 0 and held at 0" if fit.strength and fit.strength.held else ""
    return (
        f"{kind}: range {fit.amplitude:.3g} of full scale across the frame, {fit.amplitude / noise:.3g} sigma of a "
        f"pixel; {used} blocks used, {rejected} rejected (orange), {masked} masked (blue){guided}{held}"
    )


def panel_url(picture: Picture, *, long_edge: int = PANEL_PX) -> str:
    """Return a grey picture as a data URL."""
    return data_url(jpeg_bytes(picture, long_edge=long_edge, quality=85))


def _url(picture: Picture, kind: str) -> str:
    if kind in ("before", "after"):
        return panel_url(picture)
    return data_url(png_bytes(picture, long_edge=PANEL_PX), "png")
