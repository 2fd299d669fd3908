"""The continuum scale: points that are no stars, filters that miss the line, exposures that cannot be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from wrong_cases.cases import Case, Make, night, run_words

from blend.files.fits import write_fits
from blend.files.reader import read_picture
from blend.science.simulated.camera import Camera
from blend.science.simulated.drawing import View, add_sources
from blend.science.simulated.scene import Sources

ON_GRID = ("--set", "register.transform=none")
FEW = {"ha_grid": "same", "stars_per_mpx": 20.0, "seed": 4}
TRUE_SCALE = 0.175
"""Of these nights, as their own truth states it."""


def points(*, excess: float) -> Make:
    """Return the maker of a run on a galaxy with hardly any star, and six points of so many times a star's line."""

    def make(folder: Path) -> list[str]:
        target = night(folder, **FEW)
        draw = np.random.default_rng(5)
        xy = np.array([(x, y) for x in (60.0, 300.0, 540.0) for y in (40.0, 360.0)])
        flux = draw.uniform(0.5, 2.0, len(xy))
        stars = Sources(xy, flux, np.zeros(len(xy)), np.zeros(len(xy)))
        colour = np.array([0.8, 1.0, 0.65])[:, None] * flux
        factors = excess * np.exp(draw.normal(0.0, 0.02, len(xy)))
        for name, light, fwhm_px in (("rgb", colour, 3.0), ("ha", TRUE_SCALE * factors * colour[:1], 3.4)):
            path = folder / f"{name}-light.fits"
            picture = read_picture(path)
            pixels = picture.pixels.copy()
            add_sources(pixels, View(pixels.shape[1:], np.eye(3), fwhm_px), stars, light, fwhm_px=fwhm_px)
            write_fits(path, pixels, planes=picture.planes, cards={"SATURATE": 1.0})
        return run_words(target, *ON_GRID)

    return make


def filtered(velocity_km_s: float) -> Make:
    """Return the maker of a run through a filter of 655.3/9.8 nm on a target of some velocity."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        text = (
            target.read_text() + f"center_nm = 655.3\n[masters.ha.facts]\nvelocity_km_s = {velocity_km_s}\n"
        )
        target.write_text(text)
        return run_words(target)

    return make


def exposed(seconds: float) -> Make:
    """Return the maker of a run on masters in counts whose line is said to be exposed so long; in truth 300 s."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        text = target.read_text()
        cameras = {
            "rgb": (Camera(number=0, planes=("red", "green", "blue"), exposure_s=30.0, frames=60), 30.0),
            "ha": (
                Camera(number=1, planes=("ha",), exposure_s=300.0, frames=24, full_scale_adu=65535),
                seconds,
            ),
        }
        for name, (camera, exposure_s) in cameras.items():
            path = folder / f"{name}-light.fits"
            picture = read_picture(path)
            counts = np.float32(65535.0) * picture.pixels
            write_fits(
                path, counts, planes=picture.planes, cards={"SATURATE": 65535.0, "EXPTIME": exposure_s}
            )
            text += f"\n[masters.{name}.facts]\ngain_e = {camera.full_e / 65535.0}\n"
        target.write_text(text)
        return run_words(target)

    return make


CASES = [
    Case(
        name="H II regions for the only stars beside a galaxy",
        wrong=points(excess=4.0),
        right=points(excess=1.0),
        code=4,
        says="from the target's own disc",
    ),
    Case(
        name="a line outside its filter",
        wrong=filtered(3500.0),
        right=filtered(1050.0),
        warning="line-outside-filter",
    ),
    Case(
        name="an exposure ten times too short for the scale",
        wrong=exposed(30.0),
        right=exposed(300.0),
        warning="scale-unexpected",
    ),
]
