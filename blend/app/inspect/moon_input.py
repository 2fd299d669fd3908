"""Times, angles and sites for the Moon's report, from words of the command line or a header's facts."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

from blend.base.errors import RecipeError
from blend.science.moon import FIRST_YEAR, LAST_YEAR, Conditions, utc

Site = tuple[float, float, float]


def read_time(time: datetime | str, *, where: str = "--time") -> datetime:
    """Return a time in UTC, from text like ``2024-03-22T23:10:00`` or a datetime.

    Raises
    ------
    RecipeError
        No time, or one outside the years that the ephemeris knows.
    """
    try:
        moment = utc(datetime.fromisoformat(time.strip()) if isinstance(time, str) else time)
    except (ValueError, OverflowError):
        raise RecipeError(
            where, found=f"{time!r} is no time", expected="UTC, like 2024-03-22T23:10:00"
        ) from None
    if not FIRST_YEAR < moment.year < LAST_YEAR:
        raise RecipeError(
            where, found=f"the year {moment.year}", expected=f"{FIRST_YEAR + 1} to {LAST_YEAR - 1}"
        )
    return moment


def read_angle(value: float | str, *, where: str, hours: bool, most: float) -> float:
    """Return degrees from a number of degrees, or from text in hours or degrees, minutes and seconds.

    Raises
    ------
    RecipeError
        No angle, or one outside its range.

    Examples
    --------
    >>> read_angle("13h29m52.7s", where="--ra", hours=True, most=360.0)  # doctest: +ELLIPSIS
    202.4695...
    >>> read_angle("-05:30", where="--dec", hours=False, most=90.0)
    -5.5
    """
    degrees = _degrees(str(value), hours=hours)
    least = 0.0 if hours else -most
    if degrees is None or not least <= degrees <= most:
        like = "13:29:52.7 (hours)" if hours else "+47:11:43"
        expected = f"degrees from {least:.0f} to {most:.0f}, or like {like}"
        raise RecipeError(where, found=f"{value!r} is no such angle", expected=expected)
    return degrees


def read_site(site: Any) -> Site:
    """Return a site whose latitude, longitude and height can be.

    Raises
    ------
    RecipeError
        No place on Earth.
    """
    try:
        latitude, longitude, height = map(float, (*site, 0.0) if len(site) == 2 else site)
    except (TypeError, ValueError):
        latitude = longitude = height = math.nan
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 360.0 and -500.0 <= height <= 10_000.0):
        expected = "latitude (degrees north, -90 to 90), longitude (degrees east), height (m)"
        raise RecipeError("--site", found=f"{site!r} is no site", expected=expected)
    return (latitude, longitude, height)


def _degrees(text: str, *, hours: bool) -> float | None:
    from blend.files.cards import degrees_of

    try:
        return float(text)
    except ValueError:
        pass
    plain = text.strip().lower()
    for letter in "hdms°'\"":
        plain = plain.replace(letter, " ")
    degrees = degrees_of(" ".join(plain.replace(":", " ").split()))
    return None if degrees is None else degrees * (15.0 if hours else 1.0)


def sky_conditions(*, extinction: float = 0.25, zenith: float = 21.0, width_nm: float = 7.0) -> Conditions:
    """Return what a forecast assumes, each number within what can be.

    Magnitudes per airmass in V; moonless zenith, V magnitudes per square arcsecond; of the line filter.

    Raises
    ------
    RecipeError
        A value outside its range.
    """
    for where, value, low, high, unit in (
        ("--extinction", extinction, 0.01, 3.0, "magnitudes per airmass"),
        ("--zenith", zenith, 10.0, 24.0, "V magnitudes per square arcsecond"),
        ("--width-nm", width_nm, 0.01, 1000.0, "nanometres"),
    ):
        if not low <= value <= high:
            raise RecipeError(where, found=f"{value:g}", expected=f"{low:g} to {high:g} {unit}")
    return Conditions(extinction=extinction, zenith_mag=zenith, width_nm=width_nm)
