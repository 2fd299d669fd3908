"""How often a stretched master is caught, and a linear one accused: shares with their 95 % limits.

    python benchmarks/accuracy/linearity.py [--quick] [--only stretched] [--masters 40] [--seed 1000]

Masters are invented nights (`simulate_night`, the options of tests/wrong_cases/sound.py) and star fields drawn here:
undersampled, elongated, width varying over the field, seeing that changes from frame to frame under a clip, shared
noise, noise that falls where more frames overlap, few frames, flats left undivided. Each is written as 16 bits would
hold it, after every curve. A curve counts on masters with 50 or more unsaturated stars of 20 times their noise; what
becomes of the others is told beside. Limits are Clopper and Pearson's (1934, Biometrika 26, 404; by scipy).
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.stats import binomtest

sys.path.insert(0, str(Path(__file__).parents[2] / "tests"))

from wrong_cases.sound import sound_options

from blend.science.quality import Verdict, judge
from blend.science.simulate import SceneOptions, simulate_night
from blend.science.starcurve import CLEAR
from blend.science.stars import find_stars

Array = NDArray[np.float32]
ENOUGH = 50


def _power(exponent: float) -> Callable[[Array], Array]:
    return lambda x: x**exponent


def _asinh(strength: float) -> Callable[[Array], Array]:
    return lambda x: np.arcsinh(strength * x) / np.arcsinh(strength)


def _midtones(at: float) -> Callable[[Array], Array]:
    # the hyperbola through (0, 0), (at, 0.5) and (1, 1)
    return lambda x: (at - 1.0) * x / ((2.0 * at - 1.0) * x - at)


def _contrast(x: Array) -> Array:
    return x * x * (3.0 - 2.0 * x)


CURVES: dict[str, Callable[[Array], Array]] = {
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
        light += np.minimum(one, 1.0) / len(widths)
    noise = rng.standard_normal(light.shape)
    if kind == "shared":
        noise = gaussian_filter(noise, 0.8)
        noise /= noise.std()
    spread = np.sqrt((light * 50_000.0 + 25.0) / frames) / 50_000.0
    if kind == "overlap":
        spread *= np.where(np.abs(x / columns - 0.5) < 0.25, 0.5, 1.0)
    return np.minimum(light + noise * spread, 1.0).astype(np.float32)[None], kind


def _add_star(frame: Array, cx: float, cy: float, flux: float, fwhm: float, axes: float) -> None:
    # a Moffat profile of exponent 3, as the pixels show it
    reach = int(min(8.0 * fwhm, 3.0 * fwhm * (1.0 + flux**0.25)))
    left, top = max(0, int(cx) - reach), max(0, int(cy) - reach)
    y, x = np.mgrid[top : int(cy) + reach + 1, left : int(cx) + reach + 1]
    part = frame[top : int(cy) + reach + 1, left : int(cx) + reach + 1]
    y, x = y[: part.shape[0], : part.shape[1]], x[: part.shape[0], : part.shape[1]]
    core = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / 3.0) - 1.0)
    part += flux * 2.0 / (np.pi * core) * (1.0 + ((x - cx) ** 2 / axes + (y - cy) ** 2 * axes) / core) ** -3.0


def night(seed: int) -> tuple[Array, str]:
    """Draw the colour master of a varied night, and name what it is."""
    options: dict[str, Any] = sound_options(seed) | {"seed": seed, "noise_seed": seed + 7}
    options |= {"rows": min(600, options["rows"]), "columns": min(900, options["columns"])}
    if seed % 6 == 5:
        options["kind"] = "cluster"
    options |= {"correlated_noise": seed % 4 == 1, "bloated_blue": seed % 8 == 3}
    options |= {"rgb_frames": 5 if seed % 9 == 7 else 60}
    drawn = simulate_night(SceneOptions(**options)).rgb.light
    return drawn, f"night, {options['kind']}"


def as_file(pixels: Array, curve: Callable[[Array], Array] | None = None) -> Array:
    """Return what a 16-bit file holds of a master, taken through a curve; NaN stays."""
    values = np.clip(pixels, 0.0, 1.0)
    if curve is not None:
        values = np.clip(curve(np.nan_to_num(values)), 0.0, 1.0)
    whole = np.rint(values * 65535.0) / 65535.0
    return np.where(np.isfinite(pixels), whole, np.nan).astype(np.float32)


def told(pixels: Array) -> tuple[str, Verdict]:
    """Return stop, warn, linear or cannot tell."""
    planes = ("red", "green", "blue") if len(pixels) == 3 else ("ha",)
    verdict = judge(pixels, planes)
    if not verdict.linear:
        return "stop", verdict
    assert verdict.linearity is not None
    warned = verdict.find("perhaps-stretched") is not None
    return ("warn" if warned else verdict.linearity.outcome), verdict


def clear_stars(pixels: Array) -> int:
    """Return how many unsaturated stars stand out 20 times from their noise, in the plane that has most."""
    most = 0
    for plane in pixels:
        stars = find_stars(plane, saturation=0.98 * float(np.nanmax(plane)))
        most = max(most, int((~stars.saturated & (stars.flux > CLEAR * stars.flux_error)).sum()))
    return most


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


def stretched(count: int, first: int) -> None:
    """Print, curve by curve, how many stretched masters are stopped, warned of or left."""
    drawn = [(pixels, clear_stars(as_file(pixels))) for pixels, _ in masters(count, first, nights=count // 2)]
    enough = [pixels for pixels, stars in drawn if stars >= ENOUGH]
    fewer = [pixels for pixels, stars in drawn if stars < ENOUGH]
    print(f"\n{len(enough)} masters of {ENOUGH} or more clear stars, and {len(fewer)} of fewer")
    print(
        f"  {'curve':<24} {'stopped':<26} {'stopped or warned':<26} called linear; fewer stars: stopped, linear"
    )
    for name, curve in CURVES.items():
        many = Counter(told(as_file(pixels, curve))[0] for pixels in enough)
        few = Counter(told(as_file(pixels, curve))[0] for pixels in fewer)
        print(
            f"  {name:<24} {share(many['stop'], len(enough)):<26} {share(many['stop'] + many['warn'], len(enough)):<26}"
            f" {many['linear']}; {few['stop']} of {len(fewer)}, {few['linear']}",
            flush=True,
        )


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="a tenth of the masters")
    parser.add_argument(
        "--seed", type=int, default=1000, help="first seed; below 1000 the tests were developed"
    )
    parser.add_argument("--only", choices=("stretched", "sound"), help="one of the two tables")
    parser.add_argument("--masters", type=int, default=40, help="how many are stretched by every curve")
    options = parser.parse_args()
    start = time.perf_counter()
    if options.only != "sound":
        stretched(8 if options.quick else options.masters, options.seed)
    if options.only != "stretched":
        sound(30 if options.quick else 300, options.seed + 500)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
