"""How true the blend is: line light, star colours, places without a line, and noise, on nights with known truth.

Run ``python benchmarks/accuracy/blending.py [--quick] [--nights mirrored,nebula] [--seed N] [--set KEY=VALUE]``. Every
night is drawn, goes through the steps of a recipe in memory, and is blended once more without its lines; both pictures
are compared with each other and with the picture that the same steps make of the true light without noise. A value
beyond its bar is printed as MISSED.

All light is compared in counts of the balanced planes, all colours as CIEDE2000 between means of decoded light.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from blended import Blended, Value, blend_night, hidden_light, less_hidden, less_sky
from blendnoise import automatic_amounts, sky_noise
from numpy.typing import NDArray

from blend.base.master import Flag
from blend.base.robust import MAD_TO_SIGMA, bin_mean
from blend.recipe.state import Work
from blend.recipe.steps.balance import star_light
from blend.recipe.steps.protect_stars import colour_saturated
from blend.science.grid.transforms import apply_matrix
from blend.science.picture.balance import stars_that_tell
from blend.science.picture.colourspace import ciede2000, linear_to_lab, srgb_decode
from blend.science.picture.fill_stars import fill_behind
from blend.science.plane.flux_ratio import mean_log_ratio
from blend.science.simulated.night import SceneOptions

Array = NDArray[np.float32]
Points = NDArray[np.float64]


def compare_blend(blended: Blended) -> Iterator[Value]:
    """Yield every comparison that the night allows."""
    yield registration(blended)
    if len(blended.night.truth.knots):
        yield from knots(blended)
        yield from line_contrast(blended)
    yield from stars(blended)
    yield from saturated_stars(blended)
    if blended.night.truth.disc is not None:
        yield from places_without_line(blended)
    yield from white(blended)
    yield from sky_noise(blended)
    yield from automatic_amounts(blended)


def registration(blended: Blended) -> Value:
    """Return how far the line master's corners were brought from where they belong."""
    rows, columns = blended.night.ha.light.shape[-2:]
    corners = np.array([(x, y) for x in (0.0, columns - 1.0) for y in (0.0, rows - 1.0)])
    matrices = np.array(blended.balanced.recorded["register"]["ha"]["matrix"]), blended.night.truth.ha_to_rgb
    found, true = (apply_matrix(matrix, corners) for matrix in matrices)
    return Value("registration, worst corner", float(np.hypot(*(found - true).T).max()), 0.1, "px")


# --- line light ----------------------------------------------------------------------------------------------------


def knots(blended: Blended) -> Iterator[Value]:
    """Yield how much of the knots' flux the emission holds: median, scatter, and trend with brightness."""
    emission = blended.balanced.lines["ha"].emission
    assert emission is not None
    xy, radii = _knot_places(blended)
    found, true = (_sums(plane, xy, radii) for plane in (emission, blended.true_line))
    ratio = found / true
    order = np.argsort(true)
    third = max(1, len(order) // 3)
    faint, bright = (float(np.median(ratio[order[part]])) for part in (slice(0, third), slice(-third, None)))
    yield Value("knots' line flux, median error", 100 * abs(float(np.median(ratio)) - 1), 3.0, "%")
    yield Value("knots' line flux, faint third over bright third", 100 * abs(faint / bright - 1), 3.0, "%")
    peak, true_peak = (_sums(plane, xy, np.full(len(xy), 1.5)) for plane in (emission, blended.true_line))
    yield Value(
        "knots' peaks, as sharp as the line master, median error",
        100 * abs(float(np.median(peak / true_peak)) - 1),
        5.0,
        "%",
    )
    yield Value("knots' line flux, worst fifth", 100 * float(np.percentile(np.abs(ratio - 1), 80)), 10.0, "%")


def _knot_places(blended: Blended) -> tuple[Points, Points]:
    """Return places and aperture radii of the knots that no bright star and no edge spoils."""
    truth = blended.night.truth
    width = np.hypot(truth.knots.fwhm_px, max(blended.balanced.fwhm_px.values()))
    radii = 1.5 * width
    rows, columns = truth.line_in_red.shape
    xy = truth.knots.xy
    edge = 40
    good = (xy > edge).all(axis=1) & (xy[:, 0] < columns - edge) & (xy[:, 1] < rows - edge)
    lost = blended.flagged(Flag.SATURATED | Flag.NO_DATA)
    good &= np.array([not lost[_box(lost.shape, at, 3 * r)].any() for at, r in zip(xy, radii, strict=True)])
    return xy[good], radii[good]


def line_contrast(blended: Blended) -> Iterator[Value]:
    """Yield how well the line's contrast over the continuum equals 1 + amount, over all knots together."""
    entry = blended.linear.recorded["blend"].get("red", {})
    if entry.get("formula") != "emission-add":
        return
    assert blended.linear.linear is not None
    xy, radii = _knot_places(blended)
    continuum = blended.night.truth.continuum[0] * np.float32(blended.gain)
    after, before = (
        _sums(plane - continuum, xy, radii)
        for plane in (blended.linear.linear[0], blended.balanced.rgb.pixels[0])
    )
    contrast = float(after.sum() / before.sum())
    yield Value("line contrast over 1 + amount", 100 * abs(contrast / (1 + entry["amount"]) - 1), 2.0, "%")


# --- stars ---------------------------------------------------------------------------------------------------------


def stars(blended: Blended) -> Iterator[Value]:
    """Yield how far blending moved the colours of stars, and how far they are from the truth; and their rings."""
    line_free = blended.night.options.kind != "nebula"
    xy = _star_places(blended, most=400, line_free=line_free)
    core = 0.75 * blended.fwhm_px
    pictures = (blended.done, blended.bare, blended.true)
    done, bare, true = (_lab_rings(picture, xy, 0.0, core) for picture in pictures)
    yield from _moved("stars, to the truth", done, true)
    # What these frames allow, whatever is blended.
    bare_true, noisy = (
        _lab_rings(picture, xy, 0.0, core) for picture in (blended.bare_true, blended.bare_noisy)
    )
    yield from _told("stars unblended, to the unblended truth", bare, bare_true)
    yield from _told("stars of the truth with noise from elsewhere", noisy, bare_true)
    sure = _star_places(blended, most=400, line_free=line_free, every_plane=True)
    pair = (_lab_rings(picture, sure, 0.0, core) for picture in (blended.done, blended.true))
    yield from _told(f"stars, to the truth, {len(sure)} at 40 sigma in every plane", *pair)
    if not line_free:
        less = _lab_rings(less_sky(blended), xy, 0.0, core)
        yield from _told("stars, to the truth less what was taken for sky", done, less)
        hidden = hidden_light(blended)
        share = 100 * float(hidden.mean()) / float(np.median(blended.true_line))
        yield Value("nebula that passes for sky in any frame, by its median", share, np.inf, "%")
        other = _lab_rings(less_hidden(blended, hidden), xy, 0.0, core)
        yield from _told("stars, truth to a truth that makes the same frames", other, true)
        return
    yield from _moved("stars, to the picture without lines", done, bare)
    worst = 0.0
    bright = xy[:150]
    for inner in (1.0, 1.5, 2.0, 2.5):
        reach = (inner * blended.fwhm_px, (inner + 0.5) * blended.fwhm_px)
        ring = _distance(*(_lab_rings(picture, bright, *reach) for picture in pictures[:2]))
        worst = max(worst, float(np.nanpercentile(ring, 95)))
    yield Value("rings at 1 to 3 FWHM, 95 % of the stars", worst, 2.0, "dE00")


def _moved(what: str, first: Points, second: Points) -> Iterator[Value]:
    moved = _distance(first, second)
    yield Value(f"{what}, median", float(np.nanmedian(moved)), 1.0, "dE00")
    yield Value(f"{what}, 95 %", float(np.nanpercentile(moved, 95)), 3.0, "dE00")


def _told(what: str, first: Points, second: Points) -> Iterator[Value]:
    for value in _moved(what, first, second):
        yield replace(value, bar=np.inf)


def saturated_stars(blended: Blended) -> Iterator[Value]:
    """Yield what blending did around stars that are clipped: rings, magenta, and missing light."""
    xy = _clipped_places(blended)
    if not len(xy):
        return
    width, pictures = blended.fwhm_px, (blended.done, blended.bare)
    after, before = (_magenta(picture, xy, 2.0 * width) for picture in pictures)
    gained = after - before
    if blended.night.options.kind == "nebula":
        # Nebula around and behind a star is pink itself, and the more so the more of its light is shown.
        yield Value(
            "clipped stars, magenta gained, the nebula's own too", float(np.nanmax(gained)), np.inf, "of 1"
        )
        own, none = (_magenta(picture, xy, 2.0 * width) for picture in (blended.true, blended.bare_true))
        gained = gained - np.maximum(own - none, 0.0)
    yield Value("clipped stars, magenta gained", float(np.nanmax(gained)), 0.02, "of 1")
    if blended.night.options.kind == "nebula":
        yield from _light_behind(blended, xy)
        return
    worst = 0.0
    for inner in np.arange(0.0, 7.0, 0.5):
        ring = _distance(
            *(_lab_rings(picture, xy, inner * width, (inner + 0.5) * width) for picture in pictures)
        )
        worst = max(worst, float(np.nanmax(ring)))
    yield Value("clipped stars, worst ring to 7 FWHM", worst, 2.0, "dE00")


def _light_behind(blended: Blended, xy: Points) -> Iterator[Value]:
    """Yield by how much the light added to red within 3 FWHM of clipped stars is not that of the nebula there.

    What the repair of clipped cores changes is not counted. The line's sky is a plane under its least light: where a
    nebula nowhere ends some of it is taken for sky, which is told and then not asked of the blend. The mask of such a
    star is 40 px wide, for closer in its own light is left in the emission, and what folds of the nebula do in there
    nobody sees: told is what the same fill misses when it is given the true light round the mask.
    """
    assert blended.linear.linear is not None and blended.linear.star_mask is not None
    added = blended.linear.linear[0] - colour_saturated(blended.balanced)[0]
    taken, median = blended.taken, float(np.median(blended.true_line))
    yield Value("nebula taken for sky, by its median light", 100 * taken / median, np.inf, "%")
    radii = np.full(len(xy), 3.0 * blended.fwhm_px)
    amount = blended.linear.recorded["blend"]["red"]["amount"]
    light = np.maximum(blended.true_line - blended.taken_surface, np.float32(0.0))
    wanted = _sums(light, xy, radii)
    usual = np.maximum(wanted, (median - taken) * np.pi * radii**2)
    missing = np.abs(_sums(added, xy, radii) / amount - wanted)
    what = "nebula behind clipped stars, missing or too much, worst"
    yield Value(what, 100 * float((missing / usual).max()), 10.0, "%")
    yield Value(f"{what[:-7]} by its own light", 100 * float((missing / wanted).max()), np.inf, "%")
    best = np.abs(_sums(fill_behind(light, blended.linear.star_mask), xy, radii) - wanted)
    yield Value(
        "  where the true light round the mask is filled in", 100 * float((best / usual).max()), np.inf, "%"
    )


def _magenta(picture: Work, xy: Points, radius: float) -> Points:
    """Return the largest code value by which red and blue both pass green near each place."""
    assert picture.display is not None
    red, green, blue = picture.display
    excess = np.minimum(red, blue) - green
    return np.array([float(np.nanmax(excess[_box(excess.shape, at, radius)])) for at in xy])


def _star_places(blended: Blended, *, most: int, line_free: bool, every_plane: bool = False) -> Points:
    """Return true stars, brightest first, at 40 sigma of green, or of every plane, not clipped; if so wanted apart from
    line light."""
    truth = blended.night.truth
    saturated = blended.flagged(Flag.SATURATED)
    rows, columns = truth.line_in_red.shape
    noise = blended.balanced.rgb.facts.noise["green"]
    planes = (0, 1, 2) if every_plane else (1,)
    least = [40 * _aperture_noise(blended, 0.75 * blended.fwhm_px, plane) for plane in planes]
    flux = truth.star_flux * np.asarray(blended.balanced.gains)[:, None]
    bright = (flux[list(planes)] >= np.array(least)[:, None]).all(axis=0)
    line = blended.true_line
    kept = []
    for at in truth.star_xy[bright]:
        x, y = at
        if not (30 <= x < columns - 30 and 30 <= y < rows - 30):
            continue
        box = _box(saturated.shape, at, 3 * blended.fwhm_px)
        if saturated[box].any() or (line_free and line[box].max() > 0.5 * noise[1]):
            continue
        kept.append(at)
        if len(kept) == most:
            break
    return np.array(kept)


def _aperture_noise(blended: Blended, radius: float, plane: int) -> float:
    """Return the noise of sums of a plane over discs of empty sky, the true light taken off: no demosaic hides it.

    A nebula may leave no empty sky: there it is that of half-differences of two draws, between the stars.
    """
    own, twin = blended.balanced.rgb.pixels[plane], blended.twin
    if twin is None:
        found, sky = own - blended.true.rgb.pixels[plane], blended.empty_sky
    else:
        other = twin.balanced.rgb.pixels[plane] * np.float32(
            blended.balanced.gains[plane] / twin.balanced.gains[plane]
        )
        found, sky = (own - other) * np.float32(0.5**0.5), blended.starless
    step = int(4 * radius)
    grid = np.mgrid[step : sky.shape[0] - step : step, step : sky.shape[1] - step : step].reshape(2, -1)
    xy = (
        grid[::-1].T[[bool(sky[_box(sky.shape, at, radius)].all()) for at in grid[::-1].T]].astype(np.float64)
    )
    sums = _sums(found, xy, np.full(len(xy), radius))
    return float(MAD_TO_SIGMA * np.median(np.abs(sums - np.median(sums))))


def _clipped_places(blended: Blended) -> Points:
    saturated = blended.flagged(Flag.SATURATED)
    truth = blended.night.truth
    rows, columns = saturated.shape
    kept = [
        at
        for at in truth.star_xy[:40]
        if 60 <= at[0] < columns - 60
        and 60 <= at[1] < rows - 60
        and saturated[_box(saturated.shape, at, 2.0)].any()
    ]
    return np.array(kept).reshape(-1, 2)


# --- places without a line -------------------------------------------------------------------------------


def places_without_line(blended: Blended) -> Iterator[Value]:
    """Yield how far blending moved nucleus, dust and blue arms where there is no line, and what it took for a line."""
    truth = blended.night.truth
    disc = truth.disc
    assert disc is not None
    emission, line = blended.balanced.lines["ha"].emission, blended.true_line
    assert emission is not None
    continuum = truth.continuum * np.asarray(blended.balanced.gains, dtype=np.float32)[:, None, None]
    y, x = np.mgrid[: line.shape[0], : line.shape[1]]
    radius = np.hypot(x - disc.x, y - disc.y)
    bulge = radius < 2.0 * disc.bulge_sigma_px
    red = continuum[0] + line
    yield from _bulge(emission, blended.whole, line=line, red=red, bulge=bulge)
    sigma = blended.balanced.rgb.facts.noise["green"][1]
    on_disc = (continuum[1] > 3 * sigma) & (line < 0.005 * red) & (radius < 4 * disc.scale_length_px)
    colour = continuum[0] / np.maximum(continuum[2], 1e-6)
    places = {
        "nucleus": radius < disc.bulge_sigma_px,
        "dust lanes": on_disc & ~bulge & (colour > np.percentile(colour[on_disc & ~bulge], 85)),
        "blue arms": on_disc & ~bulge & (colour < np.percentile(colour[on_disc & ~bulge], 15)),
    }
    for name, place in places.items():
        done, bare = (_lab_blocks(picture, place) for picture in (blended.done, blended.bare))
        moved = _distance(done, bare)
        yield Value(f"{name} without line, typical 8-px block", float(np.nanmedian(moved)), 1.0, "dE00")
        yield Value(
            f"{name} without line, 95 % of 8-px blocks", float(np.nanpercentile(moved, 95)), 1.0, "dE00"
        )


def _bulge(
    emission: Array, whole: Array, *, line: Array, red: Array, bulge: NDArray[np.bool_]
) -> Iterator[Value]:
    """Yield what is held for a line in the bulge by its red light: all of it, and what is beyond the true line."""
    mean_red = float(red[bulge].mean(dtype=np.float64))
    share = np.abs(emission[bulge].astype(np.float64)) / red[bulge]
    yield Value("|emission| over red in the bulge, worst pixel", 100 * float(np.nanmax(share)), 2.0, "%")
    for what, light in (
        ("|emission| over red in the bulge, mean", emission),
        ("the same before it is faded", whole),
        ("mean of |emission - truth| over red in the bulge", emission - line),
    ):
        mean = float(np.nanmean(np.abs(light[bulge]), dtype=np.float64))
        yield Value(what, 100 * mean / mean_red, 2.0, "%")
    rms = float(np.sqrt(np.nanmean(np.square(emission - line)[bulge], dtype=np.float64)))
    yield Value("rms of emission - truth over red in the bulge", 100 * rms / mean_red, 2.0, "%")


def white(blended: Blended) -> Iterator[Value]:
    """Yield how far the gains are from those that the true light of the same stars, weighted alike, asks for.

    And how far from the scene's own white, which is told without a bar: a field's typical star is not the scene's.
    Colours are compared to the truth under the gains that the night was given.
    """
    from scipy.spatial import cKDTree

    work, truth = blended.balanced, blended.night.truth
    assert work.stars is not None
    away, index = cKDTree(truth.star_xy).query(work.stars.xy)
    own = ~work.stars.saturated & (away < 1.0)
    flux, pixels, shared = star_light(work, work.stars.xy[own])
    error = pixels * np.asarray(shared)[:, None]
    true = truth.star_flux[:, index[own]]
    relative = np.abs(error / flux)
    chosen = stars_that_tell(flux, error)
    for plane, name in ((0, "red"), (2, "blue")):
        on = chosen[plane]
        errors = (true[1, on] * relative[1, on], true[plane, on] * relative[plane, on])
        asked = np.exp(mean_log_ratio(true[1, on], true[plane, on], errors=errors).value)
        gain = work.gains[plane]
        yield Value(f"white balance, {name} gain by its own stars'", 100 * abs(gain / asked - 1), 2.0, "%")
        off = 100 * abs(gain / truth.white_gains[plane] - 1)
        yield Value(f"white balance, {name} gain by the scene's white", off, np.inf, "%")


# --- shared ---------------------------------------------------------------------------------------------------------


def _box(shape: tuple[int, ...], at: Any, radius: float) -> tuple[slice, slice]:
    x, y = at
    rows = slice(max(int(np.floor(y - radius)), 0), min(int(np.ceil(y + radius)) + 1, shape[0]))
    return rows, slice(max(int(np.floor(x - radius)), 0), min(int(np.ceil(x + radius)) + 1, shape[1]))


def _sums(plane: Array, xy: Points, radii: Points) -> Points:
    """Return sums over discs, in float64."""
    sums = []
    for at, radius in zip(xy, radii, strict=True):
        box = _box(plane.shape, at, radius)
        y, x = np.mgrid[box]
        inside = np.hypot(x - at[0], y - at[1]) <= radius
        sums.append(float(np.nansum(plane[box][inside], dtype=np.float64)))
    return np.array(sums)


def _lab_rings(picture: Work, xy: Points, inner: float, outer: float) -> Points:
    """Return CIELAB (3, n) of the mean light in a ring around each place."""
    assert picture.display is not None
    means = []
    for at in xy:
        box = _box(picture.display.shape[1:], at, outer)
        y, x = np.mgrid[box]
        distance = np.hypot(x - at[0], y - at[1])
        # A ring that no pixel centre meets is the pixel in the middle.
        ring = (distance >= inner) & (distance < max(outer, 0.8))
        light = srgb_decode(picture.display[(slice(None), *box)])
        means.append(np.nanmean(light[:, ring], axis=1, dtype=np.float64))
    return np.asarray(linear_to_lab(np.array(means).T.reshape(3, -1)))


def _lab_blocks(picture: Work, place: NDArray[np.bool_], size: int = 8) -> Points:
    assert picture.display is not None
    light = srgb_decode(picture.display)
    means = np.stack([bin_mean(np.where(place, plane, np.nan), size) for plane in light])
    return np.asarray(linear_to_lab(means[:, np.isfinite(means).all(axis=0)]))


def _distance(first: Points, second: Points) -> Points:
    return np.asarray(ciede2000(first, second), dtype=np.float64)


NIGHTS: dict[str, dict[str, Any]] = {
    "galaxy-7": {"seed": 7},
    "galaxy-11": {"seed": 11},
    "mirrored": {"seed": 7, "mirrored": True},
    "demosaic": {"seed": 7, "correlated_noise": True, "calibrated": True},
    "sharp-line": {"seed": 7, "ha_fwhm_px": 2.4, "rgb_fwhm_px": 3.6},
    "nebula": {"seed": 7, "kind": "nebula"},
}
"""What differs from the usual night."""

QUICK = {"rows": 700, "columns": 1050}


def blend_named(
    name: str, *, recipe: str = "", settings: tuple[str, ...] = (), **changes: Any
) -> tuple[Blended, Iterator[Value]]:
    """Blend one of the nights, by its usual recipe unless another is named, and return its comparisons too."""
    usual = "nebula-emission" if name == "nebula" else "galaxy-moonlit"
    blended = blend_night(
        SceneOptions(**{**NIGHTS[name], **changes}),
        recipe=recipe or usual,
        settings=settings,
    )
    return blended, compare_blend(blended)


def main(arguments: list[str]) -> int:
    """Print one table a night; return 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one night of 700 x 1050, about a minute")
    parser.add_argument("--nights", default=",".join(NIGHTS))
    parser.add_argument(
        "--seed", type=int, help="in place of each night's own: another field and other noise"
    )
    parser.add_argument("--recipe", default="", help="in place of the usual one")
    parser.add_argument("--set", dest="settings", action="append", default=[], metavar="KEY=VALUE")
    words = parser.parse_args(arguments)
    missed = 0
    for name in ["galaxy-7"] if words.quick else words.nights.split(","):
        start = time.process_time()
        changes = QUICK if words.quick else {}
        if words.seed is not None:
            changes = {**changes, "seed": words.seed}
        _, values = blend_named(name, recipe=words.recipe, settings=tuple(words.settings), **changes)
        print(f"\n{name}")
        for value in values:
            missed += not value.held
            bar = f"{'>=' if value.low else '<='} {value.bar:g}" if np.isfinite(value.bar) else "told"
            mark = "" if value.held else "   MISSED"
            print(
                f"  {value.what:<58}{value.found:>8.3f} {value.unit:<5} {bar}{mark}",
                flush=True,
            )
        print(f"  ({time.process_time() - start:.0f} s of processor time)")
    print(f"\n{missed} bars missed")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
