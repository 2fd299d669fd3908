"""The camera: what it did to the light and its removal, frames put together, and whether a file is fit."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.sensor.calibration import Calibrated, Frame, calibrate
    from blend.science.sensor.compare_facts import (
        EXPOSURE_SHARE,
        STEP_C,
        dark_notes,
        unlike,
        wrong_size,
    )
    from blend.science.sensor.dither import judge_drift
    from blend.science.sensor.gain import GainOf, mean_gain, pair_gain
    from blend.science.sensor.mosaic import (
        COLOURS,
        Interpolation,
        demosaic,
        half_matrix,
        half_size,
        photosites,
        sites,
    )
    from blend.science.sensor.mosaic_calibration import (
        Sensor,
        calibrate_mosaic,
        prepare_sensor,
        refine_centres,
        spread_mask,
    )
    from blend.science.sensor.quality import Verdict, judge, refuse_faults
    from blend.science.sensor.rays import FEW_FRAMES, remove_rays
    from blend.science.sensor.stack import Method, Rule, combine, effective_frames, flux_ratio, mean_noise
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
