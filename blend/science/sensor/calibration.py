"""Take the camera out of a light: bias, dark, flat, hot and dead pixels.

    S = (L - B - k (D - B)) / Fn        Fn = (F - F_dark) / median(F - F_dark)

L light, B bias, D dark (it still holds the bias), F flat; k is 1, or the exposure of the light over that of
the dark when a bias is there to scale against.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError, RecipeError, StepError
from blend.base.lazyplanes import AnyPlane, AnyPlanes
from blend.base.robust import median
from blend.science.plane import (
    HOT_SIGMA,
    fill_values,
    find_hot_in_dark,
    find_isolated,
    is_constant,
    local_noise,
    places,
    sample_pixels,
    saturation_level,
)
from blend.science.sensor.calibration_loops import (
    DEAD_FLAT,
    Fault,
    joined,
    star_width,
    take_out,
    typical_light,
)
from blend.science.sensor.compare_facts import EXPOSURE_SHARE, Note, dark_notes, unlike, wrong_size
from blend.science.sensor.darks import DarkEvidence, dark_fits, refuse_shifted
from blend.science.sensor.flat_offset import look_at_flat, offset_note

__all__ = ["DEAD_FLAT", "Calibrated", "DarkEvidence", "Fault", "Frame", "calibrate", "dark_fits"]

_OVEREXPOSED = 0.01
"""Share of a flat's pixels at its highest value from which it was overexposed; hot pixels are far fewer."""

_BELOW_SIGMA, _BELOW_NOISE, _BELOW_OFFSET = 3.0, 0.1, 0.5
"""How surely, and how far in noise of a pixel, a light lies below its dark before a word is said; and the share of the
dark's own level from which it is no light of that dark (chosen, not measured)."""

Scaling = Literal["none", "exposure"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Frame:
    """Pixels of a light or of a calibration stack, and what is known of how they were taken."""

    # (planes, rows, columns); all frames of one calibration in one unit. Read only, and rows at a time.
    pixels: AnyPlanes
    # exposure_s, temperature_c, iso and filter: None where nobody stated it
    exposure_s: float | None = None
    temperature_c: float | None = None
    iso: float | None = None
    filter: str | None = None
    file_planes: int | None = None  # planes of the file that this one plane was taken of
    # of a flat: whether the sensor's offset was taken out of its frames before they were stacked
    offset_out: bool | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Calibrated:
    """A calibrated light."""

    # (planes, rows, columns) float32; in the light's unit; negatives are kept; NaN is no data
    pixels: NDArray[np.float32]
    faults: NDArray[np.uint8]  # (rows, columns); bits of `Fault`, of any plane
    notes: tuple[Note, ...] = ()  # tuple of (code, text); warnings
    dark_factor: float | None = None  # k; None without a dark
    flat_norm: tuple[float, ...] = ()  # what the flat of each plane was divided by
    evidence: tuple[DarkEvidence, ...] = ()  # A plane, where a dark was used
    # tuple of (float or None); the level used for each plane of the raw light
    saturation: tuple[float | None, ...] = ()

    def has(self, fault: Fault) -> NDArray[np.bool_]:
        """Return a mask (rows, columns) of the pixels with a fault."""
        return np.asarray(self.faults & np.uint8(fault) != 0)


def calibrate(
    light: Frame,
    *,
    dark: Frame | None = None,
    bias: Frame | None = None,
    flat: Frame | None = None,
    flat_dark: Frame | None = None,
    dark_scaling: Scaling = "none",
    saturation: float | Sequence[float | None] | None = None,
    hot_sigma: float = HOT_SIGMA,
    allow_shifted: bool = False,
    gain_e: float | None = None,
    where: str = "calibrate",
) -> Calibrated:
    """Calibrate one light.

    S = (L - B - k (D - B)) / Fn

    Parameters
    ----------
    light, dark, bias, flat, flat_dark : Frame
        All of the light's size and number of planes. What is missing is left out: without a bias the dark
        takes it along; a flat without a dark of its own uses the bias, unless its ``offset_out``.
    dark_scaling : "none" or "exposure"
        Whether k is 1 or the ratio of exposures; the second needs a bias and both exposures.
    saturation : float, sequence or None
        Level of the raw light, one or one a plane; None measures it.
    hot_sigma : float
        Limit for hot, dark and isolated pixels in local noise; infinity repairs none.
    allow_shifted : bool
        Use the dark even where it does not fit the light's pixels.
    gain_e : float, optional
        Electrons in one unit of the pixels, for the figures in warnings.
    where : str
        What errors name, ``masters.ha`` for example.

    Raises
    ------
    InputError
        A frame differs from the light in size or planes, or is constant or empty.
    RecipeError
        ``dark_scaling`` is "exposure" and bias or exposures are missing.
    StepError
        The light was shifted or is dark-subtracted already; the flat has no light in it.

    Notes
    -----
    The arguments are the frames and the rules of one calibration, hence their number. The flat is normalised
    plane by plane, so it never changes the white balance. Each plane is repaired by itself.

    References
    ----------
    Howell (2006), Handbook of CCD Astronomy, 2nd edition, chapter 4 (from memory).

    Examples
    --------
    >>> rng = np.random.default_rng(6)
    >>> dark = rng.normal(160.0, 1.0, (1, 32, 32)).astype(np.float32)
    >>> done = calibrate(Frame(pixels=dark + 1340.0), dark=Frame(pixels=dark))
    >>> float(np.median(done.pixels)), done.dark_factor
    (1340.0, 1.0)
    """
    frames = {"dark": dark, "bias": bias, "flat": flat, "flat_dark": flat_dark}
    given = {name: frame for name, frame in frames.items() if frame is not None}
    _check_frames(light, given, where)
    job = _Job(light, given, where, allow_shifted, hot_sigma)
    job.set_factor(dark_scaling)
    job.compare_facts(gain_e)
    levels = _saturation_levels(light.pixels, saturation)
    pixels = np.empty(light.pixels.shape, dtype=np.float32)
    faults = np.zeros(pixels.shape[1:], dtype=np.uint8)
    planes = [job.plane(index, levels[index], pixels[index], faults) for index in range(len(pixels))]
    return Calibrated(
        pixels=pixels,
        faults=faults,
        notes=tuple(dict.fromkeys(job.notes)),
        dark_factor=job.factor if dark is not None else None,
        flat_norm=tuple(plane.norm for plane in planes) if flat is not None else (),
        evidence=tuple(plane.evidence for plane in planes if plane.evidence is not None),
        saturation=levels,
    )


def _check_frames(light: Frame, given: Mapping[str, Frame], where: str) -> None:
    if light.pixels.ndim != 3:
        raise ValueError(f"pixels are (planes, rows, columns), not {light.pixels.shape}")
    if not any(np.isfinite(row).any() for plane in light.pixels for row in plane):
        raise InputError(f"{where}.light", found="no pixel holds a number", advice="look at the file again")
    for name, frame in given.items():
        if frame.pixels.shape != light.pixels.shape:
            raise wrong_size(f"{where}.{name}", name, found=frame.pixels.shape, expected=light.pixels.shape)
        for index, plane in enumerate(frame.pixels):
            _check_plane(plane, f"{where}.{name}", name, index)


def _check_plane(plane: AnyPlane, where: str, name: str, index: int) -> None:
    if not is_constant(plane):
        return
    value = float(plane[0][0])
    if np.isnan(value):
        raise InputError(
            where, found=f"plane {index + 1} holds no number", advice=f"stack the {name} frames again"
        )
    # a constant is a lawful bias: many cameras state their offset as one number
    if name in ("dark", "flat"):
        raise InputError(
            where,
            found=f"plane {index + 1} is {value:g} everywhere",
            expected="noise at least",
            advice=f"stack the {name} frames again, or leave the {name} out",
        )


def _saturation_levels(
    pixels: AnyPlanes, given: float | Sequence[float | None] | None
) -> tuple[float | None, ...]:
    if given is None:
        return tuple(saturation_level(plane) for plane in pixels)
    levels = tuple(given) if isinstance(given, Sequence) else (float(given),) * pixels.shape[0]
    if len(levels) != pixels.shape[0]:
        raise ValueError(f"{len(levels)} saturation levels for {pixels.shape[0]} planes")
    return levels


@dataclass(eq=False)
class _Plane:
    norm: float
    evidence: DarkEvidence | None


@dataclass(eq=False)
class _Job:
    """One calibration: frames, rules, and the notes that collect on the way."""

    light: Frame
    given: Mapping[str, Frame]
    where: str
    allow_shifted: bool
    hot_sigma: float
    factor: float = 1.0
    notes: list[Note] = field(default_factory=list)

    @property
    def flat_offset(self) -> str | None:
        """Name of the frame that is taken off the flat: its own dark, else the bias, unless its offset is out."""
        flat = self.given.get("flat")
        if flat is None or flat.offset_out:
            return None
        return next((name for name in ("flat_dark", "bias") if name in self.given), None)

    def set_factor(self, scaling: Scaling) -> None:
        dark = self.given.get("dark")
        if scaling not in ("none", "exposure"):
            raise ValueError(f"dark_scaling is {scaling!r}, not 'none' or 'exposure'")
        if scaling == "none" or dark is None:
            return
        if "bias" not in self.given:
            raise RecipeError(
                "calibrate.dark_scaling",
                found=f"'exposure', but {self.where} has no bias",
                expected="a bias, which must not be scaled with the dark",
                advice=f"give {self.where}.bias, or set it to 'none' and use a dark of the light's exposure",
            )
        for name, frame in (("light", self.light), ("dark", dark)):
            if not frame.exposure_s:
                raise RecipeError(
                    f"{self.where}.{name}",
                    found="its exposure is not known",
                    expected="exposures of light and dark, to scale the dark",
                    advice="state exposure_s in the target file, or set calibrate.dark_scaling to 'none'",
                )
        self.factor = float(self.light.exposure_s or 1.0) / float(dark.exposure_s or 1.0)

    def compare_facts(self, gain_e: float | None) -> None:
        dark, flat, flat_dark = (self.given.get(name) for name in ("dark", "flat", "flat_dark"))
        if dark is not None:
            signal_e = self._dark_signal_e(dark, gain_e)
            self.notes += dark_notes(self.light, dark, factor=self.factor, signal_e=signal_e)
        if flat is None:
            return
        if flat.offset_out and flat_dark is not None:
            text = (
                "the flat's header says that its offset is out already: flat_dark is not taken off it again"
            )
            self.notes.append(("flat-dark-unused", text))
        elif self.flat_offset is None and not flat.offset_out:
            planes = look_at_flat(self.light.pixels, flat.pixels, dark=None if dark is None else dark.pixels)
            told = offset_note(planes, stated=flat.offset_out is False)
            self.notes += [("flat-offset", told)] if told else []
        if flat.filter and self.light.filter and flat.filter.casefold() != self.light.filter.casefold():
            text = f"the flat was taken through {flat.filter}, the light through {self.light.filter}"
            self.notes.append(("flat-filter", text))
        if flat_dark is not None and flat.exposure_s and flat_dark.exposure_s:
            share = abs(flat_dark.exposure_s / flat.exposure_s - 1.0)
            if share > EXPOSURE_SHARE:
                text = (
                    f"the flat's dark was exposed {flat_dark.exposure_s:g} s, the flat {flat.exposure_s:g} s"
                )
                self.notes.append(("flat-dark-exposure", text))

    def _dark_signal_e(self, dark: Frame, gain_e: float | None) -> float | None:
        bias = self.given.get("bias")
        if gain_e is None or bias is None:
            return None
        level = median(sample_pixels(dark.pixels[0])) - median(sample_pixels(bias.pixels[0]))
        return max(0.0, float(level) * gain_e)

    def plane(
        self,
        index: int,
        level: float | None,
        out: NDArray[np.float32],
        faults: NDArray[np.uint8],
    ) -> _Plane:
        """Calibrate one plane into ``out`` and add its faults to ``faults``."""
        part = {name: frame.pixels[index] for name, frame in {"light": self.light, **self.given}.items()}
        if self.flat_offset is not None:
            part["flat_offset"] = part[self.flat_offset]
        light, dark = part["light"], part.get("dark")
        hot = None if dark is None else find_hot_in_dark(dark)
        evidence = self._judge_dark(light, dark, hot)
        norm = self._flat_norm(part, index)
        bad, full = take_out(part, faults, out, factor=self.factor, norm=norm, level=level)
        noise = local_noise(out)
        if dark is not None:
            self._check_level(out, dark, median(noise))
        wide = star_width(out, level) if np.isfinite(self.hot_sigma) else None
        alone = places(find_isolated(out, hot_sigma=self.hot_sigma, noise=noise, fwhm_px=wide))
        # the places in a dark that does not fit mean nothing in this light
        if dark is not None and hot is not None and evidence is not None and evidence.fits:
            again = hot if self.hot_sigma == HOT_SIGMA else find_hot_in_dark(dark, hot_sigma=self.hot_sigma)
            alone = joined([alone, places(again)])
        faults[alone] |= np.uint8(Fault.HOT)
        bad = joined([bad, alone])
        out[bad] = np.nan
        # each once: what is filled must not fill another
        y, x = np.divmod(np.unique(bad[0] * out.shape[1] + bad[1]), out.shape[1])
        out[y, x] = fill_values(out, None, y, x)
        filled = np.isfinite(out[y, x])
        faults[y[~filled], x[~filled]] |= np.uint8(Fault.LOST)
        repaired = (y[filled], x[filled])
        # a hot pixel may stand at saturation by itself; what is filled in is not saturated
        before = faults[repaired]
        faults[full] |= np.uint8(Fault.SATURATED)
        faults[repaired] = before | np.uint8(Fault.REPAIRED)
        return _Plane(norm, evidence)

    def _judge_dark(
        self,
        light: AnyPlane,
        dark: AnyPlane | None,
        hot: NDArray[np.bool_] | None,
    ) -> DarkEvidence | None:
        if dark is None:
            return None
        ratio = self.factor
        frame = self.given["dark"]
        if self.light.exposure_s and frame.exposure_s:
            ratio = self.light.exposure_s / frame.exposure_s
        evidence = dark_fits(light, dark, factor=ratio, hot=hot)
        differences = self._unlike()
        if not evidence.fits and not self.allow_shifted:
            refuse_shifted(evidence, differences, f"{self.where}.dark")
        if not evidence.fits:
            text = "the dark does not fit the light's pixels and is used all the same, as asked"
            self.notes.append(("dark-shifted", text))
        elif not evidence.enough:
            text = (
                f"the dark has {evidence.hot_in_dark} hot pixels to look for, too few to tell whether it fits"
            )
            if differences:
                text += f"; it may be the dark of other lights ({'; '.join(differences)})"
            self.notes.append(("dark-unproved", text))
        return evidence

    def _unlike(self) -> list[str]:
        return unlike(self.light, self.given["dark"], scaled=self.factor != 1.0)

    def _flat_norm(self, part: Mapping[str, Any], index: int) -> float:
        """Return the median of the flat, less its offset, over the pixels that see light; 1 without a flat."""
        if "flat" not in part:
            return 1.0
        self._check_flat_saturation(part["flat"])
        norm = typical_light(part["flat"], part.get("flat_offset"))
        if not norm > 0.0:
            raise StepError(
                f"{self.where}.flat",
                found=f"plane {index + 1} has a median of {norm:.4g} after its dark",
                expected="light in the flat",
                advice="check that flat and flat_dark are not exchanged and are in one unit",
            )
        return norm

    def _check_flat_saturation(self, flat: AnyPlane) -> None:
        # a value that one pixel in a hundred holds is in the sample; a lone hot pixel above it need not be
        sample = sample_pixels(flat)
        share = float((sample == sample.max(initial=-np.inf)).mean()) if sample.size else 0.0
        if share > _OVEREXPOSED:
            text = f"{100.0 * share:.0f} % of the flat's pixels are at its highest value: it is overexposed"
            self.notes.append(("flat-saturated", text))

    def _check_level(self, pixels: NDArray[np.float32], dark: AnyPlane, noise: float) -> None:
        """Refuse a light that a dark leaves far below zero; tell of one it leaves a little below."""
        sample = sample_pixels(pixels)
        if sample.size == 0:
            return
        level = median(sample)
        # what all pixels share, an offset say, is not better known than a hundredth of their noise
        error = noise / min(100.0, np.sqrt(sample.size))
        if not level < -max(_BELOW_SIGMA * error, _BELOW_NOISE * noise):
            return
        text = (
            f"the light's median is {level:.4g} after the dark, {-level / noise:.1f} sigma of a pixel below 0"
        )
        offset = median(sample_pixels(dark))
        if level < -_BELOW_SIGMA * noise and -level > _BELOW_OFFSET * abs(offset) and not self.allow_shifted:
            raise StepError(
                f"{self.where}.dark",
                found=f"{text}: {self._why_below(refused=True)}",
                expected="a light at least as bright as its dark",
                advice="name the dark of these lights, or leave the dark out",
            )
        self.notes.append(("light-below-dark", f"{text}: {self._why_below(refused=False)}"))

    def _why_below(self, *, refused: bool) -> str:
        """Return the likeliest cause of a light below its dark."""
        differences = self._unlike()
        if differences:
            return f"the dark may be that of other lights ({'; '.join(differences)})"
        if refused:
            return "this stack may have been dark-subtracted already, or the dark may be in another unit"
        return "the dark may not match in exposure, temperature or offset"
