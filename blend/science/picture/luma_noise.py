"""Noise of luma told from structure: what a finished picture may lose at 1 to 64 px.

Luma y = 0.2126 R' + 0.7152 G' + 0.0722 B' of code values is parted into the bands of the B3 starlet, w_j of 2^j px,
those of 8 px and more on means of 4 x 4 pixels. A band loses

w_j / (1 + max(m_i / k_i)^8), i <= j, m_i^2 = the most of min(e_i, 1) and e_i - 1, e_i = mean of (u_i / (g s_i))^2

over (1, 2, 1)^2 / 16 of neighbours. Noise alone has e = 1, so that e - 1 is what light adds: with e in its place, half
of what a faint star had to pass was noise's own. u_0 = w_1 + 0.15 w_0, neighbours 1 px apart, shows the sharpest star
best; u_1 = u_2 = w_2 and then u_j = w_j, neighbours 2^j px apart, what is wider. k_i = k, but k_0 is as much more as
the width of the picture's stars allows (`point_limit`): a pixel or two that stand out where no star is so sharp are
noise, dark or bright, and stayed whole as specks in a smooth sky. s_i is the noise of u_i in the darker half of the
picture, so that noise which neighbours share counts as what it is; g <= 1 is how much less there is at the brightness
of the place, by the finest band. What is seen at one scale keeps its wings in the wider ones: a star of 4 sigma lost 4
% without that. The same is taken from all three planes: their differences stay, and so does the colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import known_median, median, median_and_sigma
from blend.base.rowblocks import map_row_blocks, map_together, row_blocks
from blend.science.picture.chroma import MOST_CORRELATION, WHITE_NOISE_IN_BANDS, mirror, sample_step
from blend.science.picture.colour import LUMINANCE_WEIGHTS
from blend.science.picture.luma_noise_loops import (
    energy_rows,
    lose_rows,
    luma_rows,
    mean_blocks,
    smooth_rows,
)
from blend.science.plane import spread_rows

Array = NDArray[np.float32]

MOST_SIGMA = 1.5
"""k at which a light of 4 sigma keeps 98 % or more: `tests/science/picture/test_luma_noise.py`."""

KEPT_NOISE = ((0.0, 1.0), (0.5, 0.981), (0.8, 0.805), (1.0, 0.553), (1.2, 0.363), (1.3, 0.306), (1.5, 0.222))
"""Where stars are 1.8 px wide; wider ones let less stay. Measured by `tests/science/picture/test_luma_noise.py`."""

SHARPEST_PX = 1.5
"""FWHM where no star tells it: sharper ones fall on a pixel."""

LIMIT_AT_SHARPEST, LIMIT_PER_PX, HIGHEST_LIMIT = 1.1, 1.3, 3.0
"""The most k_0, at which a star of 4 sigma keeps 98 %: 1.1 at 1.5 px, 1.75 at 2 px, 2.4 at 2.5 px; measured there, too.
What 3 leaves of noise is the wider bands' own."""

POINT = 0.15
"""Share of w_0 in u_0: of a star of FWHM 1.5 px and 4 sigma, 4.5 sigma stand out, of the 4.7 that all its pixels have
together; without, 4.0. Worked out from the bands' kernels by `tests/science/picture/test_luma_noise.py`."""

FINE, COARSE = (1, 2, 4), (2, 4, 8, 16)
"""Steps of the bands, in pixels and in blocks of 4 x 4."""

ROWS = 128
"""Rows of a block: `PAD` more on both sides are worked out beside them."""

PAD = 18
"""2 (1 + 2 + 4) rows for three smoothings, 4 for the neighbours in the third band."""

SMOOTHED = PAD - 2 * sum(FINE)
"""The first row of a block in a plane that has lost the rows of all three smoothings."""

SAMPLED_BLOCKS = 8
"""Blocks of rows that the noise is measured in, of a large picture: 6 million pixels of 24."""

STAR_SIGMA = 5.0
"""What stands out by more, either way, is no noise: the faintest stars are among the darker half of a picture."""

STEPS = 256
FEWEST = 400
"""Pixels whose scatter tells the noise at a brightness to 5 %."""


@dataclass(frozen=True)
class LumaNoise:
    """What the picture loses.

    Attributes
    ----------
    fine : (rows, columns) float32
        At 1 to 4 px.
    coarse : (rows / 4, columns / 4) float32
        At 8 to 64 px, to be read with straight lines between the centres of blocks.
    sigmas : tuple of float
        The noise of the bands of 1, 2, 4, ... px, in code values.
    left : float
        Share of the noise that is left in the darker half of the picture, standard deviations.
    """

    fine: Array
    coarse: Array
    sigmas: tuple[float, ...]
    left: float

    def plane(self) -> Array:
        """Return all that is lost, (rows, columns): what a picture of the residual shows."""
        fine, out = self.fine, np.empty_like(self.fine)

        def fill_rows(rows: slice) -> None:
            np.add(fine[rows], spread_rows(self.coarse, 4, rows, fine.shape[1]), out=out[rows])

        map_row_blocks(fill_rows, len(out))
        return out


def kept_noise(sigma: float, fwhm_px: float = 1.8) -> float:
    """Return the most of white noise that is left at a ``sigma`` from 0 to `MOST_SIGMA`, standard deviations."""
    limit = min(sigma, _highest_limit(fwhm_px))
    return float(np.interp(limit, [k for k, _ in KEPT_NOISE], [kept for _, kept in KEPT_NOISE]))


def point_limit(sigma: float, fwhm_px: float) -> float:
    """Return k_0: k itself for the sharpest stars, 2.5 k from 3 px on; never more than such a star bears."""
    highest = _highest_limit(fwhm_px)
    return min(sigma * max(highest - 0.5, 1.0), highest)


def _highest_limit(fwhm_px: float) -> float:
    return min(LIMIT_AT_SHARPEST + LIMIT_PER_PX * max(fwhm_px - SHARPEST_PX, 0.0), HIGHEST_LIMIT)


def noise_of_luma(codes: NDArray[np.floating], *, sigma: float, fwhm_px: float = SHARPEST_PX) -> LumaNoise:
    """Return what a picture loses of its luminance noise; the rule stands above.

    Parameters
    ----------
    codes : (3, rows, columns)
        Code values; NaN where there is no data, which counts as sky.
    sigma : float
        k, above 0 and at most `MOST_SIGMA`: what is so many sigma from its surroundings loses half.
    fwhm_px : float
        Width of the sharpest stars: what is sharper is noise.

    Raises
    ------
    ValueError
        ``sigma`` outside its range.
    """
    if not 0.0 < sigma <= MOST_SIGMA:
        raise ValueError(f"sigma is {sigma}, not above 0 and at most {MOST_SIGMA:g}")
    codes = np.ascontiguousarray(codes, dtype=np.float32)
    rows, columns = codes.shape[1:]
    sky = _sky(codes)
    sigmas, point, quiet = _measure(codes, sky)
    strengths = tuple(np.float32(1.0 / k**4) for k in (point_limit(sigma, fwhm_px), sigma, sigma))
    fine = np.zeros((rows, columns), dtype=np.float32)
    smooth, seen = (np.empty((-(-rows // 4), -(-columns // 4)), dtype=np.float32) for _ in range(2))

    def fill_rows(block: slice) -> None:
        planes = _bands(codes, block, sky)
        rest = planes[-1][SMOOTHED : SMOOTHED + block.stop - block.start]
        here = np.zeros_like(rest)
        sharpest = _energy(planes[:3], rest, quiet, step=1, sigma=point, mix=POINT)
        widest = _energy(planes[2:], rest, quiet, step=FINE[-1], sigma=sigmas[-1])
        _lose(planes, (sharpest, widest, widest), strengths=strengths, lost=fine[block], seen=here)
        for plane, means in ((rest, smooth), (here, seen)):
            mean_blocks(plane, means[block.start // 4 : -(-block.stop // 4)])

    map_row_blocks(fill_rows, rows, height=ROWS)
    coarse, wide = _coarse(smooth, seen, sigmas[0], quiet, strengths[-1])
    return LumaNoise(fine, coarse, (*sigmas, *wide), _left(codes, fine))


def _left(codes: Array, fine: Array) -> float:
    """Return the share of the noise that is left in the dark, of a sample; NaN where none is known."""
    step = sample_step(fine)
    before = luma(codes[:, ::step, ::step])
    after = before - fine[::step, ::step]
    dark = np.flatnonzero(after <= known_median(after))
    middle, sigma = median_and_sigma(before.ravel()[dark])
    dark = dark[np.abs(before.ravel()[dark] - middle) <= STAR_SIGMA * sigma]
    if not dark.size:
        return float("nan")
    spreads = [float(np.std(values.ravel()[dark], dtype=np.float64)) for values in (before, after)]
    return spreads[1] / spreads[0] if spreads[0] > 0 else float("nan")


def _sky(codes: Array) -> np.float32:
    """Return the luma that missing pixels count as: the median of a sample, 0 where nothing is known."""
    step = sample_step(codes[0])
    sample = luma(codes[:, ::step, ::step])
    return np.float32(np.nan_to_num(known_median(sample)))


def luma(codes: NDArray[np.floating]) -> NDArray[np.floating]:
    """Return the luma of code values (3, ...)."""
    return np.tensordot(np.asarray(LUMINANCE_WEIGHTS, dtype=codes.dtype), codes, 1)


def _bands(codes: Array, block: slice, sky: np.float32) -> list[Array]:
    """Return luma and its three smoothings over a block: rows `PAD` more on both sides, then 2, 6 and 14 less."""
    rows, columns = codes.shape[1:]
    index = mirror(np.arange(block.start - PAD, block.stop + PAD), rows)
    plane = np.empty((index.size, columns), dtype=np.float32)
    luma_rows(codes, index, sky, plane)
    return _smoothed(plane, FINE)


def _smoothed(plane: Array, steps: tuple[int, ...]) -> list[Array]:
    """Return a plane and what is left of it after one smoothing after another, each with 4 ``step`` rows less."""
    columns = plane.shape[1]
    planes = [plane]
    for step in steps:
        across = mirror(np.arange(-2 * step, columns + 2 * step), columns)
        out = np.empty((planes[-1].shape[0] - 4 * step, columns), dtype=np.float32)

        def fill_rows(
            rows: slice, plane: Array = planes[-1], step: int = step, across: Any = across, out: Array = out
        ) -> None:
            line = np.empty(across.size, dtype=np.float32)
            smooth_rows(plane[rows.start : rows.stop + 4 * step], step, across, line, out[rows])

        map_row_blocks(fill_rows, len(out), height=ROWS)
        planes.append(out)
    return planes


def _energy(
    planes: list[Array], light: Array, quiet: Array, *, step: int, sigma: float, mix: float = 0.0
) -> Array:
    """Return the mean square of a band over neighbours ``step`` apart, in ``sigma``, of the rows of ``light``.

    The band lies between the last two planes; of three, ``mix`` times the one between the first two is added.
    ``quiet`` is 1 / g^2 by brightness.
    """
    sharp, fine, coarse = (_middle(plane, len(light) + 2 * step) for plane in (planes[0], *planes[-2:]))
    columns = fine.shape[1]
    across = mirror(np.arange(-step, columns + step), columns)
    out = np.empty(light.shape, dtype=np.float32)
    scale = np.float32(1.0 / max(sigma, 1e-9) ** 2)

    def fill_rows(rows: slice) -> None:
        near = (plane[rows.start : rows.stop + 2 * step] for plane in (sharp, fine, coarse))
        line = np.empty(across.size, dtype=np.float32)
        energy_rows(*near, np.float32(mix), step, across, line, scale, light[rows], quiet, out[rows])

    map_row_blocks(fill_rows, len(out), height=ROWS)
    return out


def _lose(
    planes: list[Array],
    energies: tuple[Array, ...],
    *,
    strengths: tuple[np.float32, ...],
    lost: Array,
    seen: Array,
) -> None:
    """Add to ``lost``, whose rows are the middle ones of the planes, what the bands lose, the finest first.

    ``seen`` is the most (m / k)^4 of finer bands, and in the end of these, too; ``strengths`` are 1 / k^4.
    """
    middle = [_middle(plane, len(lost)) for plane in planes]
    for energy, strength, (fine, coarse) in zip(energies, strengths, pairwise(middle), strict=True):
        lose_rows(fine, coarse, energy, seen, strength, lost)


def _middle(plane: Array, rows: int) -> Array:
    spare = (plane.shape[0] - rows) // 2
    return plane[spare : spare + rows]


def _coarse(
    smooth: Array, seen: Array, finest: float, quiet: Array, strength: np.float32
) -> tuple[Array, tuple[float, ...]]:
    """Return what the bands of 8 px and more lose, on blocks, and their noise."""
    pad = 2 * sum(COARSE) + COARSE[-1]
    index = mirror(np.arange(-pad, smooth.shape[0] + pad), smooth.shape[0])
    planes = _smoothed(smooth[index], COARSE)
    rows = smooth.shape[0]
    inner = [_middle(plane, rows) for plane in planes]
    dark = inner[-1] <= median(inner[-1])

    def noise(k: int) -> float:
        white = WHITE_NOISE_IN_BANDS[len(FINE)] / WHITE_NOISE_IN_BANDS[0] * 0.5**k
        scatter = median_and_sigma((inner[k] - inner[k + 1])[dark])[1]
        return min(scatter, MOST_CORRELATION * white * finest)

    sigmas = tuple(map_together(noise, range(len(COARSE))))
    lost = np.zeros_like(smooth)
    energies = tuple(
        _energy(planes[k : k + 2], inner[0], quiet, step=step, sigma=sigmas[k])
        for k, step in enumerate(COARSE)
    )
    _lose(planes, energies, strengths=(strength,) * len(COARSE), lost=lost, seen=seen)
    return lost, sigmas


def _measure(codes: Array, sky: np.float32) -> tuple[tuple[float, ...], float, Array]:
    """Return the noise of the bands of 1, 2, 4 px and of u_0 in the dark, and 1 / g^2 by brightness, `STEPS` values."""
    rows = codes.shape[1]
    blocks = row_blocks(rows, height=ROWS)
    chosen = blocks[:: max(1, -(-len(blocks) // SAMPLED_BLOCKS))]

    def sampled(number: slice) -> list[Array]:
        block = chosen[number.start]
        planes = [_middle(plane, block.stop - block.start) for plane in _bands(codes, block, sky)]
        known = ~np.isnan(codes[:, block].sum(axis=0))[::2, ::2]
        return [
            *((fine - coarse)[::2, ::2][known] for fine, coarse in pairwise(planes)),
            planes[-1][::2, ::2][known],
        ]

    parts = map_row_blocks(sampled, len(chosen), height=1)
    *bands, light = (np.concatenate(values) for values in zip(*parts, strict=True))
    if not light.size:
        return (0.0,) * len(FINE), 0.0, np.ones(STEPS, dtype=np.float32)
    middle = median(light)
    dark = light <= middle
    sharpest = bands[1] + np.float32(POINT) * bands[0]
    *sigmas, point = map_together(lambda band: median_and_sigma(band[dark])[1], (*bands, sharpest))
    return tuple(sigmas), point, _quiet(bands[0], light, middle, sigmas[0])


def _quiet(finest: Array, light: Array, middle: float, sigma: float) -> Array:
    """Return 1 / g^2 by brightness: g falls only, from 1 at the middle brightness, as the finest band's noise does."""
    table = np.ones(STEPS, dtype=np.float32)
    above = light > middle
    bright, values = light[above], finest[above]
    # By their bits, the place behind them, which numpy sorts on vectors: positive floats rise as their bits do.
    key = (np.maximum(bright, np.float32(0.0)) + np.float32(0.0)).view(np.uint32).astype(
        np.uint64
    ) << np.uint64(32)
    order = np.sort(key | np.arange(key.size, dtype=np.uint64)) & np.uint64(0xFFFFFFFF)
    bright, values = bright[order], values[order]
    least, at = 1.0, 0
    while at + FEWEST <= bright.size and sigma > 0.0:
        # Bins hold a third of what is brighter still, so that the few brightest pixels have one of their own.
        end = at + max(FEWEST, (bright.size - at) // 3)
        least = min(least, max(median_and_sigma(values[at:end])[1] / sigma, 1e-3))
        table[int(np.clip(bright[at] * (STEPS - 1), 0, STEPS - 1)) :] = 1.0 / least**2
        at = end
    return table
