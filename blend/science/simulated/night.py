"""An invented moonlit night with known truth: a colour and a line master, and their calibration.

Colour frames see moonlight, stars, galaxy and the line's light inside the red band. Frames through the
narrow filter see the same sky on their own grid, with the line standing out. Every number that a run of the
program has to find is in `Truth`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import cos, radians, sin
from typing import Any, Literal

import numpy as np

from blend.base.rowblocks import map_row_blocks
from blend.science.simulated.camera import (
    Camera,
    Floats,
    FrameMasters,
    NoisePlan,
    Pixels,
    stream,
    take_masters,
)
from blend.science.simulated.drawing import View, draw
from blend.science.simulated.scene import Disc, Kind, Sources, colour_of, growth_of, make_scene

SIZES = {"small": (1000, 1500), "full": (4000, 6000)}
RESPONSE = (0.80, 1.00, 0.65)
"""What the camera makes of white light in red, green and blue, as colour sensors with their filters do (from
memory)."""

SKY_COLOUR = (0.70, 1.00, 1.20)
"""Moonlight as the camera sees it, green = 1."""

SKY_SLOPE_BY_PLANE = (1.25, 1.00, 0.85)
"""Against its own level scattered moonlight is steeper in the red than in the blue (the Rayleigh term)."""

BLUE_BLOAT, WALK_STRENGTH, LEAK = 1.4, 0.6, 0.03
"""Of faults that can be asked for: how much wider blue stars are, streaks by the noise of a pixel, and the line's light
that green and blue photosites see (chosen; `LEAKAGE_656` of a real camera is 0.08 and 0.02)."""

BORDER_PX = (9, 14, 6, 11)
"""Top, bottom, left and right of a dithered stack's border: all different, so that no exchange goes unseen."""

HA_SLOPE, HA_ANGLE_DEG, HA_SHAPE = 0.7, 150.0, (0.976, 1.02)
"""Of the line's frame: its sky's slope by the colour frame's, its direction, and rows and columns by the colour
frame's: all unlike, so that nothing fits by chance (chosen)."""

BEND = 0.06
"""Bend of moonlight by its slope (chosen: some tenths of a percent of the sky)."""

FLIPPED, UNFLIPPED = 0.6, 0.5
"""Shares of the halves of a night that a mount has turned: the second is a fifth brighter, so that slopes do not
cancel."""


@dataclass(frozen=True, kw_only=True)
class SceneOptions:
    """What night to invent."""

    # rows and columns: size of the colour frame; the galaxy and the number of stars follow
    rows: int = 1000
    columns: int = 1500
    seed: int = 1
    # Seed of the cameras and their noise; `seed` where absent. Two of them are two halves of one night.
    noise_seed: int | None = None
    # the Lantern Spiral; line emission over most of the frame, with stars; stars only; nothing but sky
    kind: Kind = "spiral"
    # moon and ha_moon: Moonlight in the green plane and in the line master, fraction of full scale
    moon: float = 0.15
    ha_moon: float = 0.02
    # moon_slope and moon_angle_deg: peak-to-peak slope over the frame as a share of the sky, and the direction in
    # which it brightens
    moon_slope: float = 0.22
    moon_angle_deg: float = 35.0
    # line_scale, throughput_ratio, line_width_nm and red_width_nm: factor on all line light; T_line / T_red;
    # widths of the bands
    line_scale: float = 2.5
    throughput_ratio: float = 1.0
    line_width_nm: float = 7.0
    red_width_nm: float = 100.0
    rgb_exposure_s: float = 30.0
    rgb_frames: int = 60
    rgb_fwhm_px: float = 3.0
    ha_exposure_s: float = 300.0
    ha_frames: int = 24
    ha_fwhm_px: float = 3.4
    # ha_rotation_deg, ha_scale, ha_offset_px and mirrored: how the line frame lies on the colour frame; the
    # offset grows with the frame
    ha_rotation_deg: float = 3.7
    ha_scale: float = 1.08
    ha_offset_px: tuple[float, float] = (13.4, -8.7)
    mirrored: bool = False
    ha_grid: Literal["own", "same"] = "own"
    stars_per_mpx: float = 400.0
    knots: int = 60
    hot_per_mpx: float = 300.0
    # ring without data of a dithered stack, which is a calibrated one
    border: Literal["none", "nan", "zero"] = "none"
    calibrated: bool = False  # lights without bias, dark and vignetting, and no calibration masters
    # correlated_noise, walking_noise, flipped_half, balanced and bloated_blue: noise of a demosaic; streaks; half
    # of the frames turned by 180 deg under the sky; white balance applied and clipped, calibrated; blue stars 1.4
    # times as wide
    correlated_noise: bool = False
    walking_noise: bool = False
    flipped_half: bool = False
    balanced: bool = False
    bloated_blue: bool = False
    # ha_is_continuum_only, ha_pure_noise and ha_three_planes: no line light anywhere; a line master of noise
    # alone; a line master of a colour camera
    ha_is_continuum_only: bool = False
    ha_pure_noise: bool = False
    ha_three_planes: bool = False

    @classmethod
    def sized(cls, size: str, **changes: Any) -> SceneOptions:
        """Return options of a named size, ``small`` (1.5 Mpx) or ``full`` (24 Mpx)."""
        rows, columns = SIZES[size]
        return cls(rows=rows, columns=columns, **changes)

    @property
    def growth(self) -> float:
        """Length of the frame in units of the small one."""
        return growth_of((self.rows, self.columns))

    @property
    def camera_seed(self) -> int:
        """Seed of the cameras and their noise."""
        return self.seed if self.noise_seed is None else self.noise_seed

    @property
    def stack_is_calibrated(self) -> bool:
        """Whether the lights come without calibration masters: asked for, or dithered, or white balanced."""
        return self.calibrated or self.balanced or self.border != "none"


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """What a perfect run would find: on the colour frame's grid, in fractions of full scale, without noise."""

    # (3, rows, columns) float32; stars and galaxy, blurred as in the colour frame, not clipped, without sky and
    # without line light
    continuum: Pixels
    # (rows, columns) float32; line light in counts of the red plane, blurred alike; red is ``continuum[0] +
    # line_in_red + sky[0]``
    line_in_red: Pixels
    sky: Pixels  # (3, rows, columns) float32; moonlight
    ha_sky: Pixels  # (rows2, columns2) float32; moonlight in the line frame, its own grid
    ha_to_rgb: Floats  # (3, 3) float64; maps a pixel (x, y) of the line frame to the colour frame
    # Line over red plane, both calibrated fractions of full scale on one grid, for light without a line. The line
    # frame is ``continuum_scale * (continuum[0] + line_in_red * throughput_ratio / width_ratio)`` + sky.
    continuum_scale: float
    width_ratio: float  # line_width_nm / red_width_nm
    star_xy: Floats  # (n, 2) float64; by falling flux, some outside the frame
    star_b_v: Floats  # (n,) float64
    star_flux: Floats  # (3, n) float64; sums over the pixels of the colour frame
    # ``xy``, ``flux`` in counts of the red plane, ``fwhm_px`` before the blur of the star image
    knots: Sources
    clusters: Sources  # small blue groups of stars on the arms, part of the continuum
    disc: Disc | None
    white_gains: Floats  # (3,) float64; factors that make a star of `scene.WHITE_B_V` neutral, green = 1


@dataclass(frozen=True, kw_only=True, eq=False)
class Night:
    """One target, photographed twice."""

    options: SceneOptions
    rgb: FrameMasters
    ha: FrameMasters
    truth: Truth


def simulate_night(options: SceneOptions) -> Night:
    """Invent one night.

    The line frame sees N = s (C + L t / r) + sky where the red plane sees R = C + L + sky: C continuum, L
    line light in counts of the red plane, s the continuum scale, r the ratio of widths, t that of
    throughputs.

    Parameters
    ----------
    options : SceneOptions

    Returns
    -------
    Night
        The same to the bit for one set of options and versions, on any number of threads.

    Raises
    ------
    ValueError
        A frame below 32 x 32.

    Notes
    -----
    s = r t (exposure ratio) (pixel area ratio) (full scale ratio) for two cameras of equal efficiency.

    References
    ----------
    The line inside both bands: Waller (1990), PASP 102, 1217 (from memory); derived here.

    Examples
    --------
    >>> night = simulate_night(SceneOptions(rows=64, columns=96, kind="empty"))
    >>> night.rgb.light.shape, night.ha.light.shape
    ((3, 64, 96), (1, 62, 98))
    """
    if min(options.rows, options.columns) < 32:
        raise ValueError(f"a frame of {options.rows} x {options.columns} is too small; at least 32 x 32")
    scene = make_scene(
        (options.rows, options.columns),
        kind=options.kind,
        streams={name: stream(options.seed, name) for name in ("stars", "knots", "clusters", "nebula")},
        stars_per_mpx=options.stars_per_mpx,
        knots=options.knots,
        line_scale=0.0 if options.ha_is_continuum_only else options.line_scale,
        response=RESPONSE,
    )
    rgb_view = View((options.rows, options.columns), np.eye(3), options.rgb_fwhm_px)
    blue = options.rgb_fwhm_px * BLUE_BLOAT if options.bloated_blue else None
    continuum, line = draw(scene, rgb_view, blue_fwhm_px=blue)
    view = line_view(options)
    cameras = _cameras(options)
    scale = _continuum_scale(options, view, cameras)
    truth = Truth(
        continuum=continuum,
        line_in_red=line,
        sky=_colour_sky(options),
        ha_sky=moonlight(
            view.shape, level=options.ha_moon, slope=HA_SLOPE * options.moon_slope, angle_deg=HA_ANGLE_DEG
        ),
        ha_to_rgb=view.to_reference,
        continuum_scale=scale,
        width_ratio=options.line_width_nm / options.red_width_nm,
        star_xy=scene.stars.xy,
        star_b_v=scene.stars.b_v,
        star_flux=np.array(RESPONSE)[:, None] * colour_of(scene.stars.b_v) * scene.stars.flux,
        knots=scene.knots,
        clusters=scene.clusters,
        disc=scene.disc,
        white_gains=RESPONSE[1] / np.array(RESPONSE),
    )
    rgb = _expose_colour(options, truth, cameras[0])
    seen_continuum, seen_line = draw(scene, view)
    ha = _expose_line(options, truth, cameras[1], seen_continuum[0], seen_line)
    if options.balanced:
        rgb, truth = _apply_balance(rgb, truth)
    return Night(options=options, rgb=_with_border(rgb, options), ha=_with_border(ha, options), truth=truth)


def line_view(options: SceneOptions) -> View:
    """Return how the line frame lies on the colour frame: turned, scaled, perhaps mirrored, then shifted."""
    shape = (options.rows, options.columns)
    if options.ha_grid == "same":
        return View(shape, np.eye(3), options.ha_fwhm_px)
    shape2 = (round(HA_SHAPE[0] * options.rows), round(HA_SHAPE[1] * options.columns))
    turn = radians(options.ha_rotation_deg)
    matrix = np.eye(3)
    matrix[:2, :2] = options.ha_scale * np.array([[cos(turn), -sin(turn)], [sin(turn), cos(turn)]])
    if options.mirrored:
        matrix[:2, 0] *= -1.0
    middle = np.array([(shape[1] - 1) / 2.0, (shape[0] - 1) / 2.0])
    middle2 = np.array([(shape2[1] - 1) / 2.0, (shape2[0] - 1) / 2.0])
    shift = options.growth * np.array(options.ha_offset_px)
    matrix[:2, 2] = middle + shift - matrix[:2, :2] @ middle2
    return View(shape2, matrix, options.ha_fwhm_px)


def moonlight(shape: tuple[int, int], *, level: float, slope: float, angle_deg: float) -> Pixels:
    """Return a sky with a slope and a slight bend, (rows, columns) float32.

    level (1 + slope p / P + 0.06 slope (p^2 - q^2 / 2)), p along the slope and q across it in half long
    edges, P the range of p over the frame.

    Parameters
    ----------
    shape : (rows, columns)
    level : float
        At the centre, fraction of full scale.
    slope : float
        Peak-to-peak over the frame as a share of the level.
    angle_deg : float
        From +x towards +y, the way in which the sky brightens.
    """
    rows, columns = shape
    half = max(rows, columns) / 2.0
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    span = (abs(c) * columns + abs(s) * rows) / half
    u = ((np.arange(columns) - (columns - 1) / 2.0) / half).astype(np.float32)
    v = ((np.arange(rows) - (rows - 1) / 2.0) / half).astype(np.float32)[:, None]
    sky = np.empty(shape, dtype=np.float32)

    def fill(block: slice) -> None:
        p, q = c * u + s * v[block], c * v[block] - s * u
        sky[block] = level * (1.0 + slope / span * p + BEND * slope * (p * p - 0.5 * q * q))

    map_row_blocks(fill, rows)
    return sky


def _colour_sky(options: SceneOptions) -> Pixels:
    shape = (options.rows, options.columns)
    sky = np.empty((3, *shape), dtype=np.float32)
    for plane in range(3):
        sky[plane] = moonlight(
            shape,
            level=options.moon * SKY_COLOUR[plane],
            slope=options.moon_slope * SKY_SLOPE_BY_PLANE[plane],
            angle_deg=options.moon_angle_deg,
        )
        if options.flipped_half:
            sky[plane] = UNFLIPPED * sky[plane] + FLIPPED * sky[plane, ::-1, ::-1]
    return sky


def _cameras(options: SceneOptions) -> tuple[Camera, Camera]:
    rgb = Camera(
        number=0,
        planes=("red", "green", "blue"),
        exposure_s=options.rgb_exposure_s,
        frames=options.rgb_frames,
        hot_per_mpx=options.hot_per_mpx,
    )
    ha = Camera(
        number=1,
        planes=("red", "green", "blue") if options.ha_three_planes else ("ha",),
        exposure_s=options.ha_exposure_s,
        frames=options.ha_frames,
        full_scale_adu=65535,
        bias_adu=1000.0,
        dark_e_s=0.01,
        hot_per_mpx=options.hot_per_mpx,
        vignetting=0.30,
        flat_levels=(0.50, 0.10, 0.08) if options.ha_three_planes else (0.50,),
    )
    return rgb, ha


def _continuum_scale(options: SceneOptions, view: View, cameras: tuple[Camera, Camera]) -> float:
    rgb, ha = cameras
    bands = options.throughput_ratio * options.line_width_nm / options.red_width_nm
    return bands * (ha.exposure_s / rgb.exposure_s) * view.area * (rgb.full_e / ha.full_e)


def _plan(options: SceneOptions, *, colour: bool) -> NoisePlan:
    return NoisePlan(
        demosaiced=options.correlated_noise and colour,
        walk=WALK_STRENGTH if options.walking_noise else 0.0,
        calibrated=options.stack_is_calibrated,
    )


def _expose_colour(options: SceneOptions, truth: Truth, camera: Camera) -> FrameMasters:
    signal = truth.continuum + truth.sky
    signal[0] += truth.line_in_red
    plan = _plan(options, colour=True)
    return take_masters(signal, camera, seed=options.camera_seed, fwhm_px=options.rgb_fwhm_px, plan=plan)


def _expose_line(
    options: SceneOptions, truth: Truth, camera: Camera, red: Pixels, line: Pixels
) -> FrameMasters:
    signal = np.zeros((len(camera.planes), *red.shape), dtype=np.float32)
    if not options.ha_pure_noise:
        strength = np.float32(options.throughput_ratio / truth.width_ratio)
        signal[0] = np.float32(truth.continuum_scale) * (red + strength * line) + truth.ha_sky
        for plane in range(1, len(camera.planes)):
            signal[plane] = np.float32(LEAK / plane) * signal[0]
    plan = _plan(options, colour=options.ha_three_planes)
    return take_masters(signal, camera, seed=options.camera_seed, fwhm_px=options.ha_fwhm_px, plan=plan)


def _apply_balance(rgb: FrameMasters, truth: Truth) -> tuple[FrameMasters, Truth]:
    gains = truth.white_gains.astype(np.float32)[:, None, None]
    balanced = replace(
        truth,
        continuum=truth.continuum * gains,
        line_in_red=truth.line_in_red * gains[0],
        sky=truth.sky * gains,
        star_flux=truth.star_flux * truth.white_gains[:, None],
        knots=replace(truth.knots, flux=truth.knots.flux * truth.white_gains[0]),
        continuum_scale=truth.continuum_scale / float(truth.white_gains[0]),
        white_gains=np.ones(3),
    )
    return replace(rgb, light=np.minimum(rgb.light * gains, np.float32(1.0))), balanced


def _with_border(masters: FrameMasters, options: SceneOptions) -> FrameMasters:
    if options.border == "none":
        return masters
    top, bottom, left, right = BORDER_PX
    light = np.full_like(masters.light, np.nan if options.border == "nan" else 0.0)
    inside = np.s_[:, top:-bottom, left:-right]
    light[inside] = masters.light[inside]
    return replace(masters, light=light)
