"""Numbers to choose a picture by: what a blend did to emission, sky, stars and gamut, beside the same without it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.run import Preview, star_colours, star_tint
from blend.base.shrink import shrink
from blend.recipe.state import COLOUR, Work
from blend.science.picture import luminance

MOST_SAMPLES = 60_000
BLOCK = 8
NEAR = 4
"""Neighbourhood of an emission region, in blocks of `BLOCK` pixels."""

BLACK = 1.0 / 255.0
"""Surroundings darker than the first code of eight bits are black: nothing outshines them by a number of times."""

Index = NDArray[np.intp]


class Yardstick:
    """Where to measure the pictures of some balanced layers."""

    def __init__(self, layers: Work, factor: int) -> None:
        self.layers = layers
        self.factor = factor
        emission, sigma, broad = _emission(layers)
        self.plane = COLOUR.index(broad)
        mask = layers.star_mask
        clear = np.isfinite(layers.rgb.pixels).all(axis=0) if mask is None else mask < 0.05
        clear = np.asarray(clear & ~layers.invalid())
        shines = np.asarray(clear & (emission > 5.0 * sigma / factor))
        near = grown(shines) & clear & (emission < 2.0 * sigma / factor)
        self.shines, self.near = _sample(shines), _sample(near)
        self.sky = _sample(_pairs(clear & (emission < 2.0 * sigma / factor), layers))

    def measure(self, work: Work, plain: Work) -> dict[str, Any]:
        """Return the numbers of a finished picture beside the one without blends.

        Returns
        -------
        dict
            ``emission_contrast``: by how much emission outshines its surroundings, (mean - surroundings) /
            surroundings of the code values of the plane that holds the line; ``emission_gain``: that over the same of
            the picture without blends. ``sky_noise``: over the same without blends. ``star_shift``: CIEDE2000,
            ``median`` and ``p95`` over ``stars``. ``clipped``: shares of pixels ``black`` and ``white``.
            ``out_of_gamut``: the largest share a blend reports. None where there is nothing to measure.
        """
        assert work.display is not None and plain.display is not None
        contrasts = [self._contrasts(picture) for picture in (work.display, plain.display)]
        noises = [self._noise(picture) for picture in (work.display, plain.display)]
        contrast = gain = None
        if contrasts[0] is not None:
            contrast = float(contrasts[0][self.plane])
        if contrast is not None and contrasts[1] is not None and contrasts[1][self.plane] > 0:
            gain = contrast / float(contrasts[1][self.plane])
        shift = (
            {"stars": 0, "median": None, "p95": None}
            if self.layers.stars is None
            else star_tint(star_colours(self.layers, Preview(work.display, plain.display, self.factor)))
        )
        outside = [made.out_of_gamut or 0.0 for made in work.blended]
        return {
            "emission_contrast": contrast,
            "emission_gain": gain,
            "sky_noise": noises[0] / noises[1] if noises[1] > 0 else None,
            "star_shift": shift,
            "clipped": dict(work.recorded["clipped"]),
            "out_of_gamut": max(outside, default=0.0),
        }

    def _contrasts(self, display: NDArray[np.float32]) -> NDArray[np.float64] | None:
        if self.shines.size < 20 or self.near.size < 20:
            return None
        flat = display.reshape(3, -1)
        bright = np.nanmean(flat[:, self.shines], axis=1, dtype=np.float64)
        near = np.asarray(np.nanmean(flat[:, self.near], axis=1, dtype=np.float64))
        if not near[self.plane] >= BLACK:
            return None
        return np.asarray((bright - near) / np.maximum(near, 1e-6))

    def _noise(self, display: NDArray[np.float32]) -> float:
        """Return the noise of the sky's luminance: the robust scatter of differences between neighbours in a row."""
        if self.sky.size < 20:
            return 0.0
        flat = display.reshape(3, -1)
        steps = [luminance(flat[:, self.sky + offset][:, None]) for offset in (1, 0)]
        difference = np.abs(steps[0] - steps[1])
        return float(np.nanmedian(difference) / (0.6744898 * np.sqrt(2.0)))


def _emission(layers: Work) -> tuple[NDArray[np.float32], float, str]:
    """Return the light of the line that the recipe blends first, and the noise of one pixel of it, and its plane."""
    wanted = [blend.master for blend in layers.recipe.blend.values()]
    for name in (*wanted, *layers.lines):
        line = layers.lines.get(name)
        if line is not None and line.emission is not None:
            return line.emission, line.sigma, line.broad
    return np.zeros(layers.rgb.shape, dtype=np.float32), 1.0, "red"


def grown(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the pixels at most `NEAR` blocks from any of the mask."""
    high, broad = (-(-edge // BLOCK) * BLOCK for edge in mask.shape)
    whole = np.zeros((1, high, broad), dtype=np.float32)
    whole[0, : mask.shape[0], : mask.shape[1]] = mask
    blocks = shrink(whole, BLOCK)[0] > 0
    for _ in range(2):
        # Down, then, turned, across: both together reach a square.
        wide = np.pad(blocks, ((NEAR, NEAR), (0, 0)))
        blocks = np.logical_or.reduce([wide[k : k + blocks.shape[0]] for k in range(2 * NEAR + 1)]).T
    whole = np.repeat(np.repeat(blocks, BLOCK, axis=0), BLOCK, axis=1)
    return np.asarray(whole[: mask.shape[0], : mask.shape[1]])


def _pairs(sky: NDArray[np.bool_], layers: Work) -> NDArray[np.bool_]:
    """Return the sky pixels, no brighter than usual, whose right neighbour is sky too."""
    light = layers.rgb.pixels[1]
    usual = light[:: max(1, light.shape[0] // 400), :: max(1, light.shape[1] // 400)]
    dark = sky & (light < np.nanquantile(usual, 0.6))
    pairs = np.zeros(dark.shape, dtype=np.bool_)
    pairs[:, :-1] = dark[:, :-1] & dark[:, 1:]
    return pairs


def _sample(mask: NDArray[np.bool_]) -> Index:
    places = np.flatnonzero(mask)
    return places[:: max(1, places.size // MOST_SAMPLES)]
