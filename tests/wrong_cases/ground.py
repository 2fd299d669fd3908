"""Words and files that are nearly right: empty recipes, pictures for target files, names of folders."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from wrong_cases.cases import Case, Make, night, run_words

Pixels = NDArray[np.float32]


def _check(text: str) -> Make:
    def make(folder: Path) -> list[str]:
        (folder / "r.toml").write_text(text)
        return ["check", "r.toml"]

    return make


def _try(values: str) -> Make:
    def make(folder: Path) -> list[str]:
        words = ["try", "galaxy-moonlit", str(night(folder)), "--no-store", "--quiet", "--out", "trial"]
        return [*words, "--vary", f"blend.red.amount={values}"]

    return make


def _set(setting: str) -> Make:
    return lambda folder: run_words(night(folder), "--set", setting)


def _run(*words: str) -> Make:
    def make(folder: Path) -> list[str]:
        night(folder)
        return ["run", "galaxy-moonlit", *words, "--quiet", "--out", "out"]

    return make


def _inspect(*names: str) -> Make:
    def make(folder: Path) -> list[str]:
        night(folder)
        (folder / "bad.fits").write_bytes(b"SIMPLE  =")
        return ["inspect", *names]

    return make


def _batch(second: str) -> Make:
    def make(folder: Path) -> list[str]:
        target = night(folder)
        for file, name in (("a", "M 51"), ("b", second)):
            text = target.read_text().replace("lantern-spiral", name)
            (folder / f"{file}.target.toml").write_text(text)
        return ["batch", "galaxy-moonlit", "a.target.toml", "b.target.toml", "--dry-run"]

    return make


def _named(name: str) -> Make:
    def make(folder: Path) -> list[str]:
        target = night(folder)
        target.write_text(target.read_text().replace("lantern-spiral", name))
        return ["check", "galaxy-moonlit", str(target)]

    return make


def _frames(*levels: float, stars: bool) -> Make:
    """Make the words that measure a gain from four frames of so many electrons, with stars or lit evenly."""

    def make(folder: Path) -> list[str]:
        draw = np.random.default_rng(7)
        y, x = np.mgrid[:240, :320]
        spots = [(draw.uniform(0, 320), draw.uniform(0, 240), draw.uniform(1e3, 4e4)) for _ in range(60)]
        shine = sum(peak * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 4.5) for a, b, peak in spots) * stars
        names = []
        for number, level in enumerate(levels):
            counts = np.rint((draw.poisson(level + shine) + draw.normal(0, 5, x.shape)) / 1.6 + 600)
            names.append(f"f{number}.fits")
            fits.PrimaryHDU(counts.astype(np.float32)).writeto(folder / names[-1])
        return ["gain", *names]

    return make


def _changed(name: str, change: Any, *words: str) -> Make:
    """Make the words that run a night, one of whose files was changed: its pixels and header."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        with fits.open(folder / name, mode="update") as hdus:
            hdus[0].data, hdus[0].header = change(np.array(hdus[0].data, dtype=np.float32), hdus[0].header)
        return list(words) or run_words(target)

    return make


def _same(pixels: Pixels, header: fits.Header) -> tuple[Pixels, fits.Header]:
    return pixels, header


def _faint_blue(pixels: Pixels, header: fits.Header) -> tuple[Pixels, fits.Header]:
    """Return a colour master in whose blue plane all light above the sky was scaled to a thirtieth."""
    pixels[2] = np.median(pixels[2]) + (pixels[2] - np.median(pixels[2])) / 30.0
    return pixels, header


def _sky_taken_out(pixels: Pixels, header: fits.Header) -> tuple[Pixels, fits.Header]:
    return pixels - np.median(pixels), header


def _coordinates(scale: float) -> Any:
    def change(pixels: Pixels, header: fits.Header) -> tuple[Pixels, fits.Header]:
        header.update(CTYPE1="RA---TAN", CTYPE2="DEC--TAN", CRVAL1=10.0, CRVAL2=20.0, CRPIX1=1.0, CRPIX2=1.0)
        header.update(CD1_1=-scale, CD2_2=scale)
        return pixels, header

    return change


BOTH = ("-m", "rgb=rgb-light.fits", "-m", "ha=ha-light.fits")

CASES = [
    Case(
        name="an empty recipe",
        wrong=_check(""),
        right=_check("version = 1"),
        code=2,
        says="add version = 1",
        short=True,
    ),
    Case(
        name="a recipe without its version",
        wrong=_check('title = "x"'),
        right=_check('version = 1\ntitle = "x"'),
        code=2,
        says="version: the key is missing",
    ),
    Case(
        name="a range without a step",
        wrong=_try("0:1"),
        right=_try("0:1:1"),
        code=2,
        says="expected START:STOP:STEP",
    ),
    Case(
        name="a key without its table",
        wrong=_set("saturation=1.2"),
        right=_set("finish.saturation=1.2"),
        code=2,
        says="write finish.saturation",
    ),
    Case(
        name="a blend without its table",
        wrong=_set("red.amount=0.5"),
        right=_set("blend.red.amount=0.5"),
        code=2,
        says="write blend.red.amount",
    ),
    Case(
        name="two pictures for a target file",
        wrong=_run("rgb-light.fits", "ha-light.fits"),
        right=_run(*BOTH),
        true_of_right=("width-assumed", "red-width-assumed"),
        code=2,
        says="as -m rgb=FILE -m ha=FILE",
    ),
    Case(
        name="a picture for a target file",
        wrong=_run("rgb-light.fits"),
        right=_run(*BOTH),
        true_of_right=("width-assumed", "red-width-assumed"),
        code=2,
        says="this is a picture",
    ),
    Case(
        name="an option names no file",
        wrong=_run("-m", "rgb=nope.fits", *BOTH[2:]),
        right=_run(*BOTH),
        true_of_right=("width-assumed", "red-width-assumed"),
        code=3,
        says="mend -m rgb=FILE",
    ),
    Case(
        name="a picture without its master's name",
        wrong=_run("-m", "rgb-light.fits", *BOTH[2:]),
        right=_run(*BOTH),
        true_of_right=("width-assumed", "red-width-assumed"),
        code=2,
        says="for example -m rgb=rgb-light.fits",
    ),
    Case(
        name="a bad file among those to inspect",
        wrong=_inspect("bad.fits", "rgb-light.fits"),
        right=_inspect("rgb-light.fits"),
        code=3,
        says="bad.fits:",
        short=True,
    ),
    Case(
        name="two targets of one folder",
        wrong=_batch("m-51"),
        right=_batch("M 51 wide"),
        says="taken by a.target.toml",
    ),
    Case(
        name="lights for flats and bias frames",
        wrong=_frames(900.0, 880.0, 700.0, 690.0, stars=True),
        right=_frames(20000.0, 19000.0, 0.0, 0.0, stars=False),
        code=3,
        says="as stars do",
        short=True,
    ),
    Case(
        name="a plane of another scale",
        wrong=_changed("rgb-light.fits", _faint_blue),
        right=_changed("rgb-light.fits", _same),
        code=(0, 4),
        warning="white-out-of-bounds",
    ),
    Case(
        name="a share of a sky that was taken out",
        wrong=_changed("ha-light.fits", _sky_taken_out, "inspect", "ha-light.fits"),
        right=_changed("ha-light.fits", _same, "inspect", "ha-light.fits"),
        says="no share of the sky",
    ),
    Case(
        name="coordinates of no scale",
        wrong=_changed("rgb-light.fits", _coordinates(0.0)),
        right=_changed("rgb-light.fits", _coordinates(3e-4)),
        warning="coordinates-unusable",
    ),
    Case(
        name="a name of two lines",
        wrong=_named("M\\n51"),
        right=_named("M 51"),
        code=2,
        says="a name of one line",
    ),
]
