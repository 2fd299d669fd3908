"""Plots for the pages, as SVG text that is the same for the same numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.pages.plot import (
    BOTTOM,
    GAP,
    INCH,
    LEFT,
    RIGHT,
    Axis,
    Panel,
    arrow,
    drawing,
    label,
    legend,
    one_box,
)
from blend.science.line import Scale

Floats = NDArray[np.float64]
PLANE_COLOURS = ("#d0503a", "#3d9450", "#4c7fd0")
"""Of middle lightness: they stand out from a light page and from a dark one."""
GREY, CURVE, ARROW = "#808080", "#a06a14", "#c8622e"
KEY = 26.0
"""Room above arrows for the one that tells their scale."""
LEAST_SHARE = 1e-7
"""Of pixels: below it a histogram's logarithm ends."""


def histogram_svg(
    display: NDArray[np.float32], sky_level: float | None, tone: tuple[Floats, Floats] | None = None
) -> str:
    """Return histograms of the three planes of a display picture, the tone curve over them.

    Parameters
    ----------
    display : (3, rows, columns)
    sky_level : float, optional
        Display value that was solved for the sky.
    tone : (display values, linear light), optional
        Of the tone curve, light as a share of full scale.
    """
    width, height = 7.5 * INCH, 3.0 * INCH
    counts, edges = [], np.linspace(0.0, 1.0, 129)
    for plane in display:
        count, _ = np.histogram(plane[np.isfinite(plane)], bins=128, range=(0.0, 1.0))
        counts.append(np.maximum(count / max(count.sum(), 1), LEAST_SHARE))
    box = one_box(width, height, top=24.0, right=52.0)
    x, most = Axis(0.0, 1.0, "display value, 0 to 1"), float(np.max(counts))
    panel = Panel(box, x, Axis(0.5 * LEAST_SHARE, 2.0 * most, "share of pixels", log=True))
    for count, colour, name in zip(counts, PLANE_COLOURS, ("red", "green", "blue"), strict=True):
        panel.stairs(count, edges, colour, name=name)
    if sky_level is not None:
        panel.up(sky_level, GREY, dash="4 3", name="sky as solved")
    parts, names = [panel.text()], panel.legend
    if tone is not None and len(tone[0]) > 1:
        light = np.where(tone[1] > 0.0, tone[1], np.nan)
        ends = (float(np.nanmin(light)), float(np.nanmax(light))) if np.isfinite(light).any() else (0.1, 1.0)
        over = Panel(
            box, x, Axis(0.7 * ends[0], 1.5 * ends[1], "linear light, of full scale", log=True), right=True
        )
        over.line(tone[0], light, CURVE, width=1.5, name="tone curve")
        parts.append(over.text())
        names = [*names, *over.legend]
    return drawing(width, height, *parts, legend(names, 0.5 * width, 14.0, row=True))


def scale_svg(scale: Scale) -> str:
    """Return the star fluxes that the continuum scale was fitted to, and below them what each leaves of it."""
    width, height = 6.0 * INCH, 4.2 * INCH
    x, y = np.asarray(scale.broad_flux), np.asarray(scale.line_flux)
    good = np.isfinite(x) & np.isfinite(y) & (x > 0) & (y > 0)
    used = np.asarray(scale.used, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = 100.0 * (y / (scale.value * x) - 1.0)
    along = _decades(x[good & used], x[good], "star flux in broad plane, of full scale x px")
    whole = one_box(width, height, top=8.0)
    high = 0.6 * whole[3] - 0.5 * GAP
    top = Panel((*whole[:3], high), along, _decades(y[good & used], y[good], "flux in line"), named=False)
    low = Panel(
        (whole[0], whole[1] + high + GAP, whole[2], whole[3] - high - GAP),
        along,
        Axis(-55.0, 55.0, "residual, %"),
    )
    for panel, values in ((top, y), (low, np.clip(left, -50.0, 50.0))):
        panel.dots(x[good & ~used], values[good & ~used], "#8a8a8a", size=4.0, ring=True)
        panel.dots(x[good & used], values[good & used], "#2b8c72", size=4.0)
    ends = np.array([along.low, along.high])
    top.line(ends, scale.value * ends, "#b5651d")
    low.across(0.0, "#b5651d")
    return drawing(width, height, top.text(), low.text())


def _decades(values: Floats, beside: Floats, name: str) -> Axis:
    """Return an axis of decades that holds positive values, and of the others those that lie within a decade below."""
    if len(values) == 0:
        values = beside if len(beside) else np.array([1.0, 10.0])
    low = max(float(values.min()) / 10.0, float(np.min(beside, initial=float(values.min()))))
    high = max(float(values.max()), float(np.max(beside, initial=0.0)))
    return Axis(low / 1.3, high * 1.3, name, log=True)


def colours_svg(before: Floats, after: Floats) -> str:
    """Return star colours before and after the blends, R/G against B/G in linear light, each pair joined.

    Parameters
    ----------
    before, after : (3, n)
        Linear light of the planes.
    """
    width, height = 5.0 * INCH, 3.6 * INCH
    with np.errstate(divide="ignore", invalid="ignore"):
        (x0, y0), (x1, y1) = ((p[0] / p[1], p[2] / p[1]) for p in (before, after))
    good = np.isfinite(x0 + y0 + x1 + y1) & (np.minimum(np.minimum(x0, y0), np.minimum(x1, y1)) > 0)
    sides = []
    for ratios, name in ((x0[good], "red / green, linear"), (y0[good], "blue / green, linear")):
        # White is on the picture, and all stars but the oddest hundredth at either end.
        low, high = np.percentile([*ratios, 1.0], (1, 99))
        room = 0.1 * max(high - low, 0.1)
        sides.append(Axis(max(low - room, 0.0), high + room, name))
    panel = Panel(one_box(width, height, top=24.0), sides[0], sides[1])
    gap = np.full(int(good.sum()), np.nan)
    x, y = (np.stack([a[good], b[good], gap], axis=1).ravel() for a, b in ((x0, x1), (y0, y1)))
    panel.line(x, y, "#8a8a8a", width=0.8)
    panel.dots(x0[good], y0[good], "#2b62b0", size=4.0, ring=True, name="without lines")
    panel.dots(x1[good], y1[good], "#c2452d", size=2.5, name="with lines")
    panel.up(1.0, GREY, width=0.6)
    panel.across(1.0, GREY, width=0.6)
    return drawing(width, height, panel.text(), legend(panel.legend, 0.5 * width, 14.0, row=True))


def residuals_svg(left: Floats) -> str:
    """Return the histogram of what a registration leaves at its stars, (n, 2) px."""
    width, height = 4.2 * INCH, 3.0 * INCH
    reach = max(float(np.percentile(np.abs(left), 99)), 1e-3)
    edges = np.linspace(-reach, reach, max(8, min(40, len(left) // 4)) + 1)
    counts = [np.histogram(values, bins=edges)[0] for values in left.T]
    most = max(1, int(np.max(counts)))
    panel = Panel(
        one_box(width, height, top=8.0), Axis(-reach, reach, "residual, px"), Axis(0.0, 1.08 * most, "stars")
    )
    for count, colour, name in zip(
        counts, (PLANE_COLOURS[0], PLANE_COLOURS[2]), ("columns", "rows"), strict=True
    ):
        panel.stairs(count, edges, colour, name=name)
    return drawing(width, height, panel.text(), legend(panel.legend, width - 20.0, 22.0, row=False))


def arrows_svg(
    xy: NDArray[np.float64], left: NDArray[np.float64], shape: tuple[int, int], *, rms_px: float, upward: bool
) -> tuple[str, float]:
    """Return arrows of what a registration leaves at its stars, and the pixels that the key's arrow stands for.

    Parameters
    ----------
    xy, left : (n, 2)
        Places on the reference's grid, and differences there, px.
    shape : (rows, columns)
        Of the grid.
    rms_px : float
        Sets the scale: three times it is a tenth of the picture's width.
    upward : bool
        Rows are counted from the bottom.
    """
    rows, columns = shape
    wide = 6.0 * INCH - LEFT - RIGHT
    tall = max(1.0 * INCH, min(6.0 * INCH, wide * rows / columns))
    width, height = wide + LEFT + RIGHT, tall + KEY + BOTTOM
    key = float(f"{max(3.0 * rms_px, 1e-3):.1g}")
    scale = 0.1 * columns / key
    panel = Panel(
        (LEFT, KEY, wide, tall),
        Axis(0.0, float(columns), "column, px"),
        Axis(*((0.0, float(rows)) if upward else (float(rows), 0.0)), "row, px"),
    )
    panel.arrows(xy[:, 0], xy[:, 1], left[:, 0], left[:, 1], ARROW, scale=scale)
    panel.dots(xy[:, 0], xy[:, 1], "#808a84", size=2.0)
    start, along = 0.8 * width, 0.1 * wide
    shown = f'<path d="{arrow(start, 14.0, start + along, 14.0)}" fill="none" stroke="{ARROW}" stroke-width="1.2"/>'
    words = label(f"{key:g} px", start + along + 6.0, 17.0, "start")
    return drawing(width, height, panel.text(), shown, words), key
