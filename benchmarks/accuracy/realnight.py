"""The H-alpha of a real night: what of it a run lets through, held against plain arithmetic that is no part of blend.

    python benchmarks/accuracy/realnight.py [--keep FOLDER]

Reads the folder ``night`` of the real frames (``BLEND_REAL_FRAMES``, else ``../shared/data``): a barred spiral in R and
H-alpha with sky flats, and two H-beta frames. Stacks them, runs `galaxy-moonlit`, and prints

* the light of H II regions in ``emission x weight`` over that of a plain subtraction (scipy and photutils: the
  flattened stages, R blurred to the line's star width, the run's own scale, a median of 31 px taken off, fixed
  apertures), bright and faint ones apart, and the same without the blur;
* the signed light outside the galaxy by that inside, the galaxy being its D25, and for comparison a tighter outline;
* what is left of stars, and of R itself given as a line master;
* whether the same regions shine in H-beta.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.detection import find_peaks
from scipy import ndimage

Plane = NDArray[np.float64]
Points = NDArray[np.float64]

BIAS = "671"
"""Counts, from sky levels of 15, 60 and 300 s; see the README of the data."""

MEDIAN_PX, TILE_PX, LOOK_PX = 31, 64, 1.5
NUCLEUS_PX, EDGE_PX, SATURATED_PX = 25.0, 20, 14
RADIUS_FWHM = 1.5
STAR_RATIO, RAY_SHARPNESS = 0.4, 3.7
"""Compact excess by compact continuum below which a source is a star, and highest pixel by smoothed peak above which it
is a ray of a particle: a star of this night has 2.4."""

D25_PX = (7.6 * 60.0 / 0.53, 4.7 * 60.0 / 0.53)
"""Both axes of the isophote of 25 mag in B, in pixels of 0.53 arcsec: 7.6 by 4.7 arcmin (M 109 = NGC 3992; de
Vaucouleurs et al. 1991, RC3, from memory). Outer arms with H II regions lie inside it, far beyond the bright disc."""

TIGHT = 2.3
"""Radii of the second moments of the bright disc: an outline that leaves the outer arms' ends outside."""

MOST_OUTSIDE, BRIGHT_BAR, FAINT_BAR = 0.03, (0.90, 1.05), 0.6


def main() -> int:
    """Stack, run, compare, print; exit code 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--keep", type=Path, help="folder for masters and results, kept")
    options = parser.parse_args()
    night = real_night()
    if night is None:
        print("no real night: set BLEND_REAL_FRAMES to the folder that holds `night`")
        return 0
    with tempfile.TemporaryDirectory(prefix="night-") as scratch:
        folder = options.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        stack_all(night, folder)
        passed = [compare_plain(folder), colour_as_line(folder), h_beta(folder)]
    return int(not all(passed))


def real_night() -> Path | None:
    """Return the folder of the night, or None."""
    named = os.environ.get("BLEND_REAL_FRAMES")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "data"
    return folder / "night" if (folder / "night" / "spiral-ha-900s.fits").is_file() else None


def blend(*words: str | Path) -> str:
    """Run a command of blend and return what it printed; its fault ends the benchmark."""
    done = subprocess.run(
        [sys.executable, "-m", "blend", *map(str, words)], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"blend {' '.join(map(str, words))}: exit {done.returncode}\n{done.stderr}")
    return done.stdout


def stack_all(night: Path, folder: Path) -> None:
    """Make the masters, as the night's observer would."""
    for band in ("r", "ha", "hb"):
        frames = sorted(night.glob(f"flat-{band}-*.fits"))
        blend("stack", "flat", *frames, "--bias", BIAS, "--out", folder / f"flat-{band}.fits", "--overwrite")
    lights = {
        "r": ["spiral-r-300s-1.fits", "spiral-r-300s-2.fits"],
        "ha": ["spiral-ha-900s.fits"],
        "hb-1": ["spiral-hb-900s-1.fits"],
        "hb-2": ["spiral-hb-900s-2.fits"],
    }
    for name, files in lights.items():
        flat = folder / f"flat-{name.partition('-')[0]}.fits"
        out = folder / f"{name}.fits"
        blend(
            *("stack", "light", *[night / file for file in files], "--bias", BIAS, "--flat", flat),
            *("--out", out, "--overwrite"),
        )


def run(folder: Path, line: Path, name: str, *words: str) -> Path:
    """Run the galaxy recipe on R in all three planes and a line master."""
    out = folder / name
    planes = [
        word for plane in ("red", "green", "blue") for word in ("-m", f"rgb.{plane}={folder / 'r.fits'}")
    ]
    blend(
        *("run", "galaxy-moonlit", *planes, "-m", f"ha={line}", "--out", out, "--stages", "--overwrite"),
        *("--quiet", *words),
    )
    return out


@dataclass(frozen=True)
class Regions:
    """H II regions by plain arithmetic: places (n, 2), significance, flux in line counts, and the planes behind."""

    xy: Points
    significance: Plane
    flux: Plane
    excess: Plane
    outlines: tuple[NDArray[np.bool_], NDArray[np.bool_]]
    usable: NDArray[np.bool_]


def mad(values: Plane) -> float:
    """Return the robust standard deviation."""
    values = values[np.isfinite(values)]
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def read(path: Path) -> Plane:
    """Return a picture, its first plane."""
    data = np.asarray(fits.getdata(path), dtype=np.float64)
    return data[0] if data.ndim == 3 else data


def sums(plane: Plane, xy: Points, radius: float) -> Plane:
    """Return aperture sums."""
    table = aperture_photometry(np.nan_to_num(plane), CircularAperture(xy, r=radius))
    return np.nan_to_num(np.asarray(table["aperture_sum"], dtype=np.float64))


def plain_regions(broad: Plane, line: Plane, scale: float, fwhm: float, saturation: float) -> Regions:
    """Find H II regions without any of blend's code."""
    known = np.isfinite(broad) & np.isfinite(line)
    difference = np.where(known, line - scale * broad, 0.0)
    filled = np.where(known, broad, 0.0)
    excess = difference - ndimage.median_filter(difference, MEDIAN_PX, mode="nearest")
    stars = filled - ndimage.median_filter(filled, MEDIAN_PX, mode="nearest")
    smooth, smooth_stars = (ndimage.gaussian_filter(plane, LOOK_PX) for plane in (excess, stars))
    noise = np.empty_like(smooth)
    for top in range(0, noise.shape[0], TILE_PX):
        for left in range(0, noise.shape[1], TILE_PX):
            tile = (slice(top, top + TILE_PX), slice(left, left + TILE_PX))
            noise[tile] = mad(smooth[tile])
    significance = smooth / np.maximum(noise, 0.8 * np.median(noise))
    usable = ndimage.binary_erosion(known, iterations=EDGE_PX)
    usable &= ~ndimage.binary_dilation(filled > saturation, iterations=SATURATED_PX)
    found = find_peaks(significance, 6.0, box_size=7, mask=~usable)
    x, y = (np.asarray(found[key], dtype=int) for key in ("x_peak", "y_peak"))
    ratio = smooth[y, x] / np.maximum(scale * smooth_stars[y, x], 1e-12)
    tops = ndimage.maximum_filter(excess, 3)[y, x] / smooth[y, x]
    centre, outlines = ellipses(filled)
    regions = (ratio > STAR_RATIO) & (tops < RAY_SHARPNESS)
    regions &= np.hypot(x - centre[0], y - centre[1]) > NUCLEUS_PX
    xy = np.column_stack([x, y])[regions].astype(float)
    return Regions(
        xy=xy,
        significance=significance[y, x][regions],
        flux=sums(excess, xy, RADIUS_FWHM * fwhm),
        excess=excess,
        outlines=outlines,
        usable=usable,
    )


def ellipses(broad: Plane) -> tuple[Points, tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
    """Return the galaxy's centre and what lies inside its D25 and inside the tight outline.

    Centre and direction are those of the bright disc smoothed by 16 px, by its second moments.
    """
    smooth = ndimage.gaussian_filter(ndimage.median_filter(broad, 9), 16.0)
    labels, _ = ndimage.label(smooth > 0.06 * np.quantile(smooth, 0.999))
    middle = tuple(length // 2 for length in broad.shape)
    own = (
        labels == labels[middle]
        if labels[middle]
        else labels == np.argmax(np.bincount(labels.ravel())[1:]) + 1
    )
    y, x = np.nonzero(own)
    core = np.unravel_index(np.argmax(np.where(own, smooth, 0.0)), smooth.shape)
    variances, axes = np.linalg.eigh(np.cov(np.stack([x, y])))
    rows, columns = np.indices(broad.shape)
    short, long = np.moveaxis(np.stack([columns - core[1], rows - core[0]], axis=-1) @ axes, -1, 0)
    tight = TIGHT * np.sqrt(variances)
    outlines = [(long / a) ** 2 + (short / b) ** 2 < 1.0 for a, b in (np.array(D25_PX) / 2.0, tight[::-1])]
    return np.array([core[1], core[0]], dtype=float), (outlines[0], outlines[1])


def equal_width(broad: Plane, wide: float, narrow: float) -> Plane:
    """Return the broad plane blurred so that its stars are as wide as the line's, where they are narrower."""
    known = np.isfinite(broad)
    sigma = np.sqrt(max(wide**2 - narrow**2, 0.0)) / 2.3548
    blurred, share = (
        ndimage.gaussian_filter(plane, sigma) for plane in (np.nan_to_num(broad), known.astype(float))
    )
    return np.where(known, blurred / np.maximum(share, 1e-6), np.nan)


def whole(path: Path, record: dict[str, Any], shape: tuple[int, int]) -> Plane:
    """Return a result put back onto the reference's grid; 0 outside the crop."""
    box, out = record["crop"], np.zeros(shape)
    out[box["y"] : box["y"] + box["h"], box["x"] : box["x"] + box["w"]] = np.nan_to_num(read(path))
    return out


def factor_of(record: dict[str, Any]) -> float:
    """Return what line counts are multiplied by, from the run's own numbers: g (r / s) / (t - r)."""
    table = record["recipe"]["continuum"]["ha"]
    setup = record["setup"]
    ratio = setup["ha"].get("width_nm", 7.0) / setup["rgb"].get("red_width_nm", 100.0)
    scale, gain = record["continuum"]["ha"]["scale"], record["balance"]["gains"]["red"]
    return float(gain * (ratio / scale) / (table["throughput_ratio"] - ratio))


def compare_plain(folder: Path) -> bool:
    """Print the run's emission over the plain one."""
    out = run(folder, folder / "ha.fits", "result")
    record = json.loads((out / "record.json").read_text())
    broad, line = (read(out / "stages" / f"{name}-flattened.fits") for name in ("rgb", "ha"))
    scale, fwhm = record["continuum"]["ha"]["scale"], record["masters"]["ha"]["fwhm_px"]
    saturation, widths = (
        0.5 * float(np.nanmax(broad)),
        [record["masters"][k]["fwhm_px"] for k in ("ha", "rgb")],
    )
    regions = plain_regions(equal_width(broad, *widths), line, scale, fwhm, saturation)
    unequal = plain_regions(broad, line, scale, fwhm, saturation)
    factor = factor_of(record)
    emission, weight = (
        whole(out / f"{name}.fits", record, broad.shape) for name in ("emission", "emission-weight")
    )
    through = emission * weight / factor
    ratio = sums(through, regions.xy, RADIUS_FWHM * fwhm)
    strong = regions.significance >= 10.0
    told = {"stars": record["continuum"]["ha"]["stars"], "error": record["continuum"]["ha"]["error"] / scale}
    print(f"scale {scale:.4f} +- {100 * told['error']:.1f} % from {told['stars']} stars")
    print(f"{len(ratio)} H II regions beyond 6 sigma by plain arithmetic")
    passed = True
    for label, chosen, low, high in (
        ("above 10 sigma", strong, *BRIGHT_BAR),
        ("6 to 10 sigma ", ~strong, FAINT_BAR, np.inf),
    ):
        value = float(ratio[chosen].sum() / regions.flux[chosen].sum())
        middle = float(np.median(ratio[chosen] / regions.flux[chosen]))
        passed &= low <= value <= high
        print(
            f"emission x weight over plain, {label}: {value:.3f} (median {middle:.3f}, {int(chosen.sum())} regions)"
        )
    bright = unequal.significance >= 10.0
    value = float(sums(through, unequal.xy, RADIUS_FWHM * fwhm)[bright].sum() / unequal.flux[bright].sum())
    print(f"  the same over a plain subtraction with unequal star widths: {value:.3f}")
    kept = np.where(regions.usable, through, 0.0)
    outside, beyond = (float(kept[~inside].sum() / kept[inside].sum()) for inside in regions.outlines)
    passed &= abs(outside) <= MOST_OUTSIDE
    print(f"signed light outside the galaxy's D25 by that inside: {100 * outside:.2f} %")
    print(f"  outside {TIGHT:g} radii of its bright disc, where outer arms lie: {100 * beyond:.2f} %")
    star_residuals(folder, broad, regions, through, scale, fwhm)
    ring_test(broad, np.nan_to_num(emission) / factor, regions, scale, fwhm)
    return passed


def ring_test(broad: Plane, light: Plane, regions: Regions, scale: float, fwhm: float) -> None:
    """Print what the emission holds in rings around the 50 brightest stars, by a star's own light in the line."""
    smooth = ndimage.gaussian_filter(np.nan_to_num(broad), LOOK_PX)
    found = find_peaks(smooth, 20.0 * mad(smooth), box_size=15, mask=~(regions.usable & ~regions.outlines[1]))
    brightest = np.argsort(-np.asarray(found["peak_value"]))[:50]
    xy = np.column_stack([found["x_peak"], found["y_peak"]]).astype(float)[brightest]
    flux = scale * sums(broad, xy, RADIUS_FWHM * fwhm)
    edges = np.array([0.0, 1.5, 3.0, 5.0, 8.0, 12.0, 18.0, 27.0, 40.0, 60.0])
    words = []
    for low, high in pairwise(edges):
        area = np.pi * (high**2 - low**2)
        own = sums(light, xy, high) - (sums(light, xy, low) if low > 0 else 0.0)
        share = own / area / flux
        error = 1.25 * mad(share) / np.sqrt(len(share))
        words.append(f"{low:g}-{high:g} px {1e6 * np.median(share):+.1f} +- {1e6 * error:.1f}")
    print(
        f"rings around the {len(xy)} brightest stars, residual of a pixel in millionths of the star's light (median):"
    )
    print("  " + "; ".join(words))


def star_residuals(
    folder: Path, broad: Plane, regions: Regions, through: Plane, scale: float, fwhm: float
) -> None:
    """Print what is left of field stars, by their own light."""
    smooth = ndimage.gaussian_filter(np.nan_to_num(broad), LOOK_PX)
    found = find_peaks(smooth, 40.0 * mad(smooth), box_size=15, mask=~(regions.usable & ~regions.outlines[0]))
    xy = np.column_stack([found["x_peak"], found["y_peak"]]).astype(float)
    own = scale * sums(np.nan_to_num(broad), xy, RADIUS_FWHM * fwhm)
    for label, plane in (("plain subtraction", regions.excess), ("let through", through)):
        left = np.abs(sums(plane, xy, RADIUS_FWHM * fwhm) / own)
        print(
            f"stars, {label}: residual over flux, median {100 * np.median(left):.2f} %, "
            f"95 % {100 * np.quantile(left, 0.95):.2f} % ({len(xy)} stars)"
        )


def colour_as_line(folder: Path) -> bool:
    """Print how much of the frame passes where the line master is R itself, scaled, with noise of its own."""
    with fits.open(folder / "r.fits") as opened:
        data, header = np.asarray(opened[0].data, dtype=np.float64), opened[0].header
    noise = mad(np.diff(data, axis=-1)) / np.sqrt(2.0)
    fake = 0.25 * data + np.random.default_rng(1).normal(0.0, noise, data.shape)
    fits.PrimaryHDU(fake.astype(np.float32), header).writeto(folder / "r-as-line.fits", overwrite=True)
    out = run(folder, folder / "r-as-line.fits", "r-as-line")
    through = read(out / "emission.fits") * read(out / "emission-weight.fits")
    share = float(np.mean(np.nan_to_num(through) != 0.0))
    print(f"R as a line master: light passes in {100 * share:.3f} % of the pixels")
    return share <= 0.005


def h_beta(folder: Path) -> bool:
    """Print whether the brightest regions shine in H-beta, and how surely that is no chance of position."""
    record = json.loads((folder / "result" / "record.json").read_text())
    broad, line = (read(folder / "result" / "stages" / f"{name}-flattened.fits") for name in ("rgb", "ha"))
    scale, fwhm = record["continuum"]["ha"]["scale"], record["masters"]["ha"]["fwhm_px"]
    regions = plain_regions(broad, line, scale, fwhm, 0.5 * float(np.nanmax(broad)))
    parts = []
    for number in (1, 2):
        out = run(
            folder,
            folder / f"hb-{number}.fits",
            f"hb-{number}-result",
            "--set",
            "continuum.ha.line_in_band=false",
        )
        own = json.loads((out / "record.json").read_text())
        blue = read(out / "stages" / "ha-flattened.fits") - own["continuum"]["ha"]["scale"] * broad
        blue = np.nan_to_num(blue)
        parts.append(blue - ndimage.median_filter(blue, MEDIAN_PX, mode="nearest"))
    excess = np.mean(parts, axis=0)
    radius = RADIUS_FWHM * fwhm
    flux = sums(excess, regions.xy, radius)
    centre, _ = ellipses(np.nan_to_num(broad))
    rng = np.random.default_rng(3)
    turned = [
        sums(excess, rotated(regions.xy, centre, rng.uniform(20.0, 340.0)), radius) for _ in range(1000)
    ]
    noise = mad(np.concatenate(turned))
    brightest = np.argsort(-regions.flux)[:20]
    sure = int(np.count_nonzero(flux[brightest] > 3.0 * noise))
    own = float(np.corrcoef(regions.flux, flux)[0, 1])
    chance = np.array([np.corrcoef(regions.flux, values)[0, 1] for values in turned])
    above = (own - chance.mean()) / chance.std()
    print(f"H-beta: {sure} of the 20 brightest beyond 3 sigma")
    print(f"  correlation {own:.2f}, {above:.1f} sigma above that of 1,000 turned sets of places")
    return sure >= 15 and above >= 3.0


def rotated(xy: Points, centre: Points, degrees: float) -> Points:
    """Return places turned about a centre."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return (xy - centre) @ np.array([[c, s], [-s, c]]) + centre


if __name__ == "__main__":
    raise SystemExit(main())
