"""Line light that is none: discs that a filter's reflections put around bright stars."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from wrong_cases.cases import Case, Make, night, run_words

from blend.files.fits import write_fits
from blend.files.reader import read_picture


def _with_discs(level: float) -> Make:
    """Put discs of so many sigma of a pixel around the three brightest points of the H-alpha light."""

    def make(folder: Path) -> list[str]:
        target = night(folder, border="none", kind="cluster", ha_grid="same")
        path = folder / "ha-light.fits"
        master = read_picture(path)
        pixels = master.pixels.copy()
        noise = float(np.median(np.abs(np.diff(pixels[0], axis=1)))) * 1.05
        y, x = np.indices(pixels.shape[1:])
        seen = pixels[0].copy()
        for _ in range(3):
            row, column = np.unravel_index(int(np.argmax(seen)), seen.shape)
            away = np.hypot(y - row, x - column)
            pixels[0][away < 45.0] += level * noise
            seen[away < 90.0] = -np.inf
        cards = {"NCOMBINE": 24, "EXPTIME": 300.0, "SATURATE": 1.0}
        write_fits(path, pixels, planes=("ha",), cards=cards, rows=master.facts.rows)
        return run_words(target)

    return make


CASES = [
    Case(
        name="emission: discs of a filter's reflections around bright stars",
        wrong=_with_discs(0.8),
        right=_with_discs(0.0),
        warning="filter-halo",
        true_of_right=("no-line-light",),
    ),
]
