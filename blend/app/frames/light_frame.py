"""One light frame on its way to a master: the sensor taken out, planes made, sky, noise and stars measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.frames.stacked import StackOptions, black_plane, check_master, offset_plane
from blend.base.errors import BlendError, InputError, StepError
from blend.base.master import Flag
from blend.base.robust import difference_noise, noise_at_scales
from blend.files.raw import Head, Mosaic, read_mosaic
from blend.files.scratch import FrameStore
from blend.recipe.state import COLOUR
from blend.science.grid import Alignment
from blend.science.plane import SCALES, bin_by_four, local_noise, sample_pixels, sky_mode
from blend.science.sensor import (
    FEW_FRAMES,
    Sensor,
    calibrate_mosaic,
    dark_notes,
    demosaic,
    half_size,
    photosites,
    prepare_sensor,
    refine_centres,
    sites,
    spread_mask,
)
from blend.science.stars import Stars, find_stars, typical_fwhm

FEWEST_STARS = 8
"""Fewer stars bring no frame onto another with a star or two to spare (chosen, not measured)."""
SKY_SAMPLE = 200_000
"""Pixels that tell a sky to 0.3 % of their scatter."""

NEAR_CLIP = 0.99
"""The greatest value is where a sensor clips; amplifiers of its channels differ by some thousandths."""

Planes = NDArray[np.float32]


@dataclass(eq=False)
class LightFrame:
    """One light on its way."""

    index: int
    head: Head
    why: str = ""
    sky: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    noise: tuple[dict[int, float], ...] = ()
    stars: Stars | None = None
    fwhm: float = float("nan")
    clip: float | None = None
    alignment: Alignment | None = None
    gain: NDArray[np.float64] = field(default_factory=lambda: np.ones(0))
    weight: float = 0.0
    rays: int | None = None
    notes: tuple[str, ...] = ()
    full: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    """The lowest calibrated value, a plane, of a saturated photosite; infinite where there is none."""

    @property
    def kept(self) -> bool:
        return not self.why


@dataclass(frozen=True, kw_only=True, eq=False)
class LightPlan:
    """What a stack of lights is made into."""

    options: StackOptions
    sensor: Sensor
    head: Head
    planes: tuple[str, ...]
    shape: tuple[int, int]
    frames: int

    @property
    def rays_in(self) -> list[tuple[slice, slice]]:
        """Photosites of one kind each in which rays are looked for: none where frames enough will clip them."""
        if self.frames > FEW_FRAMES:
            return []
        if self.head.pattern is None:
            return [(slice(None), slice(None))]
        colours = ("red",) if self.line else COLOUR
        return [
            (slice(dy, None, 2), slice(dx, None, 2))
            for colour in colours
            for dx, dy in sites(self.head.pattern, colour)
        ]

    @property
    def electrons(self) -> float | None:
        """Electrons in full scale."""
        gain = self.options.gain_e or self.head.facts.gain_e
        return None if gain is None else gain * self.sensor.span

    @property
    def interpolated(self) -> bool:
        """Whether planes hold more than was counted: a full-size colour plane does."""
        return self.head.pattern is not None and not self.line and self.options.demosaic != "half"

    @property
    def line(self) -> bool:
        return self.options.line is not None

    @property
    def star_plane(self) -> int:
        """Green, which sees most stars and is sampled best; the only plane of a line or grey frame."""
        return 1 if len(self.planes) == 3 else 0


# --- the sensor ---------------------------------------------------------------------------------------------


def prepare_plan(first: Head, options: StackOptions, *, frames: int) -> tuple[LightPlan, list[str]]:
    """Read the masters, gather what is to be taken out, and say what the stack of ``frames`` is made into.

    Raises
    ------
    InputError
        A line is asked of a sensor without colours.
    """
    if options.line is not None and first.pattern is None:
        expected = "a Bayer mosaic, whose red photosites see the line"
        advice = "leave --line out, or give the pattern with --pattern"
        raise InputError(str(first.path), found="its sensor has no colours", expected=expected, advice=advice)
    masters = {
        name: read_mosaic(path, pattern=options.pattern)
        for name, path in (("dark", options.dark), ("bias", options.bias), ("flat", options.flat))
        if isinstance(path, Path)
    }
    for name, master in masters.items():
        check_master(master, first, name)
    bias = masters["bias"].pixels if "bias" in masters else None
    if isinstance(options.bias, float):
        bias = offset_plane(options.bias, first)
    factor, notes = _dark_factor(first, masters, options)
    flat = masters.get("flat")
    black = black_plane(first)
    sensor = prepare_sensor(
        first.shape,
        black=black,
        span=_full_scale(first, masters) - float(np.mean(first.black)),
        step=1 if first.pattern is None else 2,
        dark=masters["dark"].pixels if "dark" in masters else None,
        bias=bias,
        flat=None if flat is None else flat.pixels - black_plane(flat.head),
        factor=factor,
    )
    if "dark" not in masters and bias is None and not any(first.black):
        notes.append("neither dark nor bias is given and no black is stated: the offset stays in the master")
    planes, shape = _layout(first, options)
    return LightPlan(
        options=options, sensor=sensor, head=first, planes=planes, shape=shape, frames=frames
    ), notes


def _layout(first: Head, options: StackOptions) -> tuple[tuple[str, ...], tuple[int, int]]:
    rows, columns = first.shape
    if first.pattern is None:
        return (options.line or "grey",), (rows, columns)
    if options.line is not None:
        ((dx, dy),) = sites(first.pattern, "red")
        return (options.line,), ((rows - dy + 1) // 2, (columns - dx + 1) // 2)
    return COLOUR, (rows // 2, columns // 2) if options.demosaic == "half" else (rows, columns)


def _full_scale(first: Head, masters: dict[str, Mosaic]) -> float:
    if first.white is not None and first.white < 65535.0:
        return first.white
    stated = [m.head.white for m in masters.values() if m.head.white is not None]
    return first.white or (max(stated) if stated else 65535.0)


def _dark_factor(first: Head, masters: dict[str, Mosaic], options: StackOptions) -> tuple[float, list[str]]:
    if "dark" not in masters:
        return 1.0, []
    light, dark = first.facts, masters["dark"].head.facts
    factor = 1.0
    if options.dark_scaling == "exposure":
        if options.bias is None or not light.exposure_s or not dark.exposure_s:
            raise StepError(
                "--dark-scaling",
                found="'exposure', but the bias or an exposure is missing",
                expected="a bias, which must not be scaled with the dark, and both exposures",
                advice="give --bias, or use a dark of the lights' exposure",
            )
        factor = light.exposure_s / dark.exposure_s
    notes = dark_notes(light, dark, factor=factor, signal_e=None)
    return factor, [text for code, text in notes if code != "dark-unchecked"]


# --- one frame ----------------------------------------------------------------------------------------------


def measure_frame(frame: LightFrame, plan: LightPlan, store: FrameStore, flag_store: FrameStore) -> None:
    """Calibrate a frame, put its planes aside, and measure them; a frame that fails is left out and says why."""
    try:
        mosaic = read_mosaic(frame.head.path, pattern=plan.options.pattern)
    except BlendError as fault:
        frame.why = fault.found
        return
    frame.clip = mosaic.clip
    level = mosaic.clip if mosaic.clip is not None else frame.head.white
    light = calibrate_mosaic(
        mosaic.pixels,
        plan.sensor,
        saturation=None if level is None else NEAR_CLIP * level,
        line=plan.line,
        rays_in=plan.rays_in,
        electrons=plan.electrons,
    )
    frame.rays = light.rays
    del mosaic
    planes, flags = _planes_of(light.pixels, light.saturated, plan)
    frame.noise = _frame_noise(light.pixels, plan)
    frame.sky = np.array([sky_mode(sample_pixels(plane, most=SKY_SAMPLE)) for plane in planes])
    full = (flags & np.uint8(Flag.SATURATED)) != 0
    frame.full = np.array([np.nanmin(plane, where=full, initial=np.inf) for plane in planes])
    top = frame.full[plan.star_plane]
    frame.stars = find_stars(planes[plan.star_plane], saturation=float(top) if np.isfinite(top) else None)
    frame.fwhm = typical_fwhm(frame.stars)
    frame.stars = refine_centres(frame.stars, planes[plan.star_plane])
    if len(frame.stars) < FEWEST_STARS and plan.frames > 1:
        frame.why = f"{len(frame.stars)} stars are too few to register it by"
    store.put(frame.index, planes)
    flag_store.put(frame.index, flags[np.newaxis])


def _planes_of(
    mosaic: NDArray[np.float32], saturated: NDArray[np.bool_], plan: LightPlan
) -> tuple[Planes, NDArray[np.uint8]]:
    """Return planes and flags: nothing is interpolated for a line."""
    pattern, way = plan.head.pattern, plan.options.demosaic
    if pattern is None:
        planes, full = mosaic[np.newaxis], np.asarray(saturated)
    elif plan.line:
        ((dx, dy),) = sites(pattern, "red")
        planes, full = photosites(mosaic, pattern)[np.newaxis], saturated[dy::2, dx::2]
    elif way == "half":
        planes = half_size(mosaic, pattern)
        rows, columns = (2 * length for length in planes.shape[1:])
        full = np.asarray(saturated[:rows, :columns].reshape(rows // 2, 2, columns // 2, 2).any(axis=(1, 3)))
    else:
        planes = demosaic(mosaic, pattern, method=plan.options.interpolation)
        full = spread_mask(saturated, reach=1 if way == "bilinear" else 2)
    missing = ~np.isfinite(planes).all(axis=0)
    flags = np.where(missing, np.uint8(Flag.NO_DATA), np.uint8(0))
    flags |= np.where(full, np.uint8(Flag.SATURATED), np.uint8(0))
    return planes, flags


def _frame_noise(mosaic: NDArray[np.float32], plan: LightPlan) -> tuple[dict[int, float], ...]:
    """Return, a plane, the noise of one photosite and of means over blocks of the plane's own pixels, uninterpolated.

    A block of 4 x 4 pixels of a demosaiced plane holds 2 x 2 photosites of its colour, green twice as many.
    """
    pattern = plan.head.pattern
    if pattern is None or not plan.interpolated:
        planes, _ = _planes_of(mosaic, np.zeros(mosaic.shape, dtype=np.bool_), plan)
        return tuple(_noise_of(plane) for plane in planes)
    told = []
    for colour in COLOUR:
        parts = [mosaic[dy::2, dx::2] for dx, dy in sites(pattern, colour)]
        rows, columns = (min(part.shape[axis] for part in parts) for axis in (0, 1))
        whole = np.asarray(np.mean([part[:rows, :columns] for part in parts], axis=0, dtype=np.float32))
        coarse = noise_at_scales(whole, scales=tuple(scale // 2 for scale in SCALES[1:]))
        told.append(
            {1: float(np.median(local_noise(parts[0])))} | {2 * size: s for size, s in coarse.items()}
        )
    return tuple(told)


def _noise_of(plane: NDArray[np.float32]) -> dict[int, float]:
    result = {1: float(np.median(local_noise(plane)))}
    means: NDArray[Any] = plane
    for scale in SCALES[1:]:
        means = bin_by_four(means)[0]
        result[scale] = difference_noise(means) if min(means.shape) >= 6 else float("nan")
    return result


def check_dark(frames: Sequence[LightFrame], plan: LightPlan) -> list[str]:
    """Say where dark-subtracted lights lie below zero."""
    levels = [frame.sky[plan.star_plane] for frame in frames if frame.sky.size]
    noises = [frame.noise[plan.star_plane][1] for frame in frames if frame.noise]
    if plan.sensor.has_dark and levels and np.median(levels) < -0.2 * np.median(noises):
        return [
            f"the sky of the lights is {np.median(levels):.2g} after the dark: the dark does not match in exposure, "
            "temperature or offset"
        ]
    return []
