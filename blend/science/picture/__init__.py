"""From linear light to a picture: balance, stretch, blending formulas, colour, the last touches."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.picture.balance import (
        COLOUR_REACH,
        LEAST_SIGNAL,
        Gains,
        given_gains,
        white_from_catalogue,
        white_from_stars,
    )
    from blend.science.picture.brighten import KNEE
    from blend.science.picture.chroma import LEAST_SIDE, VIVID
    from blend.science.picture.colour import (
        LUMINANCE_WEIGHTS,
        GamutCount,
        display_luminance,
        luminance,
        replace_luminance,
        set_display_luminance,
        star_rgb,
    )
    from blend.science.picture.colourspace import ciede2000, linear_to_lab, srgb_decode
    from blend.science.picture.curves import CURVES, Curve
    from blend.science.picture.destroyed import BlendLoss, blend_loss
    from blend.science.picture.fill_stars import fill_at, fill_behind
    from blend.science.picture.finish import LOOPS, Finished, finish_picture, noise_lost, untouched
    from blend.science.picture.formula import (
        BLEND_NAMES,
        MOST_AMOUNT,
        Example,
        Formula,
        apply_formula,
        evaluate_formula,
        neutral_value,
        sky_statistics,
    )
    from blend.science.picture.formulas import FORMULAS, define_formula
    from blend.science.picture.holes import describe_holes, fill_holes, find_holes
    from blend.science.picture.luma_noise import MOST_SIGMA, SHARPEST_PX, LumaNoise, kept_noise, noise_of_luma
    from blend.science.picture.neutral import check_neutral
    from blend.science.picture.saturated_cores import colour_cores
    from blend.science.picture.star_size import LEAST_SIZE, shrink_stars
    from blend.science.picture.stretch import (
        SMALLEST_SIGMA,
        SolvedStretch,
        solve_stretch,
        stretch_line,
        stretch_planes,
    )
    from blend.science.picture.target_light import TargetLight, measure_target, shared_noise
    from blend.science.picture.tone import CONTRAST, FULL, LEAST_FIRST_SLOPE, PIVOT, monotone_curve
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
