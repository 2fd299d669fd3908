"""Inject H II regions of known line light into a target's own masters, and measure how much of each is recovered."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.run import load_sources, open_recipe, open_target
from blend.base.errors import RecipeError, StepError
from blend.base.master import Master
from blend.base.shares import in_percent
from blend.recipe.check import width_ratio
from blend.recipe.old_keys import OLD_JSON
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.state import Work, frozen
from blend.recipe.steps.line_light import wider_fwhm
from blend.science.grid import Alignment
from blend.science.simulated import Sources, View, add_sources
from blend.science.stars import FWHM_PER_SIGMA

Points = NDArray[np.float64]

REGIONS = 24
FEWEST = 6
"""Fewer places free of stars show no typical share."""

PEAKS_SIGMA = (15.0, 40.0, 100.0)
"""Peaks over the noise of a pixel of the emission: well above the weight's threshold, up to a bright region."""

OWN_FWHM = (0.0, 1.2)
"""Widths of the regions themselves in star widths: like a star, and slightly extended."""

BAR = 0.05
"""How far the median may lie from what was injected."""

MOST_BACK = 2.0
"""More than twice the light of a region, found or missing in its place, is not the region's."""

CLEAR_FWHM, CLEAR_PX = 6.0, 6.0
"""A region so far from every star lies in no star's ring of sky (4.5 widths and 6 px) with any of its 1.5 widths.

In the rings regions lower the stars' fluxes: the scale of a small night fell by 2.3 to 4.3 %, and all regions came
out much too bright.
"""

EARLY, SKY, LINE = STEPS[:1], STEPS[1:3], STEPS[3:4]
SEED = 20
"""Any number: the same places in every run."""


@dataclass(frozen=True)
class Region:
    """One injected region."""

    line: str  # the line master
    # x and y: pixel of the reference
    x: float
    y: float
    extended: bool  # wider than a star, or like one
    background_sigma: float  # level of the broad plane before injecting, in its noise of a pixel
    peak_sigma: float  # height over the noise of a pixel of the emission
    # injected and found: light inside 1.5 widths, in counts of the broad plane, before and after the steps
    injected: float
    found: float

    @property
    def share(self) -> float:
        """Which share of the light came back."""
        return self.found / self.injected


def inspect_injected(
    recipe: str,
    targets: Sequence[Path],
    *,
    settings: Sequence[str] = (),
    as_json: bool = False,
    old_words: bool = False,
) -> str:
    """Return what `blend inspect --inject` prints of one target; ``old_words``: its JSON with the keys of `--plant`.

    Raises
    ------
    RecipeError
        Faults of recipe or target file, or not exactly one target file.
    InputError, StepError
        As in a run; StepError also where too few places are free of stars.
    """
    if len(targets) != 1:
        raise RecipeError("inspect --inject", found=f"{len(targets)} files", expected="one target file")
    target = open_target(targets[0])
    chosen = open_recipe(recipe, settings=settings, target=target)
    loaded = load_sources(target)
    work = Work(recipe=chosen, target=target, sources=loaded.sources, catalogue=loaded.catalogue)
    regions = inject(work)
    if not as_json:
        return _in_words(regions, target.name)
    text = _as_json(regions)
    for new, old in OLD_JSON.items() if old_words else ():
        text = text.replace(f'"{new}":', f'"{old}":')
    return text


def inject(work: Work) -> list[Region]:
    """Inject regions into the calibrated masters of ``work`` and return what the steps to emission make of them.

    The lights get what a region of flux F in the broad plane shows: F itself where the band holds the line, and
    s F t / r in the line master. s is the scale of the stars, whatever scale the recipe gives: a wrong one shows.

    Raises
    ------
    StepError
        No line master has linear light, or too few places are free of stars.

    Notes
    -----
    What comes back is the difference of the emission with and without the regions. It may pass what was injected: a
    region on faint gas lifts the gas over the threshold, too. Flat and dark are not tested:
    injection comes after them. The steps run twice.

    References
    ----------
    Derived here; the line inside both bands: Waller (1990), PASP 102, 1217 (from memory).
    """
    kept = work.recipe.register_.model_copy(update={"canvas": "reference"})
    work = run_all(work.with_(recipe=work.recipe.model_copy(update={"register_": kept})), steps=EARLY)
    flat = run_all(work, steps=SKY)
    bare = run_all(flat, steps=LINE)
    lines = tuple(name for name in bare.line_names if bare.lines[name].emission is not None)
    if not lines:
        raise StepError(
            "inspect --inject", found="no line master has linear light", expected="linear masters"
        )
    given = any(work.recipe.continuum_for(name).scale != "stars" for name in work.line_names)
    measured = run_all(_scaled_by_stars(flat), steps=LINE) if given else bare
    xy = _places(bare, REGIONS * len(lines))
    sets = {name: _regions_for(bare, name, xy[i :: len(lines)]) for i, name in enumerate(lines)}
    sources = dict(work.sources)
    for name, regions in sets.items():
        sources = _with_regions(sources, measured, name, regions)
    after = run_all(work.with_(sources=frozen(sources)), steps=(*SKY, *LINE))
    return [region for name in lines for region in _compare(bare, after, name, sets[name])]


def _scaled_by_stars(work: Work) -> Work:
    tables = {
        name: work.recipe.continuum_for(name).model_copy(update={"scale": "stars"})
        for name in work.line_names
    }
    return work.with_(recipe=work.recipe.model_copy(update={"continuum": tables}))


def _places(work: Work, most: int) -> Points:
    """Return places (n, 2) apart from stars, edges and each other, half of them where the frame is brightest.

    Places within the rings in which stars find their sky come last: there regions would change the stars' fluxes.
    """
    assert work.stars is not None
    from scipy.spatial import cKDTree

    rows, columns = work.rgb.shape
    wide = _width(work)
    margin = 8.0 * wide
    tries = np.random.default_rng(SEED).uniform(
        (margin, margin), (max(columns - margin, margin), max(rows - margin, margin)), (60 * most, 2)
    )
    near, _ = cKDTree(work.stars.xy).query(tries) if len(work.stars) else (np.full(len(tries), np.inf), None)
    lost = work.invalid()
    clear = near > CLEAR_FWHM * wide + CLEAR_PX
    free, crowded = (
        [at for at in tries[where] if not lost[_box(lost.shape, at, 4.0 * wide)].any()]
        for where in (clear, (near > 4.0 * wide) & ~clear)
    )
    level = [float(np.median(work.rgb.plane("green")[_box(lost.shape, at, wide)])) for at in free]
    by_level = [free[i] for i in np.argsort(level)[::-1]]
    bright = by_level[: len(by_level) // 10]
    chosen: list[Points] = []
    for pool, wanted in ((bright, most // 2), (free, most), (crowded, most)):
        for at in pool:
            if len(chosen) == wanted:
                break
            if all(np.hypot(*(at - other)) > 8.0 * wide for other in chosen):
                chosen.append(at)
    if len(chosen) < FEWEST:
        found = f"{len(chosen)} places are free of stars and edges"
        expected = f"at least {FEWEST}"
        raise StepError("inspect --inject", found=found, expected=expected, advice="use larger masters")
    mixed = np.random.default_rng(SEED).permutation(len(chosen))
    return np.array(chosen)[mixed]


def _width(work: Work) -> float:
    return max([width for width in work.fwhm_px.values() if width > 0], default=3.0)


def _regions_for(work: Work, name: str, xy: Points) -> Sources:
    """Return regions whose peaks and widths take turns, fluxes in counts of the broad plane on the reference's grid."""
    wide = wider_fwhm(work, name)
    turn = np.arange(len(xy))
    own = np.array(OWN_FWHM)[turn % 2] * wide
    sigma = np.hypot(own, wide) / FWHM_PER_SIGMA
    peak = np.array(PEAKS_SIGMA)[(turn // 2) % 3] * work.lines[name].sigma
    return Sources(xy=xy, flux=2.0 * np.pi * sigma**2 * peak, fwhm_px=own, b_v=np.zeros(len(xy)))


def _with_regions(sources: dict[str, Any], measured: Work, name: str, regions: Sources) -> dict[str, Any]:
    settings = measured.recipe.continuum_for(name)
    scale = measured.lines[name].scale
    assert scale is not None
    strength = scale.value * settings.throughput_ratio / width_ratio(measured.target, name)
    changed = dict(sources)
    shares = [(name, 0, strength)]
    if settings.line_in_band:
        index = next(i for i, light in enumerate(sources["rgb"].lights) if settings.from_ in light.planes)
        shares.append(("rgb", index, 1.0))
    for role, index, share in shares:
        alignment = measured.alignments[role, index]
        lights = list(changed[role].lights)
        plane = settings.from_ if role == "rgb" else lights[index].planes[0]
        lights[index] = _drawn(lights[index], plane, alignment, regions, share, measured.fwhm_px[role])
        changed[role] = replace(changed[role], lights=tuple(lights))
    return changed


def _drawn(
    light: Master, plane: str, alignment: Alignment, regions: Sources, share: float, fwhm_px: float
) -> Master:
    """Return a light with the regions in one plane; ``fwhm_px`` is its star width on the reference's grid."""
    area = alignment.scale**2
    here = replace(regions, xy=alignment.backward(regions.xy), fwhm_px=regions.fwhm_px / np.sqrt(area))
    pixels = light.pixels.copy()
    index = light.planes.index(plane)
    star = max(fwhm_px / np.sqrt(area), 1.5)
    view = View(light.shape, np.eye(3), star)
    add_sources(pixels[index : index + 1], view, here, share * regions.flux[None] / area, fwhm_px=star)
    return light.with_(pixels=pixels)


def _compare(bare: Work, after: Work, name: str, regions: Sources) -> list[Region]:
    before, now = (work.lines[name].emission for work in (bare, after))
    assert before is not None and now is not None
    wide = wider_fwhm(bare, name)
    drawn = np.zeros((1, *before.shape), dtype=np.float32)
    add_sources(
        drawn, View(before.shape, np.eye(3), wide), regions, regions.flux[None], fwhm_px=max(wide, 1.5)
    )
    broad = bare.rgb.plane(bare.lines[name].broad)
    noise = bare.rgb.facts.noise[bare.lines[name].broad][1]
    told = []
    for i, at in enumerate(regions.xy):
        box = _box(before.shape, at, 1.5 * float(np.hypot(regions.fwhm_px[i], wide)))
        y, x = np.mgrid[box]
        disc = np.hypot(x - at[0], y - at[1]) <= 1.5 * np.hypot(regions.fwhm_px[i], wide)
        sums = [float(np.nansum(plane[box][disc], dtype=np.float64)) for plane in (drawn[0], now, before)]
        told.append(
            Region(
                line=name,
                x=float(at[0]),
                y=float(at[1]),
                extended=bool(regions.fwhm_px[i] > 0),
                background_sigma=float(np.median(broad[box])) / noise,
                peak_sigma=PEAKS_SIGMA[(i // 2) % 3],
                injected=sums[0],
                found=sums[1] - sums[2],
            )
        )
    return told


def _box(shape: tuple[int, int], at: Points, radius: float) -> tuple[slice, slice]:
    x, y = float(at[0]), float(at[1])
    return (
        slice(max(int(y - radius), 0), min(int(y + radius) + 2, shape[0])),
        slice(max(int(x - radius), 0), min(int(x + radius) + 2, shape[1])),
    )


def median_and_spread(regions: Sequence[Region]) -> tuple[float, float]:
    """Return the median share that came back, and half of the range of the middle 68 %."""
    shares = np.array([region.share for region in regions])
    low, middle, high = np.percentile(shares, [16, 50, 84])
    return float(middle), float(high - low) / 2


def _as_json(regions: list[Region]) -> str:
    lines = {}
    for name in dict.fromkeys(region.line for region in regions):
        own = [region for region in regions if region.line == name]
        median, spread = median_and_spread(own)
        lines[name] = {
            "median": median,
            "spread": spread,
            "within": abs(median - 1) <= BAR,
            "regions": [asdict(region) | {"share": region.share} for region in own],
        }
    return json.dumps(lines, indent=2)


def _in_words(regions: list[Region], target: str) -> str:
    out = []
    for name in dict.fromkeys(region.line for region in regions):
        own = [region for region in regions if region.line == name]
        out.append(
            f"{target}: {len(own)} H II regions injected into {name}, light in counts of the broad plane"
        )
        out.append("        x       y  kind        behind it      peak    injected      found   recovered")
        for region in own:
            kind = "extended " if region.extended else "star-like"
            out.append(
                f"  {region.x:7.1f} {region.y:7.1f}  {kind} {region.background_sigma:8.1f} sigma "
                f"{region.peak_sigma:3.0f} sigma {region.injected:10.5f} {region.found:10.5f} "
                f"{_came_back(region.share):>10}"
            )
        median, spread = median_and_spread(own)
        if not in_percent(median, least=-MOST_BACK, most=MOST_BACK):
            out.append(
                "  what was recovered is no share of what was injected: the regions changed other steps of the run too"
            )
            continue
        verdict = "within" if abs(median - 1) <= BAR else "OUTSIDE"
        out.append(
            f"  median {100 * median:.1f} %, spread {100 * spread:.1f} %: "
            f"{verdict} {100 * BAR:.0f} % of what was injected"
        )
        for peak in PEAKS_SIGMA:
            part = [region for region in own if region.peak_sigma == peak]
            if part:
                out.append(f"    peaks of {peak:3.0f} sigma: median {_came_back(median_and_spread(part)[0])}")
    return "\n".join(out)


def _came_back(share: float) -> str:
    return in_percent(share, least=-MOST_BACK, most=MOST_BACK) or "not measured"
