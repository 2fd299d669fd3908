"""How well the sky beside a large disc is known: its bias over its stated error, and the light the disc loses.

Run ``python benchmarks/accuracy/discs.py [--seeds N] [--first N] [--full] [--real] [--only WORDS]``. Seeds 0 to 4
served the choice of the method; figures to quote come from 5 on, as if nothing is said. Discs of 20 to 120 % of the
frame's height (diameter of four scale lengths) of five profiles, some without an end, on a tilted sky with
noise (900 x 1350, ``--full``: 4000 x 6000) or, ``--real``, on frames of a real night and of a survey; there the truth
is what the same fit makes of the frame without the disc.

Columns: loss = of the disc's light between two and four scale lengths (or the disc's own end, and inside the frame),
in %; bias = fitted minus true sky, root mean square over the frame, in sigma of a pixel; stated = the same that the
stated covariance expects; z = (fitted - true) of the disc's loss over its stated error.
"""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.science.sky.blocks import chebyshev_terms, unit_coordinates
from blend.science.sky.fit import SkyFit, lattice, sky_uncertainty
from blend.science.sky.gradient import fit_sky
from blend.science.sky.objects import object_mask

FILLS = (0.2, 0.4, 0.6, 0.8, 1.0, 1.2)
PROFILES = ("endless", "ended", "broken", "upturned", "sersic 1.5")
SMALL, FULL = (900, 1350), (4000, 6000)
BIAS = 671.0
"""Counts of the night's camera without light."""
Array = NDArray[np.float32]


@dataclass(frozen=True)
class Disc:
    """What is drawn: profile, diameter of four scale lengths over the frame's height, seed."""

    profile: str
    fill: float
    seed: int


@dataclass(frozen=True)
class Outcome:
    """What became of one disc: loss and its stated error in %, errors of the sky in sigma of a pixel."""

    loss: float
    loss_error: float
    bias: float
    stated: float
    level_z: float
    degree: int


def profile_of(name: str, radius: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the light of a disc at radii in scale lengths; 1 in the middle of an exponential one."""
    light = np.exp(-radius)
    if name == "ended":
        return light * np.clip((4.3 - radius) / 0.6, 0.0, 1.0)
    if name == "broken":
        return np.where(radius < 2.5, light, np.exp(-2.5 - 2.0 * (radius - 2.5)))
    if name == "upturned":
        return np.where(radius < 2.5, light, np.exp(-2.5 - 0.6 * (radius - 2.5)))
    if name == "sersic 1.5":
        return np.exp(-2.4 * (radius / 1.6) ** (1 / 1.5) + 0.3)
    return light


def draw_disc(disc: Disc, shape: tuple[int, int], sigma: float) -> tuple[Array, NDArray[np.bool_]]:
    """Return the disc's light and where its outer part is; with arms, a bulge and an inclination by the seed."""
    rng = np.random.default_rng([disc.seed, round(100 * disc.fill)])
    rows, columns = shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    x -= columns * (0.5 + rng.uniform(-0.08, 0.08))
    y -= rows * (0.5 + rng.uniform(-0.08, 0.08))
    turn, ratio, swing = rng.uniform(0.0, np.pi), rng.uniform(0.4, 1.0), rng.uniform(0.0, 0.35)
    length = disc.fill * rows / 8.0
    along, across = x * np.cos(turn) + y * np.sin(turn), (y * np.cos(turn) - x * np.sin(turn)) / ratio
    radius, angle = np.hypot(along, across) / length, np.arctan2(across, along)
    arms = 1.0 + swing * np.cos(2.0 * angle - 3.0 * np.log(radius + 0.2)) * np.exp(
        -((radius - 2.0) ** 2) / 2.0
    )
    peak = sigma * np.exp(rng.uniform(np.log(20.0), np.log(100.0)))
    light = peak * (profile_of(disc.profile, radius) * arms + 3.0 * np.exp(-6.0 * radius))
    end = 4.0
    return light.astype(np.float32), (radius > 2.0) & (radius < end)


def plain_sky(seed: int, shape: tuple[int, int]) -> tuple[Array, float]:
    """Return a tilted sky without noise, and the noise of a pixel."""
    rng = np.random.default_rng([seed, 77])
    u, v = np.linspace(-1, 1, shape[1])[None, :], np.linspace(-1, 1, shape[0])[:, None]
    tilt = rng.uniform(-0.004, 0.004, 2)
    return np.asarray(0.1 + tilt[0] * u + tilt[1] * v, dtype=np.float32), 0.002


def real_skies() -> Iterator[tuple[str, Array]]:
    """Give two stacks of a night's cluster frames (no flat for the far corners) and three bands of a survey."""
    from blend.files.reader import read_picture

    folder = Path(os.environ.get("BLEND_REAL_FRAMES", Path(__file__).parents[3] / "shared" / "data"))
    night = folder / "night"
    flat = np.median([read_picture(p).pixels[0] for p in sorted(night.glob("flat-r-*"))], axis=0) - BIAS
    flat = flat / np.median(flat)
    frames = [read_picture(p).pixels[0] - BIAS for p in sorted(night.glob("cluster-r-*"))]
    for name, some in (("cluster 1-4", frames[:4]), ("cluster 5-8", frames[4:])):
        yield (
            name,
            np.ascontiguousarray(np.median([f / flat for f in some], axis=0)[8:-8, 8:-8], dtype=np.float32),
        )
    for band in "gri":
        yield (
            f"sdss {band}",
            np.ascontiguousarray(read_picture(folder / "sdss" / f"sdss-{band}.fits").pixels[0]),
        )


def judge(fit: SkyFit, truth: Array, light: Array, outer: NDArray[np.bool_], noise: float) -> Outcome:
    """Compare a fitted sky with the true one."""
    off = fit.model().astype(np.float64) - truth
    whole = float(light[outer].sum(dtype=np.float64))
    y, x = (each[:: max(1, outer.sum() // 200_000)] for each in np.nonzero(outer))
    terms = chebyshev_terms(*unit_coordinates(np.stack([x, y], axis=1), fit.shape), degree=fit.degree)
    pull = terms.mean(axis=0) * np.count_nonzero(outer) / whole
    spread = chebyshev_terms(*unit_coordinates(lattice(fit.shape), fit.shape), degree=fit.degree).mean(axis=0)
    return Outcome(
        100.0 * float(off[outer].sum()) / whole,
        100.0 * float(np.sqrt(pull @ fit.stated @ pull)),
        float(np.sqrt(np.mean(off**2))) / noise,
        sky_uncertainty(fit) / noise,
        float(off.mean() / np.sqrt(spread @ fit.stated @ spread)),
        fit.degree,
    )


def outcomes(arguments: argparse.Namespace) -> Iterator[tuple[str, Disc, Outcome]]:
    """Draw, fit and judge all discs."""
    skies = list(real_skies()) if arguments.real else []
    for profile in PROFILES:
        for fill in FILLS:
            for seed in range(arguments.first, arguments.first + arguments.seeds):
                disc = Disc(profile, fill, seed)
                if not f"{profile} {fill}".startswith(tuple(arguments.only.split(","))):
                    continue
                if skies:
                    name, plane = skies[seed % len(skies)]
                    noise = difference_noise(plane)
                    truth = fit_sky(plane, masked=object_mask(plane[None])).model()
                else:
                    shape = FULL if arguments.full else SMALL
                    name, (truth, noise) = "plain", plain_sky(seed, shape)
                    # Its own for each disc: thirty that share one are no thirty trials of a stated error.
                    rng = np.random.default_rng([seed, round(100 * fill), PROFILES.index(profile)])
                    plane = truth + noise * rng.standard_normal(shape, dtype=np.float32)
                light, outer = draw_disc(disc, (plane.shape[0], plane.shape[1]), noise)
                plane = plane + light
                fit = fit_sky(plane, masked=object_mask(plane[None]))
                yield name, disc, judge(fit, truth, light, outer, noise)


def main() -> None:
    """Print all discs and how often stated errors hold."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first", type=int, default=5)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--real", action="store_true")
    parser.add_argument("--only", default="")
    arguments = parser.parse_args()
    done = []
    for name, disc, found in outcomes(arguments):
        done.append((disc, found))
        print(
            f"{name:12s} {disc.profile:10s} {disc.fill:.1f} seed {disc.seed:2d} deg {found.degree}  "
            f"loss {found.loss:7.2f} +- {found.loss_error:5.2f} %  bias {found.bias:6.3f} stated {found.stated:6.3f}  "
            f"z {found.loss / found.loss_error:6.1f} level z {found.level_z:6.1f}",
            flush=True,
        )
    groups = {f"fill {fill}": [o for d, o in done if d.fill == fill] for fill in FILLS}
    groups |= {profile: [o for d, o in done if d.profile == profile] for profile in PROFILES}
    groups["all"] = [o for _, o in done]
    for label, found in groups.items():
        if found:
            print(f"{label:12s} {summary(found)}")


def summary(found: list[Outcome]) -> str:
    """Return coverage and losses of a group."""
    pulls = np.abs([o.loss / o.loss_error for o in found])
    margin = [100.0 * np.sqrt(p * (1 - p) / len(found)) for p in (0.68, 0.95)]
    loss, bias = np.abs([o.loss for o in found]), np.array([o.bias for o in found])
    return (
        f"{len(found):3d} discs: within 1 {100 * (pulls < 1).mean():5.1f} % (68 +- {margin[0]:.0f}), "
        f"within 2 {100 * (pulls < 2).mean():5.1f} % (95 +- {margin[1]:.0f}); |loss| median {np.median(loss):.2f} % "
        f"worst {loss.max():.2f} %; bias median {np.median(bias):.3f} worst {bias.max():.3f}; "
        f"stated median {np.median([o.stated for o in found]):.3f}"
    )


if __name__ == "__main__":
    main()
