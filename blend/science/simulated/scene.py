"""What shines in an invented piece of sky: a spiral or a nebula, stars, clusters, knots, with known values.

Positions and sizes are in pixels of the reference frame. How a frame sees them is `drawing`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, log, radians, sin, sqrt, tan
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Kind = Literal["spiral", "nebula", "cluster", "empty"]
Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

WHITE_B_V = 0.65
"""Colour of a star that is neutral once the camera's response is taken out (a solar twin)."""

# Planck spectra through the CIE 1931 colour matching functions into linear sRGB, temperature of B-V from
# Ballesteros (2012), EPL 97, 34008; derived here on a 1 nm grid.
_B_V = (-0.3, 0.0, 0.3, 0.65, 1.0, 1.5, 2.0)
_RED = (0.777, 0.873, 0.986, 1.140, 1.317, 1.612, 1.962)
_BLUE = (1.775, 1.448, 1.184, 0.937, 0.742, 0.528, 0.368)

SMALL_PIXELS = 1.5e6
"""Pixels of the small frame, 1000 x 1500; lengths grow with the root of a frame's pixels over these."""

# Of stars and knots: the shares of a field are invented, chosen so that a small frame has a few stars that saturate and
# hundreds that are clear, and knots from 10 sigma to a few hundred of them.
FAINTEST_STAR, STAR_SLOPE, BRIGHTEST_STAR = 0.008, -1.0 / 0.75, 60.0
"""Fluxes, full scale = 1, and the slope: numbers rise by 10^0.3 a magnitude to the faint end, as they do in the Milky
Way (0.75 x 0.4; from memory: 0.2 to 0.5 there, 0.6 for stars strewn evenly through space)."""
SCATTER_B_V, BLUEST, REDDEST = 0.42, -0.2, 1.8
"""Of the stars' colours about the white, magnitudes of B - V: from hot dwarfs to cool giants (from memory)."""
SATURATED = (34.0, 24.0, 17.0)
"""Fluxes of three stars that saturate in 30 s, whatever the draw."""
FAINTEST_KNOT, BRIGHTEST_KNOT, KNOT_SKEW = 0.004, 0.09, 1.3
"""Line fluxes, full scale = 1, and the power that skews them to the faint end."""
CLUSTERS = 260
"""Small blue groups of stars on the arms of a small frame."""


def colour_of(b_v: float | Floats) -> Floats:
    """Return linear red, green, blue of a black body of colour index ``b_v``, green = 1, solar twin neutral.

    References
    ----------
    Temperature of a colour index: Ballesteros (2012), EPL 97, 34008.

    Examples
    --------
    >>> colour_of(0.65)
    array([1., 1., 1.])
    """
    index = np.asarray(b_v, dtype=np.float64)
    red = np.interp(index, _B_V, _RED) / np.interp(WHITE_B_V, _B_V, _RED)
    blue = np.interp(index, _B_V, _BLUE) / np.interp(WHITE_B_V, _B_V, _BLUE)
    return np.stack([red, np.ones_like(red), blue])


@dataclass(frozen=True)
class Disc:
    """A thin exponential disc with logarithmic arms, sizes in reference pixels.

    ``position_angle_deg`` runs from the +x axis (columns) towards +y (rows) to the major axis.
    ``brightness`` is the green brightness the disc would have at its centre, per pixel. An arm follows phi
    = ln(r / scale_length) / tan(pitch) + k pi in the plane of the disc.
    """

    x: float
    y: float
    scale_length_px: float
    axis_ratio: float
    position_angle_deg: float
    pitch_deg: float
    brightness: float
    bulge_peak: float
    bulge_sigma_px: float
    dust: float
    diffuse_line: float


@dataclass(frozen=True, eq=False)
class Sources:
    """Round Gaussian sources: ``xy`` (n, 2), ``flux``, ``fwhm_px`` before any blur and ``b_v``, each (n,)."""

    xy: Floats
    flux: Floats
    fwhm_px: Floats
    b_v: Floats

    def __len__(self) -> int:
        return len(self.flux)


@dataclass(frozen=True, eq=False)
class Waves:
    """Random plane waves that shape a nebula: ``vectors`` (n, 2) in radians per pixel, ``phases`` (n,)."""

    vectors: Floats
    phases: Floats
    x: float
    y: float
    radius_px: float
    line_brightness: float
    veil_brightness: float


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything that shines. Star and cluster fluxes are sums in the green plane, knot fluxes in the red."""

    disc: Disc | None
    nebula: Waves | None
    stars: Sources
    clusters: Sources
    knots: Sources
    response: tuple[float, float, float]


def spiral_positions(
    disc: Disc, radius_px: Floats, arm: NDArray[np.integer], *, off_arm_rad: Floats
) -> Floats:
    """Return points (n, 2) on the disc's arms, at radii in its plane and angles by which they lead the crest."""
    angle = (
        np.log(radius_px / disc.scale_length_px) / tan(radians(disc.pitch_deg)) + np.pi * arm + off_arm_rad
    )
    along, minor = radius_px * np.cos(angle), disc.axis_ratio * radius_px * np.sin(angle)
    c, s = cos(radians(disc.position_angle_deg)), sin(radians(disc.position_angle_deg))
    return np.stack([disc.x + c * along - s * minor, disc.y + s * along + c * minor], axis=1)


def make_scene(
    shape: tuple[int, int],
    *,
    kind: Kind,
    streams: dict[str, np.random.Generator],
    stars_per_mpx: float,
    knots: int,
    line_scale: float,
    response: tuple[float, float, float],
) -> Scene:
    """Invent a scene for a reference frame of this shape.

    ``knots`` are those of a frame of 1.5 Mpx, their number grows with the frame's length. Each part has a random
    generator of its own, so that no part reshuffles another.

    Raises
    ------
    ValueError
        Another kind of scene.
    """
    if kind not in ("spiral", "nebula", "cluster", "empty"):
        raise ValueError(f"kind is {kind!r}; expected spiral, nebula, cluster or empty")
    growth = growth_of(shape)
    disc = _lantern_spiral(shape, line_scale) if kind == "spiral" else None
    # 1.2: the field reaches a twentieth beyond each edge
    count = 0 if kind == "empty" else round(stars_per_mpx * shape[0] * shape[1] * 1.2e-6)
    return Scene(
        disc=disc,
        nebula=_waves(shape, streams["nebula"], line_scale) if kind == "nebula" else None,
        stars=_stars(shape, count, streams["stars"], crowded=kind == "cluster"),
        clusters=_on_arms(disc, round(CLUSTERS * growth), streams["clusters"], growth=growth, spread=0.22),
        knots=_knots(disc, round(knots * growth), streams["knots"], growth=growth, line_scale=line_scale),
        response=response,
    )


def growth_of(shape: tuple[int, int]) -> float:
    """Return the length of a frame in units of the small one."""
    return sqrt(shape[0] * shape[1] / SMALL_PIXELS)


def _lantern_spiral(shape: tuple[int, int], line_scale: float) -> Disc:
    # an invention, chosen by eye
    rows, columns = shape
    return Disc(
        x=0.485 * columns,
        y=0.52 * rows,
        scale_length_px=0.056 * rows,
        axis_ratio=0.66,
        position_angle_deg=-28.0,
        pitch_deg=19.0,
        brightness=0.030,
        bulge_peak=0.135,
        bulge_sigma_px=0.016 * rows,
        dust=1.25,
        diffuse_line=1.5e-4 * line_scale,
    )


def _waves(shape: tuple[int, int], rng: np.random.Generator, line_scale: float) -> Waves:
    # four long waves fold eight short ones; chosen by eye
    rows, columns = shape
    size = sqrt(rows * columns)
    lengths = np.concatenate([rng.uniform(0.5, 1.0, 4), rng.uniform(0.16, 0.55, 8)]) * size
    angles = rng.uniform(0.0, 2.0 * np.pi, 12)
    vectors = (2.0 * np.pi / lengths)[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    phases = rng.uniform(0.0, 2.0 * np.pi, 12)
    return Waves(vectors, phases, 0.5 * columns, 0.5 * rows, 0.55 * columns, 1.6e-3 * line_scale, 2.5e-4)


def _stars(shape: tuple[int, int], count: int, rng: np.random.Generator, *, crowded: bool) -> Sources:
    # A twentieth beyond each edge, so that frames with another view have stars up to their corners.
    rows, columns = shape
    xy = rng.uniform(-0.05, 1.05, (count, 2)) * (columns, rows)
    flux = np.minimum(FAINTEST_STAR * rng.uniform(0.0, 1.0, count) ** STAR_SLOPE, BRIGHTEST_STAR)
    b_v = np.clip(rng.normal(WHITE_B_V, SCATTER_B_V, count), BLUEST, REDDEST)
    flux = np.sort(flux)[::-1]
    crowd = rng.normal(0.5, 0.09, (count, 2)) * (columns, rows)
    aside = rng.uniform(0.08, 0.24, (3, 2)) + np.array([(0.0, 0.0), (0.68, 0.05), (0.7, 0.68)])
    if crowded:
        xy[::2] = crowd[::2]
    if count >= 3:
        # in corners of the frame
        flux[:3] = np.maximum(flux[:3], SATURATED)
        xy[:3] = aside * (columns, rows)
    return Sources(xy, flux, np.zeros(count), b_v)


def _on_arms(
    disc: Disc | None, count: int, rng: np.random.Generator, *, growth: float, spread: float
) -> Sources:
    if disc is None:
        return Sources(np.zeros((0, 2)), np.zeros(0), np.zeros(0), np.zeros(0))
    # along the arms, most at 1.7 scale lengths, as groups of young stars are; chosen by eye
    radius = disc.scale_length_px * rng.triangular(0.8, 1.7, 4.4, count)
    xy = spiral_positions(disc, radius, rng.integers(0, 2, count), off_arm_rad=rng.normal(0.0, spread, count))
    flux = 0.016 * rng.uniform(0.02, 1.0, count) ** (-0.7) * growth
    fwhm = rng.uniform(3.0, 7.0, count) * sqrt(growth)
    return Sources(xy, flux, fwhm, rng.uniform(-0.2, 0.1, count))


def _knots(
    disc: Disc | None, count: int, rng: np.random.Generator, *, growth: float, line_scale: float
) -> Sources:
    drawn = _on_arms(disc, count, rng, growth=growth, spread=0.10)
    share = (np.argsort(np.argsort(drawn.flux)) + 0.5) / max(len(drawn), 1)
    # equal steps of the logarithm
    span = log(BRIGHTEST_KNOT) - log(FAINTEST_KNOT)
    flux = np.exp(log(FAINTEST_KNOT) + span * share**KNOT_SKEW) * growth * line_scale
    return Sources(drawn.xy, flux, drawn.fwhm_px + 1.0, np.zeros(len(drawn)))
