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
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "bands": ["BAND_NM", "airglow_share", "band_growth", "sky_in_band"],
            "ephemeris": ["FIRST_YEAR", "LAST_YEAR", "SkyPlace", "sky_places", "utc"],
            "forecast": [
                "COLOURS_NM",
                "Conditions",
                "H_ALPHA_NM",
                "MoonPrediction",
                "Slope",
                "predict",
                "slope_in_pixels",
            ],
            "night": ["BestHours", "LOWEST_TARGET_DEG", "best_hours", "forecast_night"],
            "sky_brightness": ["ACCURACY_PERCENT", "REFERENCE_NM", "dark_sky", "moonlight"],
        },
    )

__all__ = [
    "ACCURACY_PERCENT",
    "BAND_NM",
    "COLOURS_NM",
    "FIRST_YEAR",
    "H_ALPHA_NM",
    "LAST_YEAR",
    "LOWEST_TARGET_DEG",
    "REFERENCE_NM",
    "BestHours",
    "Conditions",
    "MoonPrediction",
    "SkyPlace",
    "Slope",
    "airglow_share",
    "band_growth",
    "best_hours",
    "dark_sky",
    "forecast_night",
    "moonlight",
    "predict",
    "sky_in_band",
    "sky_places",
    "slope_in_pixels",
    "utc",
]
