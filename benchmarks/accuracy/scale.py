"""The continuum scale where hardly anything tells it: few stars, and H II regions as compact as they are.

    python benchmarks/accuracy/scale.py [--seeds 40] [--first 1000] [--only WORDS] [--real]

Every night is drawn, spoilt and taken as far as the continuum step, in memory. H II regions are drawn as points with
continuum of their own, equivalent widths of 3 to 150 nm, as bright as the field's stars. Printed for each kind: how
far the scale is from the truth, by its stated error; the share of nights wrong by more than 10 %, and of those that
also state less than 10 %, both with binomial limits of 95 % (Clopper & Pearson 1934, Biometrika 26, 404); and stops.
With ``--real`` the stars of real frames are thinned out instead, and the truth is what all of them tell. Seeds below
1000 are for development; those of the default serve no choice.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.base.errors import StepError
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.state import Work
from blend.recipe.steps.continuum import subtract_continuum
from blend.science.simulated.drawing import add_sources
from blend.science.simulated.night import Night, SceneOptions, View, line_view, simulate_night
from blend.science.simulated.scene import Sources, spiral_positions

Points = NDArray[np.float64]

WRONG, UNSURE = 0.10, 0.10
"""A scale is wrong beyond the first, and says so by an error above the second."""


@dataclass(frozen=True)
class Kind:
    """One kind of night: how many stars a megapixel, H II regions in a frame, on the arms or anywhere, and more."""

    name: str
    stars_per_mpx: float
    regions: int
    on_arms: bool = True
    options: tuple[tuple[str, Any], ...] = ()
    recipe: str = "galaxy-moonlit"


KINDS = (
    Kind("galaxy, hardly any star, regions", 60.0, 12),
    Kind("galaxy, few stars, regions", 150.0, 12),
    Kind("galaxy, few stars, regions, 3 nm", 150.0, 12, options=(("line_width_nm", 3.0),)),
    Kind("galaxy, few stars, strong diffuse gas", 150.0, 12, options=(("line_scale", 8.0),)),
    Kind("field, few stars, regions anywhere", 60.0, 10, on_arms=False, options=(("kind", "cluster"),)),
    Kind("galaxy, few stars, no region", 150.0, 0),
    Kind("galaxy, many stars, regions", 600.0, 20),
    Kind("nebula, some stars", 300.0, 0, options=(("kind", "nebula"),), recipe="nebula-emission"),
)


@dataclass(frozen=True)
class Answer:
    """Scale over the true one, its stated relative error, stars, and the warnings; NaN where the run stopped."""

    ratio: float
    error: float
    stars: int
    how: str
    words: str = ""

    @property
    def pull(self) -> float:
        return abs(self.ratio - 1.0) / (self.error * self.ratio)


def spoilt_night(kind: Kind, seed: int) -> Night:
    """Return a night with H II regions that look like stars in both masters."""
    options = SceneOptions(
        **{
            "rows": 400,
            "columns": 600,
            "seed": seed,
            "calibrated": True,
            "ha_grid": "same",
            "stars_per_mpx": kind.stars_per_mpx,
            **dict(kind.options),
        }
    )
    night = simulate_night(options)
    if not kind.regions:
        return night
    draw = np.random.default_rng([7, seed])
    xy = _places(night, kind, draw)
    continuum = 0.02 * draw.uniform(0.05, 1.0, len(xy)) ** (-1.0 / 0.75)
    line = continuum * np.exp(draw.uniform(np.log(3.0), np.log(150.0), len(xy))) / options.red_width_nm
    return _with_points(night, xy, continuum, line)


def _places(night: Night, kind: Kind, draw: np.random.Generator) -> Points:
    disc, (rows, columns) = night.truth.disc, night.rgb.light.shape[1:]
    if disc is None or not kind.on_arms:
        return draw.uniform((20.0, 20.0), (columns - 20.0, rows - 20.0), (kind.regions, 2))
    radius = disc.scale_length_px * draw.triangular(0.8, 1.7, 4.4, kind.regions)
    arm = draw.integers(0, 2, kind.regions)
    return spiral_positions(disc, radius, arm, off_arm_rad=draw.normal(0.0, 0.1, kind.regions))


def _with_points(night: Night, xy: Points, continuum: Points, line: Points) -> Night:
    """Return a night with point sources of so much continuum and line light, in counts of the red plane."""
    points, options = Sources(xy, continuum, np.zeros(len(xy)), np.zeros(len(xy))), night.options
    colour = np.array([1.0, 1.25, 1.1])[:, None] * continuum
    colour[0] += line
    rgb = night.rgb.light.copy()
    add_sources(
        rgb, View(rgb.shape[1:], np.eye(3), options.rgb_fwhm_px), points, colour, fwhm_px=options.rgb_fwhm_px
    )
    flux = night.truth.continuum_scale * (
        continuum + line * options.throughput_ratio / night.truth.width_ratio
    )
    ha, view = night.ha.light.copy(), line_view(options)
    add_sources(ha, view, points, flux[None] / view.area, fwhm_px=options.ha_fwhm_px)
    return replace(night, rgb=replace(night.rgb, light=rgb), ha=replace(night.ha, light=ha))


def measured(kind: Kind, seed: int) -> Answer:
    """Return what a run makes of the scale of a spoilt night."""
    night = spoilt_night(kind, seed)
    with tempfile.TemporaryDirectory(prefix="scale-") as name:
        target = open_target(write_night(night, Path(name)))
        recipe = open_recipe(kind.recipe, target=target, settings=["register.transform=none"])
        work = Work(recipe=recipe, target=target, sources=load_sources(target).sources, figures=False)
        return answer_of(lambda: run_all(work, steps=STEPS[:4]), night.truth.continuum_scale)


def answer_of(run: Callable[[], Work], true: float) -> Answer:
    """Return the answer of a run whose scale should be ``true``."""
    try:
        done = run()
    except StepError as fault:
        return Answer(np.nan, np.nan, 0, "stop", str(fault))
    entry = done.recorded["continuum"]["ha"]
    words = " ".join(code for code, _ in done.warnings if "scale" in code or "stars" in code)
    return Answer(entry["scale"] / true, entry["error"] / entry["scale"], entry["stars"], entry["how"], words)


def limits(count: int, of: int) -> tuple[float, float]:
    """Return the binomial limits of 95 % of a share (Clopper & Pearson 1934)."""
    low = 0.0 if count == 0 else float(beta.ppf(0.025, count, of - count + 1))
    return low, 1.0 if count == of else float(beta.ppf(0.975, count + 1, of - count))


def report(name: str, answers: list[Answer], *, each: bool) -> bool:
    """Print what a kind of night came to; return whether no wrong scale goes unsaid more often than one in twenty."""
    given = [one for one in answers if np.isfinite(one.ratio)]
    if each:
        for one in answers:
            print(
                f"    {one.ratio:6.3f} +- {one.error:.3f} pull {one.pull:5.1f} from {one.stars} ({one.how}) {one.words}"
            )
    if not given:
        print(f"{name}: {len(answers)} nights, all stops")
        return True
    off = np.array([abs(one.ratio - 1.0) for one in given])
    pulls = np.array([one.pull for one in given])
    wrong = off > WRONG
    unsaid = wrong & np.array([one.error < UNSURE for one in given])
    print(f"{name}: {len(answers)} nights, {len(answers) - len(given)} stops")
    print(
        f"  error: median {100 * np.median(off):.1f} %, 90 % {100 * np.quantile(off, 0.9):.1f} %; "
        f"by the stated error: rms {np.sqrt(np.mean(pulls**2)):.2f}, 90 % {np.quantile(pulls, 0.9):.2f}"
    )
    for words, count in (("wrong by more than 10 %", wrong), ("of these unsaid", unsaid)):
        low, high = limits(int(count.sum()), len(given))
        print(f"  {words}: {int(count.sum())} of {len(given)} ({100 * low:.0f} to {100 * high:.0f} %)")
    return bool(unsaid.mean() <= 0.05)


def real_answers(seeds: int, first: int) -> Iterator[tuple[str, list[Answer]]]:
    """Yield what thinned-out stars of real frames tell, by what all of them do."""
    import realnight

    night = realnight.real_night()
    if night is None:
        print("no real frames: set BLEND_REAL_FRAMES to their folder")
        return
    with tempfile.TemporaryDirectory(prefix="scale-") as name:
        folder = Path(name)
        realnight.stack_all(night, folder)
        bands = {
            "spiral": (
                *[f"rgb.{plane}={folder / 'r.fits'}" for plane in ("red", "green", "blue")],
                f"ha={folder / 'ha.fits'}",
            ),
            "planetary nebula": (
                *[f"rgb.{plane}={night.parent / 'ou5-cont.fits'}" for plane in ("red", "green", "blue")],
                f"ha={night.parent / 'ou5-ha.fits'}",
            ),
        }
        for label, masters in bands.items():
            target = open_target(None, masters=list(masters))
            recipe = open_recipe("galaxy-moonlit", target=target)
            sources = load_sources(target).sources
            before = run_all(
                Work(recipe=recipe, target=target, sources=sources, figures=False), steps=STEPS[:3]
            )
            before = before.with_(stars=subtract_continuum(before).stars)
            whole = subtract_continuum(before).recorded["continuum"]["ha"]
            print(
                f"{label}: all stars {whole['scale']:.4f} +- {whole['error']:.4f} from {whole['stars']}, {whole['how']}"
            )
            for count in (8, 15, 30):
                yield (
                    f"{label}, {count} of its stars",
                    [
                        answer_of(
                            lambda s=seed, n=count, b=before: subtract_continuum(_thinned(b, n, s)),
                            whole["scale"],
                        )
                        for seed in range(first, first + seeds)
                    ],
                )


def _thinned(work: Work, count: int, seed: int) -> Work:
    """Return a work that knows ``count`` of its 100 brightest stars, chosen at random."""
    assert work.stars is not None
    bright = np.flatnonzero(~work.stars.saturated)[:100]
    few = np.sort(np.random.default_rng([9, seed]).choice(bright, min(count, len(bright)), replace=False))
    return work.with_(stars=work.stars.select(few))


def main() -> int:
    """Draw, run, print; exit code 1 where wrong scales go unsaid more often than one in twenty."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--seeds", type=int, default=40)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--only", default="", help="only kinds whose name holds these words")
    parser.add_argument("--real", action="store_true", help="real frames instead of drawn ones")
    parser.add_argument("--each", action="store_true", help="print every night")
    options = parser.parse_args()
    if options.real:
        kinds = real_answers(options.seeds, options.first)
    else:
        kinds = (
            (
                kind.name,
                [measured(kind, seed) for seed in range(options.first, options.first + options.seeds)],
            )
            for kind in KINDS
            if options.only in kind.name
        )
    held = [report(name, answers, each=options.each) for name, answers in kinds]
    return int(not all(held))


if __name__ == "__main__":
    sys.exit(main())
