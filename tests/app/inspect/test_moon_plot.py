"""The plot of a night: who and where, twilight to the minute, the error of the moonlight, best hours."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from blend.app.inspect.moon_plot import night_figure
from blend.science.moon import Conditions, best_hours, forecast_night

NIGHT = {"ra_deg": 202.47, "dec_deg": 47.2, "site": (51.0, 11.0, 400.0), "conditions": Conditions()}


def drawn(time: datetime, **changes: Any) -> Any:
    night = forecast_night(time=time, **{**NIGHT, **changes})
    return night, night_figure(night, best_hours(night), title="lantern $x$, site 51° N")


def spans(axes: Any) -> list[tuple[float, float]]:
    """Return the shaded hours of a panel."""
    found = [patch.get_path().get_extents(patch.get_patch_transform()) for patch in axes.patches]
    return [(float(box.x0), float(box.x1)) for box in found]


def test_twilight_is_shaded_to_where_the_sun_stands_18_degrees_low_and_best_hours_hold_none() -> None:
    night, figure = drawn(datetime(2026, 3, 12, 23, tzinfo=UTC))
    assert figure.axes[0].get_title().startswith("lantern \\$x\\$, site 51° N\nnight of 2026-03-12")
    for axes in figure.axes:
        evening, morning, best = spans(axes)
        # an hour is drawn every half hour: the ends lie between the rows around them, found on the Sun's own line
        before = [hour for hour in night if hour.place.sun_altitude_deg > -18.0 and hour.place.time.hour > 12]
        assert 0.0 < evening[1] - (before[-1].place.time.hour + before[-1].place.time.minute / 60.0) < 0.5
        assert evening[1] <= best[0] < best[1] <= morning[0]


def test_the_band_is_the_error_of_the_moonlight_and_vanishes_with_the_moon() -> None:
    night, figure = drawn(datetime(2026, 3, 5, 23, tzinfo=UTC))
    band = figure.axes[2].collections[0].get_paths()[0].vertices
    for hour in night:
        at = (hour.place.time - night[0].place.time.replace(hour=0, minute=0)).total_seconds() / 3600.0
        levels = band[abs(band[:, 0] - at) < 1e-9][:, 1]
        moon = 10.0 ** (-0.4 * hour.sky_with_moon_mag) - 10.0 ** (-0.4 * hour.sky_without_moon_mag)
        wide = 10.0 ** (-0.4 * min(levels)) - 10.0 ** (-0.4 * max(levels))
        assert wide == pytest.approx(2 * 0.23 * moon, rel=1e-6, abs=1e-15)


def test_a_white_night_is_shaded_from_end_to_end() -> None:
    night, figure = drawn(datetime(2024, 6, 21, 22, tzinfo=UTC))
    assert spans(figure.axes[0]) == [pytest.approx(figure.axes[0].get_xlim())]
    assert len(night) > 2


def test_a_target_that_never_rises_is_told_in_place_of_its_sky() -> None:
    _, figure = drawn(datetime(2026, 3, 12, 23, tzinfo=UTC), dec_deg=-60.0)
    assert [text.get_text() for text in figure.axes[2].texts] == ["the target stays below the horizon"]
    assert list(figure.axes[2].get_yticks()) == []
