"""How close a run on a simulated night came to the truth, measured on the files it left."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import bin_mean
from blend.files.reader import read_picture
from blend.recipe.state import COLOUR
from blend.science.picture import ciede2000, linear_to_lab, srgb_decode
from blend.science.simulated import Night

Array = NDArray[np.floating]


@dataclass(frozen=True)
class Check:
    """One comparison: what, the number found, its unit, and the bar it must not pass."""

    what: str
    found: float
    bar: float
    unit: str = ""

    @property
    def passed(self) -> bool:
        """Whether the number is within its bar; one that could not be measured is not."""
        return bool(self.found <= self.bar)


def compare(night: Night, record: Mapping[str, Any], out: Path) -> list[Check]:
    """Return the comparisons of a run with stages kept; the bars are those of the main job."""
    flat = read_picture(out / "stages" / "rgb-flattened.fits").pixels
    checks = [Check("registration, worst of the frame", registration_error(night, record), 0.10, "px")]
    left, sigmas = slopes_left(night, record, flat)
    checks.append(Check("residual gradient, worst plane", 100 * left, 4.0, "%"))
    checks.append(Check("residual gradient, corners", sigmas, 0.25, "sigma"))
    if night.truth.disc is not None:
        checks.append(Check("outer disc's flux lost or won", 100 * outer_flux_error(night, flat), 2.0, "%"))
    scale = record["continuum"]["ha"]["scale"]
    error = abs(scale / night.truth.continuum_scale - 1)
    checks.append(Check("continuum scale, error", 100 * error, 3.0, "%"))
    checks.append(Check("sky blocks from neutral, worst", sky_tint(night, record, out), 1.0, "dE00"))
    return checks


def registration_error(night: Night, record: Mapping[str, Any]) -> float:
    """Return the largest distance, on the reference's grid, between found and true place of the line frame's pixels."""
    found = np.asarray(record["register"]["ha"]["matrix"])
    rows, columns = night.ha.light.shape[1:]
    y, x = np.mgrid[0 : rows - 1 : 25j, 0 : columns - 1 : 25j]
    points = np.stack([x.ravel(), y.ravel(), np.ones(x.size)])
    true = night.truth.ha_to_rgb @ points
    got = found @ points
    inside = (true[0] >= 0) & (true[0] < night.rgb.light.shape[2])
    inside &= (true[1] >= 0) & (true[1] < night.rgb.light.shape[1])
    distance = np.hypot(*(got[:2] / got[2] - true[:2] / true[2]))
    return float(distance[inside].max())


def slopes_left(night: Night, record: Mapping[str, Any], flat: Array) -> tuple[float, float]:
    """Return the worst plane's residual gradient: a share of what was there, and sigma of a pixel over the corners.

    The slope is that of a plane fitted to what the flattened picture holds beyond the true objects.
    """
    shares, sigmas = [], []
    for index, plane in enumerate(COLOUR):
        objects = night.truth.continuum[index] + (night.truth.line_in_red if index == 0 else 0)
        rest = _corner_to_corner(flat[index] - objects)
        shares.append(rest / _corner_to_corner(night.truth.sky[index]))
        sigmas.append(rest / record["masters"]["rgb"]["planes"][plane]["noise"]["1"])
    return max(shares), max(sigmas)


def _corner_to_corner(plane: Array) -> float:
    """Return the range over the frame of a plane fitted robustly to block means."""
    blocks = bin_mean(plane, max(8, min(plane.shape) // 60))
    rows, columns = blocks.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j]
    use = np.isfinite(blocks)
    terms = np.stack([np.ones(use.sum()), x[use], y[use]], axis=1)
    values = blocks[use]
    keep = np.ones(values.size, dtype=bool)
    for _ in range(8):
        fit = np.linalg.lstsq(terms[keep], values[keep], rcond=None)[0]
        rest = values - terms @ fit
        spread = 1.4826 * np.median(np.abs(rest - np.median(rest)))
        keep = np.abs(rest) <= 3 * spread + 1e-30
    return float(2 * (abs(fit[1]) + abs(fit[2])))


def outer_flux_error(night: Night, flat: Array) -> float:
    """Return |measured / true - 1| of the disc's green flux between 1.2 and 3.2 scale lengths."""
    disc = night.truth.disc
    assert disc is not None
    rows, columns = flat.shape[1:]
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    turn = np.radians(disc.position_angle_deg)
    along = (x - disc.x) * np.cos(turn) + (y - disc.y) * np.sin(turn)
    across = (y - disc.y) * np.cos(turn) - (x - disc.x) * np.sin(turn)
    radius = np.hypot(along, across / disc.axis_ratio) / disc.scale_length_px
    ring = (radius > 1.2) & (radius < 3.2) & np.isfinite(flat[1])
    true = night.truth.continuum[1][ring]
    faint = true < 0.5 * (1 - night.truth.sky[1][ring].max())
    measured = flat[1][ring][faint].sum(dtype=np.float64)
    return abs(float(measured / true[faint].sum(dtype=np.float64)) - 1)


def sky_tint(night: Night, record: Mapping[str, Any], out: Path, *, block: int = 64) -> float:
    """Return the largest CIEDE2000 from grey of the finished picture's sky, block by block.

    Sky pixels are those whose true light of stars, galaxy and line is under 0.3 sigma of a pixel; a block counts when
    half of its pixels are sky.
    """
    display = read_picture(out / "result.fits").pixels
    crop = record["crop"]
    part = np.s_[crop["y"] : crop["y"] + crop["h"], crop["x"] : crop["x"] + crop["w"]]
    noise = record["masters"]["rgb"]["planes"]
    sky = np.ones(display.shape[1:], dtype=bool)
    for index, plane in enumerate(COLOUR):
        light = night.truth.continuum[index] + (night.truth.line_in_red if index == 0 else 0)
        sky &= light[part] < 0.3 * noise[plane]["noise"]["1"]
    means = np.stack([bin_mean(np.where(sky, plane, np.nan), block) for plane in display])
    lab = linear_to_lab(srgb_decode(means.astype(np.float32)))
    grey = np.stack([lab[0], np.zeros_like(lab[0]), np.zeros_like(lab[0])])
    return float(np.nanmax(ciede2000(lab, grey)))
