"""Skies that a plain fit gets wrong: a nebula everywhere, faults that are no gradient, real frames, stated errors.

Part of ``python benchmarks/accuracy/gradient.py``; ``python benchmarks/accuracy/hardskies.py`` runs it alone.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.robust import MAD_TO_SIGMA, difference_noise
from blend.science.moon.ephemeris import SkyPlace
from blend.science.moon.forecast import COLOURS_NM, Conditions
from blend.science.simulated.night import Night, SceneOptions, simulate_night
from blend.science.sky.blocks import HUBER_ERROR, block_size
from blend.science.sky.corner_glow import find_corner_glow
from blend.science.sky.fit import SkyFit, sky_uncertainty
from blend.science.sky.flat_fault import divide_flat_fault, find_flat_fault
from blend.science.sky.gradient import fit_sky
from blend.science.sky.guide import FEWEST_BLOCKS, guide_by_line
from blend.science.sky.halo import HALO_DOUBT
from blend.science.sky.moonlit import moon_shape, shape_towards
from blend.science.sky.objects import object_mask
from blend.science.sky.spline import fit_spline

SKY = 0.10
SIGMA = 0.002
COLOURS = ("red", "green", "blue")
Array = NDArray[np.float32]

PLACE = SkyPlace(
    time=datetime(2024, 1, 20, 20, 30, tzinfo=UTC),
    target_altitude_deg=37.4,
    moon_altitude_deg=63.0,
    sun_altitude_deg=-45.2,
    separation_deg=37.2,
    phase_angle_deg=56.9,
    moon_position_angle_deg=322.8,
    zenith_position_angle_deg=354.8,
)
"""A winter evening at 47 degrees north, as `sky_places` tells it."""


def run(*, quick: bool) -> None:
    """Run every part and print its tables."""
    for part in (nebulae, faults, photographs):
        for line in part(quick):
            print(line)
    for line in coverage(50 if quick else 200):
        print(line)


def nebulae(quick: bool) -> Iterator[str]:
    """Judge skies behind a nebula that fills the frame, by what is known: nothing, the Moon, the line, both.

    Once under moonlight as published (another site's air and darkness than the fit assumes), once under the
    simulator's sky, which bends by 6 % of its slope: more than moonlight does over two degrees.
    """
    yield "\nNebula filling the frame: sky left over what was there, %; corner to corner and stated error, sigma"
    shares: dict[tuple[str, str], list[float]] = {}
    for seed in (11,) if quick else (11, 12, 13, 14, 15, 16):
        bent = simulate_night(
            SceneOptions(rows=600, columns=900, kind="nebula", seed=seed, calibrated=True, ha_grid="same")
        )
        for sky, night in (("moonlit", _moonlit(bent)), ("bent", bent)):
            masked = object_mask(np.concatenate([night.rgb.light, night.ha.light]))
            for plane in range(3):
                for way, fit in _ways(night, plane, masked, moonlit=sky == "moonlit"):
                    text, share = _judge(
                        fit, night.truth.sky[plane], difference_noise(night.rgb.light[plane])
                    )
                    shares.setdefault((sky, way), []).append(share)
                    yield f"  seed {seed} {sky:8s} {COLOURS[plane]:6s} {way:14s} {text}"
    for (sky, way), found in shares.items():
        yield f"  {sky:8s} {way:14s} left median {np.median(found):.2f} % worst {max(found):.2f} %"


def _ways(
    night: Night, plane: int, masked: NDArray[np.bool_], *, moonlit: bool
) -> Iterator[tuple[str, SkyFit | str]]:
    """Give the fit of one plane by each kind of knowledge, or why it was refused."""
    line, light = night.ha.light[0], night.rgb.light[plane]
    closed = np.zeros(line.shape, dtype=np.bool_)
    shape = shape_towards(night.options.moon_angle_deg, line.shape)
    if moonlit:
        nm = COLOURS_NM[COLOURS[plane]]
        shape = moon_shape(PLACE, Conditions(zenith_mag=21.0), wcs=_wcs(), shape=line.shape, wavelength_nm=nm)
    guide = guide_by_line(line, masked=closed)
    try:
        yield "mask alone", fit_sky(light, degree="auto", masked=masked)
    except StepError as error:
        yield "mask alone", error.found
    yield "Moon known", fit_sky(light, shape_terms=shape, masked=masked)
    yield "line known", fit_sky(light, guide=guide, masked=closed, closed=closed)
    yield "line and Moon", fit_sky(light, shape_terms=shape, masked=masked, guide=guide, closed=closed)


def _moonlit(night: Night) -> Night:
    """Return the night under moonlight as published, in thicker and brighter air than the fit assumes."""
    air = Conditions(extinction=0.35, zenith_mag=20.0)
    sky = np.empty_like(night.truth.sky)
    for plane, name in enumerate(COLOURS):
        shape = sky.shape[1:]
        terms = moon_shape(PLACE, air, wcs=_wcs(), shape=shape, wavelength_nm=COLOURS_NM[name])
        u, v = np.linspace(-1, 1, shape[1])[None, :], np.linspace(-1, 1, shape[0])[:, None]
        bend = terms[3] * (2 * u * u - 1) + terms[4] * u * v + terms[5] * (2 * v * v - 1)
        # Five times steeper than over this field of 1.5 degrees: as wide a field as the simulator's slope asks for.
        level = float(np.median(night.truth.sky[plane]))
        sky[plane] = level * (terms[0] + 5.0 * (terms[1] * u + terms[2] * v + bend))
    rgb = replace(night.rgb, light=night.rgb.light + (sky - night.truth.sky))
    return replace(night, rgb=rgb, truth=replace(night.truth, sky=sky))


def _wcs() -> Any:
    from astropy.wcs import WCS

    wcs = WCS(naxis=2)
    wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [83.8, -5.4]
    wcs.wcs.crpix, wcs.wcs.cdelt = [450.5, 300.5], [-1.5 / 900, 1.5 / 900]
    wcs.wcs.pc = [[0.8, -0.6], [0.6, 0.8]]
    return wcs


def _judge(fit: SkyFit | str, sky: Array, noise: float) -> tuple[str, float]:
    if isinstance(fit, str):
        return f"refused: {fit}", 100.0
    off = fit.model().astype(np.float64) - sky
    share = 100.0 * float(np.ptp(off) / np.ptp(sky))
    return (
        f"degree {fit.degree} left {share:6.2f} %  {np.ptp(off) / noise:6.2f} sigma, "
        f"level off {off.mean() / noise:6.2f}, stated {sky_uncertainty(fit) / noise:5.2f}",
        share,
    )


def faults(quick: bool) -> Iterator[str]:
    """Judge what is no gradient: vignetting left, corner glow, a flipped half, a street lamp."""
    del quick
    yield "\nFaults that are no gradient: corner to corner left, sigma of a pixel; what was found"
    shape = (600, 900)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    u, v = 2 * x / (shape[1] - 1) - 1, 2 * y / (shape[0] - 1) - 1
    squared = ((u * shape[1]) ** 2 + (v * shape[0]) ** 2) / (shape[0] ** 2 + shape[1] ** 2)
    moon = SKY * (1 + 0.06 * u - 0.03 * v)
    turned = 0.5 * moon + 0.6 * moon[::-1, ::-1]
    glow = 0.004 * np.exp(-((u - 1.05) ** 2 + (v + 1.05) ** 2) / 0.15)
    scenes = {
        "vignetting left 0 %": moon,
        "vignetting left 2 %": moon * (1 - 0.02 * squared),
        "a ring of 1 %": moon * (1 - 0.04 * (squared - squared**2)),
        "corner glow": moon + glow,
        "a flipped half": turned,
    }
    radius = np.hypot(x - 450, (y - 300) / 0.6) / 38.0
    disc = 60 * SIGMA * np.exp(-radius)
    for number, (name, sky) in enumerate(scenes.items()):
        rng = np.random.default_rng(number)
        plane = (sky + disc + SIGMA * rng.standard_normal(shape)).astype(np.float32)
        masked = object_mask(plane[None])
        fit = fit_sky(plane, masked=masked)
        fault = find_flat_fault(fit)
        spline = fit_spline(plane, masked=masked)
        left, bent = (np.ptp(f.model() - sky) / SIGMA for f in (fit, spline))
        text = f"  {name:20s} degree {fit.degree} {left:6.2f}   spline {bent:6.2f}   "
        if fault is not None:
            mended = divide_flat_fault(plane, fault)
            again = find_flat_fault(fit_sky(mended, masked=masked))
            text += (
                f"{fault.kind}, {fault.edge_percent:+.2f} % at the corners, {fault.percent:.2f} % in all, "
            )
            text += f"{fault.sigma:.0f} sigma; divided: {'none left' if again is None else 'still there'}"
        text += "" if fault is not None else "no fault of the flat"
        corner = find_corner_glow(fit)
        told = f"; a corner glow of {corner.amount / SIGMA:.2f} sigma" if corner is not None else ""
        yield text + told


def photographs(quick: bool) -> Iterator[str]:
    """Plant slopes into real frames and tell what comes back: fit with the slope minus fit without."""
    yield "\nReal frames, a slope planted: what comes back over what was planted, %; the rest, sigma of a pixel"
    for name, plane in real_planes():
        noise = difference_noise(plane)
        shape = plane.shape
        u, v = np.linspace(-1, 1, shape[1])[None, :], np.linspace(-1, 1, shape[0])[:, None]
        for size in (3.0,) if quick else (3.0, 30.0):
            planted = (size * noise * (0.35 * u - 0.15 * v)).astype(np.float32)
            fits = []
            for light in (plane, plane + planted):
                masked = object_mask(light[None])
                fits.append(fit_sky(light, degree=1, masked=masked))
            back = fits[1].coefficients[1:3] - fits[0].coefficients[1:3]
            rest = 2.0 * np.abs(back - size * noise * np.array([0.35, -0.15])).sum() / noise
            # Both axes, as in the rest; what is common to both fits is not in the difference.
            stated = 2.0 * np.sqrt(np.diag(fits[1].stated)[1:3]).sum() / noise
            share = back[0] / (0.35 * size * noise), back[1] / (-0.15 * size * noise)
            yield (
                f"  {name:22s} {size:4.0f} sigma planted: x {100 * share[0]:6.1f} %  y {100 * share[1]:6.1f} %  "
                f"rest {rest:5.2f} sigma, stated {stated:5.2f}"
            )


def real_planes() -> Iterator[tuple[str, Array]]:
    """Give scikit-image's deep field, its planes decoded to light, and the real frames where there are any."""
    from skimage import data

    from blend.science.picture.colourspace import srgb_decode

    field = srgb_decode(np.moveaxis(data.hubble_deep_field(), 2, 0).astype(np.float32) / 255.0)
    for plane, name in zip(field, ("red", "green", "blue"), strict=True):
        yield f"deep field {name}", np.ascontiguousarray(plane, dtype=np.float32)
    folder = Path(os.environ.get("BLEND_REAL_FRAMES", Path(__file__).parents[3] / "shared" / "data"))
    for path in sorted(folder.glob("*.fits")):
        from blend.files.reader import read_picture

        yield path.stem, np.ascontiguousarray(read_picture(path).pixels[0])


def coverage(draws: int) -> Iterator[str]:
    """Tell how often stated errors hold the truth: an empty field, a disc, and emission shown by a line.

    The seeds are others than those the errors were tried on. The level behind a line is another thing than a standard
    error: nobody knows how much of the line's least light is sky, and what is stated is a bound on that.
    """
    yield f"\nStated errors over {draws} draws: share within 1 and 2 sigma (68 and 95 % expected)"
    for kind in ("empty", "disc", "line"):
        pulls = np.abs([_pulls(kind, 2000 + seed) for seed in range(draws)])
        for name, part in (("level", pulls[:, :1]), ("slopes", pulls[:, 1:])):
            told = []
            for limit, share in ((1.0, 0.68), (2.0, 0.95)):
                margin = 100.0 * float(np.sqrt(share * (1.0 - share) / part.size))
                told.append(f"{100.0 * float((part < limit).mean()):5.1f} % (+- {margin:.1f})")
            size = float(np.sqrt((part**2).mean()))
            note = "; a bound, not a standard error" if (kind, name) == ("line", "level") else ""
            yield f"  {kind:6s} {name:6s} {'  '.join(told)}  rms {size:.2f} of the stated error{note}"


def _pulls(kind: str, seed: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(seed)
    shape = (200, 280)
    truth = np.array([SKY, *rng.uniform(-0.01, 0.01, 2)])
    y, x = np.mgrid[: shape[0], : shape[1]]
    u, v = 2 * x / (shape[1] - 1) - 1, 2 * y / (shape[0] - 1) - 1
    sky = truth[0] + truth[1] * u + truth[2] * v
    noise = SIGMA * rng.standard_normal((2, *shape))
    if kind == "disc":
        sky = sky + 60 * SIGMA * np.exp(-np.hypot(x - 140, (y - 100) / 0.6) / 12.0)
    if kind == "line":
        waves = sum(
            np.sin(rng.uniform(2, 9) * u + rng.uniform(2, 9) * v + rng.uniform(0, 6)) for _ in range(5)
        )
        emission = 4 * SIGMA * np.maximum(waves, 0.0)
        line = (0.02 + emission + 0.3 * noise[1]).astype(np.float32)
        nothing = np.zeros(shape, dtype=np.bool_)
        guide = guide_by_line(line, masked=nothing)
        plane = (sky + 0.6 * emission + noise[0]).astype(np.float32)
        fit = fit_sky(plane, guide=guide, degree=1, masked=nothing)
    else:
        plane = (sky + noise[0]).astype(np.float32)
        fit = fit_sky(plane, degree=1, masked=object_mask(plane[None]))
    return np.asarray((fit.coefficients - truth) / np.sqrt(np.diag(fit.stated)))


def scatter_ratio(fit: SkyFit, noise: float) -> tuple[float, float]:
    """Return the scatter of block values about the sky over what the noise of a pixel predicts for them.

    First of the blocks that are sky: those a fitted halo's doubt moves by less than their noise. Then of all blocks
    that were used, about sky and halo: where a disc fills the frame, arms that no mask covers are among them.
    """
    size = block_size(fit.shape)
    predicted = HUBER_ERROR * noise / np.sqrt(np.maximum(fit.block_share * size * size, 1.0))
    left = fit.block_values - fit.at(fit.block_xy)[0]
    clean = fit.block_used
    if fit.halo is not None:
        shine = fit.halo.shine(fit.block_xy)
        left = left - shine
        clean = clean & (HALO_DOUBT * shine < predicted)
    found = []
    for used in (clean, fit.block_used):
        pull = (left / predicted)[used]
        enough = pull.size >= 2 * FEWEST_BLOCKS
        found.append(
            MAD_TO_SIGMA * float(np.median(np.abs(pull - np.median(pull)))) if enough else float("nan")
        )
    return found[0], found[1]


if __name__ == "__main__":
    run(quick="--quick" in sys.argv)
