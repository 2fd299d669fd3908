"""The light of one spectral line: its starlight taken out, its noise known, its share chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.line.amount import (
        MOST_ADDED,
        MOST_OPAQUE,
        NOISE_PX,
        Choice,
        LineLight,
        added_amount,
        luminance_amount,
        noise_blocks,
        noise_covariance,
        noise_limit,
        noise_ratio,
    )
    from blend.science.line.balmer import H_ALPHA_NM, hydrogen_share
    from blend.science.line.colour_term import ColourTerm, take_tint, term_of_stars, tint_of
    from blend.science.line.continuum import (
        APERTURE_FWHM,
        Scale,
        given_scale,
        match_profiles,
        matching_blur,
        scale_from_stars,
    )
    from blend.science.line.emission import emission_sigma, keep_sharp, line_factor, line_light
    from blend.science.line.halos import MOST_STARS, FilterHalo, cover_halos, find_halos
    from blend.science.line.local_medians import (
        CELL_PX,
        DISC_SIGMA,
        MEDIAN_NOISE,
        on_disc,
        surroundings,
        value_at,
    )
    from blend.science.line.match_psf import fit_profiles, refine_broad
    from blend.science.line.own_disc import REDDER, DiscRatio, disc_ratio, gas_scale
    from blend.science.line.own_picture import SAME_NOISE, same_noise
    from blend.science.line.passband import LIGHT_KM_S, NII_NM, SHAPES, Passband, Shape, passed_light
    from blend.science.line.protect import cover_saturated, line_sources, near_stars, star_mask, star_radii
    from blend.science.line.scattered import star_glow, unsure_light
    from blend.science.line.significance import LINE_SIGMA, thresholds, weigh_emission
    from blend.science.line.starlight_left import EmissionNoise, measure_noise
    from blend.science.line.withheld import held_back
    from blend.science.line.worth import LineNoise, exposure_factor
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
