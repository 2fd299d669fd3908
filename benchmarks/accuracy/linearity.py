"""How often a stretched master is caught, and a linear one accused: shares with their 95 % limits.

    python benchmarks/accuracy/linearity.py [--quick] [--only stretched] [--masters 32] [--seed 3000]

Masters are invented nights (`simulate_night`, the options of tests/wrong_cases/sound.py) and star fields drawn here:
undersampled, elongated, width varying over the field, seeing that changes from frame to frame under a clip, shared
noise, noise that falls where more frames overlap, few frames, flats left undivided, a galaxy's regions of gas that are
the wider the brighter they are (Terlevich & Melnick 1981, MNRAS 195, 839, from memory). Each is written as 16 bits
would hold it, after every curve. A curve counts on masters with 50 or more unsaturated stars of 10 times their noise in
the linear master; beside stands what becomes of those where the noise of the pixels lets the curve be told at all.
Limits are Clopper and Pearson's (1934, Biometrika 26, 404; by scipy).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))

from wrong_cases.sound import sound_options

from blend.science.plane.measures import sample_pixels, sky_mode, sky_spread
from blend.science.sensor.quality import Verdict, judge
from blend.science.sensor.star_curve import BRIGHTER_FATTER, CEILING
from blend.science.simulated.night import SceneOptions, simulate_night
from blend.science.stars.stars import FWHM_PER_SIGMA, Stars, find_stars, typical_fwhm

Array = NDArray[np.float32]
Curve = Callable[[NDArray[Any]], NDArray[Any]]
ENOUGH, CLEAR, TELLING = 50, 10.0, 4.0
"""Unsaturated stars of so many sigma in the linear master, and sigmas from which a curve should be caught."""

FLOOR = 0.01
"""Scatter of a ring's light from star to star that is not noise."""


def _power(exponent: float) -> Curve:
    return lambda x: x**exponent


def _asinh(strength: float) -> Curve:
    return lambda x: np.arcsinh(strength * x) / np.arcsinh(strength)


def _midtones(at: float) -> Curve:
    # the hyperbola through (0, 0), (at, 0.5) and (1, 1)
    return lambda x: (at - 1.0) * x / ((2.0 * at - 1.0) * x - at)


def _contrast(x: Array) -> Array:
    return x * x * (3.0 - 2.0 * x)


CURVES: dict[str, Curve] = {
    "power 0.35": _power(0.35),
    "power 1/2.2": _power(1 / 2.2),
    "power 0.5": _power(0.5),
    "power 0.6": _power(0.6),
    "power 0.75": _power(0.75),
    "asinh, strength 10": _asinh(10.0),
    "asinh, strength 50": _asinh(50.0),
    "asinh, strength 300": _asinh(300.0),
    "midtones 0.25 to 0.5": _midtones(0.25),
    "midtones 0.1 to 0.5": _midtones(0.1),
    "logarithm of 1 + 100 x": lambda x: np.log1p(100.0 * x) / np.log(101.0),
    "1/2.2, then an S": lambda x: _contrast(x ** (1 / 2.2)),
    "1/2.2, then smoothed": lambda x: gaussian_filter(x ** (1 / 2.2), 1.0),
}


def drawn_field(seed: int) -> tuple[Array, str]:
    """Draw one plane of stars by their sampled profiles: (1, rows, columns), and what is odd about it."""
    rng = np.random.default_rng([4711, seed])
    rows, columns = int(rng.integers(400, 601)), int(rng.integers(600, 901))
    odd = (
        "plain",
        "undersampled",
        "long",
        "bent",
        "seeing",
        "shared",
        "overlap",
        "few frames",
        "no flat",
        "low sky",
        "regions",
    )
    kind = odd[seed % len(odd)]
    fwhm = rng.uniform(1.6, 2.0) if kind == "undersampled" else rng.uniform(2.2, 4.5)
    sky = float(rng.uniform(0.01, 0.04) if kind == "low sky" else rng.uniform(0.03, 0.25))
    count = int(rng.integers(150, 500))
    flux = np.minimum(0.05 * rng.uniform(0.0, 1.0, count) ** (-1.0 / 0.9), 60.0)
    xy = rng.uniform(-5, 5, (count, 2)) + rng.uniform(0.0, 1.0, (count, 2)) * (columns, rows)
    widths = (1.0,)
    if kind == "seeing":
        widths = (0.8, 0.9, 1.0, 1.15, 1.3)
    frames = int(rng.integers(4, 9) if kind == "few frames" else rng.integers(20, 120))
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    slope = 1.0 + 0.1 * (x / columns - 0.5)
    light = np.zeros((rows, columns))
    for width in widths:
        one = sky * slope
        for (cx, cy), f in zip(xy, flux, strict=True):
            outward = ((2 * cx / columns - 1) ** 2 + (2 * cy / rows - 1) ** 2) / 2
            bend = 1.0 + 0.25 * outward if kind == "bent" else 1.0
            _add_star(one, cx, cy, float(f), fwhm * width * bend, 1.25 if kind == "long" else 1.0)
        if kind == "no flat":
            one *= 1.0 - 0.3 * (((x / columns - 0.5) * 2) ** 2 + ((y / rows - 0.5) * 2) ** 2) / 2
        if kind == "regions":
            _add_galaxy(one, rng, sky, fwhm)
        light += np.minimum(one, 1.0) / len(widths)
    noise = rng.standard_normal(light.shape)
    if kind == "shared":
        noise = gaussian_filter(noise, 0.8)
        noise /= noise.std()
    spread = np.sqrt((light * 50_000.0 + 25.0) / frames) / 50_000.0
    if kind == "overlap":
        spread *= np.where(np.abs(x / columns - 0.5) < 0.25, 0.5, 1.0)
    return np.minimum(light + noise * spread, 1.0).astype(np.float32)[None], kind


def _add_galaxy(frame: Array, rng: np.random.Generator, sky: float, fwhm: float) -> None:
    # a disc and its regions of gas, width by the 0.4th power of their light
    rows, columns = frame.shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    cx, cy = columns * rng.uniform(0.4, 0.6), rows * rng.uniform(0.4, 0.6)
    scale, axes = rows * rng.uniform(0.06, 0.14), rng.uniform(0.4, 0.9)
    frame += sky * rng.uniform(0.1, 0.8) * np.exp(-np.hypot(x - cx, (y - cy) / axes) / scale)
    for _ in range(int(rng.integers(40, 150))):
        away, turn = scale * rng.gamma(2.5, 0.8), rng.uniform(0.0, 2.0 * np.pi)
        flux = 0.1 * min(rng.pareto(1.0) + 1.0, 60.0)
        wide = fwhm * np.hypot(1.0, rng.uniform(0.3, 1.0) * (flux / 2.0) ** 0.4)
        at_x, at_y = cx + away * np.cos(turn), cy + away * np.sin(turn) * axes
        if 0 <= at_x < columns and 0 <= at_y < rows:
            _add_star(frame, at_x, at_y, flux, wide, 1.0)


def _add_star(frame: Array, cx: float, cy: float, flux: float, fwhm: float, axes: float) -> None:
    # a Moffat profile of exponent 3, as the pixels show it
    reach = int(min(8.0 * fwhm, 3.0 * fwhm * (1.0 + flux**0.25)))
    left, top = max(0, int(cx) - reach), max(0, int(cy) - reach)
    y, x = np.mgrid[top : int(cy) + reach + 1, left : int(cx) + reach + 1]
    part = frame[top : int(cy) + reach + 1, left : int(cx) + reach + 1]
    y, x = y[: part.shape[0], : part.shape[1]], x[: part.shape[0], : part.shape[1]]
    core = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / 3.0) - 1.0)
    part += flux * 2.0 / (np.pi * core) * (1.0 + ((x - cx) ** 2 / axes + (y - cy) ** 2 * axes) / core) ** -3.0


def night(seed: int, *, line: bool = False) -> tuple[Array, str]:
    """Draw the colour master, or that of the line, of a varied night, and name what it is."""
    options: dict[str, Any] = sound_options(seed) | {"seed": seed, "noise_seed": seed + 7}
    options |= {"rows": min(600, options["rows"]), "columns": min(900, options["columns"])}
    if seed % 6 == 5:
        options["kind"] = "cluster"
    options |= {"correlated_noise": seed % 4 == 1, "bloated_blue": seed % 8 == 3}
    options |= {"rgb_frames": 5 if seed % 9 == 7 else 60}
    drawn = simulate_night(SceneOptions(**options))
    return (drawn.ha if line else drawn.rgb).light, f"night, {options['kind']}{', line' if line else ''}"


def as_file(pixels: Array, curve: Curve | None = None, *, bits: int = 16) -> Array:
    """Return what a file of so many bits holds of a master, taken through a curve; NaN stays."""
    values = np.clip(pixels, 0.0, 1.0)
    if curve is not None:
        values = np.clip(curve(np.nan_to_num(values)), 0.0, 1.0)
    top = 2.0**bits - 1.0
    return np.where(np.isfinite(pixels), np.rint(values * top) / top, np.nan).astype(np.float32)


def told(pixels: Array, *, bits: int = 16) -> tuple[str, Verdict]:
    """Return stop, warn, linear or cannot tell."""
    planes = ("red", "green", "blue") if len(pixels) == 3 else ("ha",)
    verdict = judge(pixels, planes, bits=bits)
    if not verdict.linear:
        return "stop", verdict
    assert verdict.linearity is not None
    warned = verdict.find("perhaps-stretched") is not None
    return ("warn" if warned else verdict.linearity.outcome), verdict


@dataclass(frozen=True)
class Master:
    """A linear master, what its planes offer, and what it is."""

    pixels: Array
    name: str
    planes: list[tuple[Stars, float, float]]
    """Unsaturated stars above `CLEAR` sigma, sky and its noise."""

    @property
    def stars(self) -> int:
        """Stars in the plane that has most."""
        return max(len(stars) for stars, _, _ in self.planes)


def measured(pixels: Array, name: str) -> Master:
    """Find the stars of a linear master."""
    planes = []
    for plane in as_file(pixels):
        stars = find_stars(plane, saturation=0.98 * float(np.nanmax(plane)))
        sample = sample_pixels(plane)
        sky = sky_mode(sample)
        clear = np.flatnonzero(~stars.saturated & (stars.flux > CLEAR * stars.flux_error))
        planes.append((stars.select(clear), sky, sky_spread(sample, sky)))
    return Master(pixels, name, planes)


def possible_sigmas(master: Master, curve: Curve) -> float:
    """Return by how many sigma the noise of the pixels lets a curve be told from a straight line: a Cramer-Rao bound.

    Every star has its own brightness, all share a profile of unknown shape, a sensor may widen full ones by
    `BRIGHTER_FATTER`, and what lies above `CEILING` in the stretched file is not used, as in the judge. Rings of
    one pixel to three FWHM; each scatters by `FLOOR` of its light beside noise, since seeing is nowhere the same.
    The power that a curve is next to is its slope in logarithms at the sky. Derived here.
    """
    held = 0.0
    for stars, sky, noise in master.planes:
        if len(stars) < 3 or not sky > 0.0:
            continue
        fwhm = typical_fwhm(stars)
        radius = np.arange(0.5, 3.0 * fwhm)
        profile = (1.0 + (2.0 ** (1 / 3) - 1.0) * (2.0 * radius / fwhm) ** 2) ** -3.0
        over = stars.peak[:, None] * profile
        light = sky + over
        lifted, level = curve(light), curve(np.array([sky]))[0]
        error = noise * np.sqrt(light / sky / (2.0 * np.pi * radius)) / over
        weight = np.where(lifted < level + CEILING * (1.0 - level), 1.0 / (error**2 + FLOOR**2), 0.0)
        signal = (light * np.log(light) - sky * np.log(sky)) / over
        fatter = BRIGHTER_FATTER * (radius / fwhm * FWHM_PER_SIGMA) ** 2 * stars.peak[:, None]
        rings = [np.broadcast_to(ring, over.shape) for ring in np.eye(radius.size)[1:]]
        terms = np.stack([*rings, fatter, signal], axis=-1)
        mean = np.einsum("nk,nka->na", weight, terms) / np.maximum(weight.sum(axis=1), 1e-300)[:, None]
        terms = terms - mean[:, None]
        normal = np.einsum("nk,nka,nkb->ab", weight, terms, terms)
        normal[-2, -2] += 1.0
        rest = normal[:-1, :-1] + 1e-9 * np.trace(normal) * np.eye(len(normal) - 1)
        held += float(normal[-1, -1] - normal[-1, :-1] @ np.linalg.solve(rest, normal[:-1, -1]))
    sky = float(np.median([sky for _, sky, _ in master.planes]))
    around = np.array([sky, 1.02 * sky])
    power = float(np.diff(np.log(curve(around)))[0] / np.log(1.02))
    return float(np.sqrt(max(held, 0.0)) * np.log(1.0 / power)) if power > 0.0 else 0.0


def masters(count: int, first: int, *, nights: int) -> Iterator[tuple[Array, str]]:
    """Yield so many masters, ``nights`` of them invented nights."""
    for number in range(count):
        yield night(first + number) if number < nights else drawn_field(first + number)


def share(hits: int, of: int) -> str:
    """Return a share with its limits, in %."""
    if of == 0:
        return "none"
    low, high = binomtest(hits, of).proportion_ci(0.95, method="exact")
    return f"{100 * hits / of:5.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def sound(count: int, first: int) -> None:
    """Print how many linear masters are stopped or warned of."""
    outcomes: Counter[str] = Counter()
    for pixels, name in masters(count, first, nights=count // 3):
        outcome, verdict = told(as_file(pixels))
        outcomes[outcome] += 1
        if outcome in ("stop", "warn"):
            print(f"  {outcome}: {name}: {verdict.linearity}")
    print(f"\n{count} linear masters, {count // 3} of them invented nights")
    for outcome in ("stop", "warn", "linear", "cannot tell"):
        print(f"  {outcome:<12} {outcomes[outcome]:4d}  {share(outcomes[outcome], count)}")


def row(name: str, drawn: list[Master], curve: Curve, *, bits: int = 16) -> None:
    """Print what becomes of masters under a curve: all of `ENOUGH` stars, those where it can be told, the others."""
    many, able, few = Counter[str](), Counter[str](), Counter[str]()
    for master in drawn:
        outcome, _ = told(as_file(master.pixels, curve, bits=bits), bits=bits)
        groups = [many] if master.stars >= ENOUGH else [few]
        if master.stars >= ENOUGH and possible_sigmas(master, curve) >= TELLING:
            groups.append(able)
        for group in groups:
            group[outcome] += 1
    cells = []
    for group in (many, able):
        caught = group["stop"] + group["warn"]
        cells += [
            f"{group.total():3d} {share(group['stop'], group.total()):<22} {share(caught, group.total()):<22}"
        ]
    print(
        f"  {name:<23} {cells[0]} {many['linear']:2d} | {cells[1]} | {few['stop']}, {few['linear']} of {few.total()}",
        flush=True,
    )


def stretched(count: int, first: int) -> None:
    """Print, curve by curve, how many stretched masters are stopped, warned of or left."""
    drawn = [measured(*master) for master in masters(count, first, nights=count // 2)]
    lines = [measured(*night(first + number, line=True)) for number in range(count // 2)]
    print(
        f"\n{count} colour masters and star fields, {count // 2} line masters; {ENOUGH} or more unsaturated stars above"
    )
    print(
        f"{CLEAR:g} sigma, and of those the ones where noise lets it be told by {TELLING:g} sigma; number, stopped,"
    )
    print("stopped or warned of, called linear. Fewer stars: stopped, called linear.")
    for name, curve in CURVES.items():
        row(name, drawn, curve)
    row("8 bits of 1/2.2", drawn, _power(1 / 2.2), bits=8)
    row("8 bits of 0.6", drawn, _power(0.6), bits=8)
    row("line alone, 1/2.2", lines, _power(1 / 2.2))
    row("line alone, 0.6", lines, _power(0.6))
    for name in ("power 0.6", "power 0.75"):
        sigmas = [possible_sigmas(master, CURVES[name]) for master in drawn if master.stars >= ENOUGH]
        able = share(sum(value >= 3.0 for value in sigmas), len(sigmas))
        print(f"  {name}: noise allows {np.median(sigmas):.0f} sigma (median), and 3 or more in {able}")


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the masters")
    parser.add_argument(
        "--seed", type=int, default=3000, help="first seed; below 1120 the tests were developed"
    )
    parser.add_argument("--only", choices=("stretched", "sound"), help="one of the two tables")
    parser.add_argument("--masters", type=int, default=32, help="how many are stretched by every curve")
    options = parser.parse_args()
    start = time.perf_counter()
    if options.only != "sound":
        stretched(8 if options.quick else options.masters, options.seed)
    if options.only != "stretched":
        sound(30 if options.quick else 300, options.seed + 500)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
