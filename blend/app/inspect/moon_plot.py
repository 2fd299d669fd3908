"""The plot of a night under the Moon, the same bytes for the same numbers."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

from blend.base.errors import RecipeError, StepError
from blend.files.claim import refuse_paths
from blend.files.seal import is_sealed, sealed
from blend.files.whole import write_whole
from blend.science.moon import LOWEST_TARGET_DEG, BestHours, MoonPrediction

TARGET, MOON, DARK, BEST = "#1f6f5c", "#b5651d", "#5a6b8c", "#dfe9e5"
_HOUR_S = 3600.0
"""Seconds in an hour."""


def night_plot(night: Sequence[MoonPrediction], best: BestHours | None, *, kind: str) -> bytes:
    """Return the plot of a night as a PNG or SVG file.

    Parameters
    ----------
    night : sequence of MoonPrediction
        In the order of time.
    best : BestHours or None
        Shaded.
    kind : {"png", "svg"}

    Raises
    ------
    StepError
        The night has no dark hour.
    """
    import matplotlib as mpl

    if not night:
        raise StepError(
            "moon plot",
            found="the night has no hour with the Sun 12 degrees below the horizon",
            advice="choose another date, or leave the plot out",
        )
    # Whoever dates or names the maker of a picture changes its bytes from day to day.
    metadata: dict[str, Any] = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
    data = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "blend", "svg.fonttype": "path"}):
        night_figure(night, best).savefig(data, format=kind, dpi=110, metadata=metadata)
    return data.getvalue()


def refuse_plot(plot: Path | None, *, reads: Sequence[Path] = (), overwrite: bool = False) -> None:
    """Raise `RecipeError` where a plot has no name of its kind, or would replace a file that it must not."""
    if plot is None:
        return
    if plot.suffix.lower() not in (".png", ".svg"):
        raise RecipeError("--plot", found=f"the name {plot}", expected="one that ends in .png or .svg")
    refuse_paths([(plot, is_sealed)], reads=reads, overwrite=overwrite)


def write_plot(plot: Path, night: Sequence[MoonPrediction], best: BestHours | None) -> None:
    """Draw a night into a file that `refuse_plot` has let pass, whole and with its mark."""
    kind: Literal["png", "svg"] = "png" if plot.suffix.lower() == ".png" else "svg"
    write_whole(plot, sealed(night_plot(night, best, kind=kind), kind=kind))


def night_figure(night: Sequence[MoonPrediction], best: BestHours | None) -> Any:
    """Return a figure of altitudes above and of the sky's brightness below, over the hours of a night."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.5, 5.2), layout="constrained")
    figure.patch.set_facecolor("#ffffff")
    upper, lower = figure.subplots(2, 1, sharex=True)
    hours = [_hours(night, hour.time) for hour in night]
    upper.plot(hours, [hour.target_altitude_deg for hour in night], color=TARGET, label="target")
    upper.plot(hours, [hour.moon_altitude_deg for hour in night], color=MOON, label="Moon")
    upper.axhline(LOWEST_TARGET_DEG, color="#9a9a9a", linestyle=":", linewidth=1, label="lowest for a target")
    upper.set(ylim=(0, 90), ylabel="altitude, degrees")
    upper.set_title(f"Night of {night[0].time:%Y-%m-%d}", fontsize=10)
    lower.plot(hours, [hour.sky_without_moon_mag for hour in night], color=DARK, label="without the Moon")
    lower.plot(hours, [hour.sky_with_moon_mag for hour in night], color=MOON, label="with the Moon")
    lower.invert_yaxis()
    lower.set(ylabel="sky, V mag/arcsec²", xlabel="hour, UTC")
    lower.xaxis.set_major_formatter(lambda value, _: f"{value % 24:.0f}")
    lower.xaxis.set_major_locator(_even_hours())
    for axes in (upper, lower):
        if best is not None:
            span = _hours(night, best.begin), _hours(night, best.end)
            axes.axvspan(*span, color=BEST, zorder=0, label="best hours" if axes is upper else None)
        axes.legend(frameon=False, loc="best", fontsize=8, ncols=2)
    return figure


def _hours(night: Sequence[MoonPrediction], time: Any) -> float:
    midnight = night[0].time.replace(hour=0, minute=0, second=0, microsecond=0)
    return float((time - midnight).total_seconds() / _HOUR_S)


def _even_hours() -> Any:
    from matplotlib.ticker import MultipleLocator

    return MultipleLocator(1.0)
