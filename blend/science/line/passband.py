"""Whether a filter passes a line: where the line is at a target's velocity, and what of it comes through."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

LIGHT_KM_S = 299_792.458
EFFECTIVE_INDEX = 1.9
"""Of the layers of an interference filter: 1.5 to 2.5 by make (Smith, Modern Optical Engineering, chapter 11, has
1.5 to 1.9, makers of filters 1.7 to 2.5)."""

NII_NM = (654.805, 658.345)
"""[N II], in air."""

NII_STRONGER = 3.05
"""The redder line of [N II] by the bluer (Storey & Zeippen 2000, MNRAS 312, 813, from memory)."""

ROTATION_KM_S = 150.0
"""Half of the range of velocities across a usual spiral galaxy's disc; common practice."""

BEAM_RAYS = 64  # rings of a beam's cone: chosen, twice as many change no fourth digit

Shape = Literal["top-hat", "gaussian"]
SHAPES: tuple[Shape, ...] = ("top-hat", "gaussian")


@dataclass(frozen=True)
class Passband:
    """A filter's passband: centre at normal incidence and full width at half maximum, nm; shape; the beam's f-ratio."""

    center_nm: float
    width_nm: float
    shape: Shape = "gaussian"
    f_ratio: float | None = None

    def throughput(self, wavelength_nm: float) -> float:
        """Return the throughput at a wavelength by that at the centre in a parallel beam, 0 to 1.

        Averaged over the beam's cone, a pupil lit evenly: centre(theta) = centre sqrt(1 - sin^2(theta) / n^2), with
        sin^2(theta) even from 0 to 1 / (4 F^2): bluer by 1 / (16 n^2 F^2) on average, and wider.

        References
        ----------
        The shift with the angle: Smith, Modern Optical Engineering (4th ed.), chapter 11; Isaac Newton Group, WHT
        prime-focus manual, "Calculation of Central Wavelength". The mean over a cone: Lissberger & Wilcock (1959),
        J. Opt. Soc. Am. 49, 126 (from memory).

        Examples
        --------
        >>> round(Passband(655.3, 9.8).throughput(658.58), 2)
        0.73
        >>> Passband(655.3, 9.8, "top-hat").throughput(658.58)
        1.0
        """
        rays = np.zeros(1) if self.f_ratio is None else (np.arange(BEAM_RAYS) + 0.5) / BEAM_RAYS
        sin2 = rays / (4.0 * (self.f_ratio or 1.0) ** 2)
        off = (wavelength_nm - self.center_nm * np.sqrt(1.0 - sin2 / EFFECTIVE_INDEX**2)) / self.width_nm
        passed = np.abs(off) <= 0.5 if self.shape == "top-hat" else np.exp(-4.0 * np.log(2.0) * off**2)
        return float(np.mean(passed))


@dataclass(frozen=True)
class Passed:
    """What a filter passes of a line, for the shapes that it may have: each a (least, most) of 0 to 1.

    ``slope`` is by how much the throughput differs across a disc that turns, of its mean; ``nii`` are both lines of
    [N II], for H-alpha alone; ``h_alpha`` is the share of H-alpha in what passes of the three.
    """

    at_nm: float
    line: tuple[float, float]
    slope: tuple[float, float]
    nii: tuple[tuple[float, float], ...] = ()
    h_alpha: tuple[float, float] | None = None


def passed_light(
    passband: Passband,
    *,
    rest_nm: float,
    z: float,
    shapes: tuple[Shape, ...] = SHAPES,
    nii_ratio: float | None = None,
) -> Passed:
    """Return what a filter passes of a line at rest_nm (1 + z), by the shapes that it may have.

    Parameters
    ----------
    passband : Passband
    rest_nm, z : float
        Wavelength of the line at rest, in air, and the redshift, v / c for a catalogue's velocity.
    shapes : tuple of str
    nii_ratio : float, optional
        Both lines of [N II] by H-alpha, for H-alpha alone: None for other lines.

    Examples
    --------
    >>> far = passed_light(Passband(655.3, 9.8), rest_nm=656.28, z=3500 / LIGHT_KM_S)
    >>> round(far.at_nm, 2), [round(share, 2) for share in far.line]
    (663.94, [0.0, 0.12])
    """
    bands = [replace(passband, shape=shape) for shape in shapes]
    at_nm, turn = rest_nm * (1.0 + z), rest_nm * ROTATION_KM_S / LIGHT_KM_S

    def over(wavelength_nm: float) -> list[float]:
        return [band.throughput(wavelength_nm) for band in bands]

    line, red, blue = over(at_nm), over(at_nm + turn), over(at_nm - turn)
    slope = [
        abs(r - b) / max(0.5 * (r + b), 1e-9) if r + b > 0 else 0.0 for r, b in zip(red, blue, strict=True)
    ]
    if nii_ratio is None:
        return Passed(at_nm, _range(line), _range(slope))
    nii = [over(wavelength_nm * (1.0 + z)) for wavelength_nm in NII_NM]
    weights = np.array([1.0, NII_STRONGER]) * nii_ratio / (1.0 + NII_STRONGER)
    other = weights @ np.array(nii)
    share = [h / (h + n) if h + n > 0 else 0.0 for h, n in zip(line, other, strict=True)]
    return Passed(at_nm, _range(line), _range(slope), tuple(map(_range, nii)), _range(share))


def _range(values: list[float]) -> tuple[float, float]:
    return float(min(values)), float(max(values))
