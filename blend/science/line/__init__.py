"""The light of one spectral line: its starlight taken out, its noise known, its share chosen."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.line.amount import (
        MOST_ADDED,
        MOST_OPAQUE,
        Choice,
        LineLight,
        added_amount,
        luminance_amount,
        noise_blocks,
    )
    from blend.science.line.balmer import H_ALPHA_NM, hydrogen_share
    from blend.science.line.continuum import Scale, given_scale, match_profiles, scale_from_stars
    from blend.science.line.emission import emission_sigma, keep_sharp, line_factor, line_light
    from blend.science.line.local_medians import DISC_SIGMA, on_disc, surroundings, value_at
    from blend.science.line.match_psf import fit_profiles, refine_broad
    from blend.science.line.own_picture import SAME_NOISE, same_noise
    from blend.science.line.protect import cover_saturated, line_sources, star_mask
    from blend.science.line.significance import LINE_SIGMA, weigh_emission
    from blend.science.line.starlight_left import measure_noise
    from blend.science.line.worth import LineNoise, exposure_factor
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "amount": [
                "Choice",
                "LineLight",
                "LineNoise",
                "MOST_ADDED",
                "MOST_OPAQUE",
                "added_amount",
                "luminance_amount",
                "noise_blocks",
            ],
            "balmer": ["H_ALPHA_NM", "hydrogen_share"],
            "continuum": ["Scale", "given_scale", "match_profiles", "scale_from_stars"],
            "emission": ["emission_sigma", "keep_sharp", "line_factor", "line_light"],
            "local_medians": ["DISC_SIGMA", "on_disc", "surroundings", "value_at"],
            "match_psf": ["fit_profiles", "refine_broad"],
            "own_picture": ["SAME_NOISE", "same_noise"],
            "protect": ["cover_saturated", "line_sources", "star_mask"],
            "significance": ["LINE_SIGMA", "weigh_emission"],
            "starlight_left": ["measure_noise"],
            "worth": ["LineNoise", "exposure_factor"],
        },
    )

__all__ = [
    "DISC_SIGMA",
    "H_ALPHA_NM",
    "LINE_SIGMA",
    "MOST_ADDED",
    "MOST_OPAQUE",
    "SAME_NOISE",
    "Choice",
    "LineLight",
    "LineNoise",
    "Scale",
    "added_amount",
    "cover_saturated",
    "emission_sigma",
    "exposure_factor",
    "fit_profiles",
    "given_scale",
    "hydrogen_share",
    "keep_sharp",
    "line_factor",
    "line_light",
    "line_sources",
    "luminance_amount",
    "match_profiles",
    "measure_noise",
    "noise_blocks",
    "on_disc",
    "refine_broad",
    "same_noise",
    "scale_from_stars",
    "star_mask",
    "surroundings",
    "value_at",
    "weigh_emission",
]
