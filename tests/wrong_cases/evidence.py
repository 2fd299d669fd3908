"""Masters that make a wrong picture without a word: each is found out by what the pixels say, or refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from wrong_cases.cases import Case, Make, night, run_words

from blend.files.fits import write_fits
from blend.files.reader import read_picture

Pixels = NDArray[np.float32]
FULL = {"SATURATE": 1.0}
ON_GRID = ("--set", "register.transform=none")


def sound(**options: object) -> Make:
    """Return the maker of a run on a night as it is."""
    return lambda folder: run_words(night(folder, **options))


def changed(name: str, change: Callable[[Pixels], Pixels], **options: object) -> Make:
    """Return the maker of a run whose master ``name`` is changed."""

    def make(folder: Path) -> list[str]:
        target, path = night(folder, **options), folder / f"{name}-light.fits"
        light = read_picture(path)
        write_fits(path, change(light.pixels.copy()), planes=light.planes, cards=FULL)
        return run_words(target)

    return make


def line_of(plane: int, *, noise_seed: int | None = None) -> Make:
    """Return the maker of a run whose line master is a plane of the colour stack, or of another one of the same sky."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        colour = folder / "rgb-light.fits"
        if noise_seed is not None:
            night(folder / "other", noise_seed=noise_seed)
            colour = folder / "other" / "rgb-light.fits"
        pixels = read_picture(colour).pixels[plane]
        write_fits(folder / "ha-light.fits", pixels[None], planes=("ha",), cards=FULL)
        return run_words(target)

    return make


def three_files(*factors: float, order: tuple[int, int, int] = (0, 1, 2)) -> Make:
    """Return the maker of a run on a colour master of three files, each times a factor."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        pixels = read_picture(folder / "rgb-light.fits").pixels
        for name, plane, factor in zip(("red", "green", "blue"), order, factors, strict=True):
            write_fits(folder / f"{name}.fits", np.float32(factor) * pixels[plane][None], planes=(name,))
        files = 'light = { red = "red.fits", green = "green.fits", blue = "blue.fits" }'
        target.write_text(target.read_text().replace('light = "rgb-light.fits"', files))
        return run_words(target)

    return make


def nothing_but_noise(folder: Path) -> list[str]:
    target = night(folder, ha_pure_noise=True, ha_grid="same")
    return run_words(target, *ON_GRID, "--set", "continuum.ha.scale=0.2")


def one_region(folder: Path) -> list[str]:
    """A field of stars with a single region of H II, 8 px wide and as faint as a tenth of the line's sky."""
    target = night(folder, kind="cluster", ha_grid="same")
    light = read_picture(folder / "ha-light.fits").pixels[0]
    light = light + 0.0015 * spot(light.shape, 150, 290, 8.0).astype(np.float32)
    write_fits(folder / "ha-light.fits", light[None], planes=("ha",), cards=FULL)
    return run_words(target, *ON_GRID)


def no_region(folder: Path) -> list[str]:
    return run_words(night(folder, kind="cluster", ha_grid="same"), *ON_GRID)


def few_stars(folder: Path) -> list[str]:
    """Strong H II regions outnumber the stars of the field."""
    target = night(folder, ha_grid="same", stars_per_mpx=60.0, line_scale=60.0, knots=120, seed=3)
    return run_words(target, *ON_GRID)


def few_stars_given_white(folder: Path) -> list[str]:
    return [*few_stars(folder), "--set", "balance.white=[1.25, 1.0, 1.5]"]


def spot(shape: tuple[int, ...], x0: float, y0: float, fwhm: float) -> NDArray[np.float64]:
    y, x = np.mgrid[: shape[-2], : shape[-1]]
    return np.asarray(np.exp(-4.0 * np.log(2.0) * ((x - x0) ** 2 + (y - y0) ** 2) / fwhm**2))


def hot(*columns: int, by: float, from_row: int = 0) -> Callable[[Pixels], Pixels]:
    """Return what makes columns of a master hot."""

    def change(light: Pixels) -> Pixels:
        light[:, from_row:, list(columns)] += np.float32(by)
        return light

    return change


def streak(
    by: float, *, width: float = 3.0, degrees: float = 31.0, reach: float = np.inf
) -> Callable[[Pixels], Pixels]:
    """Return what draws a streak through the middle of the last plane, falling off over ``reach`` pixels."""

    def change(light: Pixels) -> Pixels:
        y, x = np.mgrid[: light.shape[1], : light.shape[2]]
        x, y = x - light.shape[2] / 2 - 40, y - light.shape[1] / 2 + 30
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        along, across = x * c + y * s, y * c - x * s
        drawn = by * np.exp(-4.0 * np.log(2.0) * across**2 / width**2 - np.abs(along) / reach)
        light[-1] += drawn.astype(np.float32)
        return light

    return change


def spikes(light: Pixels) -> Pixels:
    """Four spikes of a bright star, as steep as diffraction by struts makes them."""
    y, x = np.mgrid[: light.shape[1], : light.shape[2]]
    u, v = x - 330.0, y - 170.0
    for across, along in ((u + v, u - v), (u - v, u + v)):
        light[-1] += (0.5 * np.exp(-((across / 2.0) ** 2)) / (1.0 + np.abs(along) / 3.0) ** 1.5).astype(
            np.float32
        )
    return light


def bleeding(light: Pixels) -> Pixels:
    light[-1, 120:260, 330:333] = 1.0
    return light


def times(*factors: float) -> Callable[[Pixels], Pixels]:
    return lambda light: light * np.array(factors, dtype=np.float32)[:, None, None]


def blue_first(light: Pixels) -> Pixels:
    return light[::-1]


PLAIN = sound()
CASES = [
    Case(
        name="the red plane as the line master",
        wrong=line_of(0),
        right=PLAIN,
        warning="line-is-colour",
        short=True,
    ),
    Case(name="the green plane as the line master", wrong=line_of(1), right=PLAIN, warning="line-is-colour"),
    Case(name="the blue plane as the line master", wrong=line_of(2), right=PLAIN, says="no line light"),
    *(
        Case(name=name, wrong=line_of(plane, noise_seed=77), right=PLAIN, warning="no-line-light")
        for plane, name in enumerate(("another red stack as the line", "another green stack as the line"))
    ),
    Case(
        name="a line master without line light",
        wrong=sound(ha_is_continuum_only=True),
        right=sound(line_scale=0.25),
        warning="no-line-light",
        says="no line light",
    ),
    Case(name="a line master of noise", wrong=nothing_but_noise, right=PLAIN, warning="no-line-light"),
    Case(name="stars alone and one H II region", wrong=no_region, right=one_region, warning="no-line-light"),
    Case(name="blue first", wrong=changed("rgb", blue_first), right=PLAIN, warning="plane-order", short=True),
    Case(
        name="three files, blue first",
        wrong=three_files(1, 1, 1, order=(2, 1, 0)),
        right=three_files(1, 1, 1),
        warning="plane-order",
    ),
    Case(
        name="three files of three units",
        wrong=three_files(1, 0.01, 30),
        right=three_files(1, 0.6, 1.8),
        code=3,
        says="different units",
    ),
    Case(
        name="one file of another unit",
        wrong=changed("rgb", times(1, 1, 0.02)),
        right=changed("rgb", times(1, 1, 0.5)),
        code=3,
        says="different units",
    ),
    Case(
        name="a plane five times as strong",
        wrong=changed("rgb", times(5.0, 1, 1)),
        right=changed("rgb", times(2.5, 1, 1)),
        warning="white-out-of-bounds",
    ),
    Case(
        name="H II regions for stars",
        wrong=few_stars,
        right=few_stars_given_white,
        code=4,
        says="shine in a line as H II regions do",
    ),
    Case(
        name="six hot columns in the line master",
        wrong=changed("ha", hot(50, 51, 180, 300, 444, 520, by=1e-4)),
        right=changed("ha", hot(50, 180, 300, by=1e-4, from_row=260)),
        warning="hot-columns",
    ),
    Case(
        name="six hot columns in the colour master",
        wrong=changed("rgb", hot(50, 51, 180, 300, 444, 520, by=0.01)),
        right=changed("rgb", bleeding),
        warning="hot-columns",
    ),
    Case(
        name="a faint trail in the line master",
        wrong=changed("ha", streak(1.5e-4, width=5.0)),
        right=changed("ha", streak(0.02, reach=60.0)),
        warning="trail",
    ),
    Case(
        name="a bright trail in the blue plane",
        wrong=changed("rgb", streak(0.05, degrees=112.0)),
        right=changed("rgb", spikes),
        warning="trail",
    ),
]
