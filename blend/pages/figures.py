"""Plots for the pages, as SVG text that is the same for the same numbers."""

from __future__ import annotations

import io
from concurrent.futures import ThreadPoolExecutor
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.science.line import Scale

PLANE_COLOURS = ("#c2452d", "#2f7d3b", "#2b62b0")

_one_at_a_time = Lock()
"""matplotlib's settings are the process's: two drawings would put back each other's."""


def prepare() -> None:
    """Load what drawing needs, which takes half a second: for a thread that has nothing else to do yet."""
    _svg(_figure(1.0, 1.0)[0])


def histogram_svg(display: NDArray[np.float32], sky_level: float | None) -> str:
    """Return histograms of the three planes of a display picture, shares of pixels on a logarithmic axis."""
    figure, axes = _figure(7.5, 2.6)
    edges = np.linspace(0.0, 1.0, 129)
    for plane, colour, name in zip(display, PLANE_COLOURS, ("red", "green", "blue"), strict=True):
        count, _ = np.histogram(plane[np.isfinite(plane)], bins=edges)
        axes.stairs(np.maximum(count / max(count.sum(), 1), 1e-7), edges, color=colour, label=name)
    if sky_level is not None:
        axes.axvline(sky_level, color="#808080", linestyle="--", linewidth=1)
    axes.set(yscale="log", xlim=(0, 1), xlabel="display value", ylabel="share of pixels")
    _plain_decades(axes.yaxis)
    axes.legend(frameon=False, loc="upper right")
    return _svg(figure)


def scale_svg(scale: Scale) -> str:
    """Return the star fluxes that the continuum scale was fitted to."""
    figure, axes = _figure(5.0, 3.2)
    x, y = np.asarray(scale.broad_flux), np.asarray(scale.line_flux)
    good = np.isfinite(x) & np.isfinite(y) & (x > 0) & (y > 0)
    used = np.asarray(scale.used, dtype=bool)
    axes.plot(x[good & ~used], y[good & ~used], "o", mfc="none", mec="#8a8a8a", ms=3)
    axes.plot(x[good & used], y[good & used], "o", color="#1f6f5c", ms=3)
    if good.any():
        ends = np.array([x[good].min(), x[good].max()])
        axes.plot(ends, scale.value * ends, color="#b5651d", linewidth=1)
    axes.set(xscale="log", yscale="log", xlabel="star flux, broad plane", ylabel="star flux, line")
    _plain_decades(axes.xaxis, axes.yaxis)
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
    arrows = axes.quiver(xy[:, 0], xy[:, 1], left[:, 0], left[:, 1], color="#b5471d", **options)
    axes.plot(xy[:, 0], xy[:, 1], ".", color="#5a655f", ms=2)
    axes.quiverkey(arrows, 0.8, 1.05, key, f"{key:g} px", labelpos="E", coordinates="axes")
    axes.set(xlim=(0, columns), ylim=(0, rows) if upward else (rows, 0), aspect="equal")
    axes.set(xlabel="column", ylabel="row")
    return _svg(figure), key


def _figure(width: float, height: float, *, top: float = 0.12) -> tuple[Any, Any]:
    from matplotlib.figure import Figure

    # Margins in inches: a layout that measures every label first takes as long as the drawing.
    figure = Figure(figsize=(width, height))
    figure.patch.set_facecolor("#ffffff")
    figure.subplots_adjust(
        left=min(0.4, 0.72 / width),
        right=1.0 - 0.2 / width,
        bottom=min(0.3, 0.48 / height),
        top=1.0 - min(0.4, top / height),
    )
    return figure, figure.add_subplot()


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
    with _one_at_a_time, mpl.rc_context({"svg.hashsalt": "blend", "svg.fonttype": "path"}):
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    whole = text.getvalue()
    return whole[whole.index("<svg") :]
