"""How good a picture looks, in numbers, and against the same picture without noise; and a sheet of all of them.

Run ``python benchmarks/accuracy/look.py [--scenes NAME,..] [--sheet look.png] [--real] [--aside N]``. Every scene of
`lookscenes` is drawn, goes through the steps of its recipe in memory, and is finished twice: as the recipe has it, and
as it was before (white at saturation, no contrast, no curve, saturation 1.25, 0.6 of a galaxy's colour noise out,
luminance noise whole).
The noise-free scene, through the tone that was fixed on the noisy one, is the truth of each; no noise reduction touches
it, so that structure it takes counts as an error. Printed are

* where the target's 99.9th percentile stands, its signal-to-noise, and that from which noise allows the level;
* the sky's level, its tint (CIEDE2000 from the nearest colour between neutral and the true picture's: where nebula
  leaves no sky, its even light and a brighter sky make the same frames, and none can tell how much of it is there) and
  noise, where the true light is below half a sigma; its specks, dark and bright pixels that stand out of their
  neighbours, in a thousand; the clipped share of the target;
* how far the lines moved the colours of stars (CIEDE2000, before, after, and in the true picture, where a nebula's
  light behind a star moves it, too), how far each star is from the same picture blended with the true light of the
  line, and the darkest ring around the 50 brightest stars in sigma;
* the CIELAB hue of H II regions, where more than half of the true red light is the line's: as shown, as the recipe's
  linear sum of true base light and line has it, and of what the recipe adds alone; of a few dozen noisy pixels by
  as many nights as tell it to 4 degrees, twenty at most, and missed where it is beyond the bar by more than its error;
* the share of the colour noise of 16-px means that the finish leaves: of the differences of three nights of one scene,
  so that the scene's own colours are no noise; one difference tells it to 4 %;
* CIEDE2000 from the truth, means over 4 px, median of target, sky, and the rims of stars and H II regions, where colour
  would bleed to, before and after; on noisy scenes it must fall by a third.

A value beyond its bar is marked with ``!``. ``--real`` adds the real frames (`lookreal`), of which no truth is known.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import combinations
from pathlib import Path

import numpy as np
from lookreal import real_works
from lookscenes import CHROMA_BEFORE, SCENES, Look, balanced_of, draw_night
from numpy.typing import NDArray

from blend.app.run.preview import Preview, star_colours, star_tint, without_lines
from blend.base.errors import BlendError
from blend.base.robust import MAD_TO_SIGMA, bin_mean, difference_noise
from blend.files.png import thumbnail
from blend.pages.sheet import draw_sheet
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Work, frozen
from blend.recipe.steps.stretch import mean_noise
from blend.recipe.steps.target_light import target_masks
from blend.recipe.tables import Recipe
from blend.science.picture import ciede2000, display_luminance, linear_to_lab, srgb_decode
from blend.science.picture.colourspace import linear_to_oklab
from blend.science.picture.target_light import target_pixels
from blend.science.simulated.night import Night

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

TARGET, SKY, TINT, NOISE, CLIPPED, STARS, RING, HUE, CHROMA, SPECKS = (
    (0.75, 0.92),
    (0.08, 0.12),
    1.0,
    0.02,
    0.001,
    1.0,
    -1.0,
    15.0,
    1 / 3,
    5.0,
)


FEW_PX, NIGHTS, HUE_ERROR = 200, 20, 4.0
"""H II regions of fewer pixels are judged by the mean colour of several nights, until its hue is known to 4 degrees: in
the 29 to 71 pixels of shallow frames one night is 13 degrees off by chance."""


@dataclass(frozen=True)
class Value:
    """A measured value, how it is printed, and whether it holds its bar."""

    name: str
    text: str
    held: bool = True


def before_look(recipe: Recipe, chroma: float) -> Recipe:
    """Return the recipe with the tone and the noise that pictures had before; ``chroma`` of the colour noise went."""
    stretch = recipe.stretch.model_copy(update={"white": "saturation", "black_sigma": 3.1})
    old = {"contrast": 0.0, "curve": (), "saturation": 1.25, "noise_sigma": 0.0, "chroma_reduction": chroma}
    return with_finish(recipe.model_copy(update={"stretch": stretch}), **old)


def own_pixels(work: Work) -> Mask:
    """Return which pixels of the frame are the target's own."""
    assert work.objects is not None
    stars, closed = target_masks(work)
    found = target_pixels(work.rgb.pixels, objects=work.objects, stars=stars, closed=closed)
    own = np.zeros(work.rgb.shape, dtype=bool)
    if found is not None:
        own[found[0], found[1]] = found[2]
    return own


def empty_sky(work: Work) -> Mask:
    """Return the pixels that show nothing but sky, as far as the run knows."""
    assert work.objects is not None and work.star_mask is not None
    return np.asarray(~work.objects & (work.star_mask <= 0) & ~work.invalid())


def measured(work: Work, done: Work, own: Mask, sky: Mask, true: Array | None) -> Iterator[Value]:
    """Yield what one picture shows of target and sky; ``true`` is the picture without noise, if there is one."""
    assert done.display is not None
    light = display_luminance(done.display)
    bright = float(np.nanpercentile(light[own], 99.9)) if own.any() else float("nan")
    tone = done.stretches["rgb"].tone
    found = work.target_light
    bound = tone is not None and tone.bound == "noise"
    yield Value("target", f"{bright:.3f}", bound or TARGET[0] <= bright <= TARGET[1])
    if found is not None and tone is not None:
        enough = found.signal_to_noise * tone.needed / found.light
        yield Value("S/N", f"{found.signal_to_noise:.0f}/{enough:.0f}{' binds' if bound else ''}")
    level = float(np.nanmedian(light[sky])) if sky.any() else float("nan")
    yield Value("sky", f"{level:.3f}", not level < SKY[0] and not level > SKY[1])
    lab, wanted = (
        np.zeros(3) if picture is None else sky_lab(picture, sky) for picture in (done.display, true)
    )
    between = np.linspace(np.zeros(2), wanted[1:], 11).T
    tint = float(np.min(ciede2000(lab[:, None], np.stack([np.full(11, lab[0]), *between]))))
    yield Value("tint", f"{tint:.2f}", not tint > TINT)
    noise = MAD_TO_SIGMA * float(np.nanmedian(np.abs(light[sky] - level)))
    yield Value("noise", f"{noise:.4f}", not noise > NOISE)
    dark, bright = specks(light, sky)
    # Of real frames no bar: their stars may be as sharp as noise, and their faintest stars are specks.
    held = true is None or max(dark, bright) <= SPECKS
    yield Value("specks", f"{dark:.1f} dark, {bright:.1f} bright", held)
    clipped = float((done.display[:, own] >= 1.0).any(axis=0).mean())
    yield Value("clipped", f"{clipped:.3%}", clipped <= CLIPPED)


def specks(light: Array, sky: Mask) -> tuple[float, float]:
    """Return how many in a thousand sky pixels stand out of their 5 x 5 neighbours' median, dark and bright.

    By 5 sigma of what all of them do, and by three steps of 8 bits at least: less is not seen.
    """
    from scipy.ndimage import median_filter

    if not sky.any():
        return 0.0, 0.0
    light = np.nan_to_num(light, nan=float(np.nanmedian(light)))
    off = (light - median_filter(light, 5))[sky]
    least = max(5.0 * MAD_TO_SIGMA * float(np.median(np.abs(off))), 3.0 / 255.0)
    return 1000.0 * float((off < -least).mean()), 1000.0 * float((off > least).mean())


def sky_lab(picture: Array, sky: Mask) -> NDArray[np.float64]:
    """Return CIELAB of the median sky."""
    return np.asarray(linear_to_lab(srgb_decode(np.nanmedian(picture[:, sky], axis=1).astype(np.float64))))


def star_values(work: Work, pairs: list[tuple[Array, Array]]) -> Iterator[Value]:
    """Yield what became of stars; pairs of pictures with and without lines: before, after and, where known, true."""
    moved = [star_tint(star_colours(work, Preview(*pair, 1)))["median"] or 0.0 for pair in pairs]
    true = moved[2] if len(moved) > 2 else 0.0
    told = ", true ".join(f"{value:.2f}" for value in moved[1:])
    yield Value("stars moved", f"{moved[0]:.2f}>{told}", moved[1] - true <= STARS)
    ring = darkest_ring(work, pairs[1][0])
    yield Value("darkest ring", f"{ring:+.2f}", ring >= RING)


def darkest_ring(work: Work, display: Array) -> float:
    """Return the darkest ring around each of the 50 brightest stars against further out, in sigma: the median star."""
    assert work.stars is not None
    light, sky = display_luminance(display), empty_sky(work)
    sigma = (
        MAD_TO_SIGMA * float(np.nanmedian(np.abs(light[sky] - np.nanmedian(light[sky]))))
        if sky.any()
        else 0.0
    )
    rows, columns = light.shape
    y, x = np.mgrid[:rows, :columns]
    found = []
    for at in work.stars.xy[np.argsort(-work.stars.flux)[:50]]:
        r = np.hypot(x - at[0], y - at[1])
        around = [light[(r >= inner) & (r < inner + 2) & sky] for inner in range(3, 15, 2)]
        far = light[(r >= 15) & (r < 25) & sky]
        rings = [float(np.nanmean(ring)) for ring in around if ring.size >= 30]
        if rings and far.size >= 100 and sigma > 0:
            found.append((min(rings) - float(np.nanmedian(far))) / sigma)
    return float(np.median(found)) if found else 0.0


def hue_value(look: Look, first: tuple[Work, Work, Work]) -> Iterator[Value]:
    """Yield the hue of H II regions as shown, as the true light has it in the recipe's sum, and of the line alone.

    ``first`` is a night's balanced work, its picture, and its true light.
    """
    red = next((b for b in first[0].recipe.blend.values() if b.into == "red" and b.amount != 0), None)
    found = None if red is None else region_colours(*first)
    if red is None or found is None:
        return
    pixels, colours = found[0], [found[1]]
    off, error = hue_off(np.array(colours))
    for seed in range(NIGHTS - 1) if pixels < FEW_PX else ():
        night = draw_night(look, noise_seed=look.night.seed + 2001 + seed)
        balanced = balanced_of(look, night)
        more = region_colours(balanced, pictured(balanced, balanced.recipe), true_light(night, balanced))
        colours += [more[1]] if more is not None else []
        off, error = hue_off(np.array(colours))
        if len(colours) > 3 and error < HUE_ERROR:
            break
    hue, wanted = hues(colours[0])
    told = f"{hue:.0f} for {wanted:.0f}, added {red.hue_deg:.0f}, {pixels} px"
    if len(colours) > 1:
        told += f", {len(colours)} nights off {off:+.0f} +- {error:.0f}"
    yield Value("H II hue", told, abs(off) - error <= HUE)


def region_colours(balanced: Work, done: Work, true: Work) -> tuple[int, NDArray[np.float64]] | None:
    """Return how many pixels are H II regions, and their mean light as shown and as the true light has it, (2, 3)."""
    line = next(iter(true.lines.values()), None)
    if line is None or line.emission is None or done.display is None:
        return None
    region = (line.emission > 0.5 * true.rgb.pixels[0]) & (line.emission > 10.0 * line.sigma)
    region &= np.isfinite(done.display).all(axis=0)
    if region.sum() < 20:
        return None
    summed = run_all(true.with_(figures=False), steps=PICTURE_STEPS[:1]).linear
    assert summed is not None
    light = summed[:, region].mean(axis=1, dtype=np.float64)
    shown = srgb_decode(done.display[:, region].astype(np.float64)).mean(axis=1)
    return int(region.sum()), np.stack([shown, light * (0.3 / light.max())])


def hues(colours: NDArray[np.float64]) -> tuple[float, float]:
    """Return the hue as shown and as wanted."""
    return hue_deg(colours[0]), hue_deg(colours[1])


def hue_off(nights: NDArray[np.float64]) -> tuple[float, float]:
    """Return how far the hue of the nights' mean colour is off, in degrees, and its error by leaving out each."""

    def off(some: NDArray[np.float64]) -> float:
        hue, wanted = hues(some.mean(axis=0))
        return (hue - wanted + 180.0) % 360.0 - 180.0

    count = len(nights)
    less = [off(np.delete(nights, k, axis=0)) for k in range(count)] if count > 1 else [0.0]
    return off(nights), float(np.std(less) * (count - 1) ** 0.5)


def hue_deg(light: NDArray[np.float64]) -> float:
    """Return the CIELAB hue of linear light."""
    lab = linear_to_lab(light)
    return float(np.degrees(np.arctan2(lab[2], lab[1])))


def true_light(night: Night, balanced: Work) -> Work:
    """Return the balanced work with the true light in place of what was measured; facts, noise and target kept."""
    gains = np.asarray(balanced.gains, dtype=np.float32)
    light = night.truth.continuum * gains[:, None, None]
    emission = night.truth.line_in_red * gains[0]
    light[0] += emission
    lines = {name: replace(one, emission=emission) for name, one in balanced.lines.items()}
    masters = {**balanced.masters, "rgb": balanced.rgb.with_(pixels=light.astype(np.float32))}
    return balanced.with_(masters=frozen(masters), lines=frozen(lines))


def rims(work: Work) -> Mask:
    """Return what lies within 8 px of stars and H II regions and is neither: where colour would bleed to."""
    from scipy.ndimage import binary_dilation

    assert work.star_mask is not None
    shining = work.star_mask > 0.5
    for line in work.lines.values():
        if line.emission is not None:
            shining |= np.nan_to_num(line.emission) > 10.0 * line.sigma
    return np.asarray(binary_dilation(shining, iterations=8) & ~shining)


def chroma_left(look: Look, balanced: Work) -> Value:
    """Return the share of the colour noise of 16-px means that is left, by three nights of the same scene."""
    seed, recipe = look.night.seed, balanced.recipe
    nights = [balanced, *(balanced_of(look, draw_night(look, noise_seed=seed + k)) for k in (1000, 2000))]
    whole = with_finish(recipe, chroma_reduction=0.0, green_limit=0.0)
    noise = []
    for chosen in (recipe, whole):
        colours = [block_colour(pictured(night, chosen)) for night in nights]
        differences = [one - other for one, other in combinations(colours, 2)]
        noise.append(np.hypot.reduce([difference_noise(plane) for pair in differences for plane in pair]))
    left = float(noise[0] / noise[1])
    return Value("chroma noise", f"{left:.2f}", left <= CHROMA)


def block_colour(work: Work) -> Array:
    """Return OKLab's a and b of means over 16 px."""
    assert work.display is not None
    means = np.stack([bin_mean(plane, 16) for plane in srgb_decode(np.nan_to_num(work.display))])
    return np.asarray(linear_to_oklab(means)[1:], dtype=np.float32)


def pictured(work: Work, recipe: Recipe) -> Work:
    """Return balanced work with its picture."""
    return run_all(work.with_(recipe=recipe, figures=False), steps=PICTURE_STEPS)


def with_finish(recipe: Recipe, **values: object) -> Recipe:
    """Return the recipe with other values of its finish."""
    return recipe.model_copy(update={"finish": recipe.finish.model_copy(update=values)})


def against_truth(done: Work, true: Work, masks: tuple[Mask, ...]) -> list[float]:
    """Return the median CIEDE2000 of 4-px means inside each mask, from the picture without noise."""
    means = []
    for work in (done, true):
        assert work.display is not None
        means.append(np.stack([bin_mean(plane, 4) for plane in srgb_decode(work.display)]))
    off = ciede2000(*(linear_to_lab(np.nan_to_num(mean)) for mean in means))
    parts = [bin_mean(mask.astype(np.float32), 4) == 1 for mask in masks]
    return [float(np.nanmedian(off[part])) if part.any() else float("nan") for part in parts]


def one_scene(look: Look) -> tuple[list[Value], list[Array]]:
    """Return the values of a scene, and its pictures before and after."""
    night = draw_night(look)
    balanced = balanced_of(look, night)
    true = true_light(night, balanced)
    own, sky = own_pixels(balanced), empty_sky(balanced)
    # Where a nebula fills the frame, what the run does not call an object is no sky for that.
    sky &= true.rgb.pixels.mean(axis=0) < 0.5 * mean_noise(balanced)
    now, old = balanced.recipe, before_look(balanced.recipe, CHROMA_BEFORE[look.recipe])
    clean: dict[str, float] = {"noise_sigma": 0.0, "chroma_reduction": 0.0, "green_limit": 0.0}
    (then, then_true), (done, done_true) = (
        (pictured(balanced, recipe), pictured(true, with_finish(recipe, **clean))) for recipe in (old, now)
    )
    values = [*measured(balanced, done, own, sky, done_true.display), chroma_left(look, balanced)]
    values += hue_value(look, (balanced, done, true))
    starts = (balanced.with_(recipe=old), balanced, true.with_(recipe=done_true.recipe))
    known = pictured(balanced.with_(lines=true.lines), now)
    ends = (then, done, done_true)
    pairs = [(end.display, without_lines(start)) for end, start in zip(ends, starts, strict=True)]
    values += star_values(balanced, pairs)
    off = star_tint(star_colours(balanced, Preview(done.display, known.display, 1)))["median"] or 0.0
    values.append(Value("stars by the true line", f"{off:.2f}", off <= STARS))
    masks = (own, sky, rims(balanced))
    before, after = (against_truth(*pair, masks) for pair in ((then, then_true), (done, done_true)))
    for name, then_off, now_off in zip(("target", "sky", "rims"), before, after, strict=True):
        most = then_off * (2 / 3 if look.noisy and name == "target" else 1.0)
        values.append(Value(f"dE {name}", f"{then_off:.2f}>{now_off:.2f}", not now_off > most))
    return values, [then.display, done.display]


def real_scene(work: Work) -> tuple[list[Value], list[Array]]:
    """Return the values of a real target, whose truth nobody knows, and its pictures before and after."""
    old = before_look(work.recipe, 0.6 * (work.recipe.finish.chroma_reduction > 0))
    then, done = pictured(work, old), run_all(work, steps=PICTURE_STEPS)
    values = list(measured(work, done, own_pixels(work), empty_sky(work), None))
    found = done.recorded["finish"].get("chroma_noise", {}).get("16", {})
    if found.get("before") and found.get("after") is not None:
        values.append(Value("chroma noise and colours", f"{found['after'] / found['before']:.2f}"))
    pairs = [(then.display, without_lines(work.with_(recipe=old))), (done.display, without_lines(work))]
    return [*values, *star_values(work, pairs)], [then.display, done.display]


def scenes(wanted: set[str], *, real: bool, aside: int) -> Iterator[tuple[str, list[Value], list[Array]]]:
    """Yield the name, the values and both pictures of every scene wanted."""
    for look in SCENES:
        if not wanted or look.name in wanted:
            options = {**look.options, "seed": look.options["seed"] + aside}
            try:
                yield look.name, *one_scene(replace(look, options=options))
            except BlendError as error:
                # Some seeds kept aside draw too few stars for a line's scale or a match: there is no picture to judge.
                yield look.name, [Value("no picture:", str(error).split(";")[0])], []
    for name, work in real_works() if real else ():
        if not wanted or name in wanted:
            yield name, *real_scene(work)


def main() -> int:
    """Print the table, write the sheet; exit code 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--scenes", default="", help="names, separated by commas; all without")
    parser.add_argument("--sheet", type=Path, help="where the contact sheet goes")
    parser.add_argument(
        "--aside", type=int, default=0, help="added to every seed: scenes that nothing was tuned on"
    )
    parser.add_argument("--real", action="store_true", help="the real frames, too")
    options = parser.parse_args()
    wanted = {name.strip() for name in options.scenes.split(",") if name.strip()}
    missed, unmade, tiles, names = 0, 0, [], []
    for name, values, pictures in scenes(wanted, real=options.real, aside=options.aside):
        words = [f"{value.name} {value.text}{'' if value.held else '!'}" for value in values]
        print(f"{name:<18} " + "  ".join(words), flush=True)
        missed += sum(not value.held for value in values)
        tiles += [thumbnail(picture, 600) for picture in pictures]
        names += [f"{name}: before", f"{name}: after"] if pictures else []
        unmade += not pictures
    if options.sheet is not None:
        from blend.files.png import write_png

        sheet = draw_sheet(tiles, names, columns=4, title="Every scene before and after, then real frames")
        write_png(options.sheet, sheet, long_edge=None)
    print(f"{missed} bars missed" + (f", {unmade} scenes without a picture" if unmade else ""))
    return int(missed + unmade > 0)


if __name__ == "__main__":
    sys.exit(main())
