"""Nights that another simulator drew: what a run makes of scenes whose light this project did not invent.

    python benchmarks/accuracy/strangers.py [--seeds 12] [--first 100] [--keep FOLDER]

The light is drawn by GalSim (Rowe et al. 2015, Astronomy and Computing 10, 121; ``pip install galsim``): galaxies of a
bulge, a disc, arms and H II regions, stars as Moffat profiles with wings, each plane with a star image of its own. The
line master is turned, shifted, scaled and sometimes mirrored. Sky, noise and the camera are plain numpy. Every seed
draws its own sizes, colours, slopes of the sky and depths. A run of `galaxy-moonlit` as a user would make it is then
held against what was drawn. Columns:

reg = worst error of the line's grid over the corners, in px; scale = error of the continuum scale in % and in its own
stated errors; HII = light of the H II regions above 10 sigma in emission x weight over what was drawn (and before the
weight); away = light that passes outside the galaxy by that inside, in %; sky = bias of the flattened planes, worst
block of 64 px beside the galaxy, in sigma of a pixel (and as the program states it); disc = the disc's light between 2
and 4 scale lengths, lost (-) or won, in %; left of the disc = emission less what was drawn where the galaxy is bright,
in % of its red light. With ``--slopes`` light stands at the line as light of its colour does (`slopes`).
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import galsim
import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from scipy import signal
from slopes import at_line

Plane = NDArray[np.float64]
PLANES = ("red", "green", "blue")
FULL_WELL_E, READ_NOISE_E = 50_000.0, 3.0
RED_NM, LINE_NM = 100.0, 7.0
BLOCK_PX = 64
MARGIN_PX = 80
"""What lies beside the frame shines into it, too."""


@dataclass(frozen=True)
class Thing:
    """One source: its profile in pixels of the colour grid, its place from the frame's centre, light by plane.

    A star's or a region's profile is its width over a star's. ``light`` is in fractions of full scale, ``line`` the
    line's light in the red plane's counts, ``tint`` how its continuum at the line differs from the stars'.
    """

    profile: Any
    x: float
    y: float
    light: tuple[float, float, float]
    line: float = 0.0
    tint: float = 0.0
    kind: str = "star"


@dataclass(frozen=True)
class Night:
    """What was drawn for one seed."""

    shape: tuple[int, int]
    things: list[Thing]
    scale: float
    galaxy_px: float
    axis_ratio: float
    angle: galsim.Angle
    matrix: Plane
    frames: tuple[int, int]
    masters: dict[str, Plane] = field(default_factory=dict)
    truth: dict[str, Plane] = field(default_factory=dict)
    noise: dict[str, float] = field(default_factory=dict)

    @property
    def size(self) -> float:
        """Area of a pixel of the colour grid in the line's pixels."""
        return float(abs(np.linalg.det(self.matrix[:, :2])))


def star_image(rng: np.random.Generator, fwhm: float) -> Any:
    """Return a star's image: a Moffat profile, a little long, on a wide faint one."""
    shear = galsim.Shear(g=float(rng.uniform(0.0, 0.06)), beta=rng.uniform(0, 180) * galsim.degrees)
    core = galsim.Moffat(beta=float(rng.uniform(2.8, 4.5)), fwhm=fwhm).shear(shear)
    return 0.97 * core + 0.03 * galsim.Moffat(beta=2.2, fwhm=5.0 * fwhm)


def black_body(kelvin: float) -> Plane:
    """Return photons at the middle of red, green and blue bands over those of a 5800 K body."""
    micron = np.array([0.62, 0.53, 0.46])

    def photons(t: float) -> Plane:
        return micron**-4 / np.expm1(14388.0 / (micron * t))

    return photons(kelvin) / photons(5800.0)


def draw_things(rng: np.random.Generator, shape: tuple[int, int]) -> tuple[list[Thing], float, float, Any]:
    """Return stars and one galaxy, its scale length, axis ratio and angle."""
    height, width = shape
    things = []
    count = int(rng.uniform(150, 700))
    fluxes = 0.02 * rng.pareto(0.9, count) * rng.uniform(0.5, 2.0)
    for flux in np.minimum(fluxes, 300.0):
        colour = black_body(float(np.clip(rng.lognormal(np.log(5200), 0.25), 3000, 12000)))
        colour *= flux / colour[0]
        place = rng.uniform(-0.52, 0.52, 2) * (width, height)
        things.append(Thing(1.0, *place, tuple(colour), tint=rng.normal(0.0, 0.01)))
    length = float(rng.uniform(0.05, 0.16)) * height
    ratio, angle = float(rng.uniform(0.35, 0.95)), float(rng.uniform(0, 180)) * galsim.degrees
    centre = rng.uniform(-0.08, 0.08, 2) * (width, height)
    # the disc's middle is 0.01 to 0.06 of full scale, before the star image blurs it
    disc = float(rng.uniform(0.01, 0.06)) * 2 * np.pi * length**2 * ratio
    q = galsim.Shear(q=ratio, beta=angle)
    bulge, arms = disc * float(rng.uniform(0.05, 0.3)), disc * float(rng.uniform(0.1, 0.4))
    old, mid, young = black_body(4300.0), black_body(5600.0), black_body(8500.0)
    own = {"kind": "galaxy"}
    things.append(
        Thing(galsim.Exponential(scale_radius=length).shear(q), *centre, tuple(disc * mid / mid[0]), **own)
    )
    things.append(
        Thing(
            galsim.Sersic(n=2.5, half_light_radius=0.35 * length).shear(
                galsim.Shear(q=max(ratio, 0.7), beta=angle)
            ),
            *centre,
            tuple(bulge * old / old[0]),
            tint=0.02,
            **own,
        )
    )
    blobs = 160
    line_all = disc * float(rng.uniform(0.01, 0.04))
    pitch, turns = rng.uniform(0.15, 0.35), rng.uniform(0, 2 * np.pi)
    strengths = rng.lognormal(0.0, 1.0, blobs)
    for number in range(blobs):
        r = length * float(rng.uniform(0.5, 4.0))
        phase = np.log(r / (0.3 * length)) / pitch + turns + np.pi * (number % 2) + rng.normal(0, 0.15)
        inner = np.array([r * np.cos(phase), r * np.sin(phase) * ratio])
        c, s = np.cos(angle.rad), np.sin(angle.rad)
        place = centre + np.array([c * inner[0] - s * inner[1], s * inner[0] + c * inner[1]])
        share = np.exp(-r / (2.5 * length))
        flux = arms / blobs * share * 2.0
        things.append(
            Thing(
                galsim.Gaussian(sigma=0.18 * length),
                *place,
                tuple(flux * young / young[0]),
                tint=-0.01,
                **own,
            )
        )
        line = line_all * strengths[number] / strengths.sum() * share * 2.0
        # young and old regions: continuum of a tenth of the line's light to twice it
        colour = 0.4 * float(rng.lognormal(0.0, 0.7)) * line * young / young[0]
        things.append(Thing(float(rng.uniform(1.0, 1.3)), *place, tuple(colour), line=line, kind="region"))
    return things, length, ratio, angle


def with_slopes(things: list[Thing]) -> list[Thing]:
    """Return things that shine at the line as light of their colour does, each with what it had of its own."""
    at = [float(at_line(np.array(thing.light[0]), np.array(thing.light[1]))) for thing in things]
    return [
        replace(thing, tint=(1.0 + thing.tint) * share - 1.0) for thing, share in zip(things, at, strict=True)
    ]


def place_matrix(rng: np.random.Generator) -> Plane:
    """Return the map from the colour grid's pixels to the line's, both from the centre."""
    turn, size = np.radians(rng.uniform(-25, 25) + 180 * (rng.random() < 0.3)), rng.uniform(0.85, 1.15)
    mirror = -1.0 if rng.random() < 0.2 else 1.0
    turned = size * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    shift = rng.uniform(-25, 25, 2)
    return np.column_stack([turned @ np.diag([mirror, 1.0]), shift])


def render(
    things: list[Thing], fluxes: list[float], star: Any, shape: tuple[int, int], matrix: Plane
) -> Plane:
    """Return the light on a grid that ``matrix`` maps the colour grid to, through a star's image in that grid."""
    height, width = shape
    wide = (width + 2 * MARGIN_PX, height + 2 * MARGIN_PX)
    smooth, points = (galsim.ImageD(*wide, xmin=-MARGIN_PX, ymin=-MARGIN_PX) for _ in range(2))
    part = matrix[:, :2]
    for thing, flux in zip(things, fluxes, strict=True):
        if flux <= 0.0:
            continue
        x, y = part @ (thing.x, thing.y) + matrix[:, 2] + ((width - 1) / 2, (height - 1) / 2)
        extended = thing.kind == "galaxy"
        size = 2 * max(wide) if extended else int(np.clip(60 * flux**0.33, 32, 240))
        # a transformed profile keeps its flux, whatever the scales of the grids are
        profile = thing.profile.transform(*part.ravel()) if extended else star.dilate(thing.profile)
        stamp = profile.withFlux(flux).drawImage(
            scale=1.0,
            center=galsim.PositionD(float(x), float(y)),
            method="no_pixel",
            nx=size,
            ny=size,
            dtype=float,
        )
        image = smooth if extended else points
        shared = stamp.bounds & image.bounds
        if shared.isDefined():
            image[shared] += stamp[shared]
    kernel = star.drawImage(scale=1.0, method="no_pixel", nx=161, ny=161, dtype=float).array
    light = points.array + signal.fftconvolve(smooth.array, kernel / kernel.sum(), mode="same")
    return np.asarray(light[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX], dtype=np.float64)


def surface(shape: tuple[int, int], level: float, phase: float, tilt: float, bend: float) -> Plane:
    """Return a sky: a level, a slope across the frame towards ``phase`` and a bend, as shares of the level."""
    y, x = np.indices(shape, dtype=float)
    v, u = 2 * y / (shape[0] - 1) - 1, 2 * x / (shape[1] - 1) - 1
    along, across = u * np.cos(phase) + v * np.sin(phase), v * np.cos(phase) - u * np.sin(phase)
    return np.asarray(level * (1 + 0.5 * tilt * along + bend * (along**2 + 0.3 * across**2 - 0.4)))


def camera(rng: np.random.Generator, light: Plane, frames: int) -> tuple[Plane, float]:
    """Return a stack of frames of a light in fractions of full scale, and the noise of its dark sky."""
    electrons = np.maximum(light, 0.0) * FULL_WELL_E
    sigma = np.sqrt((electrons + READ_NOISE_E**2) / frames) / FULL_WELL_E
    return np.clip(light + sigma * rng.standard_normal(light.shape), 0.0, 1.0), float(np.median(sigma))


def draw_night(seed: int, *, slopes: bool = False) -> Night:
    """Return the masters of one seed, and what they were made of."""
    rng = np.random.default_rng(seed)
    shape = (int(rng.uniform(600, 1000)), int(rng.uniform(800, 1400)))
    things, length, ratio, angle = draw_things(rng, shape)
    things = with_slopes(things) if slopes else things
    night = Night(
        shape=shape,
        things=things,
        scale=float(rng.uniform(0.05, 0.5)),
        galaxy_px=length,
        axis_ratio=ratio,
        angle=angle,
        matrix=place_matrix(rng),
        frames=(int(rng.uniform(20, 120)), int(rng.uniform(8, 40))),
    )
    same = np.column_stack([np.eye(2), np.zeros(2)])
    fwhm, moon = float(rng.uniform(2.2, 4.5)), float(rng.uniform(0.05, 0.2))
    phase, tilt, bend = rng.uniform(0, 2 * np.pi), rng.uniform(0.05, 0.4), rng.uniform(-0.03, 0.06)
    share = LINE_NM / RED_NM
    for index, plane in enumerate(PLANES):
        star = star_image(rng, fwhm * float(rng.uniform(0.95, 1.15)))
        fluxes = [
            thing.light[index] + (thing.line if plane == "red" else 0.12 * thing.line) for thing in things
        ]
        light = render(things, fluxes, star, shape, same)
        night.truth[plane] = light
        # the Moon's light bends and tilts a little more towards blue; a lamp of the town adds its own slope
        own = 1.0 + 0.15 * index
        sky = surface(shape, moon * (0.7, 1.0, 1.3)[index], phase, tilt * own, bend * own)
        sky += surface(shape, 0.1 * moon * (1.2, 1.0, 0.7)[index], phase + 2.0, 0.5, 0.0)
        night.masters[plane], night.noise[plane] = camera(rng, light + sky, night.frames[0])
    star = star_image(rng, fwhm * float(rng.uniform(0.85, 1.25)))
    fluxes = [night.scale * (thing.light[0] * (1 + thing.tint) + thing.line / share) for thing in things]
    light = render(things, fluxes, star, shape, night.matrix)
    sky = surface(shape, float(rng.uniform(0.005, 0.03)), phase + 1.0, float(rng.uniform(0.0, 0.3)), 0.0)
    night.masters["ha"], night.noise["ha"] = camera(rng, light + sky, night.frames[1])
    line_star = galsim.Transform(star, jac=np.linalg.inv(night.matrix[:, :2])).withFlux(1.0)
    night.truth["line"] = render(things, [thing.line for thing in things], line_star, shape, same)
    return night


def write(night: Night, folder: Path, seed: int) -> None:
    """Write the masters, whole numbers for even seeds."""
    stacks = {"rgb": np.stack([night.masters[plane] for plane in PLANES]), "ha": night.masters["ha"]}
    for name, pixels in stacks.items():
        if seed % 2:
            hdu = fits.PrimaryHDU(pixels.astype(np.float32))
            hdu.header["SATURATE"] = 1.0
        else:
            hdu = fits.PrimaryHDU(np.rint(pixels * 65535).astype(np.uint16))
            hdu.header["SATURATE"] = 65535
        hdu.header["EXPTIME"] = 60.0 if name == "rgb" else 300.0
        hdu.writeto(folder / f"{name}.fits", overwrite=True)
    (folder / "target.toml").write_text(
        f'name = "stranger {seed}"\n[masters.rgb]\nlight = "rgb.fits"\nred_width_nm = {RED_NM:g}\n'
        f'[masters.ha]\nlight = "ha.fits"\nline_nm = 656.28\nwidth_nm = {LINE_NM:g}\n'
    )


def judge(night: Night, folder: Path) -> str:
    """Return a line of what the run made of a night."""
    out = folder / "out"
    record = json.loads((out / "record.json").read_text())
    return ", ".join(
        [
            grid_error(night, record),
            scale_error(night, record),
            line_light(night, record, out),
            disc_left(night, record, out),
            sky_left(night, record, out),
            f"notes {' '.join(sorted({note['code'] for note in record['warnings']})) or 'none'}",
        ]
    )


def grid_error(night: Night, record: dict[str, Any]) -> str:
    """Return the worst error of the line's grid over the frame's corners."""
    height, width = night.shape
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    corners = np.array([(x, y) for x in (0, width - 1) for y in (0, height - 1)], dtype=float)
    there = (corners - middle) @ night.matrix[:, :2].T + night.matrix[:, 2] + middle
    back = np.column_stack([there, np.ones(4)]) @ np.array(record["register"]["ha"]["matrix"]).T
    off = np.hypot(*(back[:, :2] / back[:, 2:] - corners).T)
    return f"reg {off.max():.2f} px (stated {record['register']['ha']['error_px']['worst']:.2f})"


def scale_error(night: Night, record: dict[str, Any]) -> str:
    """Return the error of the continuum scale, by itself and by what is stated."""
    told = record["continuum"]["ha"]
    # a target's pixels grow with the square of the grid's scale; the run's scale is of counts on the colour grid
    true = night.scale / night.size
    off = told["scale"] / true - 1.0
    return (
        f"scale {100 * off:+.1f} % ({off * true / told['error']:+.1f} of its errors, {told['stars']} stars)"
    )


def on_grid(path: Path, record: dict[str, Any], shape: tuple[int, int]) -> Plane:
    """Return a result on the whole colour grid, 0 outside the crop."""
    box, out = record["crop"], np.zeros(shape)
    pixels = np.nan_to_num(np.asarray(fits.getdata(path), dtype=np.float64))
    out[box["y"] : box["y"] + box["h"], box["x"] : box["x"] + box["w"]] = pixels
    return out


def line_light(night: Night, record: dict[str, Any], out: Path) -> str:
    """Return the light of H II regions over what was drawn, and that which passes outside the galaxy."""
    shape, table = night.shape, record["continuum"]["ha"]
    gain = record["balance"]["gains"]["red"]
    light, weight = (
        on_grid(out / f"{name}.fits", record, shape) / (gain if name == "emission" else 1.0)
        for name in ("emission", "emission-weight")
    )
    seen = on_grid(out / "emission-sigma.fits", record, shape) > 0
    share = LINE_NM / RED_NM
    plain = np.hypot(night.noise["ha"] / night.size, table["scale"] * night.noise["red"])
    noise = plain * (share / table["scale"]) / (1.0 - share)
    radius = 1.5 * record["masters"]["ha"]["fwhm_px"]
    height, width = shape
    y, x = np.indices(shape)
    drawn, passed, before = [], [], []
    for thing in night.things:
        px, py = thing.x + (width - 1) / 2, thing.y + (height - 1) / 2
        if thing.kind != "region" or not (20 < px < width - 20 and 20 < py < height - 20):
            continue
        box = (slice(int(py) - 20, int(py) + 21), slice(int(px) - 20, int(px) + 21))
        near = np.hypot(x[box] - px, y[box] - py) < radius
        true = float(night.truth["line"][box][near].sum())
        if seen[box].all() and true > 10.0 * noise * np.sqrt(near.sum()):
            drawn.append(true)
            passed.append(float((light * weight)[box][near].sum()))
            before.append(float(light[box][near].sum()))
    inside = night.truth["line"] > 1e-3 * night.truth["line"].max()
    through = light * weight
    away = 100.0 * through[~inside].sum() / max(through[inside].sum(), 1e-12)
    if not drawn:
        return f"HII none above 10 sigma, away {away:+.1f} %"
    total = sum(drawn)
    return (
        f"HII {sum(passed) / total:.3f} (before the weight {sum(before) / total:.3f}, {len(drawn)} regions), "
        f"away {away:+.1f} %"
    )


def disc_left(night: Night, record: dict[str, Any], out: Path) -> str:
    """Return what the emission has too much where the galaxy is bright, by its red light and by the stated error."""
    gain = record["balance"]["gains"]["red"]
    light, sigma = (
        on_grid(out / f"{name}.fits", record, night.shape) / gain for name in ("emission", "emission-sigma")
    )
    good = (sigma > 0) & (night.truth["red"] > 5.0 * night.noise["red"])
    for thing in night.things:
        if thing.kind == "star":
            px, py = thing.x + (night.shape[1] - 1) / 2, thing.y + (night.shape[0] - 1) / 2
            reach = int(np.clip(20 * thing.light[0] ** 0.33, 8, 120))
            rows, columns = (slice(max(int(c) - reach, 0), max(int(c) + reach + 1, 0)) for c in (py, px))
            good[rows, columns] = False
    off = (light - night.truth["line"])[good]
    term = record["continuum"]["ha"].get("colour_term")
    told = "no colour term" if term is None else f"colour term {term['slope']:.2f} +- {term['error']:.2f}"
    return (
        f"left of the disc {100 * off.sum() / night.truth['red'][good].sum():+.3f} % "
        f"({np.mean(off / sigma[good]):+.2f} of a pixel's error; {told})"
    )


def sky_left(night: Night, record: dict[str, Any], out: Path) -> str:
    """Return how far the flattened colour planes are from what was drawn, in sigma of a pixel."""
    flat = np.asarray(fits.getdata(out / "stages" / "rgb-flattened.fits"), dtype=np.float64)
    words, lost = [], []
    rows, columns = (length // BLOCK_PX * BLOCK_PX for length in night.shape)
    for pixels, name in zip(flat, PLANES, strict=True):
        off = (pixels - night.truth[name])[:rows, :columns]
        blocks = (
            np.nanmedian(
                off.reshape(rows // BLOCK_PX, BLOCK_PX, -1, BLOCK_PX)
                .swapaxes(1, 2)
                .reshape(rows // BLOCK_PX, -1, BLOCK_PX**2),
                axis=-1,
            )
            / night.noise[name]
        )
        told = record["gradient"]["rgb"][name]
        stated = (told["uncertainty"] or np.nan) / night.noise[name]
        words.append(f"{blocks.mean():+.2f} {np.ptp(blocks):.2f} ({stated:.2f})")
        lost.append(100.0 * np.nansum(blocks) * night.noise[name] * BLOCK_PX**2 / night.truth[name].sum())
    return f"sky mean, range (stated) {'; '.join(words)}, light {' '.join(f'{x:+.1f}' for x in lost)} %"


def main() -> int:
    """Draw, run, hold against what was drawn, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--first", type=int, default=100)
    parser.add_argument("--keep", type=Path, help="folder for masters and results, kept")
    parser.add_argument(
        "--slopes", action="store_true", help="light that stands at the line as its colour does"
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="strangers-") as scratch:
        for seed in range(options.first, options.first + options.seeds):
            folder = (options.keep or Path(scratch)) / f"{seed}"
            folder.mkdir(parents=True, exist_ok=True)
            night = draw_night(seed, slopes=options.slopes)
            write(night, folder, seed)
            job = [
                "run",
                "galaxy-moonlit",
                folder / "target.toml",
                "--out",
                folder / "out",
                "--stages",
                "--quiet",
            ]
            done = subprocess.run(
                [sys.executable, "-m", "blend", *map(str, job)], capture_output=True, text=True, check=False
            )
            if done.returncode:
                print(f"{seed}: exit {done.returncode}: {done.stderr.strip()[:600]}", flush=True)
                continue
            print(f"{seed}: {judge(night, folder)}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
