"""Calibration stacks that do not belong, flats with an offset or none, bowls in a sky, and smoothed masters."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from wrong_cases.cases import Case, night, run_words

Change = Callable[[Any, Any], Any]
RAW = {"calibrated": False, "ha_grid": "same", "seed": 41}


def _edit(path: Path, change: Change) -> None:
    """Put changed pixels into a FITS file; the change may edit the header as well."""
    from astropy.io import fits

    with fits.open(path, memmap=False) as parts:
        header, pixels = parts[0].header, parts[0].data.astype(np.float64)
    fits.writeto(path, np.asarray(change(pixels, header), dtype=np.float32), header, overwrite=True)


def _raw(folder: Path) -> Path:
    return night(folder, **RAW)


def _swap(target: Path, old: str, new: str) -> Path:
    target.write_text(target.read_text().replace(old, new))
    return target


def _check_words(target: Path, *words: str) -> list[str]:
    return ["check", "galaxy-moonlit", str(target), *words]


def _sound(folder: Path) -> list[str]:
    return run_words(_raw(folder))


def _sound_check(folder: Path) -> list[str]:
    return _check_words(_raw(folder))


def _colour_dark(folder: Path) -> Path:
    return _swap(_raw(folder), '"ha-dark.fits"', '"rgb-dark.fits"')


def _short_dark(folder: Path) -> Path:
    """Make the line's dark one of 30 s, of other hot pixels."""
    target = _raw(folder)

    def shorter(pixels: NDArray[Any], header: Any) -> NDArray[Any]:
        header["EXPTIME"] = 30.0
        return pixels[::-1, ::-1]

    _edit(folder / "ha-dark.fits", shorter)
    return target


def _warm_dark(folder: Path) -> Path:
    target = _raw(folder)

    def warmer(pixels: NDArray[Any], header: Any) -> NDArray[Any]:
        header["CCD-TEMP"] = 15.0
        return pixels[::-1]

    _edit(folder / "ha-dark.fits", warmer)
    return target


def _unstated_long_dark(folder: Path) -> list[str]:
    """Make the line's dark one of an hour that does not say so."""
    target = _raw(folder)
    from astropy.io import fits

    bias = fits.getdata(folder / "ha-bias.fits").astype(np.float64)

    def longer(pixels: NDArray[Any], header: Any) -> NDArray[Any]:
        del header["EXPTIME"]
        noise = np.random.default_rng(3).normal(0.0, 1e-6, pixels.shape)
        return bias + 12.0 * (pixels - bias) + noise

    _edit(folder / "ha-dark.fits", longer)
    return run_words(target)


def _cut_dark(folder: Path) -> list[str]:
    target = _raw(folder)
    _edit(folder / "ha-dark.fits", lambda pixels, header: pixels[:-4])
    return _check_words(target)


def _without_bias(folder: Path, *, subtracted: bool) -> Path:
    """Leave the bias out of the target, and take it off the flats or not."""
    from astropy.io import fits

    target = _raw(folder)
    lines = [line for line in target.read_text().splitlines() if not line.startswith("bias")]
    target.write_text("\n".join(lines) + "\n")
    for name in ("rgb", "ha") if subtracted else ():
        bias = fits.getdata(folder / f"{name}-bias.fits").astype(np.float64)
        _edit(folder / f"{name}-flat.fits", lambda pixels, header, bias=bias: pixels - bias)
    return target


def _stated(folder: Path, flat_dark: str) -> list[str]:
    target = _without_bias(folder, subtracted=True)
    return run_words(
        _swap(target, 'flat = "ha-flat.fits"', f'flat = "ha-flat.fits"\nflat_calibrated = true{flat_dark}')
    )


def _smoothed(folder: Path, width: float) -> list[str]:
    from scipy.ndimage import gaussian_filter

    target = night(folder, seed=42)
    for name in ("rgb", "ha"):
        _edit(
            folder / f"{name}-light.fits",
            lambda pixels, header: gaussian_filter(pixels, [0.0] * (pixels.ndim - 2) + 2 * [width]),
        )
    return run_words(target)


def _radius_squared(shape: tuple[int, ...]) -> NDArray[np.float64]:
    v, u = np.mgrid[-1 : 1 : shape[0] * 1j, -1 : 1 : shape[1] * 1j]
    return np.asarray(((u * shape[1]) ** 2 + (v * shape[0]) ** 2) / (shape[0] ** 2 + shape[1] ** 2))


def _wrong_flat(folder: Path, depth: float) -> list[str]:
    """Multiply the colour master of a field of stars by what a wrong flat leaves."""
    target = night(folder, kind="cluster", seed=43, stars_per_mpx=1500.0)
    _edit(
        folder / "rgb-light.fits",
        lambda pixels, header: pixels * (1.0 - depth * _radius_squared(pixels.shape[1:])),
    )
    return run_words(target)


def _wide_target(folder: Path, height: float) -> list[str]:
    """Add the outskirts of a target that fills the frame, under a perfect flat."""
    target = night(folder, kind="cluster", seed=44, stars_per_mpx=1500.0)
    _edit(
        folder / "rgb-light.fits",
        lambda pixels, header: pixels + height * (1.0 - _radius_squared(pixels.shape[1:])),
    )
    return run_words(target)


CASES = [
    Case(
        name="a colour camera's dark for a line, checked",
        wrong=lambda folder: _check_words(_colour_dark(folder)),
        right=_sound_check,
        says="may be that of other lights: its file has 3 planes",
        short=True,
    ),
    Case(
        name="a dark of another exposure, checked",
        wrong=lambda folder: _check_words(_short_dark(folder)),
        right=lambda folder: _check_words(_short_dark(folder), "--set", "calibrate.dark_scaling=exposure"),
        says="it was exposed 30 s, the light 300 s",
        short=True,
    ),
    Case(
        name="a dark of another size, checked",
        wrong=_cut_dark,
        right=_sound_check,
        code=3,
        says="600 x 396 pixels",
    ),
    Case(
        name="a colour camera's dark for a line",
        wrong=lambda folder: run_words(_colour_dark(folder)),
        right=_sound,
        code=4,
        says="it may be the dark of other lights (its file has 3 planes, the light's 1",
    ),
    Case(
        name="a dark of another exposure",
        wrong=lambda folder: run_words(_short_dark(folder)),
        right=_sound,
        code=4,
        says="it may be the dark of other lights (it was exposed 30 s, the light 300 s",
    ),
    Case(
        name="a dark of another temperature",
        wrong=lambda folder: run_words(_warm_dark(folder)),
        right=_sound,
        code=4,
        says="it was taken at 15 degrees C, the light at -10",
    ),
    Case(
        name="a dark of an hour that does not say so",
        wrong=_unstated_long_dark,
        right=_sound,
        code=4,
        says="which may have been exposed longer or warmer",
    ),
    Case(
        name="a flat with its offset in",
        wrong=lambda folder: run_words(_without_bias(folder, subtracted=False)),
        right=lambda folder: run_words(_without_bias(folder, subtracted=True)),
        warning="flat-offset",
    ),
    Case(
        name="a calibrated flat and a dark of the flats",
        wrong=lambda folder: _stated(folder, '\nflat_dark = "ha-bias.fits"'),
        right=lambda folder: _stated(folder, ""),
        code=2,
        says="nothing is taken off such a flat",
    ),
    Case(
        name="a flat that is wrong by 8 %",
        wrong=lambda folder: _wrong_flat(folder, 0.08),
        right=lambda folder: _wide_target(folder, 0.012),
        warning="flat-fault",
        true_of_right=("no-line-light",),
    ),
    Case(
        name="the outskirts of a target that fills the frame",
        wrong=lambda folder: _wide_target(folder, 0.012),
        right=lambda folder: _wide_target(folder, 0.0),
        says="or the outskirts of the target",
        true_of_right=("no-line-light",),
    ),
    Case(
        name="smoothed masters",
        wrong=lambda folder: [*_wrong_flat(folder, 0.0), "--set", "gradient.degree=0"],
        right=lambda folder: _smoothed(folder, 2.0),
        warning="slope-left",
    ),
]
