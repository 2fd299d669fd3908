"""Stars: found, measured, known from a catalogue, and their flux where the sky is rough."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.stars.catalogue import FEWEST_MATCHES, Matches, match_catalogue, sky_to_pixels
    from blend.science.stars.detect import native_plane
    from blend.science.stars.profile_flux import empty_places, profile_fluxes, scatter, shared_noise
    from blend.science.stars.stars import (
        FWHM_PER_SIGMA,
        Stars,
        find_stars,
        isolated,
        measure_at,
        seen_in_both,
        star_fluxes,
        typical_fwhm,
    )
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "catalogue": ["FEWEST_MATCHES", "Matches", "match_catalogue", "sky_to_pixels"],
            "detect": ["native_plane"],
            "profile_flux": ["empty_places", "profile_fluxes", "scatter", "shared_noise"],
            "stars": [
                "FWHM_PER_SIGMA",
                "Stars",
                "find_stars",
                "isolated",
                "measure_at",
                "seen_in_both",
                "star_fluxes",
                "typical_fwhm",
            ],
        },
    )

__all__ = [
    "FEWEST_MATCHES",
    "FWHM_PER_SIGMA",
    "Matches",
    "Stars",
    "empty_places",
    "find_stars",
    "isolated",
    "match_catalogue",
    "measure_at",
    "native_plane",
    "profile_fluxes",
    "scatter",
    "seen_in_both",
    "shared_noise",
    "sky_to_pixels",
    "star_fluxes",
    "typical_fwhm",
]
