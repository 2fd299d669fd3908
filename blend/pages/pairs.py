"""What a registration leaves at every star, and the signal to noise of every plane."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.shrink import STRIDE_PX, sampled_means
from blend.pages.figures import arrows_svg, residuals_svg
from blend.recipe.state import Work

Array = NDArray[np.float32]
Signal = tuple[str, float, list[float]]
"""A plane, its light, and that over the noise of means of 1, 4, 16 and 64 px."""
MOST_ARROWS = 400
"""More of them, on a page, cover one another."""


@dataclass(frozen=True)
class Fit:
    """One registration: arrows and histogram as SVG text and what to say of them."""

    name: str
    svg: str
    histogram: str
    text: str


def residual_fits(work: Work) -> list[Fit]:
    """Return what is left at the stars of every registration that went by stars."""
    upward = work.rgb.facts.rows == "bottom-up"
    found = []
    for (name, index), fit in work.alignments.items():
        if fit.matched == 0:
            continue
        left = fit.forward(fit.moving_xy) - fit.reference_xy
        step = -(-len(left) // MOST_ARROWS)
        svg, arrow_px = arrows_svg(
            fit.reference_xy[::step], left[::step], work.rgb.shape, rms_px=fit.rms_px, upward=upward
        )
        label = name if index == 0 else f"{name}.{work.rgb.planes[index]}"
        text = (
            f"{len(left)} stars, {fit.rms_px:.3f} px rms, the longest {np.hypot(*left.T).max():.2f} px; "
            f"arrows point from the reference's star to where the fit puts the other's; the key is {arrow_px:g} px"
        )
        found.append(Fit(label, svg, residuals_svg(left), text))
    return found


def signal_rows(work: Work, record: Mapping[str, Any]) -> list[Signal]:
    """Return, for every plane, the bright light of its objects, and that over the noise of means of 1 to 64 px.

    The light of balanced work is what a tenth of the area of objects exceeds, stars left out: the 90th percentile of
    means of 4 x 4 pixels, one in each 16 x 16; of a line's emission, over those that stand above one sigma of a pixel.
    Sky is 0, the unit the master's own fraction of full scale.
    """
    if work.objects is None or min(work.rgb.shape) < STRIDE_PX:
        return []
    where = sampled_means(work.objects) == 1.0
    if work.star_mask is not None:
        where &= sampled_means(work.star_mask) < 0.1
    found = []
    for plane, gain in zip(work.rgb.planes, work.gains, strict=True):
        light = _bright(work.rgb.plane(plane), where) / gain
        found.append((f"rgb.{plane}", light, _ratios(light, record, "rgb", plane)))
    for name, line in work.lines.items():
        told = list(record["masters"][name]["planes"])
        one = record["masters"][name]["planes"][told[0]].get("noise", {}).get("1") if told else None
        if line.emission is not None and one:
            # Counts of the balanced plane to those of the line's master: the noise of one pixel is known in both.
            shines = where & (sampled_means(line.emission) > line.sigma)
            light = _bright(line.emission, shines) * one / line.scaled_sigma
            found.append((f"{name}.emission", light, _ratios(light, record, name, told[0])))
    return found


def _ratios(light: float, record: Mapping[str, Any], master: str, plane: str) -> list[float]:
    noise = record["masters"][master]["planes"].get(plane, {}).get("noise", {})
    values = [noise.get(size) for size in ("1", "4", "16", "64")]
    return [light / value if value else float("nan") for value in values]


def _bright(plane: Array, where: NDArray[np.bool_]) -> float:
    known = sampled_means(plane)[where]
    known = known[np.isfinite(known)]
    return float(np.percentile(known, 90)) if known.size else float("nan")
