"""Places of Moon, Sun and target: closed forms, eclipses, and no word to the network."""

from __future__ import annotations

import socket
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import pytest

from blend.science.moon.ephemeris import (
    SkyPlace,
    bundled_tables,
    phase_angle,
    sky_places,
)

SITE = (48.0, 11.0, 500.0)


def place(time: datetime, *, site: tuple[float, float, float] = SITE, dec: float = -5.4) -> SkyPlace:
    """Return one place."""
    (found,) = sky_places(ra_deg=83.8, dec_deg=dec, times=[time], site=site)
    return found


def test_phase_angle_in_line_and_at_a_right_angle() -> None:
    one, many = np.ones(3), np.full(3, 389.0)
    found = phase_angle(np.array([180.0, 0.0, 90.0]), one, many)
    np.testing.assert_allclose(found, [0.0, 180.0, np.degrees(np.arctan(389.0))], atol=1e-12)


def test_the_moon_is_full_in_a_lunar_eclipse() -> None:
    # Greatest eclipse 2022-11-08 10:59 UT (eclipse tables, from memory), seen from Hawaii. The Moon is within
    # 0.3 degrees of the axis of the shadow; parallax adds at most 1 degree for an observer.
    found = place(datetime(2022, 11, 8, 10, 59), site=(19.8, -155.5, 4200.0))
    assert found.moon_altitude_deg > 30.0
    assert found.phase_angle_deg < 1.3
    assert found.illuminated > 0.9998


def test_the_moon_covers_the_sun_in_a_total_eclipse() -> None:
    # Totality at Mazatlan about 2024-04-08 18:09 UT (eclipse tables, from memory): the centres are within the
    # difference of the radii, 0.02 degrees, and some arc minutes more for the minutes.
    found = place(datetime(2024, 4, 8, 18, 9), site=(23.22, -106.42, 10.0))
    assert found.phase_angle_deg > 179.9
    assert found.moon_altitude_deg == pytest.approx(found.sun_altitude_deg, abs=0.05)


def test_a_target_on_the_meridian_has_the_zenith_in_the_north() -> None:
    times = [datetime(2024, 1, 10, 18, tzinfo=UTC) + timedelta(minutes=10 * step) for step in range(48)]
    places = sky_places(ra_deg=83.8, dec_deg=-5.4, times=times, site=SITE)
    highest = max(places, key=lambda one: one.target_altitude_deg)
    # Culmination at 90 - latitude + declination; five minutes off it cost 0.03 degrees and a turn by 2.
    assert highest.target_altitude_deg == pytest.approx(90.0 - 48.0 - 5.4, abs=0.1)
    assert min(highest.zenith_position_angle_deg, 360 - highest.zenith_position_angle_deg) < 2.0
    # A target in the east has the zenith to its west.
    assert places[0].zenith_position_angle_deg > 270.0
    assert places[-1].zenith_position_angle_deg < 90.0


def test_zones_are_minded() -> None:
    here = datetime(2024, 3, 23, 0, 0, tzinfo=timezone(timedelta(hours=2)))
    assert place(here) == place(datetime(2024, 3, 22, 22, 0))


def test_no_times_no_places() -> None:
    assert sky_places(ra_deg=0.0, dec_deg=0.0, times=[], site=SITE) == ()


def test_the_network_is_not_asked_and_settings_come_back(monkeypatch: pytest.MonkeyPatch) -> None:
    from astropy.utils import iers

    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("asked the network")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "create_connection", refuse)
    monkeypatch.setattr(iers.IERS_Auto, "iers_table", None)
    before = (iers.conf.auto_download, iers.conf.auto_max_age, iers.conf.iers_degraded_accuracy)
    sky_places(ra_deg=1.0, dec_deg=2.0, times=[datetime(1950, 1, 1), datetime(2090, 1, 1)], site=SITE)
    assert (iers.conf.auto_download, iers.conf.auto_max_age, iers.conf.iers_degraded_accuracy) == before


def test_settings_come_back_after_a_fault() -> None:
    from astropy.utils import iers

    before = iers.conf.auto_download
    with pytest.raises(KeyError), bundled_tables():
        assert not iers.conf.auto_download
        raise KeyError
    assert iers.conf.auto_download == before


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"dec": 91.0}, "no place on the sky: right ascension 83.8, declination 91.0 degrees"),
        (
            {"site": (91.0, 0.0, 0.0)},
            "no place on Earth: (91.0, 0.0, 0.0) (latitude, longitude, height in metres)",
        ),
        ({"time": datetime(1850, 1, 1)}, "the year 1850 is outside 1900 to 2100"),
    ],
)
def test_what_cannot_be_is_refused(changes: dict[str, object], words: str) -> None:
    with pytest.raises(ValueError) as fault:
        place(**{"time": datetime(2024, 1, 1), **changes})  # type: ignore[arg-type]
    assert str(fault.value) == words
