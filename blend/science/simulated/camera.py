"""An invented camera: masters as a mean of many frames, with everything that calibration has to take out.

Each frame is bias + dark + light x response, clipped at the full well, with the noise of electrons and of
the readout. The mean of many such frames is drawn at once from its exact mean and variance. Every block of
rows, plane and part has a random stream of its own: the result depends neither on threads nor on what else
is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import ROWS_PER_BLOCK, map_row_blocks

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

CLIP_SIGMA = 5.0
"""Below full scale by so many sigma no frame clips."""

GLOW_REACH = 0.16
"""Length over which amplifier glow falls to 1/e, by half the diagonal (chosen)."""

SHADOW_PX, SHADOW_DEPTH = (0.010, 0.016), (0.02, 0.04)
"""Radius of a dust shadow by the frame's width, and its depth: least, and what chance adds (chosen, as flats show
them)."""

OBSTRUCTION, SOFTNESS, SHADOW_REACH = 0.35, 12.0, 1.4
"""Of a shadow, by its radius: the hole of the telescope's central obstruction, the steepness of its edges, and how far
it is drawn, where 7e-5 of it is left."""

STREAMS = (
    *("stars", "knots", "clusters", "nebula"),
    *("response", "shadows", "hot", "columns", "light", "dark", "flat", "bias", "walk"),
)


def stream(seed: int, part: str, *place: int) -> np.random.Generator:
    """Return the random generator of one part of a night, the same whatever else is drawn."""
    key = (STREAMS.index(part), *place)
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(entropy=seed, spawn_key=key)))


@dataclass(frozen=True, kw_only=True)
class Camera:
    """What a camera does to light, and how many frames went into each master."""

    number: int  # tells the random streams of two cameras of a night apart
    planes: tuple[str, ...]
    # exposure_s and frames: of the lights; darks have the same exposure
    exposure_s: float
    frames: int
    # invented, in the range of cameras of their kind (from memory): a colour camera of 14 bits that is not cooled
    gain_e: float = 1.0  # electrons per ADU
    full_scale_adu: int = 16383  # largest number of the converter, where frames clip
    # read_noise_e, bias_adu and dark_e_s: readout noise and level of one frame; dark current of an ordinary pixel
    read_noise_e: float = 3.5
    bias_adu: float = 512.0
    dark_e_s: float = 0.02
    glow_e_s: float = 3.0  # amplifier glow at the lower right corner
    # hot_e_s and hot_per_mpx: mean dark current of a hot pixel, and hot pixels per million pixels
    hot_e_s: float = 40.0
    hot_per_mpx: float = 300.0
    vignetting: float = 0.24  # light lost at the corners, 0 to 1
    # level of the flat in each plane, fraction of full scale
    flat_levels: tuple[float, ...] = (0.42, 0.50, 0.36)
    pixel_response: float = 0.005  # scatter of the sensitivity from pixel to pixel
    shadows: int = 7
    dark_frames: int = 40
    flat_frames: int = 40
    bias_frames: int = 80

    @property
    def full_e(self) -> float:
        """Electrons at full scale, the bias included."""
        return self.gain_e * self.full_scale_adu

    @property
    def bias_level(self) -> float:
        """Mean bias as a fraction of full scale."""
        return self.bias_adu / self.full_scale_adu


@dataclass(frozen=True, kw_only=True, eq=False)
class FrameMasters:
    """The stacked masters of one camera, fractions of full scale, not calibrated unless ``dark`` is None."""

    # (planes, rows, columns) float32; 0 to 1, clipped frame by frame before stacking; NaN or 0 outside the data
    # of a dithered stack
    light: Pixels
    # dark, flat and bias: (planes, rows, columns) float32 or None; the dark has the light's exposure and holds
    # the bias; so does the flat, whose own dark current is nil. None where the light is an already calibrated
    # stack.
    dark: Pixels | None = None
    flat: Pixels | None = None
    bias: Pixels | None = None
    camera: Camera  # exposures, frames, gain, read noise, full scale
    fwhm_px: float  # width of a star in the light
    hot_xy: NDArray[np.int64]  # (n, 2) int64; column and row of every hot pixel
    hot_plane: NDArray[np.int64]  # (n,) int64


@dataclass(frozen=True, kw_only=True, eq=False)
class NoisePlan:
    """What differs from independent noise of raw lights."""

    demosaiced: bool = False  # noise of a bilinear demosaic of an RGGB mosaic
    # streaks of a fixed pattern under a slow drift, in units of the light's noise at the sky
    walk: float = 0.0
    calibrated: bool = False  # the light is a calibrated stack: no bias, dark or vignetting left


def take_masters(
    signal: Pixels, camera: Camera, *, seed: int, fwhm_px: float, plan: NoisePlan
) -> FrameMasters:
    """Stack the frames of one camera; ``signal`` is the light of one above bias, a fraction of full scale, unclipped.

    Notes
    -----
    Variance of a mean of N frames in electrons: (signal + dark + read_noise^2) / N. Quantisation is left out.
    """
    planes, rows, columns = signal.shape
    sensor = Sensor(camera, (rows, columns), seed)
    normals = _light_normals(signal.shape, camera, seed=seed, plan=plan)
    outputs = {
        name: np.empty(signal.shape, dtype=np.float32)
        for name in (("light",) if plan.calibrated else ("light", "dark", "flat", "bias"))
    }

    def fill(block: slice) -> None:
        for plane in range(planes):
            noise = None if normals is None else normals[plane, block]
            _fill_block(outputs, sensor, signal[plane, block], plane, block, noise=noise)

    map_row_blocks(fill, rows)
    return FrameMasters(
        **outputs, camera=camera, fwhm_px=fwhm_px, hot_xy=sensor.hot_xy, hot_plane=sensor.hot_plane
    )


def _fill_block(
    outputs: dict[str, Pixels],
    sensor: Sensor,
    signal: Pixels,
    plane: int,
    block: slice,
    *,
    noise: Pixels | None,
) -> None:
    camera = sensor.camera
    light_e = signal * np.float32(camera.full_e)

    def store(name: str, electrons: Pixels, bias: Pixels | np.float32, frames: int) -> None:
        drawn = noise if name == "light" and noise is not None else sensor.normal(name, plane, block)
        outputs[name][plane, block] = stack_mean(electrons, bias, frames=frames, camera=camera, normals=drawn)

    if "dark" not in outputs:
        store("light", light_e, np.float32(0.0), camera.frames)
        return
    bias = sensor.bias_e(plane)
    dark = sensor.dark_e(plane, block)
    response = sensor.response(plane, block)
    store("light", light_e * response + dark, bias, camera.frames)
    store("dark", dark, bias, camera.dark_frames)
    store("flat", response * np.float32(camera.flat_levels[plane] * camera.full_e), bias, camera.flat_frames)
    store("bias", np.zeros_like(dark), bias, camera.bias_frames)


def stack_mean(
    electrons: Pixels, bias_e: Pixels | np.float32, *, frames: int, camera: Camera, normals: Pixels
) -> Pixels:
    """Return the mean of ``frames`` frames, each clipped at the full well, as a fraction of full scale.

    With z = (w - m) / s, m and s mean and noise of one frame and w the full well, one clipped frame has the
    mean w - s (z Phi(z) + phi(z)) and, with d = w - x, E[d^2] = s^2 ((z^2 + 1) Phi(z) + z phi(z)). ``electrons`` are
    the mean of one frame above the bias, ``normals`` standard normal numbers, one a pixel.

    References
    ----------
    Moments of a censored normal distribution: Tobin (1958), Econometrica 26, 24 (from memory); derived here.
    """
    well = np.float32(camera.full_e)
    spread = np.sqrt(np.maximum(electrons, 0.0) + np.float32(camera.read_noise_e**2))
    mean = electrons + bias_e
    result = mean + spread * np.float32(frames**-0.5) * normals
    near = mean > well - np.float32(CLIP_SIGMA) * spread
    if near.any():
        result[near] = _clipped(mean[near], spread[near], normals[near], well=float(well), frames=frames)
    return (result / well).astype(np.float32)


def _clipped(mean: Pixels, spread: Pixels, normals: Pixels, *, well: float, frames: int) -> Floats:
    from scipy.special import ndtr

    s = spread.astype(np.float64)
    z = (well - mean.astype(np.float64)) / s
    below, density = ndtr(z), np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
    short = s * (z * below + density)
    variance = np.maximum(s * s * ((z * z + 1.0) * below + z * density) - short**2, 0.0)
    clipped: Floats = np.minimum(well - short + np.sqrt(variance / frames) * normals, well)
    return clipped


class Sensor:
    """What stays the same from frame to frame of one camera."""

    def __init__(self, camera: Camera, shape: tuple[int, int], seed: int) -> None:
        self.camera, self.shape, self.seed = camera, shape, seed
        rows, columns = shape
        self._half = hypot(rows, columns) / 2.0
        x = np.linspace(0, columns - 1, 129, dtype=np.float32)
        y = np.linspace(0, rows - 1, 129, dtype=np.float32)[:, None]
        self._typical = float(np.median(self._falloff(x, y)))
        rng = stream(seed, "hot", camera.number)
        count = round(camera.hot_per_mpx * rows * columns * 1e-6)
        at = np.sort(rng.choice(rows * columns, size=count, replace=False, shuffle=False))
        self.hot_xy = np.stack([at % columns, at // columns], axis=1).astype(np.int64)
        self.hot_plane = rng.integers(0, len(camera.planes), count)
        self.hot_rate = rng.exponential(camera.hot_e_s, count)
        self.shadow = stream(seed, "shadows", camera.number).uniform(0.0, 1.0, (camera.shadows, 4))

    def normal(self, part: str, plane: int, block: slice) -> Pixels:
        """Return independent standard normal numbers for one block."""
        size = (block.stop - block.start, self.shape[1])
        rng = stream(self.seed, part, self.camera.number, plane, block.start // ROWS_PER_BLOCK)
        return rng.standard_normal(size, dtype=np.float32)

    def bias_e(self, plane: int) -> Pixels:
        """Return the bias of every column, (columns,), in electrons: a level and a faint column pattern."""
        pattern = stream(self.seed, "columns", self.camera.number, plane).normal(0.0, 1.0, self.shape[1])
        return (self.camera.bias_adu * self.camera.gain_e + pattern).astype(np.float32)

    def dark_e(self, plane: int, block: slice) -> Pixels:
        """Return the dark signal of one light in electrons: ordinary pixels, amplifier glow, hot pixels."""
        camera = self.camera
        x = np.arange(self.shape[1], dtype=np.float32) - self.shape[1]
        y = np.arange(block.start, block.stop, dtype=np.float32)[:, None] - self.shape[0]
        distance = np.sqrt(x * x + y * y)
        rate = np.float32(camera.glow_e_s) * np.exp(distance * np.float32(-1.0 / (GLOW_REACH * self._half)))
        rate += np.float32(camera.dark_e_s)
        first, last = np.searchsorted(self.hot_xy[:, 1], (block.start, block.stop))
        here = slice(int(first), int(last))
        mine = self.hot_plane[here] == plane
        column, row = self.hot_xy[here][mine].T
        rate[row - block.start, column] += self.hot_rate[here][mine].astype(np.float32)
        dark: Pixels = rate * np.float32(camera.exposure_s)
        return dark

    def response(self, plane: int, block: slice) -> Pixels:
        """Return vignetting x dust shadows x pixel response, with a median of 1 over the frame."""
        rows, columns = self.shape
        x = np.arange(columns, dtype=np.float32)
        y = np.arange(block.start, block.stop, dtype=np.float32)[:, None]
        result = self._falloff(x, y) / np.float32(self._typical)
        for u, v, size, depth in self.shadow:
            radius = (SHADOW_PX[0] + SHADOW_PX[1] * size) * columns
            deep = SHADOW_DEPTH[0] + SHADOW_DEPTH[1] * depth
            _cast_shadow(result, (x - u * columns), (y - v * rows), radius, deep)
        result *= 1.0 + np.float32(self.camera.pixel_response) * self.normal("response", plane, block)
        return result

    def _falloff(self, x: Pixels, y: Pixels) -> Pixels:
        rows, columns = self.shape
        u = (x - (columns - 1) / 2.0) / self._half
        v = (y - (rows - 1) / 2.0) / self._half
        return (1.0 - self.camera.vignetting * (u * u + v * v)).astype(np.float32)


def _cast_shadow(response: Pixels, dx: Pixels, dy: Pixels, radius: float, depth: float) -> None:
    # A dust grain far from focus casts a soft ring: a disc with the telescope's central obstruction cut out.
    near_rows = np.flatnonzero(np.abs(dy[:, 0]) < SHADOW_REACH * radius)
    near = np.flatnonzero(np.abs(dx) < SHADOW_REACH * radius)
    if near_rows.size == 0 or near.size == 0:
        return
    rows = slice(int(near_rows[0]), int(near_rows[-1]) + 1)
    columns = slice(int(near[0]), int(near[-1]) + 1)
    distance = np.sqrt(dx[columns] ** 2 + dy[rows] ** 2) / np.float32(radius)
    edge = 0.5 * (1.0 - np.tanh((distance - 1.0) * SOFTNESS))
    hole = 0.5 * (1.0 - np.tanh((distance - OBSTRUCTION) * SOFTNESS))
    response[rows, columns] *= (1.0 - depth * (edge - hole)).astype(np.float32)


def _light_normals(
    shape: tuple[int, int, int], camera: Camera, *, seed: int, plan: NoisePlan
) -> Pixels | None:
    if not plan.demosaiced and plan.walk == 0.0:
        return None
    planes, rows, columns = shape
    sensor = Sensor(camera, (rows, columns), seed)
    normals = np.empty(shape, dtype=np.float32)

    def fill(block: slice) -> None:
        for plane in range(planes):
            normals[plane, block] = sensor.normal("light", plane, block)

    map_row_blocks(fill, rows)
    if plan.demosaiced:
        for plane, name in enumerate(camera.planes):
            _demosaic_noise(normals[plane], green=name == "green", late=name == "blue")
    if plan.walk > 0.0:
        for plane in range(planes):
            rng = stream(seed, "walk", camera.number, plane)
            normals[plane] += np.float32(plan.walk) * walking_pattern((rows, columns), rng)
    return normals


def _demosaic_noise(normals: Pixels, *, green: bool, late: bool) -> None:
    # Bilinear demosaic of noise that lives on the photosites of an RGGB mosaic; every other photosite is 0.
    keep = np.zeros((2, 2), dtype=np.float32)
    if green:
        keep[0, 1] = keep[1, 0] = 1.0
    else:
        keep[int(late), int(late)] = 1.0
    for y in range(2):
        for x in range(2):
            normals[y::2, x::2] *= keep[y, x]
    padded = np.pad(normals, 1, mode="reflect")
    if green:
        cross = padded[:-2, 1:-1] + padded[2:, 1:-1] + padded[1:-1, :-2] + padded[1:-1, 2:]
        normals += np.float32(0.25) * cross
        return
    across = padded[:, 1:-1] + np.float32(0.5) * (padded[:, :-2] + padded[:, 2:])
    normals[:] = across[1:-1] + np.float32(0.5) * (across[:-2] + across[2:])


def walking_pattern(shape: tuple[int, int], rng: np.random.Generator) -> Pixels:
    """Return fixed pattern noise smeared along a drift of 32 steps of (2, 1) px, standard deviation 1."""
    pattern = rng.standard_normal(shape, dtype=np.float32)
    for doubling in range(5):
        step = 2**doubling
        pattern = pattern + np.roll(pattern, (step, 2 * step), axis=(0, 1))
    return pattern * np.float32(32**-0.5)
