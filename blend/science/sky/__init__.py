"""The sky that lies over a picture: measured between the objects, fitted, judged and taken off."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.sky.blocks import bin_light
    from blend.science.sky.corner_glow import CornerGlow, find_corner_glow
    from blend.science.sky.fit import Bumps, SkyFit, Strength, sky_uncertainty, subtract_sky
    from blend.science.sky.flat_fault import FlatFault, divide_flat_fault, find_flat_fault
    from blend.science.sky.gradient import fit_sky
    from blend.science.sky.guide import (
        LineGuide,
        guide_by_line,
        surely_below,
    )
    from blend.science.sky.moonlit import (
        SlopeCheck,
        compare_slope,
        likely_causes,
        moon_shape,
        shape_towards,
    )
    from blend.science.sky.neutral import largest_deviation, slope_of_blocks
    from blend.science.sky.objects import Region, object_mask, region_mask
    from blend.science.sky.one_target import skies_of_one_target
    from blend.science.sky.spline import CAN_EAT, fit_spline
    from blend.science.sky.star_bowl import Fluxes, StarBowl, compare_bowl
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
