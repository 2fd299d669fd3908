"""Stars: found, measured, known from a catalogue, and their flux where the sky is rough."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.stars.catalogue import FEWEST_MATCHES, Matches, match_catalogue, sky_to_pixels
    from blend.science.stars.detect import native_plane
    from blend.science.stars.profile_flux import (
        empty_places,
        profile_fluxes,
        profile_width,
        scatter,
        shared_noise,
    )
    from blend.science.stars.stars import (
        FWHM_PER_SIGMA,
        Stars,
        circle_noise,
        find_stars,
        fwhm_and_error,
        isolated,
        measure_at,
        seen_in_both,
        star_fluxes,
        typical_fwhm,
    )
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
