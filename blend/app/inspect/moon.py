"""What the Moon does to a target tonight: a page of text, a table of the night and a plot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from blend.app.inspect.moon_against import against_lines, first_light
from blend.app.inspect.moon_input import Site, read_angle, read_site, read_time, sky_conditions
from blend.app.inspect.moon_plot import refuse_plot, write_plot
from blend.app.run import middle_of, open_target
from blend.base.errors import InputError, RecipeError
from blend.base.master import Facts, Master
from blend.files.cards import odd_card_note
from blend.science.moon import (
    ACCURACY_PERCENT,
    BAND_NM,
    LOWEST_TARGET_DEG,
    BestHours,
    Conditions,
    MoonPrediction,
    Slope,
    airglow_share,
    band_growth,
    best_hours,
    forecast_night,
    predict,
    slope_in_pixels,
)

SUN_CAUTION = (
    "The Sun is above the horizon: never point a telescope at it. "
    "An H-alpha imaging filter is no solar filter and protects neither eye nor camera."
)
_HEAD = "time UTC    target    Moon   apart   without Moon   with Moon"


def moon_command(
    path: Path | None = None,
    *,
    ra: float | str | None = None,
    dec: float | str | None = None,
    time: str | None = None,
    site: Site | None = None,
    plot: Path | None = None,
    overwrite: bool = False,
    against: Path | None = None,
    bias: float = 0.0,
    band_nm: float | None = None,
    **assumed: float,
) -> str:
    """Return the report on one time and its night, and write the plot if one is asked for.

    Parameters
    ----------
    path : Path, optional
        A target file (``.toml``), whose first light is asked, or a picture; what is given goes before its header. The
        middle of a stack is meant where its length is known; a position is that of the world coordinates or RA, DEC.
    ra, dec : float or str, optional
        ICRS, degrees; ``13:29:52.7`` or ``13h29m52.7s`` is hours of right ascension, ``+47:11:43`` declination.
    time, site : str, (latitude, longitude, height), optional
        UTC where it states no zone; degrees north, degrees east, metres.
    plot, overwrite : Path, bool
        A ``.png`` or ``.svg`` file; whether one that this command has not drawn may be lost.
    against, bias, band_nm : Path, float, float
        See `moon_against.against_lines`.
    **assumed
        See `moon_input.sky_conditions`.

    Raises
    ------
    RecipeError
        One of the values cannot be, only one of ``ra`` and ``dec`` is given, or the plot would replace another's file.
    """
    conditions = sky_conditions(**assumed)
    reads = [file for one in (path, against) if one is not None for file in _files_of(one)]
    refuse_plot(plot, reads=reads, overwrite=overwrite)
    given = _given(ra, dec, time, site)
    master = None if path is None else first_light(path)
    facts = replace(Facts() if master is None else master.facts, **given)
    moment = "date_obs" if time is None else "--time"
    lines = _answer(facts, path, moment, conditions, master=master, plot=plot)
    if path is not None:
        lines += [f"Note: {text}" for _, text in odd_card_note(facts, path.name)]
    if path is not None and against is not None:
        own = {"date_obs": facts.date_obs, "site": facts.site, "pointing": given.get("pointing")}
        own = {key: value for key, value in own.items() if value is not None}
        lines.append("")
        lines += against_lines(path, against, conditions=conditions, bias=bias, band_nm=band_nm, own=own)
    return "\n".join(lines)


def _given(
    ra: float | str | None, dec: float | str | None, time: str | None, site: Site | None
) -> dict[str, Any]:
    """Return the facts that are given."""
    given: dict[str, Any] = {} if time is None else {"date_obs": time, "frames": None}
    given |= {} if site is None else {"site": site}
    if ra is None and dec is None:
        return given
    if ra is None or dec is None:
        raise RecipeError(
            "--ra", found="only one of --ra and --dec", expected="both, or none for the header's"
        )
    place = (
        read_angle(ra, where="--ra", hours=True, most=360.0),
        read_angle(dec, where="--dec", hours=False, most=90.0),
    )
    return given | {"pointing": place, "wcs": None}


def _files_of(path: Path) -> list[Path]:
    if path.suffix.lower() != ".toml":
        return [path]
    return [path, *(file for _, file in open_target(path).paths())]


def _report(
    ra_deg: float,
    dec_deg: float,
    time: datetime,
    site: Site,
    *,
    conditions: Conditions,
    grid: tuple[Any, tuple[int, int]] | None = None,
) -> list[str]:
    """Return the lines about one time: Moon, sky, exposure times, and the gradient, on a picture's grid too."""
    now = predict(ra_deg=ra_deg, dec_deg=dec_deg, time=time, site=site, conditions=conditions)
    lines = [
        f"{now.place.time:%Y-%m-%d %H:%M} UTC, target at {ra_deg:.4f} {dec_deg:+.4f} degrees, "
        f"site {site[0]:+.4f} {site[1]:+.4f} degrees, {site[2]:.0f} m"
        + ("" if site[2] else " (taken where no height is stated: 1000 m move the answers by less than 1 %)"),
        *([SUN_CAUTION] if now.sun_up else []),
        _moon_line(now),
        _target_line(now),
    ]
    if not now.target_up:
        return lines
    lines += _sky_lines(now)
    lines += _band_lines(now)
    lines += _slope_lines(now, grid)
    return lines


def _night_table(night: Sequence[MoonPrediction]) -> list[str]:
    """Return the table of a night, a row every half hour, and the best hours below it."""
    if not night:
        return ["The Sun stays less than 12 degrees below the horizon this night: there is no table."]
    when = f"{night[0].place.time:%Y-%m-%d}"
    lines = [f"Night of {when}: altitudes and distance in degrees, sky in V mag/arcsec2", _HEAD]
    lines += [_row(hour) for hour in night]
    if any(hour.twilight for hour in night):
        lines.append("* twilight: the sky is brighter than given here")
    return [*lines, _best_line(night, best_hours(night))]


def _best_line(night: Sequence[MoonPrediction], best: BestHours | None) -> str:
    """Return the sentence on the best hours."""
    if best is None:
        if all(hour.twilight for hour in night):
            return "Best hours: none, the twilight lasts all night."
        return f"Best hours: none, the target stays below {LOWEST_TARGET_DEG:.0f} degrees in the dark."
    moon = "without the Moon" if best.moonless else "under the Moon"
    until = "" if best.begin == best.end else f" to {best.end:%H:%M}"
    return (
        f"Best hours: {best.begin:%H:%M}{until} UTC {moon}, predicted sky at best {best.darkest_mag:.2f} "
        f"(target above {LOWEST_TARGET_DEG:.0f} degrees, no twilight)."
    )


def _answer(
    facts: Facts,
    path: Path | None,
    moment: str,
    conditions: Conditions,
    *,
    master: Master | None,
    plot: Path | None,
) -> list[str]:
    """Return the report on what is known of a picture; ``moment`` is what its date is called in faults."""
    facts = _complete(facts, str(path))
    grid = None if facts.wcs is None or master is None else (facts.wcs, master.shape)
    ra_deg, dec_deg = facts.pointing or (0.0, 0.0)
    if grid is not None:
        if (middle := middle_of(*grid)) is None:
            found = "its world coordinates put no sky at the middle of the picture"
            raise InputError(str(path), found=found)
        ra_deg, dec_deg = middle
    half = timedelta(seconds=0.5 * (facts.exposure_s or 0.0) * (facts.frames or 1))
    time, site = read_time(str(facts.date_obs), where=moment) + half, read_site(facts.site)
    lines = _report(ra_deg, dec_deg, time, site, conditions=conditions, grid=grid)
    night = forecast_night(ra_deg=ra_deg, dec_deg=dec_deg, time=time, site=site, conditions=conditions)
    lines += ["", *_night_table(night), "", *_assumptions(conditions)]
    if plot is not None:
        place = f"{ra_deg:.3f}° {dec_deg:+.3f}°"
        title = f"Target at {place}"
        if path is not None:
            name = path.stem.removesuffix(".target") if path.suffix == ".toml" else path.name
            title = f"{name} ({place})"
        title += f", site {abs(site[0]):.2f}° {'NS'[site[0] < 0]} {abs(site[1]):.2f}° {'EW'[site[1] < 0]}"
        write_plot(plot, night, best_hours(night), title=title)
        lines.append(f"Plot in {plot}")
    return lines


def _moon_line(now: MoonPrediction) -> str:
    disc = f"{100 * now.place.illuminated:.1f} % lit (phase angle {now.place.phase_angle_deg:.1f} degrees)"
    if not now.moon_up:
        return f"Moon: below the horizon ({now.place.moon_altitude_deg:.1f} degrees), {disc}"
    apart = f"{now.place.separation_deg:.1f} from the target"
    return f"Moon: altitude {now.place.moon_altitude_deg:.1f} degrees, {disc}, {apart}"


def _target_line(now: MoonPrediction) -> str:
    sun = f"Sun at {now.place.sun_altitude_deg:.1f}"
    if now.twilight:
        sun += ", twilight or day: the sky is brighter than given here"
    if not now.target_up:
        return f"Target: below the horizon ({now.place.target_altitude_deg:.1f} degrees); {sun}"
    return f"Target: altitude {now.place.target_altitude_deg:.1f} degrees; {sun}"


def _sky_lines(now: MoonPrediction) -> list[str]:
    width, broad = now.conditions.width_nm, now.conditions.broad_width_nm
    return [
        f"Sky in V, mag/arcsec2: {now.sky_without_moon_mag:.2f} without the Moon, "
        f"{now.sky_with_moon_mag:.2f} with it, brighter by {now.brighter_by_mag:.2f} mag",
        "Exposure for the signal-to-noise of a moonless night, sky-limited: "
        f"x {now.broad_time_factor:.1f} in colour, x {now.line_time_factor:.1f} through {width:g} nm "
        "(less where read noise rules)",
        f"Sky through {width:g} nm under this Moon: {now.line_sky_share:.2f} of what a colour plane of "
        f"{broad:g} nm takes in without it",
    ]


def _band_lines(now: MoonPrediction) -> list[str]:
    grown = ", ".join(
        f"{name} x {band_growth(now.place, now.conditions, nm):.2f}" for name, nm in BAND_NM.items()
    )
    glow = ", ".join(f"{100 * airglow_share(nm):.0f} % in {name}" for name, nm in BAND_NM.items())
    return [
        f"Sky with the Moon over the sky without it: {grown}; of the latter airglow is {glow}, town light aside"
    ]


def _slope_lines(now: MoonPrediction, grid: tuple[Any, tuple[int, int]] | None) -> list[str]:
    lines = ["Gradient of the sky, % of its level a degree, and where it brightens to (north over east):"]
    for name, slope in {"V": now.slope, **now.colour_slopes}.items():
        text = f"  {name:<8}{slope.percent_per_deg:5.2f} %   towards {slope.position_angle_deg % 360:3.0f}"
        lines.append(text + (_on_grid(slope, grid) if grid is not None else ""))
    lines.append("  Colours other than V: Rayleigh part scaled by (550 nm / wavelength)^4, our extrapolation")
    return lines


def _on_grid(slope: Slope, grid: tuple[Any, tuple[int, int]]) -> str:
    on = slope_in_pixels(slope, *grid)
    return (
        f"; on this grid {on.across_percent:.2f} % over the frame, towards "
        f"({math.cos(math.radians(on.direction_deg)):+.2f} columns, "
        f"{math.sin(math.radians(on.direction_deg)):+.2f} rows)"
    )


def _assumptions(conditions: Conditions) -> list[str]:
    low, high = (2.5 * math.log10(1.0 + percent / 100.0) for percent in ACCURACY_PERCENT)
    return [
        f"Assumed: extinction {conditions.extinction:g} mag per airmass in V, moonless zenith "
        f"{conditions.zenith_mag:g} mag/arcsec2, no cloud, no snow",
        f"Model: Krisciunas & Schaefer (1991), good to {ACCURACY_PERCENT[0]} to {ACCURACY_PERCENT[1]} % "
        f"({low:.2f} to {high:.2f} mag), worse closer than 10 degrees to the Moon; "
        "it plans a night and is never subtracted",
    ]


def _row(hour: MoonPrediction) -> str:
    mark = "*" if hour.twilight else " "
    row = f"{hour.place.time:%H:%M}{mark}   {hour.place.target_altitude_deg:10.1f}{hour.place.moon_altitude_deg:8.1f}"
    row += f"{hour.place.separation_deg:8.1f}"
    if not hour.target_up:
        return f"{row}{'-':>15}{'-':>12}"
    return f"{row}{hour.sky_without_moon_mag:15.2f}{hour.sky_with_moon_mag:12.2f}"


def _complete(facts: Facts, where: str) -> Facts:
    known = {"date": facts.date_obs, "site": facts.site, "position": facts.wcs or facts.pointing}
    missing = [name for name, value in known.items() if value is None]
    if missing:
        raise InputError(
            where,
            found=f"its header states no {' and no '.join(missing)}",
            expected="date, site and position (world coordinates, or RA and DEC)",
            advice="give position, time and site on the command line",
        )
    return facts
