"""How real starlight stands at H-alpha in a red band, by its colour: what invented scenes lack by themselves.

ln of 7 nm at 656.3 nm over 590 to 690 nm, against ln of that band over 500 to 580 nm, both less a G2 dwarf's: sums of
the photons in spectra of dwarfs in the library of Pickles (1998, PASP 110, 863), computed here. Hot stars absorb
H-alpha (A0: 18 % less than a G2 dwarf), the bands of titanium oxide leave a peak there in cool ones (M2: 31 % more).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from unittest import mock

import numpy as np
from numpy.typing import NDArray

from blend.science.simulated import night
from blend.science.simulated.night import RESPONSE

# O5, B3, B8, A0, A2, A5, A7, F0, F2, F5, F8, G2, G8, K0, K2, K3, K4, K5, K7, M2 and M5 dwarfs
COLOUR = (-0.51, -0.45, -0.38, -0.37, -0.35, -0.31, -0.24, -0.18, -0.14, -0.11, -0.05)
COLOUR += (0.00, 0.06, 0.10, 0.18, 0.25, 0.31, 0.40, 0.46, 0.51, 0.58)
AT_LINE = (-0.065, -0.101, -0.098, -0.181, -0.160, -0.155, -0.130, -0.093, -0.058, -0.029, -0.008)
AT_LINE += (0.000, 0.024, 0.033, 0.050, 0.046, 0.079, 0.117, 0.196, 0.306, 0.560)


def at_line(red: NDArray[np.floating], green: NDArray[np.floating]) -> NDArray[np.float64]:
    """Return what light of this colour shows at H-alpha by what a G2 dwarf of the same red light does."""
    with np.errstate(invalid="ignore", divide="ignore"):
        colour = np.log(red / green)
    return np.asarray(np.exp(np.interp(np.nan_to_num(colour), COLOUR, AT_LINE)))


@contextmanager
def real_slopes() -> Iterator[None]:
    """Let nights that are invented meanwhile have the ratio at the line that their light's colour has."""
    drawn = night.draw

    def draw(*given: object, **named: object) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        continuum, line = drawn(*given, **named)  # type: ignore[arg-type]
        # The colour frame is drawn with a width of its own for blue stars, the line's without.
        if "blue_fwhm_px" not in named:
            white = RESPONSE[0] / RESPONSE[1]
            continuum[0] *= at_line(continuum[0], white * continuum[1]).astype(np.float32)
        return continuum, line

    with mock.patch.object(night, "draw", draw):
        yield
