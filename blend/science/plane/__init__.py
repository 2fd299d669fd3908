"""What one plane tells: its figures, noise, borders and odd pixels, and means over neighbourhoods."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.plane.badpixels import (
        HOT_SIGMA,
        fill_values,
        find_hot_in_dark,
        find_isolated,
        places,
        repair,
    )
    from blend.science.plane.borders import border_mask, cut_corners, is_constant
    from blend.science.plane.flux_ratio import RatioFit, bisquare_weights, line_log_ratio, mean_log_ratio
    from blend.science.plane.hot_columns import fill_columns, find_hot_columns
    from blend.science.plane.measures import (
        Figures,
        greatest,
        measure,
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
    from blend.science.plane.shared_noise import shared_noises
    from blend.science.plane.smooth import (
        bin_plane,
        binned_sigma,
        binned_taps,
        blur_block,
        blur_plane,
        blur_rows,
        gaussian_taps,
        side_weights,
        spread_rows,
    )
    from blend.science.plane.trails import Trail, find_trail, measure_trail
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
