"""Plots for the pages, as SVG text that is the same for the same numbers."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.science.line import Scale

Floats = NDArray[np.float64]
PLANE_COLOURS = ("#d0503a", "#3d9450", "#4c7fd0")
"""Of middle lightness: they stand out from a light page and from a dark one."""
INK = "#010203"
"""Stands for the page's ink in a drawing, and becomes it in its text."""

_one_at_a_time = Lock()
"""matplotlib's settings are the process's: two drawings would put back each other's."""


def prepare() -> None:
    """Load what drawing needs, which takes half a second: for a thread that has nothing else to do yet."""
    _svg(_figure(1.0, 1.0)[0])


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
    figure, axes = _figure(7.5, 3.0, top=0.35)  # room for the names
    edges = np.linspace(0.0, 1.0, 129)
    for plane, colour, name in zip(display, PLANE_COLOURS, ("red", "green", "blue"), strict=True):
        count, _ = np.histogram(plane[np.isfinite(plane)], bins=edges)
        axes.stairs(np.maximum(count / max(count.sum(), 1), 1e-7), edges, color=colour, label=name)
    if sky_level is not None:
        axes.axvline(sky_level, color="#808080", linestyle="--", linewidth=1, label="sky as solved")
    axes.set(yscale="log", xlim=(0, 1), xlabel="display value, 0 to 1", ylabel="share of pixels")
    _plain_decades(axes.yaxis)
    if tone is not None and len(tone[0]) > 1:
        figure.subplots_adjust(right=0.88)
        light = axes.twinx()
        light.plot(*tone, color="#a06a14", linewidth=1.5, label="tone curve")
        light.set(yscale="log", ylabel="linear light, of full scale")
        _plain_decades(light.yaxis)
    lines = [handle for one in figure.axes for handle in one.get_legend_handles_labels()[0]]
    axes.legend(handles=lines, frameon=False, loc="lower center", bbox_to_anchor=(0.5, 0.98), ncols=5)
    return _svg(figure)


def scale_svg(scale: Scale) -> str:
    """Return the star fluxes that the continuum scale was fitted to, and below them what each leaves of it."""
    figure, axes = _figure(6.0, 4.2, panels=(3, 2))
    top, below = axes
    x, y = np.asarray(scale.broad_flux), np.asarray(scale.line_flux)
    good = np.isfinite(x) & np.isfinite(y) & (x > 0) & (y > 0)
    used = np.asarray(scale.used, dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = 100.0 * (y / (scale.value * x) - 1.0)
    for axis, values in ((top, y), (below, np.clip(left, -50.0, 50.0))):
        axis.plot(x[good & ~used], values[good & ~used], "o", mfc="none", mec="#8a8a8a", ms=3)
        axis.plot(x[good & used], values[good & used], "o", color="#2b8c72", ms=3)
    if good.any():
        ends = np.array([x[good].min(), x[good].max()])
        top.plot(ends, scale.value * ends, color="#b5651d", linewidth=1)
    below.axhline(0.0, color="#b5651d", linewidth=1)
    top.set(xscale="log", yscale="log", ylabel="flux in line")
    below.set(
        xscale="log",
        ylim=(-55, 55),
        xlabel="star flux in broad plane, of full scale x px",
        ylabel="residual, %",
    )
    _plain_decades(top.xaxis, top.yaxis, below.xaxis)
    return _svg(figure)


def colours_svg(before: Floats, after: Floats) -> str:
    """Return star colours before and after the blends, R/G against B/G in linear light, each pair joined.

    Parameters
    ----------
    before, after : (3, n)
        Linear light of the planes.
    """
    figure, axes = _figure(5.0, 3.6)
    with np.errstate(divide="ignore", invalid="ignore"):
        (x0, y0), (x1, y1) = ((p[0] / p[1], p[2] / p[1]) for p in (before, after))
    good = np.isfinite(x0 + y0 + x1 + y1) & (np.minimum(np.minimum(x0, y0), np.minimum(x1, y1)) > 0)
    axes.plot(np.stack([x0, x1])[:, good], np.stack([y0, y1])[:, good], color="#8a8a8a", linewidth=0.8)
    axes.plot(x0[good], y0[good], "o", mfc="none", mec="#2b62b0", ms=4, label="without lines")
    axes.plot(x1[good], y1[good], "o", color="#c2452d", ms=2, label="with lines")
    axes.axvline(1.0, color="#808080", linewidth=0.6)
    axes.axhline(1.0, color="#808080", linewidth=0.6)
    reach = float(np.percentile(np.concatenate([x0[good], y0[good]]), 98)) if good.any() else 2.0
    axes.set(
        xlim=(0, 1.2 * reach),
        ylim=(0, 1.2 * reach),
        xlabel="red / green, linear",
        ylabel="blue / green, linear",
    )
    axes.legend(frameon=False, loc="upper right")
    return _svg(figure)


def residuals_svg(left: Floats) -> str:
    """Return the histogram of what a registration leaves at its stars, (n, 2) px."""
    figure, axes = _figure(4.2, 3.0)
    reach = max(float(np.percentile(np.abs(left), 99)), 1e-3)
    edges = np.linspace(-reach, reach, max(8, min(40, len(left) // 4)) + 1)
    for values, colour, name in zip(
        left.T, (PLANE_COLOURS[0], PLANE_COLOURS[2]), ("columns", "rows"), strict=True
    ):
        axes.stairs(np.histogram(values, bins=edges)[0], edges, color=colour, label=name)
    axes.set(xlabel="residual, px", ylabel="stars")
    axes.legend(frameon=False, loc="upper right")
    return _svg(figure)


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
    figure, axes = _figure(6.0, max(2.0, min(6.0, 6.0 * rows / columns)), top=0.4)  # room for the key
    key = float(f"{max(3.0 * rms_px, 1e-3):.1g}")
    options = {"angles": "xy", "scale_units": "xy", "scale": key / (0.1 * columns), "width": 0.003}
    arrows = axes.quiver(xy[:, 0], xy[:, 1], left[:, 0], left[:, 1], color="#c8622e", **options)
    axes.plot(xy[:, 0], xy[:, 1], ".", color="#808a84", ms=2)
    axes.quiverkey(arrows, 0.8, 1.05, key, f"{key:g} px", labelpos="E", coordinates="axes", labelcolor=INK)
    axes.set(xlim=(0, columns), ylim=(0, rows) if upward else (rows, 0), aspect="equal")
    axes.set(xlabel="column, px", ylabel="row, px")
    return _svg(figure), key


def _figure(
    width: float, height: float, *, top: float = 0.12, panels: tuple[int, ...] = (1,)
) -> tuple[Any, Any]:
    """Return a figure without ground and its axes: one, or panels of such heights above each other."""
    from matplotlib.figure import Figure

    # Margins in inches: a layout that measures every label first takes as long as the drawing.
    figure = Figure(figsize=(width, height))
    figure.patch.set_visible(False)
    figure.subplots_adjust(
        left=min(0.4, 0.72 / width),
        right=1.0 - 0.2 / width,
        bottom=min(0.3, 0.48 / height),
        top=1.0 - min(0.4, top / height),
    )
    axes = figure.subplots(len(panels), sharex=True, height_ratios=panels)
    for one in np.atleast_1d(axes):
        one.patch.set_visible(False)
    return figure, axes


def _in_ink(figure: Any) -> None:
    """Give everything that is black the colour that becomes the page's ink."""
    from matplotlib.lines import Line2D
    from matplotlib.spines import Spine
    from matplotlib.text import Text

    for artist in figure.findobj(
        lambda one: isinstance(one, (Line2D, Text)) and one.get_color() in ("black", "k")
    ):
        artist.set_color(INK)
    for spine in figure.findobj(Spine):
        spine.set_edgecolor(INK)
    for axes in figure.axes:
        axes.tick_params(which="both", color=INK, labelcolor=INK)


def _plain_decades(*axes: Any) -> None:
    """Mark the decades of logarithmic axes, and few places between: text set as formulas takes a third of a second."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    for axis in axes:
        axis.set_major_locator(LogLocator(numticks=6))
        axis.set_minor_locator(LogLocator(subs=(2.0, 5.0), numticks=6))
        axis.set_major_formatter(FuncFormatter(_power_of_ten))
        axis.set_minor_formatter(NullFormatter())


def _power_of_ten(value: float, _place: int = 0) -> str:
    """Return a power of ten in figures.

    Examples
    --------
    >>> _power_of_ten(0.01), _power_of_ten(1000.0), _power_of_ten(1e-6)
    ('10⁻²', '10³', '10⁻⁶')
    """
    power = round(float(np.log10(value))) if value > 0.0 else 0
    if power in (0, 1):
        return f"{value:g}"
    return "10" + str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def _svg(figure: Any) -> str:
    # matplotlib finds its renderer by an exception, whose traceback keeps every calling frame alive until the next
    # collection of garbage. In a thread of its own these hold the figure alone, not a run's gigabytes.
    with ThreadPoolExecutor(max_workers=1) as apart:
        return apart.submit(_saved, figure).result()


def _saved(figure: Any) -> str:
    import matplotlib as mpl

    text = io.StringIO()
    _in_ink(figure)
    with _one_at_a_time, mpl.rc_context({"svg.hashsalt": "blend", "svg.fonttype": "path"}):
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    whole = text.getvalue()
    return whole[whole.index("<svg") :].replace(INK, "currentColor")
