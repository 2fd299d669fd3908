"""The Moon: where it stands, how bright it makes the sky, and what a night will be like."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.moon.bands import BAND_NM, airglow_share, band_growth, sky_in_band
    from blend.science.moon.ephemeris import FIRST_YEAR, LAST_YEAR, SkyPlace, sky_places, utc
    from blend.science.moon.forecast import (
        COLOURS_NM,
        H_ALPHA_NM,
        Conditions,
        MoonPrediction,
        Slope,
        predict,
        slope_in_pixels,
    )
    from blend.science.moon.night import LOWEST_TARGET_DEG, BestHours, best_hours, forecast_night
    from blend.science.moon.sky_brightness import ACCURACY_PERCENT, REFERENCE_NM, dark_sky, moonlight
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
