"""Hydrogen's blue lines from its red one: a model of the light that H-alpha brings along.

A gas that shines in H-alpha shines in the other Balmer lines too, at ratios that quantum mechanics fixes and dust
reddens. Light added to red alone comes out brick; with its share in blue and green it comes out pink.

It is a model and not a measurement: wrong for regions bright in [O III], for emission that is not of ionised hydrogen,
and for dust unlike the one assumed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

H_ALPHA_NM = 656.28  # in air, as filters are named


@dataclass(frozen=True)
class BalmerLine:
    """A line of the series."""

    wavelength_nm: float  # in air
    # its energy over H-alpha's without dust: case B, 10^4 K, 100 electrons per cubic centimetre
    ratio: float
    # blue and green: response of a star-white plane to its energy, over that of the red plane to H-alpha
    blue: float
    green: float


BALMER: Mapping[str, BalmerLine] = MappingProxyType(
    {
        "H-beta": BalmerLine(486.13, 1 / 2.863, blue=0.55, green=0.35),
        "H-gamma": BalmerLine(434.05, 0.4683 / 2.863, blue=0.60, green=0.05),
        "H-delta": BalmerLine(410.17, 0.2589 / 2.863, blue=0.35, green=0.03),
    }
)
"""Ratios: Osterbrock & Ferland (2006), Astrophysics of Gaseous Nebulae and Active Galactic Nuclei, 2nd ed., chapter 4;
Storey & Hummer (1995), MNRAS 272, 41. They vary by 6 % from 5000 to 20 000 K.

Responses: a rough table, common practice, for a one-shot colour camera whose front filter passes H-alpha; good to a
third. Where the curves of filters and sensor are at hand, work out numbers from them instead."""


def extinction(wavelength_nm: float, *, r_v: float = 3.1) -> float:
    """Return the extinction k = A(wavelength) / E(B - V) of the Galaxy's diffuse dust.

    k = R_V a(x) + b(x), x = 1 / wavelength in 1/micrometre, a and b polynomials in x - 1.82.

    Parameters
    ----------
    wavelength_nm : float
        303 to 909 nm.
    r_v : float
        A(V) / E(B - V).

    Raises
    ------
    ValueError
        The wavelength is outside the optical polynomial.

    References
    ----------
    Cardelli, Clayton & Mathis (1989), ApJ 345, 245, eq. 1, 3a, 3b.

    Examples
    --------
    >>> round(extinction(656.28), 3), round(extinction(486.13), 3)
    (2.535, 3.609)
    """
    x = 1000.0 / wavelength_nm
    if not 1.1 <= x <= 3.3:
        raise ValueError(f"{wavelength_nm} nm is outside 303 to 909 nm")
    y = x - 1.82
    a = 1.0
    b = 0.0
    for power, (of_a, of_b) in enumerate(_CCM89, start=1):
        a += of_a * y**power
        b += of_b * y**power
    return r_v * a + b


# Coefficients of Cardelli, Clayton & Mathis (1989), ApJ 345, 245, their optical range.
_CCM89 = (
    (0.17699, 1.41338),
    (-0.50447, 2.28305),
    (-0.02427, 1.07233),
    (0.72085, -5.38434),
    (0.01979, -0.62251),
    (-0.77530, 5.30260),
    (0.32999, -2.09002),
)


def balmer_ratio(line: str, *, extinction_a_v: float = 0.0) -> float:
    """Return a Balmer line's energy over H-alpha's behind a screen of dust.

    ratio * 10^(-0.4 E(B-V) (k_line - k_alpha)), E(B-V) = A_V / 3.1

    Parameters
    ----------
    line : "H-beta", "H-gamma" or "H-delta"
    extinction_a_v : float
        Extinction A(V) of the dust in front, magnitudes.

    Examples
    --------
    >>> [round(balmer_ratio("H-beta", extinction_a_v=a_v), 4) for a_v in (0.0, 1.0, 2.0)]
    [0.3493, 0.2539, 0.1845]
    """
    entry = BALMER[line]
    reddening = extinction_a_v / 3.1
    excess = extinction(entry.wavelength_nm) - extinction(H_ALPHA_NM)
    return float(entry.ratio * 10.0 ** (-0.4 * reddening * excess))


def hydrogen_share(plane: Literal["blue", "green"], *, extinction_a_v: float = 0.0) -> float:
    """Return the counts in a star-white plane for each count of H-alpha in the red plane.

    q = sum over lines of ratio_i * response_i

    Parameters
    ----------
    plane : "blue" or "green"
    extinction_a_v : float
        Extinction A(V) in front of the gas, magnitudes.

    Notes
    -----
    H-delta is the last line counted: the next one adds 1 % and lies where cameras hardly see.

    Examples
    --------
    >>> [round(hydrogen_share(plane, extinction_a_v=2.0), 2) for plane in ("blue", "green")]
    [0.15, 0.07]
    """
    response = {name: getattr(line, plane) for name, line in BALMER.items()}
    return float(sum(balmer_ratio(name, extinction_a_v=extinction_a_v) * response[name] for name in BALMER))
