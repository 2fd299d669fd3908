"""How good a picture looks, in numbers, and against the same picture without noise; and a sheet of all of them.

Run ``python benchmarks/accuracy/look.py [--scenes NAME,..] [--sheet look.png] [--real FOLDER]``. Every scene of
`lookscenes` is drawn, goes through the steps of its recipe in memory, and is finished twice: as the recipe has it, and
as it was before (white at saturation, no contrast, no curve, saturation 1.25, colour noise halved, luminance noise
whole). The noise-free scene, through the tone that was fixed on the noisy one, is the reference of each. Printed are

* where the target's 99.9th percentile stands, its signal-to-noise, and that from which noise allows the level;
* the sky's level, its tint (CIEDE2000 from neutral) and noise, where the true light is below half a sigma; the clipped
  share of the target;
* how far the lines moved the colours of stars (CIEDE2000, before and after), and the darkest ring around the 50
  brightest stars in sigma;
* the CIELAB hue of H II regions, where the line is more than half of the red light, against the recipe's intent;
* the share of the colour noise of 16-px means that the finish leaves;
* CIEDE2000 against the reference, means over 4 px, median of target, sky, and the rims of stars and H II regions, where
  colour would bleed to, before and after.

A value beyond its bar is marked with ``!``. ``--real`` adds pictures that `blend run` has made of real frames: every
folder in it that holds a ``preview.png`` joins the sheet.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from lookscenes import SCENES, Look, balanced_of, draw_night
from numpy.typing import NDArray

from blend.app.run.preview import Preview, star_colours, star_tint, without_lines
from blend.base.robust import MAD_TO_SIGMA, bin_mean
from blend.pages.sheet import draw_sheet, thumbnail
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Work, frozen
from blend.recipe.steps.stretch import mean_noise
from blend.recipe.steps.target_light import target_masks
from blend.recipe.tables import Recipe
from blend.science.picture import ciede2000, display_luminance, linear_to_lab, srgb_decode
from blend.science.picture.target_light import target_pixels
from blend.science.simulated.night import Night

Array = NDArray[np.float32]
Mask = NDArray[np.bool_]

TARGET, SKY, TINT, NOISE, CLIPPED, STARS, RING, HUE, CHROMA = (
    (0.75, 0.92),
    (0.08, 0.12),
    1.0,
    0.02,
    0.001,
    1.0,
    -1.0,
    15.0,
    1 / 3,
)


@dataclass(frozen=True)
class Value:
    """A measured value, how it is printed, and whether it holds its bar."""

    name: str
    text: str
    held: bool = True


def before_look(recipe: Recipe) -> Recipe:
    """Return the recipe with the tone and the noise that pictures had before."""
    stretch = recipe.stretch.model_copy(update={"white": "saturation", "black_sigma": 3.1})
    chroma = min(recipe.finish.chroma_reduction, 0.6)
    old = {"contrast": 0.0, "curve": (), "saturation": 1.25, "noise_sigma": 0.0, "chroma_reduction": chroma}
    finish = recipe.finish.model_copy(update=old)
    return recipe.model_copy(update={"stretch": stretch, "finish": finish})


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


def measured(work: Work, done: Work, own: Mask, sky: Mask) -> Iterator[Value]:
    """Yield what one picture shows of target and sky."""
    assert done.display is not None
    light = display_luminance(done.display)
    bright = float(np.nanpercentile(light[own], 99.9))
    tone = done.stretches["rgb"].tone
    found = work.target_light
    bound = tone is not None and tone.bound == "noise"
    yield Value("target", f"{bright:.3f}", bound or TARGET[0] <= bright <= TARGET[1])
    if found is not None and tone is not None:
        enough = found.signal_to_noise * tone.needed / found.light
        yield Value("S/N", f"{found.signal_to_noise:.0f}/{enough:.0f}{' binds' if bound else ''}")
    level = float(np.nanmedian(light[sky])) if sky.any() else float("nan")
    yield Value("sky", f"{level:.3f}", not level < SKY[0] and not level > SKY[1])
    colour = srgb_decode(np.nanmedian(done.display[:, sky], axis=1).astype(np.float64))
    lab = linear_to_lab(colour)
    tint = float(ciede2000(lab, np.array([lab[0], 0.0, 0.0])))
    yield Value("tint", f"{tint:.2f}", not tint > TINT)
    noise = MAD_TO_SIGMA * float(np.nanmedian(np.abs(light[sky] - level)))
    yield Value("noise", f"{noise:.4f}", not noise > NOISE)
    clipped = float((done.display[:, own] >= 1.0).any(axis=0).mean())
    yield Value("clipped", f"{clipped:.3%}", clipped <= CLIPPED)


def star_values(work: Work, done: Work, bare: Array, then: Work, then_bare: Array) -> Iterator[Value]:
    """Yield what became of stars."""
    assert done.display is not None and then.display is not None and work.stars is not None
    pairs = ((then.display, then_bare), (done.display, bare))
    before, after = (star_tint(star_colours(work, Preview(*pair, 1)))["median"] or 0.0 for pair in pairs)
    yield Value("stars moved", f"{before:.2f}>{after:.2f}", after <= STARS)
    ring = darkest_ring(work, done.display)
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


def hue_values(work: Work, done: Work) -> Iterator[Value]:
    """Yield the hue of H II regions as shown, against that of the colour the recipe gives the line."""
    red = next((b for b in work.recipe.blend.values() if b.into == "red" and b.amount != 0), None)
    line = next(iter(work.lines.values()), None)
    if red is None or line is None or line.emission is None or not line.found or done.display is None:
        return
    seen = np.nan_to_num(line.emission)
    region = (seen > 0.5 * work.rgb.pixels[0]) & (seen > 10.0 * line.sigma)
    if region.sum() < 20:
        return
    shown = linear_to_lab(srgb_decode(done.display[:, region].astype(np.float64)).mean(axis=1))
    hue = float(np.degrees(np.arctan2(shown[2], shown[1])))
    off = (hue - red.hue_deg + 180.0) % 360.0 - 180.0
    yield Value("H II hue", f"{hue:.0f} for {red.hue_deg:.0f}, {int(region.sum())} px", abs(off) <= HUE)


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


def chroma_values(done: Work) -> Iterator[Value]:
    """Yield which share of the colour noise of 16-px means is left."""
    found = done.recorded["finish"].get("chroma_noise", {}).get("16", {})
    if found.get("before") and found.get("after") is not None:
        left = found["after"] / found["before"]
        yield Value("chroma noise", f"{left:.2f}", left <= CHROMA)


def against_truth(night: Night, balanced: Work, recipe: Recipe, masks: tuple[Mask, ...]) -> list[float]:
    """Return the median CIEDE2000 of 4-px means inside each mask, from the picture without noise."""
    means = []
    for work in (balanced, true_light(night, balanced)):
        done = run_all(work.with_(recipe=recipe, figures=False), steps=PICTURE_STEPS).display
        assert done is not None
        means.append(np.stack([bin_mean(plane, 4) for plane in srgb_decode(done)]))
    off = ciede2000(*(linear_to_lab(np.nan_to_num(mean)) for mean in means))
    parts = [bin_mean(mask.astype(np.float32), 4) == 1 for mask in masks]
    return [float(np.nanmedian(off[part])) if part.any() else float("nan") for part in parts]


def one_scene(look: Look) -> tuple[list[Value], list[Array]]:
    """Return the values of a scene, and its pictures before and after."""
    night = draw_night(look)
    balanced = balanced_of(look, night)
    recipe, old = balanced.recipe, before_look(balanced.recipe)
    done = run_all(balanced, steps=PICTURE_STEPS)
    then = run_all(balanced.with_(recipe=old), steps=PICTURE_STEPS)
    bare = without_lines(balanced)
    own, sky = own_pixels(balanced), empty_sky(balanced)
    # Where a nebula fills the frame, what the run does not call an object is no sky for that.
    sky &= true_light(night, balanced).rgb.pixels.mean(axis=0) < 0.5 * mean_noise(balanced)
    values = [*measured(balanced, done, own, sky), *chroma_values(done), *hue_values(balanced, done)]
    values += star_values(balanced, done, bare, then, without_lines(balanced.with_(recipe=old)))
    masks = (own, sky, rims(balanced))
    before, after = (against_truth(night, balanced, one, masks) for one in (old, recipe))
    for name, then_off, now_off in zip(("target", "sky", "rims"), before, after, strict=True):
        values.append(Value(f"dE {name}", f"{then_off:.2f}>{now_off:.2f}", not now_off > then_off))
    assert done.display is not None and then.display is not None
    return values, [then.display, done.display]


def main() -> int:
    """Print the table, write the sheet; exit code 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--scenes", default="", help="names, separated by commas; all without")
    parser.add_argument("--sheet", type=Path, help="where the contact sheet goes")
    parser.add_argument("--real", type=Path, help="a folder of results of real frames")
    options = parser.parse_args()
    wanted = {name.strip() for name in options.scenes.split(",") if name.strip()}
    missed, tiles, names = 0, [], []
    for look in SCENES:
        if wanted and look.name not in wanted:
            continue
        values, pictures = one_scene(look)
        words = [f"{value.name} {value.text}{'' if value.held else '!'}" for value in values]
        print(f"{look.name:<18} " + "  ".join(words), flush=True)
        missed += sum(not value.held for value in values)
        tiles += [thumbnail(picture, 600) for picture in pictures]
        names += [f"{look.name}: before", f"{look.name}: after"]
    if options.real is not None:
        for folder, picture in _real(options.real):
            tiles.append(picture)
            names.append(folder)
    if options.sheet is not None:
        from blend.files.png import write_png

        sheet = draw_sheet(tiles, names, columns=4, title="Every scene before and after, then real frames")
        write_png(options.sheet, sheet, long_edge=None)
    print(f"{missed} bars missed")
    return int(missed > 0)


def _real(folder: Path) -> Iterator[tuple[str, Array]]:
    from PIL import Image

    for path in sorted(folder.glob("*/preview.png")):
        with Image.open(path) as image:
            codes = np.asarray(image.convert("RGB"), dtype=np.float32) / 255
        yield path.parent.name, thumbnail(np.moveaxis(codes, -1, 0), 600)


if __name__ == "__main__":
    sys.exit(main())
