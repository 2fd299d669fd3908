"""Places of the picture at exactly 100 % and 300 %: colour, lines, result and what the blends changed, side by side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.base.shrink import STRIDE_PX, sampled_means
from blend.files.png import jpeg_bytes
from blend.pages.fill_template import data_url
from blend.pages.viewer import Frame, Pictures
from blend.recipe.state import Line, Work
from blend.science.line import noise_blocks

Picture = NDArray[np.float32]
Point = tuple[float, float]
CROP_PX = 162
"""Side of what is shown at 100 %; at 300 % the middle third of it. Two stand side by side on a phone of 390 px."""
SHOWN_SIGMA = 4.0
"""The softening of bright light lies this many sigma of a pixel above the sky."""
FAINT_SIGMA = 5.0
"""Of a mean over 16 x 16 pixels: the faintest light that is shown as one, above what noise does in 10^5 means."""
EDGE_PX = 20
"""A star so near the edge of the picture is cut by its crop."""
CORNERS = ("top left", "top right", "bottom left", "bottom right")


@dataclass(frozen=True)
class Crop:
    """One place in one column: data URLs at 100 % and of its middle for 300 %."""

    column: str
    whole: str
    middle: str


@dataclass(frozen=True)
class Site:
    """One place: its name, what was measured there, where it lies in the delivered picture, and a crop a column."""

    name: str
    text: str
    place: tuple[int, int]  # row, column
    crops: tuple[Crop, ...]


def light_sites(work: Work, frame: Frame) -> list[Site]:
    """Return the places that tell whether stars, sky and emission are right, with crops of the linear light.

    Parameters
    ----------
    work : Work
        Balanced.
    frame : Frame

    Notes
    -----
    Places are looked for on one mean of 4 x 4 pixels in each 16 x 16, or on means that are there already.
    """
    x, y, width, height = frame.crop
    cut = np.s_[:, y : y + height, x : x + width]
    whole = {"colour": work.rgb.pixels, **{name: line.scaled[None] for name, line in work.lines.items()}}
    layers = {name: (frame.turn(planes[cut]), _skies(planes, work)) for name, planes in whole.items()}

    def crops(place: tuple[int, int]) -> Iterator[Crop]:
        for name, (layer, skies) in layers.items():
            large, part = _windows(place, layer.shape)
            yield _crop(name, _stretched(layer[:, *large], skies), part)

    found = []
    for name, text, place in _places(work, frame):
        column, row, _, _ = frame.inside((round(place[0]), round(place[1]), 1, 1))
        found.append(Site(name, text, (row, column), tuple(crops((row, column)))))
    return found


def closeups(sites: list[Site], pictures: Pictures) -> list[Site]:
    """Return the places with the delivered picture, and with what the blends changed, beside their light."""
    pair = _pair(pictures)
    return [
        replace(site, crops=(*site.crops, *_crops(pictures.delivered, pair, site.place))) for site in sites
    ]


def _windows(place: tuple[int, int], shape: tuple[int, ...]) -> tuple[tuple[slice, ...], tuple[slice, ...]]:
    """Return the square of 100 % around a place, and where in it that of 300 % lies, which keeps its stretch."""
    large, small = (_window(place, shape, side) for side in (CROP_PX, CROP_PX // 3))
    return large, tuple(slice(s.start - w.start, s.stop - w.start) for s, w in zip(small, large, strict=True))


def _window(place: tuple[int, int], shape: tuple[int, ...], side: int) -> tuple[slice, slice]:
    """Return a square around a place, moved inside the picture; all of a side that is shorter."""
    firsts = [max(0, min(size - side, at - side // 2)) for at, size in zip(place, shape[-2:], strict=True)]
    return slice(firsts[0], firsts[0] + side), slice(firsts[1], firsts[1] + side)


def _pair(pictures: Pictures) -> tuple[Picture, Picture, int]:
    """Return the pictures with and without lines, at one size, and how many pixels one of theirs stands for."""
    if pictures.bare is not None:
        return pictures.delivered, pictures.bare, 1
    with_lines, without, _ = pictures.averaged()
    return with_lines, without, pictures.factor


def _crops(result: Picture, pair: tuple[Picture, Picture, int], place: tuple[int, int]) -> Iterator[Crop]:
    large, part = _windows(place, result.shape)
    yield _crop("result", np.nan_to_num(result[:, *large]), part)
    with_lines, without, step = pair
    rows, columns = (
        np.clip(np.arange(w.start, min(w.stop, end)) // step, 0, size - 1)
        for w, end, size in zip(large, result.shape[1:], without.shape[1:], strict=True)
    )
    at = np.s_[:, rows[:, None], columns[None, :]]
    # grey where nothing changed; a tenth of the display's range is full brightness
    shown = np.clip(0.5 + 5.0 * np.nan_to_num(with_lines[at] - without[at]), 0.0, 1.0)
    yield _crop("difference x 10", shown, part)


def _crop(column: str, shown: Picture, part: tuple[slice, ...]) -> Crop:
    return Crop(column, _url(shown), _url(shown[:, *part]))


def _stretched(planes: Picture, skies: Picture) -> Picture:
    """Return a crop for the eye: each plane's sky at one grey, one softening for all, so that stars compare."""
    light = planes - skies
    known = light[np.isfinite(light)]
    noises = [difference_noise(plane) for plane in light if min(plane.shape) >= 6]
    noise = max(float(np.nanmean(noises)) if np.isfinite(noises).any() else 0.0, 1e-12)
    top = max(float(np.percentile(known, 99.8)) if known.size else 0.0, 20.0 * noise)
    soft = SHOWN_SIGMA * noise
    shown = np.arcsinh(np.nan_to_num(light, nan=-1.0) / soft) / np.arcsinh(top / soft)
    return np.asarray(np.clip(0.12 + 0.88 * shown, 0.0, 1.0), dtype=np.float32)


def _skies(planes: Picture, work: Work) -> Picture:
    """Return the level of the sky of each plane, (planes, 1, 1): medians of `sampled_means` off the target."""
    means = [sampled_means(plane) for plane in planes]
    where = np.isfinite(means).all(axis=0)
    if work.objects is not None and (where & (sampled_means(work.objects) == 0)).any():
        where &= sampled_means(work.objects) == 0
    skies = [np.median(mean[where]) if where.any() else 0.0 for mean in means]
    return np.array(skies, np.float32)[:, None, None]


def _url(planes: Picture) -> str:
    return data_url(jpeg_bytes(np.asarray(planes, dtype=np.float32), long_edge=None, quality=88))


def _places(work: Work, frame: Frame) -> Iterator[tuple[str, str, Point]]:
    """Give name, measurement and place on the grid of every site."""
    x, y, width, height = frame.crop
    inside = _grid_mask(work.rgb.shape, (x, y, width, height))
    target = _grid_mask(work.rgb.shape, frame.target)
    objects = target if work.objects is None else target & (sampled_means(work.objects) > 0.5)
    clear = inside if work.star_mask is None else inside & (sampled_means(work.star_mask) < 0.02)
    if (objects & inside).any():
        green = _smooth(np.nan_to_num(sampled_means(work.rgb.plane("green"))))
        # a field star before the target is none of it; a nucleus that passes for a star is where nothing else is left
        where = objects & clear if (objects & clear).any() else objects & inside
        yield "Brightest part of the target", "", _centre(np.where(where, green, -np.inf))
    for name, line in work.lines.items():
        yield from _line_places(name, line, work, objects & clear)
    yield from _corner_stars(work, frame)
    empty = clear if work.objects is None else clear & ~objects
    if not empty.any():
        return
    half = min(CROP_PX // 2, width // 2, height // 2)
    corners = [(x + dx, y + dy) for dy in (half, height - half - 1) for dx in (half, width - half - 1)]
    reach = max(1, half // STRIDE_PX)
    shares = [
        empty[max(0, j - reach) : j + reach + 1, max(0, i - reach) : i + reach + 1].mean()
        for i, j in ((int(cx) // STRIDE_PX, int(cy) // STRIDE_PX) for cx, cy in corners)
    ]
    best = int(np.argmax(shares))
    yield "Empty corner", f"{100 * shares[best]:.0f} % free of target and stars", corners[best]


def _line_places(
    name: str, line: Line, work: Work, where: NDArray[np.bool_]
) -> Iterator[tuple[str, str, Point]]:
    """Give the brightest H II region and the faintest light of a line that passes."""
    if line.emission is None or line.unfaded is None or not line.found:
        return
    four = STRIDE_PX // 4
    down, across = where.shape
    blocks = line.unfaded[: down * four, : across * four].reshape(down, four, across, four)
    passes = where & (sampled_means(line.emission) > 0)
    best = np.where(passes, np.nanmax(np.nan_to_num(blocks, nan=-1.0), axis=(1, 3)), -np.inf)
    if np.isfinite(best).any():
        noise = difference_noise(line.unfaded)
        text = f"{best.max() / noise:.0f} sigma of a mean over 4 x 4 pixels" if noise > 0 else ""
        yield f"Brightest H II region in {name}", text, _centre(best)
    means = noise_blocks(line.unfaded)[:down, :across]
    noise = difference_noise(means) if min(means.shape) >= 6 else float("nan")
    if noise > 0:
        significance = np.nan_to_num(means / noise)
        sure = passes[: means.shape[0], : means.shape[1]] & (significance >= FAINT_SIGMA)
        faint = np.where(sure, significance, np.inf)
        if np.isfinite(faint).any():
            text = f"{faint.min():.1f} sigma of a mean over 16 x 16 pixels"
            yield f"Faintest arm: light of {name} that passes", text, _centre(-faint)


def _corner_stars(work: Work, frame: Frame) -> Iterator[tuple[str, str, Point]]:
    """Give the star nearest to each corner of the picture, with what registrations leave there."""
    fits = {name: fit for (name, index), fit in work.alignments.items() if index == 0 and fit.matched}
    first = next(iter(fits.values()), None)
    xy = first.reference_xy if first is not None else None if work.stars is None else work.stars.xy
    if xy is None or not len(xy):
        return
    x, y, width, height = frame.crop
    low, high = (x + EDGE_PX, y + EDGE_PX), (x + width - EDGE_PX, y + height - EDGE_PX)
    xy = xy[((xy >= low) & (xy < high)).all(axis=1)]
    for name, (column, row) in zip(CORNERS, ((0, 0), (1, 0), (0, 1), (1, 1)), strict=True):
        if not len(xy):
            return
        corner = _grid_corner(frame, column, row)
        star = xy[np.argmin(np.hypot(*(xy - corner).T))]
        left = []
        for label, fit in fits.items():
            near = np.hypot(*(fit.reference_xy - star).T)
            at = int(np.argmin(near))
            if near[at] < 1.0:
                off = fit.forward(fit.moving_xy[at : at + 1])[0] - fit.reference_xy[at]
                left.append(f"{label} {np.hypot(*off):.2f} px off")
        yield f"Star nearest to the {name} corner", ", ".join(left), (float(star[0]), float(star[1]))


def _grid_corner(frame: Frame, column: int, row: int) -> Point:
    """Return which corner of the crop on the grid is the one at this end of the picture's columns and rows."""
    x, y, width, height = frame.crop
    at = int(frame.turn(np.arange(4, dtype=np.float32).reshape(1, 2, 2))[0, row, column])
    return x + at % 2 * (width - 1), y + at // 2 * (height - 1)


def _grid_mask(shape: tuple[int, int], box: tuple[int, int, int, int]) -> NDArray[np.bool_]:
    """Return which squares of `sampled_means` have their middle in a box."""
    middles = [STRIDE_PX * np.arange(size // STRIDE_PX) + STRIDE_PX / 2 for size in shape]
    x, y, width, height = box
    down, across = (middles[0] >= y) & (middles[0] < y + height), (middles[1] >= x) & (middles[1] < x + width)
    return np.asarray(down[:, None] & across[None, :])


def _smooth(plane: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return means over 3 x 3, edges repeated: a star is one sample, the target's middle several."""
    wide = np.pad(plane, 1, mode="edge")
    rows = wide[:-2] + wide[1:-1] + wide[2:]
    return np.asarray((rows[:, :-2] + rows[:, 1:-1] + rows[:, 2:]) / 9.0)


def _centre(values: NDArray[np.floating]) -> Point:
    """Return the middle, in pixels of the grid, of the square with the greatest value."""
    row, column = np.unravel_index(int(np.argmax(values)), values.shape)
    return (float(column) + 0.5) * STRIDE_PX, (float(row) + 0.5) * STRIDE_PX
