"""The sky that lies over a picture: measured between the objects, fitted, judged and taken off."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.sky.blocks import bin_light
    from blend.science.sky.corner_glow import CornerGlow, find_corner_glow
    from blend.science.sky.fit import SkyFit, Strength, sky_uncertainty, subtract_sky
    from blend.science.sky.flat_fault import FlatFault, divide_flat_fault, find_flat_fault
    from blend.science.sky.gradient import fit_sky, slope_left
    from blend.science.sky.guide import (
        LineGuide,
        fit_behind_line,
        guide_by_line,
        slope_of_blocks,
        surely_below,
    )
    from blend.science.sky.moonlit import (
        SlopeCheck,
        compare_slope,
        fit_moonlight,
        likely_causes,
        moon_shape,
        shape_towards,
    )
    from blend.science.sky.neutral import largest_deviation
    from blend.science.sky.objects import Region, object_mask, region_mask
    from blend.science.sky.spline import CAN_EAT, fit_spline
    from blend.science.sky.star_bowl import Fluxes, StarBowl, compare_bowl
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "blocks": ["bin_light"],
            "corner_glow": ["CornerGlow", "find_corner_glow"],
            "fit": ["SkyFit", "Strength", "sky_uncertainty", "subtract_sky"],
            "flat_fault": ["FlatFault", "divide_flat_fault", "find_flat_fault"],
            "gradient": ["fit_sky", "slope_left"],
            "guide": ["LineGuide", "fit_behind_line", "guide_by_line", "slope_of_blocks", "surely_below"],
            "moonlit": [
                "SlopeCheck",
                "compare_slope",
                "fit_moonlight",
                "likely_causes",
                "moon_shape",
                "shape_towards",
            ],
            "neutral": ["largest_deviation"],
            "objects": ["Region", "object_mask", "region_mask"],
            "spline": ["CAN_EAT", "fit_spline"],
            "star_bowl": ["Fluxes", "StarBowl", "compare_bowl"],
        },
    )

__all__ = [
    "CAN_EAT",
    "CornerGlow",
    "FlatFault",
    "Fluxes",
    "LineGuide",
    "Region",
    "SkyFit",
    "SlopeCheck",
    "StarBowl",
    "Strength",
    "bin_light",
    "compare_bowl",
    "compare_slope",
    "divide_flat_fault",
    "find_corner_glow",
    "find_flat_fault",
    "fit_behind_line",
    "fit_moonlight",
    "fit_sky",
    "fit_spline",
    "guide_by_line",
    "largest_deviation",
    "likely_causes",
    "moon_shape",
    "object_mask",
    "region_mask",
    "shape_towards",
    "sky_uncertainty",
    "slope_left",
    "slope_of_blocks",
    "subtract_sky",
    "surely_below",
]
