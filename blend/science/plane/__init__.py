"""What one plane tells: its figures, noise, borders and odd pixels, and means over neighbourhoods."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.plane.badpixels import fill_values, find_hot_in_dark, find_isolated, places, repair
    from blend.science.plane.borders import border_mask, cut_corners, is_constant
    from blend.science.plane.flux_ratio import RatioFit, line_log_ratio, mean_log_ratio
    from blend.science.plane.hot_columns import fill_columns, find_hot_columns
    from blend.science.plane.measures import (
        Figures,
        greatest,
        measure,
        noise_over_areas,
        sample_pixels,
        saturation_level,
        sky_mode,
        sky_spread,
    )
    from blend.science.plane.noise import SCALES, TILE, bin_by_four, local_noise, measure_noise, middle_rows
    from blend.science.plane.plane_check import (
        DISAGREE_SIGMA,
        LEAST_GAIN,
        MOST_GAIN,
        disagreement,
        line_order,
        odd_units,
        out_of_order,
        possible,
    )
    from blend.science.plane.shared_noise import pixel_noise
    from blend.science.plane.smooth import (
        bin_plane,
        binned_sigma,
        binned_taps,
        blur_block,
        blur_plane,
        gaussian_taps,
        side_weights,
        spread_rows,
    )
    from blend.science.plane.trails import Trail, find_trail, measure_trail
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "badpixels": ["fill_values", "find_hot_in_dark", "find_isolated", "places", "repair"],
            "borders": ["border_mask", "cut_corners", "is_constant"],
            "flux_ratio": ["RatioFit", "line_log_ratio", "mean_log_ratio"],
            "hot_columns": ["fill_columns", "find_hot_columns"],
            "measures": [
                "Figures",
                "greatest",
                "measure",
                "noise_over_areas",
                "sample_pixels",
                "saturation_level",
                "sky_mode",
                "sky_spread",
            ],
            "noise": ["SCALES", "TILE", "bin_by_four", "local_noise", "measure_noise", "middle_rows"],
            "plane_check": [
                "DISAGREE_SIGMA",
                "LEAST_GAIN",
                "MOST_GAIN",
                "disagreement",
                "line_order",
                "odd_units",
                "out_of_order",
                "possible",
            ],
            "shared_noise": ["pixel_noise"],
            "smooth": [
                "bin_plane",
                "binned_sigma",
                "binned_taps",
                "blur_block",
                "blur_plane",
                "gaussian_taps",
                "side_weights",
                "spread_rows",
            ],
            "trails": ["Trail", "find_trail", "measure_trail"],
        },
    )

__all__ = [
    "DISAGREE_SIGMA",
    "LEAST_GAIN",
    "MOST_GAIN",
    "SCALES",
    "TILE",
    "Figures",
    "RatioFit",
    "Trail",
    "bin_by_four",
    "bin_plane",
    "binned_sigma",
    "binned_taps",
    "blur_block",
    "blur_plane",
    "border_mask",
    "cut_corners",
    "disagreement",
    "fill_columns",
    "fill_values",
    "find_hot_columns",
    "find_hot_in_dark",
    "find_isolated",
    "find_trail",
    "gaussian_taps",
    "greatest",
    "is_constant",
    "line_log_ratio",
    "line_order",
    "local_noise",
    "mean_log_ratio",
    "measure",
    "measure_noise",
    "measure_trail",
    "middle_rows",
    "noise_over_areas",
    "odd_units",
    "out_of_order",
    "pixel_noise",
    "places",
    "possible",
    "repair",
    "sample_pixels",
    "saturation_level",
    "side_weights",
    "sky_mode",
    "sky_spread",
    "spread_rows",
]
