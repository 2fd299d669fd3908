"""Sound targets, as varied as observers are: nothing may be said against any of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from wrong_cases.cases import night, run_words


def sound_target(folder: Path, number: int) -> list[str]:
    """Draw sound target ``number`` into ``folder`` and return the words that run its recipe."""
    options = sound_options(number)
    recipe = "nebula-emission" if options["kind"] == "nebula" else "galaxy-moonlit"
    return run_words(night(folder, **options), recipe=recipe)


def sound_options(number: int) -> dict[str, Any]:
    """Return the night of sound target ``number``: field, Moon, filter, exposure, optics and faults within reason."""
    draw = np.random.default_rng([2026, number])
    nebula = number % 5 == 4
    # a nebula that fills the frame hides most stars: it is taken with a wide field, which holds more of them
    return {
        "rows": int(draw.integers(500, 900)) + 300 * nebula,
        "columns": int(draw.integers(700, 1200)) + 300 * nebula,
        "seed": 5000 + number,
        "kind": "nebula" if nebula else "spiral",
        "calibrated": bool(number % 3),
        "moon": float(draw.uniform(0.03, 0.25)),
        "ha_moon": float(draw.uniform(0.005, 0.03)),
        "moon_slope": float(draw.uniform(0.05, 0.3)),
        "moon_angle_deg": float(draw.uniform(0.0, 360.0)),
        "line_width_nm": float(draw.choice([3.0, 5.0, 7.0, 12.0])),
        "rgb_frames": int(draw.integers(20, 120)),
        "ha_frames": int(draw.integers(8, 40)),
        "rgb_fwhm_px": float(draw.uniform(2.2, 4.5)),
        "ha_fwhm_px": float(draw.uniform(2.2, 4.5)),
        "ha_rotation_deg": float(draw.uniform(-180.0, 180.0)),
        "ha_scale": float(draw.choice([1.0, 1.08, 0.9])),
        "mirrored": bool(number % 7 == 3),
        "stars_per_mpx": float(draw.uniform(250.0, 900.0)) + 300.0 * nebula,
        "border": str(draw.choice(["none", "none", "nan", "zero"])),
    }
