"""Facts of light and dark that should agree, and what is left in the picture when they do not."""

from __future__ import annotations

from blend.science.ccd import DOUBLING_C, dark_residual

EXPOSURE_SHARE = 0.02
"""Exposures that differ by less are the same: shutters and headers are no better (common practice)."""

STEP_C = 0.5
"""A cooled sensor is held to better than this, degrees C (common practice)."""

Note = tuple[str, str]


def exposure_note(light_s: float, dark_s: float, factor: float, *, signal_e: float | None) -> Note | None:
    """Return a warning when the dark, times ``factor``, is not as long as the light.

    Parameters
    ----------
    light_s, dark_s : float
        Exposures, s, above 0.
    factor : float
        k, what the dark is multiplied by.
    signal_e : float or None
        The dark's own signal without bias, electrons a pixel, if it is known.

    Examples
    --------
    >>> exposure_note(300.0, 301.0, 1.0, signal_e=None) is None
    True
    >>> exposure_note(300.0, 200.0, 1.0, signal_e=20.0)[1].split(": ")[1]
    "50 % of the dark's own signal is left in the picture (10 e a pixel)"
    """
    wanted = light_s / dark_s
    residual = wanted - factor
    if abs(residual) <= EXPOSURE_SHARE * factor:
        return None
    verb = "is left in the picture" if residual > 0.0 else "is taken out too much"
    text = (
        f"the dark was exposed {dark_s:g} s, the light {light_s:g} s:"
        f" {100.0 * abs(residual):.0f} % of the dark's own signal {verb}{_electrons(abs(residual), signal_e)}"
    )
    return ("dark-exposure", text)


def temperature_note(light_c: float, dark_c: float, *, signal_e: float | None) -> Note | None:
    """Return a warning when light and dark differ in temperature by more than 0.5 degrees C.

    Examples
    --------
    >>> temperature_note(-10.0, -10.2, signal_e=None) is None
    True
    >>> temperature_note(3.0, 0.0, signal_e=30.0)[1].split(", ")[0].split(": ")[1]
    "30 to 52 % of the dark's own signal is left in the picture (8.9 to 15 e a pixel)"
    """
    step = light_c - dark_c
    if abs(step) < STEP_C:
        return None
    low, high = sorted(dark_residual(step, doubling) for doubling in DOUBLING_C)
    verb = "is left in the picture" if step > 0.0 else "is taken out too much"
    electrons = "" if signal_e is None else f" ({low * signal_e:.2g} to {high * signal_e:.2g} e a pixel)"
    text = (
        f"the light was {abs(step):.3g} degrees C {'warmer' if step > 0.0 else 'colder'} than the dark:"
        f" {100.0 * low:.0f} to {100.0 * high:.0f} % of the dark's own signal {verb}{electrons},"
        " hot pixels each by its own share"
    )
    return ("dark-temperature", text)


def iso_note(light_iso: float, dark_iso: float, *, signal_e: float | None) -> Note | None:
    """Return a warning when light and dark were read out at different ISO.

    Examples
    --------
    >>> iso_note(1600.0, 800.0, signal_e=None)[1].split(": ")[1]
    "about 100 % of the dark's own signal is left in the picture, and the bias may differ"
    """
    if light_iso == dark_iso:
        return None
    residual = light_iso / dark_iso - 1.0
    verb = "is left in the picture" if residual > 0.0 else "is taken out too much"
    text = (
        f"the dark was read at ISO {dark_iso:g}, the light at ISO {light_iso:g}:"
        f" about {100.0 * abs(residual):.0f} % of the dark's own signal {verb}"
        f"{_electrons(abs(residual), signal_e)}, and the bias may differ"
    )
    return ("dark-iso", text)


def _electrons(share: float, signal_e: float | None) -> str:
    return "" if signal_e is None else f" ({share * signal_e:.2g} e a pixel)"
