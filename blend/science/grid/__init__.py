"""One grid for all pictures: the map from one star list to another, and pictures brought along it."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.grid.alignment import Alignment, same_grid
    from blend.science.grid.coordinates import seed_of
    from blend.science.grid.distortion import Distortion
    from blend.science.grid.register import align
    from blend.science.grid.resampling import full_coverage_box, noise_factor, resample
    from blend.science.grid.structure import align_by_structure
    from blend.science.grid.transforms import apply_matrix
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
