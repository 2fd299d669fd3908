"""Masters that went through a curve before they came here, beside the same masters without it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from numpy.typing import NDArray
from wrong_cases.cases import Case, Make, night, run_words

Curve = Callable[[NDArray[np.float64]], NDArray[np.float64]]
DEEP = {"stars_per_mpx": 900.0, "moon": 0.1}


def _through(curve: Curve | None, *, both: bool = False, less_sky: bool = False) -> Make:
    """Return what writes the colour master, or ``both``, as a 16-bit TIFF that went through a curve."""

    def make(folder: Path) -> list[str]:
        target = night(folder, **DEEP)
        for name in ("rgb", "ha") if both else ("rgb",):
            light = np.clip(fits.getdata(folder / f"{name}-light.fits").astype(np.float64), 0.0, 1.0)
            if less_sky:
                light = np.clip(light - np.median(light, axis=(-2, -1), keepdims=True), 0.0, 1.0)
            values = light if curve is None else np.clip(curve(light), 0.0, 1.0)
            whole = np.rint(65535.0 * values).astype(np.uint16)
            picture = np.moveaxis(whole, 0, -1) if whole.ndim == 3 and len(whole) == 3 else whole.squeeze()
            tifffile.imwrite(
                folder / f"{name}-light.tif", picture[::-1], photometric="rgb" if name == "rgb" else None
            )
            target.write_text(target.read_text().replace(f"{name}-light.fits", f"{name}-light.tif"))
        return run_words(target)

    return make


def _case(
    name: str, curve: Curve, *, short: bool = False, both: bool = False, less_sky: bool = False
) -> Case:
    return Case(
        name=f"not linear: {name}",
        wrong=_through(curve, both=both, less_sky=less_sky),
        right=_through(None, both=both),
        code=3,
        says="already stretched",
        warning="perhaps-stretched",
        short=short,
    )


CASES = [
    _case("a 16-bit TIFF of x^(1/2.2)", lambda x: x ** (1 / 2.2), short=True),
    _case("a pair to the power 0.6", lambda x: x**0.6, both=True),
    _case("asinh", lambda x: np.arcsinh(50.0 * x) / np.arcsinh(50.0)),
    _case("a tone curve", lambda x: 0.9 * x / (0.1 + 0.8 * x)),
    _case("the sky taken off, then x^(1/2.2)", lambda x: x ** (1 / 2.2), less_sky=True),
]
