"""Skies that bend more than a surface of degree 2 does, and their picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io import fits
from wrong_cases.cases import Case, Make


def _inspected(*, lamp: bool, files: int = 1) -> Make:
    """Return a look at the sky of a drawn picture, with a street light in its corner or without."""

    def make(folder: Path) -> list[str]:
        v, u = np.meshgrid(np.linspace(-1, 1, 300), np.linspace(-1, 1, 450), indexing="ij")
        light = 0.056 * np.exp(-((u - 1.05) ** 2 + (v + 1.05) ** 2) / 0.3) if lamp else 0.0
        noise = 0.002 * np.random.default_rng(4).standard_normal(u.shape)
        path = folder / "sky.fits"
        fits.writeto(path, (0.1 + 0.005 * u + light + noise).astype(np.float32))
        return ["inspect", *[str(path)] * files, "--sky", str(folder / "sky.png")]

    return make


CASES = [
    Case(
        name="street light in a corner",
        wrong=_inspected(lamp=True),
        right=_inspected(lamp=False),
        says='try model = "spline"',
    ),
    Case(
        name="one picture of the skies of two files",
        wrong=_inspected(lamp=False, files=2),
        right=_inspected(lamp=False),
        code=2,
        says="draws the sky of one FILE",
    ),
]
