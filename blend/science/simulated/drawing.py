"""A scene as a frame sees it, drawn analytically on the frame's own grid; nothing is ever resampled.

Point sources, knots and clusters are round Gaussians and the star image is a sum of Gaussians, so their
convolution and the integral over each square pixel are exact. The smooth disc is wide against a star and is
drawn as it appears.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import cos, exp, radians, sin, sqrt, tan

import numpy as np

from blend.base.rowblocks import map_row_blocks
from blend.science.simulated.scene import Disc, Floats, Pixels, Scene, Sources, Waves, colour_of
from blend.science.stars import FWHM_PER_SIGMA

# Numbers below that give the galaxy and the nebula their shape were chosen by eye: they are an invention, and only what
# `Truth` names is measured by a test.

PSF_WEIGHTS = (0.72, 0.23, 0.05)
PSF_WIDTHS = (1.0, 1.8, 3.6)
"""Shares of the light and relative widths of the three Gaussians that make a star: core and seeing wings."""

NARROWEST_PX = 1.5
"""Narrowest star that is drawn: its core's Gaussian must be wider than the pixel that is taken out of it."""

PIXEL_VARIANCE = 1.0 / 12.0
"""Of a square one pixel wide, px^2."""

DISC_REACH = 10.0
"""Scale lengths at which the disc ends: e^-10 of its middle, far below a step of 16 bits."""

DUST_BY_PLANE = (0.75, 1.0, 1.3)
"""Opacity of dust in red, green and blue, green = 1: about as 1 / wavelength (from memory: 0.85, 1, 1.18), and a little
steeper so that the lanes redden visibly."""
FAINTEST = 1e-6
"""A star's image is cut where it falls below this fraction of full scale."""


@dataclass(frozen=True, eq=False)
class View:
    """How one frame sees the scene."""

    shape: tuple[int, int]  # (rows, columns)
    # (3, 3) float64; maps a pixel (x, y) of the frame to the reference frame; a similarity, perhaps mirrored
    to_reference: Floats
    fwhm_px: float  # full width at half maximum of a star as the pixels of this frame show it

    @property
    def scale(self) -> float:
        """Length of this frame's pixel in pixels of the reference."""
        return sqrt(self.area)

    @property
    def area(self) -> float:
        """Area of this frame's pixel in pixels of the reference."""
        return abs(float(np.linalg.det(self.to_reference[:2, :2])))

    def from_reference(self, xy: Floats) -> Floats:
        """Return where points (n, 2) of the reference frame fall in this frame."""
        back = np.linalg.inv(self.to_reference)
        moved: Floats = xy @ back[:2, :2].T + back[:2, 2]
        return moved


@lru_cache(maxsize=1)
def _core_sigma_per_fwhm() -> float:
    # Bisection for the half height h of the sum of Gaussians, in core sigmas.
    heights = [w / s**2 for w, s in zip(PSF_WEIGHTS, PSF_WIDTHS, strict=True)]
    low, high = 0.5, 4.0
    for _ in range(60):
        h = 0.5 * (low + high)
        level = sum(p * exp(-0.5 * (h / s) ** 2) for p, s in zip(heights, PSF_WIDTHS, strict=True))
        low, high = (h, high) if level > 0.5 * sum(heights) else (low, h)
    return 0.5 / h


def psf_variances(fwhm_px: float) -> Floats:
    """Return the variances (3,) of the Gaussians of a star whose image, pixel included, has this width.

    Raises
    ------
    ValueError
        A width too narrow to be drawn.
    """
    if fwhm_px < NARROWEST_PX:
        raise ValueError(f"fwhm_px is {fwhm_px}; a star narrower than {NARROWEST_PX:g} px cannot be drawn")
    sigma = fwhm_px * _core_sigma_per_fwhm()
    return np.array([(sigma * width) ** 2 for width in PSF_WIDTHS])


def add_sources(frame: Pixels, view: View, sources: Sources, fluxes: Floats, *, fwhm_px: float) -> None:
    """Add round sources to a frame in place, each blurred by the star image and integrated over the pixels.

    Parameters
    ----------
    frame : (planes, rows, columns) float32
        The one array this module fills; made by the caller for this purpose.
    view : View
    sources : Sources
    fluxes : (planes, n) float64
        Sum of each source over the pixels of this frame.
    fwhm_px : float
        Width of a star in this frame.
    """
    xy = view.from_reference(sources.xy)
    own = (sources.fwhm_px / (view.scale * FWHM_PER_SIGMA)) ** 2
    psf = psf_variances(fwhm_px)
    weights = np.array(PSF_WEIGHTS)
    for i in range(len(sources)):
        _add_one(frame, xy[i], fluxes[:, i], own[i] + psf, weights)


def _add_one(frame: Pixels, xy: Floats, flux: Floats, variances: Floats, weights: Floats) -> None:
    # The pixel adds 1/12 to each variance by being integrated over.
    sigmas = np.sqrt(variances - PIXEL_VARIANCE)
    heights = np.maximum(np.max(np.abs(flux)) * weights / (2.0 * np.pi * variances * FAINTEST), 1.0)
    reach = 1.0 + float(np.max(sigmas * np.sqrt(2.0 * np.log(heights))))
    rows, columns = frame.shape[1:]
    x, y = float(xy[0]), float(xy[1])
    x0, x1 = max(0, round(x - reach)), min(columns, round(x + reach) + 1)
    y0, y1 = max(0, round(y - reach)), min(rows, round(y + reach) + 1)
    if x0 >= x1 or y0 >= y1:
        return
    across = _pixel_shares(np.arange(x0, x1 + 1) - 0.5 - x, sigmas)
    down = _pixel_shares(np.arange(y0, y1 + 1) - 0.5 - y, sigmas)
    stamp = (down.T * weights) @ across
    for plane, amount in enumerate(flux):
        if amount != 0.0:
            frame[plane, y0:y1, x0:x1] += (amount * stamp).astype(np.float32)


def _pixel_shares(edges: Floats, sigmas: Floats) -> Floats:
    from scipy.special import erf

    shares: Floats = 0.5 * np.diff(erf(edges[None, :] / (sqrt(2.0) * sigmas[:, None])), axis=1)
    return shares


def draw(scene: Scene, view: View, *, blue_fwhm_px: float | None = None) -> tuple[Pixels, Pixels]:
    """Draw the noiseless light of a scene as a frame sees it, without sky: continuum (3, rows, columns), and line.

    The line's light (rows, columns) is in counts of the red plane and not in the continuum.

    Notes
    -----
    Brightness is per pixel of the reference: a frame with larger pixels shows the same values for extended
    light. The caller multiplies by the pixel's area where its camera collects more.
    """
    rows, columns = view.shape
    continuum = np.zeros((3, rows, columns), dtype=np.float32)
    line = np.zeros((1, rows, columns), dtype=np.float32)
    if scene.disc is not None:
        _draw_disc(scene.disc, view, continuum, line)
    if scene.nebula is not None:
        _draw_nebula(scene.nebula, view, continuum, line)
    response = np.array(scene.response)
    for plane in range(3):
        continuum[plane] *= np.float32(response[plane])
    for sources in (scene.clusters, scene.stars):
        fluxes = response[:, None] * colour_of(sources.b_v) * sources.flux / view.area
        if blue_fwhm_px is None:
            add_sources(continuum, view, sources, fluxes, fwhm_px=view.fwhm_px)
        else:
            add_sources(continuum[:2], view, sources, fluxes[:2], fwhm_px=view.fwhm_px)
            add_sources(continuum[2:], view, sources, fluxes[2:], fwhm_px=blue_fwhm_px)
    add_sources(line, view, scene.knots, scene.knots.flux[None, :] / view.area, fwhm_px=view.fwhm_px)
    return continuum, line[0]


def _offsets(view: View, rows: slice, columns: slice, origin: tuple[float, float]) -> tuple[Pixels, Pixels]:
    m = view.to_reference
    x = np.arange(columns.start, columns.stop, dtype=np.float64)
    y = np.arange(rows.start, rows.stop, dtype=np.float64)[:, None]
    dx = (m[0, 0] * x + m[0, 2] - origin[0]) + m[0, 1] * y
    dy = (m[1, 0] * x + m[1, 2] - origin[1]) + m[1, 1] * y
    return dx.astype(np.float32), dy.astype(np.float32)


def _draw_disc(disc: Disc, view: View, continuum: Pixels, line: Pixels) -> None:
    centre = view.from_reference(np.array([[disc.x, disc.y]]))[0]
    reach = DISC_REACH * disc.scale_length_px / view.scale
    top, bottom = max(0, int(centre[1] - reach)), min(view.shape[0], int(centre[1] + reach) + 1)
    left, right = max(0, int(centre[0] - reach)), min(view.shape[1], int(centre[0] + reach) + 1)
    if top >= bottom or left >= right:
        return
    columns = slice(left, right)
    blur = float(psf_variances(view.fwhm_px)[0]) * view.area

    def fill(block: slice) -> None:
        rows = slice(top + block.start, top + block.stop)
        dx, dy = _offsets(view, rows, columns, (disc.x, disc.y))
        light, glow = disc_light(disc, dx, dy, blur=blur)
        continuum[:, rows, columns] += light
        line[0, rows, columns] += glow

    map_row_blocks(fill, bottom - top)


def disc_light(disc: Disc, dx: Pixels, dy: Pixels, *, blur: float) -> tuple[Pixels, Pixels]:
    """Return the disc's continuum (3, ...) and diffuse line light (...) at offsets from its centre.

    I = exp(-tau) [ I0 exp(-r / h) (old + arms) + bulge ],
    arms = exp(kappa (cos m(phi - ln(r / h) / tan pitch) - 1)). ``blur``, the variance of the star's core in reference
    pixels squared, rounds the cusp and widens the bulge. tau rises from red to blue, so the dust lanes redden what lies
    behind them.
    """
    h = disc.scale_length_px
    turn = radians(disc.position_angle_deg)
    along = dx * np.float32(cos(turn)) + dy * np.float32(sin(turn))
    minor = dy * np.float32(cos(turn)) - dx * np.float32(sin(turn))
    across = (minor / np.float32(disc.axis_ratio)).astype(np.float32, copy=False)
    radius2 = along**2 + across**2 + np.float32(1.5 * blur)
    radius = np.sqrt(radius2)
    phase = 2.0 * (
        np.arctan2(across, along)
        - np.log(radius / np.float32(h)) * np.float32(1 / tan(radians(disc.pitch_deg)))
    )
    gate = -np.expm1(radius2 * np.float32(-1.0 / (0.9 * h) ** 2))
    ripple = 1.0 + 0.25 * np.cos(3.0 * phase + radius * np.float32(3.1 / h)) * gate
    ripple *= 1.0 + 0.2 * np.cos(2.0 * phase - radius * np.float32(7.3 / h)) * gate
    arm = np.exp(3.2 * (np.cos(phase) - 1.0)) * gate * ripple
    falloff = np.float32(disc.brightness) * np.exp(radius * np.float32(-1.0 / h))
    bulge = _bulge(disc, along, minor, blur=blur)
    tau = np.float32(disc.dust) * _dust(along, across, h, phase=phase, gate=gate)
    colours = [colour_of(b_v) for b_v in (0.90, -0.15, 1.40)]
    light = np.empty((3, *dx.shape), dtype=np.float32)
    for plane in range(3):
        old, young, core = (np.float32(colour[plane]) for colour in colours)
        clear = falloff * (0.75 * old + 1.5 * young * arm) + core * bulge
        light[plane] = clear * np.exp(tau * np.float32(-DUST_BY_PLANE[plane]))
    glow = np.float32(disc.diffuse_line) * np.exp(radius * np.float32(-1.0 / (1.5 * h))) * (0.15 * gate + arm)
    return light, glow.astype(np.float32)


def _bulge(disc: Disc, along: Pixels, minor: Pixels, *, blur: float) -> Pixels:
    # Three Gaussians of growing width stand for the cuspy profile, so that the blur stays exact.
    total = np.zeros_like(along)
    for share, width in ((0.60, 0.45), (0.30, 1.0), (0.10, 2.2)):
        a = (width * disc.bulge_sigma_px) ** 2
        b = (0.8 * width * disc.bulge_sigma_px) ** 2
        height = share * sqrt(a * b / ((a + blur) * (b + blur)))
        total += np.float32(disc.bulge_peak * height) * np.exp(
            along**2 * np.float32(-0.5 / (a + blur)) + minor**2 * np.float32(-0.5 / (b + blur))
        )
    return total


def _dust(along: Pixels, across: Pixels, h: float, *, phase: Pixels, gate: Pixels) -> Pixels:
    u, v = along * np.float32(1.0 / h), across * np.float32(1.0 / h)
    lanes = np.exp(9.0 * (np.cos(phase + 0.85) - 1.0)) * gate * np.exp((u * u + v * v) * np.float32(-0.09))
    bent = v + 0.58 - 0.22 * u * u
    lane = np.exp(-0.5 * (bent / 0.13) ** 2 - 0.5 * (u / 0.95) ** 2)
    tau: Pixels = (0.9 * lanes + lane).astype(np.float32)
    return tau


def _draw_nebula(waves: Waves, view: View, continuum: Pixels, line: Pixels) -> None:
    columns = slice(0, view.shape[1])

    def fill(rows: slice) -> None:
        dx, dy = _offsets(view, rows, columns, (waves.x, waves.y))
        glow, veil = nebula_light(waves, dx, dy)
        line[0, rows] += glow
        for plane, tint in enumerate(colour_of(0.1)):
            continuum[plane, rows] += np.float32(tint) * veil

    map_row_blocks(fill, view.shape[0])


def nebula_light(waves: Waves, dx: Pixels, dy: Pixels) -> tuple[Pixels, Pixels]:
    """Return line light and a faint blue veil at offsets from a nebula's centre: folded waves."""
    vectors, phases = waves.vectors.astype(np.float32), waves.phases.astype(np.float32)
    broad = np.zeros_like(dx)
    for i in range(4):
        broad += np.sin(vectors[i, 0] * dx + vectors[i, 1] * dy + phases[i])
    fine = np.zeros_like(dx)
    for i in range(4, len(phases)):
        strength = np.float32(1.0 / sqrt(i - 2.0))
        fine += strength * np.abs(np.sin(vectors[i, 0] * dx + vectors[i, 1] * dy + phases[i] + 1.3 * broad))
    ridges = np.exp(-1.9 * (fine - 1.5))
    edge = (dx**2 + (1.3 * dy) ** 2) * np.float32(waves.radius_px**-2) * (1.0 + 0.12 * broad)
    envelope = np.exp(-(edge**2))
    glow = np.float32(waves.line_brightness) * envelope * (0.12 + ridges) * (1.0 + 0.2 * broad)
    veil = np.float32(waves.veil_brightness) * envelope * (1.0 + 0.2 * broad)
    return glow.astype(np.float32), veil.astype(np.float32)
