"""Discs of even brightness that reflections in a line's filter put around bright stars, in the line alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median_and_sigma
from blend.base.rowblocks import map_together

Blocks = NDArray[np.floating]
Window = NDArray[np.float64]

BLOCK_PX = 4
"""Side of the blocks that are looked at: a disc that star masks do not cover anyway is four of them wide and more."""

RADII = tuple(float(radius) for radius in 4.0 * 1.12 ** np.arange(19))
"""In blocks, 16 to 123 px: smaller discs lie under the star mask; a disc larger than that is lost in the sky's fit."""

FFT_SIDE = 180
"""Blocks a side of the transforms: a window of 125 and the widest ring's radius of 41, so that nothing wraps around."""

MOST_STARS = 50
SURE_SIGMA = 12.0
"""Of the step from disc to ring: each of eight directions then has four, enough to see that the disc ends there."""

OUTSTANDING_SIGMA = 3.0
"""By which a step exceeds those of smaller and of larger radii before a greater one comes: noise moves each by one."""

MOST_SHIFT = 0.7
"""Of the radius: reflections off the axis move their disc, but the star stays inside."""

SECTORS, FEWEST_SECTORS = 8, 6
"""The edge is asked in so many directions, of which so many must lie in the frame."""

LEAST_STEP, MOST_STEP, NOISE_SIGMA = 0.6, 1.5, 2.5
"""Of the whole step, in every direction: a disc ends all around, as no cloud and no arm does. And by how many sigma
noise may move a step."""

EVEN = 0.4
"""Most that the inner half differs from the outer part, by the step: a glow falls outwards by more."""

MOST_OF_STAR = 0.2
"""Light of the disc by the star's own in the line: a filter reflects a few percent at most, four or five times less in
truth where the star is clipped. A planetary nebula outshines its star in the line."""


@dataclass(frozen=True)
class FilterHalo:
    """A disc around a star: centre, radius and star in pixels, its level in the unit of the light, and its sigma."""

    x: float
    y: float
    radius_px: float
    level: float
    sigma: float
    star: tuple[float, float]


def find_halos(light: Blocks, xy: NDArray[np.float64], flux: NDArray[np.float64]) -> list[FilterHalo]:
    """Return the discs of even brightness around the brightest stars.

    S(c, R) = (mean in R - mean in the ring R to 1.3 R) / error, greatest over centres and radii; then the edge is
    looked at in eight directions, the disc's evenness, and its light by the star's.

    Parameters
    ----------
    light : (rows / 4, columns / 4)
        Means of the emission over 4 x 4 pixels, NaN on stars.
    xy : (n, 2)
        Stars, the brightest first.
    flux : (n,)
        What the stars put into the line's filter, as the emission counts light.

    Notes
    -----
    A star around which the mean of the light is within its noise is passed over, and so are radii whose disc it cannot
    fill with light that is sure; 15 ms where it can fill all.
    """
    _, noise = median_and_sigma(light)
    if not noise > 0:
        return []
    found: list[FilterHalo] = []
    for at, own in zip(xy[:MOST_STARS], flux[:MOST_STARS], strict=True):
        middle = (at + 0.5) / BLOCK_PX - 0.5
        if any(np.hypot(at[0] - halo.x, at[1] - halo.y) < halo.radius_px for halo in found):
            continue
        if _shines_near(light, middle, noise):
            halo = _halo_at(light, middle, noise, own)
            if halo is not None:
                found.append(halo)
    return found


def cover_halos(mask: NDArray[np.float32], halos: list[FilterHalo], *, fwhm_px: float) -> NDArray[np.float32]:
    """Return a star mask that is 1 on halos too, to half a star width and a block beyond their edge."""
    out = mask.copy() if halos else mask
    for halo in halos:
        reach = halo.radius_px + 0.5 * fwhm_px + BLOCK_PX
        rows, columns = (
            slice(max(int(c - reach), 0), max(min(int(c + reach) + 2, length), 0))
            for c, length in zip((halo.y, halo.x), mask.shape, strict=True)
        )
        y, x = np.ogrid[rows, columns]
        out[rows, columns][np.hypot(x - halo.x, y - halo.y) <= reach] = 1.0
    return out


def _window(light: Blocks, middle: NDArray[np.float64], reach: float) -> tuple[Window, Window, Window]:
    """Return the blocks within reach of a point, and their coordinates from it."""
    rows, columns = (
        np.arange(max(int(c - reach), 0), max(min(int(c + reach) + 2, length), 0))
        for c, length in zip(middle[::-1], light.shape, strict=True)
    )
    values = np.asarray(light[np.ix_(rows, columns)], dtype=np.float64)
    dy, dx = np.meshgrid(rows - middle[1], columns - middle[0], indexing="ij")
    return values, dx, dy


def _shines_near(light: Blocks, middle: NDArray[np.float64], noise: float) -> bool:
    """Return whether the light within the next few rings of blocks around a star is above its noise."""
    values, dx, dy = _window(light, middle, 2.0 * RADII[0])
    near = values[(np.hypot(dx, dy) < 2.0 * RADII[0]) & np.isfinite(values)]
    return bool(near.size >= 8 and near.mean() > 3.0 * noise / np.sqrt(near.size))


def _halo_at(light: Blocks, middle: NDArray[np.float64], noise: float, flux: float) -> FilterHalo | None:
    areas = np.pi * np.array(RADII) ** 2
    # The ring has 0.69 of the disc's area. Twice what a star may put into a disc: its glow counts in the step as well.
    sigmas = 2.0 * MOST_OF_STAR * flux / (BLOCK_PX**2 * noise) / np.sqrt(areas * (1.0 + 1.0 / 0.69))
    able = int(np.count_nonzero(sigmas >= SURE_SIGMA))
    if not able:
        return None
    # One radius more tells whether the step still grows.
    radii = RADII[: able + 1]
    values, dx, dy = _window(light, middle, 2.0 * radii[-1])
    star = (middle + 0.5) * BLOCK_PX - 0.5
    for sigma, radius, row, column in _likely(_steps(values, dx, dy, noise, radii)):
        x, y = float(dx[row, column]), float(dy[row, column])
        level = _disc_level(values, np.hypot(dx - x, dy - y), np.arctan2(dy - y, dx - x), radius, noise)
        if level is not None and level * np.pi * (radius * BLOCK_PX) ** 2 <= MOST_OF_STAR * flux:
            at = star + BLOCK_PX * np.array([x, y])
            return FilterHalo(
                float(at[0]), float(at[1]), radius * BLOCK_PX, level, sigma, (float(star[0]), float(star[1]))
            )
    return None


def _likely(steps: list[tuple[float, float, int, int]]) -> list[tuple[float, float, int, int]]:
    """Return the sure steps that stand out among those of other radii, and their equals; the greatest first.

    Not the greatest alone: it may be that of a galaxy that lies near. And not all: within a glow each is one.
    """
    sigmas = np.maximum([step[0] for step in steps], 0.0)
    peaks = standing_out(sigmas, by=OUTSTANDING_SIGMA)
    peaks = peaks[sigmas[peaks] >= SURE_SIGMA]
    near = (np.abs(np.arange(len(steps))[:, None] - peaks) <= 1) & (
        np.abs(sigmas[:, None] - sigmas[peaks]) <= 1.0
    )
    return sorted((steps[k] for k in np.flatnonzero(near.any(axis=1))), reverse=True)


def standing_out(values: NDArray[np.float64], *, by: float) -> NDArray[np.intp]:
    """Return where values, 0 beyond both ends, exceed those on either side by so much before a greater one comes.

    Examples
    --------
    >>> standing_out(np.array([1.0, 9.0, 5.0, 7.0, 2.0, 20.0, 19.0]), by=3.0).tolist()
    [1, 5]
    """
    padded = np.pad(values, 1)

    def lowest(side: NDArray[np.float64]) -> float:
        greater = np.flatnonzero(side > side[0])
        return float(side[: greater[0] if greater.size else None].min())

    bases = [max(lowest(padded[k::-1]), lowest(padded[k:])) for k in range(1, len(values) + 1)]
    return np.flatnonzero(values - bases >= by)


def _steps(
    values: Window, dx: Window, dy: Window, noise: float, radii: tuple[float, ...]
) -> list[tuple[float, float, int, int]]:
    """Return for every radius the greatest step from disc to ring, in its sigma, and the block where."""
    from scipy.fft import irfft2, rfft2

    if not values.size:
        return []
    # In units of the noise, 4 bytes a number tell a step to a thousandth of its sigma, in half the time.
    known = np.isfinite(values)
    planes = rfft2(np.array([np.nan_to_num(values / noise), known], np.float32), (FFT_SIDE, FFT_SIDE))

    def greatest(radius: float) -> tuple[float, float, int, int]:
        areas, kernels = _disc_and_ring(radius)
        sums = irfft2(planes[None] * kernels[:, None], (FFT_SIDE, FFT_SIDE))
        (sum_in, n_in), (sum_out, n_out) = sums[..., : values.shape[0], : values.shape[1]]
        usable = (n_in > 0.5 * areas[0]) & (n_out > 0.5 * areas[1])
        usable &= np.hypot(dx, dy) < MOST_SHIFT * radius
        with np.errstate(divide="ignore", invalid="ignore"):
            step = (sum_in / n_in - sum_out / n_out) / np.sqrt(1.0 / n_in + 1.0 / n_out)
        step = np.where(usable, step, -np.inf)
        row, column = divmod(int(np.argmax(step)), step.shape[1])
        return float(step[row, column]), radius, row, column

    return map_together(greatest, radii)


@lru_cache(maxsize=len(RADII))
def _disc_and_ring(radius: float) -> tuple[Window, NDArray[np.complex64]]:
    """Return how many blocks a disc and its ring hold, and the transforms of both, about the first block."""
    from scipy.fft import rfft2

    side = np.fft.fftfreq(FFT_SIDE, 1.0 / FFT_SIDE)
    distance = np.hypot(side[:, None], side[None, :])
    both = np.array([distance <= radius, (distance > radius + 0.7) & (distance <= 1.3 * radius + 0.7)])
    return both.sum(axis=(1, 2)), rfft2(both.astype(np.float32))


def _disc_level(values: Window, distance: Window, angle: Window, radius: float, noise: float) -> float | None:
    """Return the step at a disc's edge, or None where it does not end all around or is not even within."""
    known = np.isfinite(values)
    inner = known & (distance < max(0.9 * radius, radius - 1.0)) & (distance > 0.6 * radius)
    outer = (
        known & (distance > max(1.1 * radius, radius + 1.0)) & (distance < max(1.4 * radius, radius + 3.0))
    )
    sector = np.floor((angle + np.pi) / (2.0 * np.pi) * SECTORS).astype(int) % SECTORS

    def step_of(over: NDArray[np.bool_], under: NDArray[np.bool_]) -> tuple[float, float]:
        """Return the difference of two means, and how far noise may move it."""
        error = noise * np.sqrt(1.0 / np.count_nonzero(over) + 1.0 / np.count_nonzero(under))
        return float(values[over].mean() - values[under].mean()), NOISE_SIGMA * float(error)

    if not inner.any() or not outer.any():
        return None
    step, _ = step_of(inner, outer)
    parts = [(inner & (sector == k), outer & (sector == k)) for k in range(SECTORS)]
    parts = [(over, under) for over, under in parts if over.any() and under.any()]
    if step <= 0.0 or len(parts) < FEWEST_SECTORS:
        return None
    for own, error in (step_of(*part) for part in parts):
        if own <= 0.0 or not LEAST_STEP * step - error < own < MOST_STEP * step + error:
            return None
    core = known & (distance < 0.6 * radius)
    uneven, error = step_of(core, inner) if core.any() else (0.0, 0.0)
    return step if abs(uneven) < EVEN * step + error else None
