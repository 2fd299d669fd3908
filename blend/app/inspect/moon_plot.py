"""The plot of a night under the Moon, the same bytes for the same numbers."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from blend.base.errors import RecipeError, StepError
from blend.files.claim import refuse_paths
from blend.files.seal import is_sealed, sealed
from blend.files.whole import write_whole
from blend.science.moon import ACCURACY_PERCENT, LOWEST_TARGET_DEG, BestHours, MoonPrediction

TARGET, MOON, DARK, BEST, TWILIGHT = "#1f6f5c", "#b5651d", "#4a5a7a", "#cfe6dd", "#e4e1ee"
ASTRONOMICAL_DEG = -18.0
"""Altitude of the Sun at which twilight ends (astronomical twilight, common practice)."""
_HOUR_S = 3600.0
"""Seconds in an hour."""


def refuse_plot(plot: Path | None, *, reads: Sequence[Path] = (), overwrite: bool = False) -> None:
    """Raise `RecipeError` where a plot has no name of its kind, or would replace a file that it must not.

    Raises
    ------
    RecipeError
        Another ending than .png or .svg.
    """
    if plot is None:
        return
    if plot.suffix.lower() not in (".png", ".svg"):
        raise RecipeError("--plot", found=f"the name {plot}", expected="one that ends in .png or .svg")
    refuse_paths([(plot, is_sealed)], reads=reads, overwrite=overwrite)


def write_plot(
    plot: Path, night: Sequence[MoonPrediction], best: BestHours | None, *, title: str = ""
) -> None:
    """Draw a night, in the order of time, into a file that `refuse_plot` has let pass, whole and with its mark.

    Raises
    ------
    StepError
        The night has no dark hour.
    """
    import matplotlib as mpl

    if not night:
        found = "the night has no hour with the Sun 12 degrees below the horizon"
        raise StepError("moon plot", found=found, advice="choose another date, or leave the plot out")
    kind: Literal["png", "svg"] = "png" if plot.suffix.lower() == ".png" else "svg"
    # Whoever dates or names the maker of a picture changes its bytes from day to day.
    metadata: dict[str, Any] = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
    data = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "blend", "svg.fonttype": "path"}):
        night_figure(night, best, title=title).savefig(data, format=kind, dpi=110, metadata=metadata)
    write_whole(plot, sealed(data.getvalue(), kind=kind))


def night_figure(night: Sequence[MoonPrediction], best: BestHours | None, *, title: str = "") -> Any:
    """Return a figure of altitudes, of the distance to the Moon and of the sky's brightness over the hours of a night.

    Twilight and the best hours, which hold none of it, are shaded.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import MultipleLocator

    figure = Figure(figsize=(7.5, 7.0), layout="constrained")
    figure.patch.set_facecolor("#ffffff")
    upper, middle, lower = figure.subplots(3, 1, sharex=True, height_ratios=(3, 1.6, 3))
    hours = [_hours(night, hour.place.time) for hour in night]
    upper.plot(hours, [hour.place.target_altitude_deg for hour in night], color=TARGET, label="target")
    upper.plot(
        hours, [hour.place.moon_altitude_deg for hour in night], color=MOON, linestyle="--", label="Moon"
    )
    upper.axhline(LOWEST_TARGET_DEG, color="#767676", linestyle=":", linewidth=1, label="lowest for a target")
    upper.set(ylim=(0, 90), ylabel="altitude, degrees")
    # a formula's signs in a name are text
    heading = f"{title}\nnight of {night[0].place.time:%Y-%m-%d}".strip().replace("$", r"\$")
    upper.set_title(heading, fontsize=10)
    apart = [hour.place.separation_deg for hour in night]
    middle.plot(hours, apart, color=MOON, linestyle="-.")
    middle.set(ylim=_room(apart), ylabel="target to Moon,\ndegrees")
    without = [hour.sky_without_moon_mag for hour in night]
    lower.plot(hours, without, color=DARK, linestyle="--", label="without the Moon (assumed)")
    lower.plot(hours, [hour.sky_with_moon_mag for hour in night], color=MOON, label="with the Moon")
    most = ACCURACY_PERCENT[1]
    faint, bright = ([_with_moonlight(hour, 1.0 + sign * most / 100.0) for hour in night] for sign in (-1, 1))
    lower.fill_between(
        hours, faint, bright, color=MOON, alpha=0.25, linewidth=0, label=f"+- {most} % of its light"
    )
    if not any(map(math.isfinite, without)):
        words = "the target stays below the horizon"
        lower.text(0.5, 0.6, words, transform=lower.transAxes, ha="center", color="#3c3c3c")
        lower.set_yticks([])
    lower.invert_yaxis()
    lower.set(
        ylabel="sky, V mag/arcsec²", xlabel="hour, UTC", xlim=(hours[0], max(hours[-1], hours[0] + 0.5))
    )
    lower.xaxis.set_major_formatter(lambda value, _: f"{value % 24:.0f}")
    lower.xaxis.set_major_locator(MultipleLocator(1.0))
    for axes in (upper, middle, lower):
        _shade(axes, night, best, told=axes is upper)
    for axes in (upper, lower):
        axes.legend(frameon=True, framealpha=0.8, edgecolor="none", loc="best", fontsize=8, ncols=2)
    return figure


def _shade(axes: Any, night: Sequence[MoonPrediction], best: BestHours | None, *, told: bool) -> None:
    """Shade twilight, to the minute at which it ends, and the best hours; one good moment is a line."""
    for number, (begin, end) in enumerate(_twilight(night)):
        axes.axvspan(begin, end, color=TWILIGHT, zorder=0, label="twilight" if told and number == 0 else None)
    if best is None:
        return
    begin, end = _hours(night, best.begin), _hours(night, best.end)
    label = "best hours" if told else None
    if begin == end:
        axes.axvline(begin, color=BEST, linewidth=4, zorder=0, label=label)
    else:
        axes.axvspan(begin, end, color=BEST, zorder=0, label=label)


def _twilight(night: Sequence[MoonPrediction]) -> list[tuple[float, float]]:
    """Return begin and end of the hours in which the Sun stands higher than 18 degrees below the horizon."""
    spans: list[tuple[float, float]] = []
    for one, other in pairwise(night):
        begin, end = _hours(night, one.place.time), _hours(night, other.place.time)
        sun, then = (hour.place.sun_altitude_deg - ASTRONOMICAL_DEG for hour in (one, other))
        if sun <= 0.0 and then <= 0.0:
            continue
        if sun * then < 0.0:
            crossing = begin + (end - begin) * sun / (sun - then)
            begin, end = (begin, crossing) if sun > 0.0 else (crossing, end)
        if spans and spans[-1][1] == begin:
            begin = spans.pop()[0]
        spans.append((begin, end))
    return spans


def _with_moonlight(hour: MoonPrediction, share: float) -> float:
    """Return the sky's magnitude where the moonlight is ``share`` of what is predicted."""
    moon_over_dark = 10.0 ** (0.4 * hour.brighter_by_mag) - 1.0
    return hour.sky_without_moon_mag - 2.5 * math.log10(1.0 + share * moon_over_dark)


def _room(values: Sequence[float]) -> tuple[float, float]:
    """Return limits with room about some angles: at least 10 degrees, so that a slow change looks like one."""
    middle, half = 0.5 * (min(values) + max(values)), max(5.0, 0.6 * (max(values) - min(values)))
    return max(0.0, middle - half), min(180.0, middle + half)


def _hours(night: Sequence[MoonPrediction], time: Any) -> float:
    midnight = night[0].place.time.replace(hour=0, minute=0, second=0, microsecond=0)
    return float((time - midnight).total_seconds() / _HOUR_S)
