"""Facts of light and dark that should agree, and what is left in the picture when they do not."""

from __future__ import annotations

from typing import Protocol

from blend.base.errors import InputError

EXPOSURE_SHARE = 0.02
"""Exposures that differ by less are the same: shutters and headers are no better (common practice)."""

STEP_C = 0.5
"""A cooled sensor is held to better than this, degrees C (common practice)."""

DOUBLING_C = (5.0, 8.0)
"""Usual range of the temperature step that doubles the dark current, degrees C (common practice)."""

Note = tuple[str, str]


class Taken(Protocol):
    """How a stack was taken; None where nobody stated it."""

    @property
    def exposure_s(self) -> float | None: ...
    @property
    def temperature_c(self) -> float | None: ...
    @property
    def iso(self) -> float | None: ...
    @property
    def file_planes(self) -> int | None: ...


def unlike(light: Taken, dark: Taken, *, scaled: bool = False) -> list[str]:
    """Say in what a dark differs from its light, the gravest first; empty where nothing is known to differ.

    Exposures may differ where the dark is ``scaled`` to the light's.

    Examples
    --------
    >>> from blend.base.master import Facts
    >>> unlike(Facts(exposure_s=300.0, iso=800.0), Facts(exposure_s=60.0, iso=800.0))
    ['it was exposed 60 s, the light 300 s']
    """
    found = []
    if light.file_planes and dark.file_planes and light.file_planes != dark.file_planes:
        found.append(f"its file has {_planes(dark.file_planes)}, the light's {light.file_planes}")
    if light.exposure_s and dark.exposure_s and _differ(light.exposure_s, dark.exposure_s) and not scaled:
        found.append(f"it was exposed {dark.exposure_s:g} s, the light {light.exposure_s:g} s")
    warm, cold = dark.temperature_c, light.temperature_c
    if warm is not None and cold is not None and abs(warm - cold) >= STEP_C:
        found.append(f"it was taken at {warm:.3g} degrees C, the light at {cold:.3g}")
    if light.iso and dark.iso and light.iso != dark.iso:
        found.append(f"it was read at ISO {dark.iso:g}, the light at ISO {light.iso:g}")
    return found


def dark_notes(light: Taken, dark: Taken, *, factor: float, signal_e: float | None) -> list[Note]:
    """Return the warnings of a dark, times ``factor``, that was not taken as its light was.

    ``signal_e`` is the dark's own signal without bias, electrons a pixel, if it is known.
    """
    unknown = []
    notes: list[Note | None] = []
    if light.exposure_s and dark.exposure_s:
        notes.append(exposure_note(light.exposure_s, dark.exposure_s, factor, signal_e=signal_e))
    else:
        unknown.append("exposure")
    if light.temperature_c is not None and dark.temperature_c is not None:
        notes.append(temperature_note(light.temperature_c, dark.temperature_c, signal_e=signal_e))
    else:
        unknown.append("temperature")
    if light.iso and dark.iso:
        notes.append(iso_note(light.iso, dark.iso, signal_e=signal_e))
    if unknown:
        text = f"light and dark could not be compared in {' and '.join(unknown)}: not stated"
        notes.append(("dark-unchecked", text))
    return [note for note in notes if note is not None]


def wrong_size(where: str, role: str, *, found: tuple[int, ...], expected: tuple[int, ...]) -> InputError:
    """Return the fault of a calibration stack that is not as large as its light; shapes are (planes, rows, columns)."""
    return InputError(
        where,
        found=_size_text(found),
        expected=f"{_size_text(expected)}, as the light",
        advice=f"give a {role.replace('_', ' ')} of the same camera, binning and margins",
    )


def _size_text(shape: tuple[int, ...]) -> str:
    planes, rows, columns = shape
    return f"{columns} x {rows} pixels in {_planes(planes)}"


def _planes(count: int) -> str:
    return f"{count} plane{'s' if count > 1 else ''}"


def _differ(light_s: float, dark_s: float) -> bool:
    return abs(light_s / dark_s - 1.0) > EXPOSURE_SHARE


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


def dark_residual(step_c: float, doubling_c: float) -> float:
    """Return the share of a dark's own signal that is wrong when light and dark differ in temperature.

    |2^(step / T_d) - 1|

    Parameters
    ----------
    step_c : float
        Temperature of the light less that of the dark, degrees C.
    doubling_c : float
        T_d, the step that doubles the dark current, degrees C; see `DOUBLING_C`.

    Examples
    --------
    >>> round(dark_residual(3.0, 5.0), 3), round(dark_residual(3.0, 8.0), 3)
    (0.516, 0.297)
    """
    return float(abs(2.0 ** (step_c / doubling_c) - 1.0))


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
