"""How much of a planted gradient is left, how much of a galaxy is lost: over scenes with a known sky.

Run ``python benchmarks/accuracy/gradient.py [--quick] [--alone] [--full] [--series N] [--only WORDS]``. The method was
chosen on series 0 to 3: figures to quote come from others, with other noise, stars, directions and curvatures. Every
case is drawn, fitted and compared with its truth, beside a mesh background (photutils ``Background2D``) and a plain
least-squares plane over the same pixels. With ``--full`` all scenes have 24 megapixels, as many stars a pixel, and
objects as large beside the frame: then noise counts for a fifth of what it does in 1.2 megapixels.

Columns: left = peak-to-peak, over the frame, of fitted sky minus true sky, in % of the true sky's peak-to-peak;
sigma = the same in sigma of a pixel; flux = error of the disc's light between 1.2 and 3.2 scale lengths, in %;
+- = the error of that which is stated; level = mean over the frame of fitted minus true sky, in sigma of a pixel;
z = the errors of the coefficients over their stated uncertainties, worst of them; stated = what the stated
covariance expects of ``left``; bound = what no unbiased fit of these pixels can do better than on average, see `bound`;
scatter = of the sky blocks about the fitted sky, over what the noise of a pixel predicts (goal: at most 1.3), and of
all blocks used, those on a disc that fills the frame too.

Then, from `hardskies`: nebulae that fill the frame, faults that are no gradient, slopes planted into real frames, and
how often stated errors hold. ``--scenes`` leaves that part out, ``--quick`` takes a few of each (half a minute), and
``--only "spiral 0.7,cluster"`` the scenes whose names begin so.
"""

from __future__ import annotations

import sys
import time
import warnings
from dataclasses import dataclass, field, replace

import hardskies
import numpy as np
from numpy.typing import NDArray

from blend.science.sky.blocks import block_size, chebyshev_terms, term_powers, unit_coordinates
from blend.science.sky.fit import SkyFit, lattice
from blend.science.sky.gradient import fit_sky
from blend.science.sky.halo import halo_slopes
from blend.science.sky.objects import object_mask

SKY = 0.10
SIGMA = 0.002
SMALL_SIZE = 900 * 1350
"""Pixels for which a cluster has 4000 stars."""
FULL_SHAPE = (4000, 6000)
WORST_LEFT = 3.0
"""Most that may be left of a slope, in %."""
WORST_CORNERS = 0.15
"""Most that may be left corner to corner, in sigma of a pixel."""
RARE = 0.02
"""Share of draws below which noise is no excuse."""
Array = NDArray[np.float32]


@dataclass(frozen=True)
class Case:
    """One scene: the object, how much of the frame's height it fills, and the sky."""

    kind: str
    fill: float
    slope: float
    degree: int
    seed: int
    shape: tuple[int, int] = (900, 1350)
    border: int = 0
    offset: tuple[float, float] = (0.0, 0.0)
    axis_ratio: float = 0.6


@dataclass
class Outcome:
    """What one method made of one plane."""

    left: float
    sigma: float
    flux: float
    level: float
    flux_error: float = float("nan")
    pulls: list[float] = field(default_factory=list)
    scatter: tuple[float, float] = (float("nan"), float("nan"))
    stated: float = float("nan")
    bound: float = float("nan")
    chance: float = float("nan")
    shade: float = float("nan")


def cases(quick: bool) -> list[Case]:
    """Return the scenes: discs of all sizes, edge-on, elliptical, nothing, a cluster; slopes of 2 to 60 %."""
    listed = []
    seed = 0
    slopes = (0.02, 0.06, 0.2, 0.6)
    fills = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8) if not quick else (0.2, 0.5, 0.8)
    for k, fill in enumerate(fills):
        for degree in (1, 2):
            for step in (0, 2) if not quick else (0,):
                seed += 1
                slope = slopes[(k + degree + step) % 4]
                border = 30 if seed % 3 == 0 else 0
                offset = (0.12, -0.08) if seed % 4 == 1 else (0.0, 0.0)
                ratio = (0.95, 0.6, 0.35)[seed % 3]
                listed.append(Case("spiral", fill, slope, degree, seed, (900, 1350), border, offset, ratio))
    for kind, fill in (("edge-on", 0.8), ("elliptical", 0.4), ("empty", 0.0), ("cluster", 0.4)):
        for degree in (1, 2):
            for slope in (0.02, 0.2, 0.6) if not quick else (0.06,):
                seed += 1
                listed.append(Case(kind, fill, slope, degree, seed, (900, 1350), 30 if seed % 3 == 0 else 0))
    if quick:
        return listed
    listed.append(Case("spiral", 0.5, 0.2, 1, 901, (2400, 3600)))
    listed.append(Case("spiral", 0.3, 0.06, 2, 902, (2400, 3600)))
    return listed


def name_of(case: Case) -> str:
    """Return a scene in words."""
    return f"{case.kind} {case.fill:.1f} slope {100 * case.slope:.0f} % deg {case.degree}"


def true_sky(case: Case, rng: np.random.Generator) -> tuple[Array, NDArray[np.float64]]:
    """Return the sky and its six Chebyshev coefficients."""
    direction = rng.uniform(0.0, 2.0 * np.pi)
    curve = rng.normal(0.0, 1.0, 3) if case.degree == 2 else np.zeros(3)
    curve *= 0.25 / max(np.abs(curve).sum(), 1e-9)
    shape_of_it = np.array([0.0, np.cos(direction), np.sin(direction), *curve])
    y, x = np.mgrid[: case.shape[0] : 15, : case.shape[1] : 15]
    u, v = unit_coordinates(np.stack([x.ravel(), y.ravel()], axis=1), case.shape)
    height = np.ptp(chebyshev_terms(u, v, degree=2) @ shape_of_it)
    answer = shape_of_it * case.slope * SKY / height
    answer[0] = SKY
    return surface(answer, case.shape), answer


def surface(answer: NDArray[np.float64], shape: tuple[int, int]) -> Array:
    """Return a degree-2 surface."""
    u = np.linspace(-1.0, 1.0, shape[1])[None, :]
    v = np.linspace(-1.0, 1.0, shape[0])[:, None]
    c = answer
    total = c[0] + c[1] * u + c[2] * v + c[3] * (2 * u * u - 1) + c[4] * u * v + c[5] * (2 * v * v - 1)
    return np.asarray(total, dtype=np.float32)


def true_object(case: Case, rng: np.random.Generator) -> tuple[Array, NDArray[np.bool_] | None]:
    """Return the object's light and, for a disc, where its outer part is."""
    rows, columns = case.shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    x -= columns * (0.5 + case.offset[0])
    y -= rows * (0.5 + case.offset[1])
    turn = rng.uniform(0.0, np.pi)
    along, across = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    if case.kind == "spiral":
        # The disc is taken to end at 3.2 scale lengths; that diameter fills the stated share of the height.
        length = case.fill * rows / 6.4
        radius = np.hypot(along, across / case.axis_ratio) / length
        angle = np.arctan2(across / case.axis_ratio, along)
        arms = 1.0 + 0.35 * np.cos(2.0 * angle - 3.0 * np.log(radius + 0.2)) * np.exp(
            -((radius - 2.0) ** 2) / 2.0
        )
        light = 60 * SIGMA * np.exp(-radius) * arms + 150 * SIGMA * np.exp(-radius * 6.0)
        return light.astype(np.float32), (radius > 1.2) & (radius < 3.2)
    if case.kind == "edge-on":
        length = case.fill * rows / 6.4
        light = 80 * SIGMA * np.exp(-np.abs(along) / length - np.abs(across) / (0.12 * length))
        return light.astype(np.float32), None
    if case.kind == "elliptical":
        half_light = case.fill * rows / 8.0
        radius = np.hypot(along, across / 0.8) / half_light
        return np.asarray(
            15 * SIGMA * np.exp(-7.669 * ((radius + 0.01) ** 0.25 - 1.0)), dtype=np.float32
        ), None
    light = np.zeros(case.shape, dtype=np.float32)
    if case.kind == "cluster":
        core = case.fill * rows / 10.0
        count = round(4000 * rows * columns / SMALL_SIZE)
        radius = np.abs(rng.standard_cauchy(count)) * core
        angle = rng.uniform(0.0, 2.0 * np.pi, count)
        xy = np.stack([columns / 2 + radius * np.cos(angle), rows / 2 + radius * np.sin(angle)], axis=1)
        add_stars(light, xy, 10.0 * SIGMA * rng.pareto(1.2, count) + SIGMA)
    return light, None


def add_stars(light: Array, xy: NDArray[np.float64], peaks: NDArray[np.float64]) -> None:
    """Add Moffat stars (beta 2.8, FWHM 3 px) to ``light`` in place."""
    rows, columns = light.shape
    alpha = 3.0 / (2.0 * np.sqrt(2.0 ** (1.0 / 2.8) - 1.0))
    for (x0, y0), peak in zip(xy, np.minimum(peaks, 500.0 * SIGMA), strict=True):
        reach = int(np.clip(8 * (peak / SIGMA) ** 0.3, 8, 60))
        x1, x2 = max(int(x0) - reach, 0), min(int(x0) + reach, columns)
        y1, y2 = max(int(y0) - reach, 0), min(int(y0) + reach, rows)
        if x1 >= x2 or y1 >= y2:
            continue
        square = (np.arange(x1, x2) - x0) ** 2 + (np.arange(y1, y2) - y0)[:, None] ** 2
        light[y1:y2, x1:x2] += peak * (1.0 + square / alpha**2) ** -2.8


def draw(case: Case) -> tuple[Array, Array, NDArray[np.float64], Array, NDArray[np.bool_] | None]:
    """Return the plane, its true sky and coefficients, the object's light, and the outer part of a disc."""
    rng = np.random.default_rng(case.seed)
    sky, answer = true_sky(case, rng)
    light, outer = true_object(case, rng)
    count = round(900 * case.shape[0] * case.shape[1] / 1.2e6)
    xy = rng.uniform(0.0, 1.0, (count, 2)) * (case.shape[1], case.shape[0])
    stars = np.zeros_like(light)
    add_stars(stars, xy, 3.0 * SIGMA * rng.pareto(1.0, count))
    plane = sky + light + stars + SIGMA * rng.standard_normal(case.shape, dtype=np.float32)
    if case.border:
        plane[: case.border] = np.nan
        plane[:, -case.border :] = np.nan
    return plane, sky, answer, light, outer


def judge(model: Array, sky: Array, light: Array, outer: NDArray[np.bool_] | None) -> Outcome:
    """Compare a fitted sky with the true one."""
    off = model.astype(np.float64) - sky
    left = float(np.nanmax(off) - np.nanmin(off))
    flux = float("nan")
    if outer is not None:
        flux = 100.0 * float(-off[outer].sum() / light[outer].sum(dtype=np.float64))
    return Outcome(100.0 * left / float(np.ptp(sky)), left / SIGMA, flux, float(np.nanmean(off)) / SIGMA)


def pulls_of(fit: SkyFit, answer: NDArray[np.float64]) -> list[float]:
    """Return (fitted - true) / stated uncertainty of every coefficient."""
    known = np.zeros(len(term_powers(max(fit.degree, 2))))
    known[:6] = answer
    count = fit.coefficients.size
    return list((fit.coefficients - known[:count]) / np.sqrt(np.diag(fit.stated)))


def drawn_left(covariance: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return the peak-to-peak errors over the frame of 400 draws of coefficients with this covariance."""
    degree = {1: 0, 3: 1, 6: 2}[covariance.shape[0]]
    terms = chebyshev_terms(*unit_coordinates(lattice(shape, 17), shape), degree=degree)
    heights, axes = np.linalg.eigh(covariance)
    draws = np.random.default_rng(0).standard_normal((heights.size, 400))
    return np.asarray(np.ptp(terms @ (axes * np.sqrt(np.maximum(heights, 0.0))) @ draws, axis=0))


def bound(fit: SkyFit, degree: int) -> NDArray[np.float64]:
    """Return 400 draws of ``left`` at the Cramer-Rao bound: pixel noise alone, all pixels of the used blocks.

    The true degree is known, there are no arms and no faint stars; strength, steepness, centre, axes and turn of the
    smooth halo, where one was fitted, are not known. Rao (1945), Bull. Calcutta Math. Soc. 37, 81; from memory.
    """
    used = fit.block_used
    errors = SIGMA / np.sqrt(np.maximum(fit.block_share[used] * block_size(fit.shape) ** 2, 1.0))
    terms = chebyshev_terms(*unit_coordinates(fit.block_xy[used], fit.shape), degree=degree)
    design = (
        terms if fit.halo is None else np.column_stack([terms, halo_slopes(fit.halo, fit.block_xy[used])[0]])
    )
    design = design / errors[:, None]
    size = np.sqrt((design**2).sum(axis=0)) + 1e-30
    whole = np.linalg.pinv((design / size).T @ (design / size), rcond=1e-12) / np.outer(size, size)
    count = terms.shape[1]
    return drawn_left(whole[:count, :count], fit.shape)


def least_light(fit: SkyFit, light: Array) -> float:
    """Return what the object shines with, in sigma of a pixel, where a twentieth of the used blocks has less."""
    column, row = np.round(fit.block_xy[fit.block_used]).astype(np.int64).T
    return float(np.quantile(light[row, column], 0.05)) / SIGMA


def stated_flux(fit: SkyFit, light: Array, outer: NDArray[np.bool_] | None) -> float:
    """Return the error of a disc's outer light, in %, that the stated covariance of the sky expects."""
    if outer is None:
        return float("nan")
    y, x = np.nonzero(outer)
    terms = chebyshev_terms(*unit_coordinates(np.stack([x, y], axis=1), fit.shape), degree=fit.degree)
    pull = terms.sum(axis=0) / light[outer].sum(dtype=np.float64)
    return 100.0 * float(np.sqrt(pull @ fit.stated @ pull))


def mesh_background(plane: Array) -> Array:
    """Fit photutils' mesh background with boxes of 1/10 of the height, its documented defaults otherwise."""
    from photutils.background import Background2D, SExtractorBackground

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        box = plane.shape[0] // 10
        missing = ~np.isfinite(plane)
        mesh = Background2D(
            plane,
            box,
            filter_size=3,
            bkg_estimator=SExtractorBackground(),
            coverage_mask=missing,
            fill_value=np.nan,
        )
        return np.asarray(mesh.background, dtype=np.float32)


def plain_plane(plane: Array) -> Array:
    """Fit a plane to all pixels by least squares."""
    y, x = np.mgrid[: plane.shape[0] : 3, : plane.shape[1] : 3]
    u, v = unit_coordinates(np.stack([x.ravel(), y.ravel()], axis=1), (plane.shape[0], plane.shape[1]))
    values = plane[::3, ::3].ravel()
    good = np.isfinite(values)
    terms = chebyshev_terms(u, v, degree=1)
    answer = np.zeros(6)
    answer[:3] = np.linalg.lstsq(terms[good], values[good].astype(np.float64), rcond=None)[0]
    return surface(answer, (plane.shape[0], plane.shape[1]))


HEAD = (
    f"{'case':32s} {'sky':>4s} deg {'left':>7s} {'sigma':>6s} {'flux':>7s} {'+-':>5s} {'level':>6s} {'z':>5s}"
    f" stated  bound scatter   all | mesh {'left':>7s} {'flux':>7s} | plane {'left':>7s} {'flux':>7s} |     s"
)


def measured(
    case: Case,
    fit: SkyFit,
    sky: Array,
    answer: NDArray[np.float64],
    light: Array,
    outer: NDArray[np.bool_] | None,
) -> Outcome:
    """Compare a fitted sky with the true one, and with what it states and what noise allows."""
    mine = judge(fit.model(), sky, light, outer)
    mine.flux_error = stated_flux(fit, light, outer)
    mine.pulls = pulls_of(fit, answer)
    mine.scatter = hardskies.scatter_ratio(fit, SIGMA)
    across = float(np.ptp(sky)) / 100.0
    mine.stated = float(drawn_left(fit.stated, fit.shape).mean()) / across
    least = bound(fit, case.degree) / across
    mine.bound, mine.chance = float(least.mean()), float((least > mine.left).mean())
    mine.shade = least_light(fit, light)
    return mine


def row_of(case: Case, fit: SkyFit, mine: Outcome) -> str:
    """Return a scene's row of the table."""
    line = f"{name_of(case):32s} {fit.sky_share:4.2f} {fit.degree}{'h' if fit.halo else ' '}"
    line += f" {mine.left:8.2f} {mine.sigma:6.3f} {mine.flux:7.2f} {mine.flux_error:5.2f} {mine.level:6.3f}"
    line += f" {max(np.abs(mine.pulls)):5.1f} {mine.stated:6.2f} {mine.bound:6.2f}"
    return line + f" {mine.scatter[0]:7.2f} {mine.scatter[1]:5.2f}"


def main() -> None:
    """Run all cases and print the table."""
    quick = "--quick" in sys.argv
    ours: list[Outcome] = []
    meshes: list[Outcome] = []
    planes: list[Outcome] = []
    series = int(sys.argv[sys.argv.index("--series") + 1]) if "--series" in sys.argv else 4
    listed = [replace(case, seed=case.seed + 1000 * series) for case in cases(quick)]
    if "--full" in sys.argv:
        listed = [replace(case, shape=FULL_SHAPE) for case in listed]
    if "--only" in sys.argv:
        begins = tuple(sys.argv[sys.argv.index("--only") + 1].split(","))
        listed = [case for case in listed if name_of(case).startswith(begins)]
    print(HEAD)
    for case in listed:
        plane, sky, answer, light, outer = draw(case)
        start = time.perf_counter()
        masked = object_mask(plane[None])
        fit = fit_sky(plane, masked=masked)
        took = time.perf_counter() - start
        mine = measured(case, fit, sky, answer, light, outer)
        ours.append(mine)
        line = row_of(case, fit, mine)
        if "--alone" not in sys.argv:
            meshes.append(judge(mesh_background(plane), sky, light, outer))
            planes.append(judge(plain_plane(plane), sky, light, outer))
            for other in (meshes[-1], planes[-1]):
                line += f" |       {other.left:7.1f} {other.flux:7.1f}"
        print(line + f" | {took:5.2f}")
    for label, outcomes in (("blend", ours), ("mesh", meshes), ("plane", planes)):
        if outcomes:
            print(summary(label, outcomes, listed))
    off = np.array([o.level for o in ours])
    print(
        f"level above the sky, sigma: median {np.median(off):.4f}, median of |..| {np.median(np.abs(off)):.4f}"
    )
    tell_coverage(ours, listed)
    for label, place in (("sky blocks", 0), ("all used blocks", 1)):
        scatters = [o.scatter[place] for o in ours]
        print(
            f"scatter of {label} over noise: median {np.nanmedian(scatters):.2f}, worst {np.nanmax(scatters):.2f}; "
            f"{np.isnan(scatters).sum()} scenes with too few of them"
        )
    tell_misses(ours, listed)
    if "--scenes" not in sys.argv:
        hardskies.run(quick=quick)


def tell_coverage(outcomes: list[Outcome], listed: list[Case]) -> None:
    """Print how often the errors of level, slopes and the discs' outer light lie within what is stated."""
    discs = [
        (o.flux / o.flux_error, c.fill) for o, c in zip(outcomes, listed, strict=True) if c.kind == "spiral"
    ]
    groups = {
        "level": [o.pulls[0] for o in outcomes],
        "slope and curvature": [pull for o in outcomes for pull in o.pulls[1:]],
        "flux of discs to 60 %": [pull for pull, fill in discs if fill <= 0.61],
        "flux of discs of 70 and 80 %": [pull for pull, fill in discs if fill > 0.61],
    }
    for label, found in groups.items():
        pulls = np.abs(found)
        if not pulls.size:
            continue
        print(
            f"{label}: {100 * (pulls < 1).mean():.0f} % of {pulls.size} within 1 sigma, "
            f"{100 * (pulls < 2).mean():.0f} % within 2"
        )


def tell_misses(outcomes: list[Outcome], listed: list[Case]) -> None:
    """Print every scene that misses a goal, and how often noise alone leaves more with the best of unbiased fits."""
    missed = {"%": 0, "sigma": 0}
    beyond = {"%": 0, "sigma": 0}
    by_noise = {"%": 0, "sigma": 0}
    for one, case in zip(outcomes, listed, strict=True):
        limit = one.bound * one.sigma / one.left
        goals = (("%", one.left, one.bound, WORST_LEFT), ("sigma", one.sigma, limit, WORST_CORNERS))
        for unit, left, least, goal in goals:
            if left <= goal:
                continue
            missed[unit] += 1
            beyond[unit] += least > goal
            by_noise[unit] += one.chance > RARE
            print(
                f"  missed: {name_of(case):32s} {left:6.2f} {unit}; by noise alone {least:.2f} in the mean, more than "
                f"was left in {100 * one.chance:.0f} % of draws; the object shines with {one.shade:.2f} sigma in all "
                f"but a twentieth of what serves as sky"
            )
    for unit, goal in (("%", WORST_LEFT), ("sigma", WORST_CORNERS)):
        print(
            f"left above {goal:g} {unit}: {missed[unit]} of {len(outcomes)} scenes; by noise alone the mean is above "
            f"that in {beyond[unit]} of them, and more than was left is in over {100 * RARE:.0f} % of draws in "
            f"{by_noise[unit]}"
        )


def summary(label: str, outcomes: list[Outcome], listed: list[Case]) -> str:
    """Return medians and worst values of one method."""
    left = np.array([o.left for o in outcomes])
    sigma = np.array([o.sigma for o in outcomes])
    fluxes = [
        abs(o.flux) for o, c in zip(outcomes, listed, strict=True) if c.kind == "spiral" and c.fill <= 0.61
    ] or [float("nan")]
    return (
        f"{label:6s} left median {np.median(left):.2f} % worst {left.max():.2f} %; sigma median {np.median(sigma):.3f} "
        f"worst {sigma.max():.3f}; |flux| of discs to 60 % median {np.median(fluxes):.2f} % worst {max(fluxes):.2f} %"
    )


if __name__ == "__main__":
    main()
