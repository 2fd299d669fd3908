"""The hours of one night: when a target is high and its sky darkest under the Moon."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from blend.science.moon.ephemeris import sky_places, utc
from blend.science.moon.forecast import Conditions, MoonPrediction, predict_at

STEP = timedelta(minutes=30)
SHOWN_SUN_DEG = -12.0
"""Sun altitude from which an hour is shown at all: the end of nautical twilight (common practice)."""
LOWEST_TARGET_DEG = 30.0
"""Below this air dims and blurs twice as much as at the zenith (common practice)."""
AS_GOOD_MAG = 0.1
"""Hours this close to the darkest count as equally good: no model of moonlight is better than that."""


@dataclass(frozen=True, kw_only=True)
class BestHours:
    """An unbroken run of the night's best hours."""

    # begin and end: UTC, both on the half hour; equal where only one moment is good
    begin: datetime
    end: datetime
    darkest_mag: float  # best predicted sky of the run, V magnitudes per square arcsecond
    moonless: bool  # whether the Moon is below the horizon throughout


def forecast_night(
    *,
    ra_deg: float,
    dec_deg: float,
    time: datetime,
    site: tuple[float, float, float],
    conditions: Conditions,
) -> tuple[MoonPrediction, ...]:
    """Return a prediction every half hour of the night, from one local noon to the next, that holds ``time``.

    Parameters
    ----------
    ra_deg, dec_deg, time, site
        As for `forecast.predict`.
    conditions : Conditions

    Returns
    -------
    tuple of MoonPrediction
        Where the Sun is 12 degrees and more below the horizon; empty in a summer night far north or south.
    """
    times = half_hours(time, longitude_deg=site[1])
    places = sky_places(ra_deg=ra_deg, dec_deg=dec_deg, times=times, site=site)
    return tuple(predict_at(place, conditions) for place in places if place.sun_altitude_deg < SHOWN_SUN_DEG)


def half_hours(time: datetime, *, longitude_deg: float) -> tuple[datetime, ...]:
    """Return the 48 full and half hours, UTC, between the local mean noons before and after ``time``.

    Examples
    --------
    >>> times = half_hours(datetime(2024, 3, 23, 1, 10), longitude_deg=-71.0)
    >>> times[0].isoformat(), times[-1].isoformat(), len(times)
    ('2024-03-22T17:00:00+00:00', '2024-03-23T16:30:00+00:00', 48)
    """
    moment = utc(time)
    east = timedelta(hours=longitude_deg / 15.0)  # 15 degrees an hour
    noon = (moment + east).replace(hour=12, minute=0, second=0, microsecond=0)
    if noon > moment + east:
        noon -= timedelta(days=1)
    first = _next_half_hour(noon - east)
    return tuple(first + step * STEP for step in range(timedelta(days=1) // STEP))


def best_hours(night: Sequence[MoonPrediction]) -> BestHours | None:
    """Return the half hours about the darkest predicted sky, target above 30 degrees, without twilight.

    Returns
    -------
    BestHours or None
        None where the target never stands that high in the dark.
    """
    good = [not h.twilight and h.place.target_altitude_deg >= LOWEST_TARGET_DEG for h in night]
    if not any(good):
        return None
    skies = [h.sky_with_moon_mag if fine else -math.inf for h, fine in zip(night, good, strict=True)]
    darkest = max(skies)
    kept = [sky >= darkest - AS_GOOD_MAG for sky in skies]
    first = last = skies.index(darkest)
    while first > 0 and kept[first - 1] and _follow(night[first - 1], night[first]):
        first -= 1
    while last + 1 < len(night) and kept[last + 1] and _follow(night[last], night[last + 1]):
        last += 1
    return BestHours(
        begin=night[first].place.time,
        end=night[last].place.time,
        darkest_mag=darkest,
        moonless=not any(hour.moon_up for hour in night[first : last + 1]),
    )


def _follow(one: MoonPrediction, other: MoonPrediction) -> bool:
    """Tell whether no hour was left out between two rows, as a white polar night may leave out its middle."""
    return other.place.time - one.place.time <= STEP


def _next_half_hour(time: datetime) -> datetime:
    past = timedelta(minutes=time.minute % 30, seconds=time.second, microseconds=time.microsecond)
    return time if not past else time - past + STEP
