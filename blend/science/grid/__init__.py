"""One grid for all pictures: the map from one star list to another, and pictures brought along it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.grid.alignment import Alignment, same_grid
    from blend.science.grid.coordinates import seed_of
    from blend.science.grid.register import align
    from blend.science.grid.resampling import full_coverage_box, noise_factor, resample
    from blend.science.grid.transforms import apply_matrix
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "alignment": ["Alignment", "same_grid"],
            "coordinates": ["seed_of"],
            "register": ["align"],
            "resampling": ["full_coverage_box", "noise_factor", "resample"],
            "transforms": ["apply_matrix"],
        },
    )

__all__ = [
    "Alignment",
    "align",
    "apply_matrix",
    "full_coverage_box",
    "noise_factor",
    "resample",
    "same_grid",
    "seed_of",
]
