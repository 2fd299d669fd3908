"""What is left of starlight once it is taken off a line master: its size, calibrated on the stars."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import chain, pairwise

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA, bin_mean, median
from blend.base.rowblocks import map_row_blocks
from blend.science.line.continuum import Scale
from blend.science.plane import bin_plane, binned_taps, blur_block, gaussian_taps
from blend.science.stars import FWHM_PER_SIGMA

FINE_PX, FAINT_PX = 1.0, 8.0
"""Gaussian widths: what starlight is blurred by before its slopes are taken, and where faint nebula is looked for."""

LEAST_SEARCH_PX, COARSE_PX = 0.8, 3.0
"""Emission is looked for at a star's own width, but no less than the first, and at twice that, but no less than the
second: small nebula."""

OTHER_COLOUR = 0.05
"""Relative scatter of line over broad starlight among populations that are no field stars: disc, bulge, clusters.

Black bodies of 4000 to 6500 K through a Cousins R and H-alpha differ by 5 %, hot stars absorb H-alpha, which through
10 nm makes 5 % more; Spector, Finkelman & Brosch (2012, MNRAS 419, 2156) find the same from template spectra."""

SKY_PX = 32
"""Side of the blocks that tell the error of the sky. Four times the widest Gaussian: second differences do not see
what is uneven over so much, and blocks of 64 px averaged it away on a real frame."""

COARSE_BIN, FAINT_BIN = 2, 4
"""Pixels a side of the bins in which the wider two are done: a Gaussian of 3 px loses nothing in bins of
2."""

LEAST_COLOUR, LEAST_SHIFT_PX = 0.02, 0.03
"""Floors of the terms that stars calibrate: stars do not tell a galaxy's colour, nor the frame's corners,
better."""

UNKNOWN_SHIFT_PX, UNKNOWN_WIDTH = 0.1, 0.05
"""Without stars: registration error, and profile mismatch as a fraction of the profile's variance; common
practice."""

MOST_EXCESS = 0.5
"""A star with up to half more than the typical ratio has a colour; with more, a line: cool stars reach a
third."""

ODD_REACH = 2.5
"""In FWHM: how far around a star of odd colour that colour explains light."""

BLOCK_ROWS = 128
"""A fixed height for passes with a halo: the halo costs less than in blocks of 64."""


@dataclass(frozen=True, eq=False)
class EmissionNoise:
    """What may pass for emission and is none, in units of the emission.

    sigma^2 = pixel^2 (1 + growth B) + (colour B)^2 + (shift |grad B|)^2 + (width |laplace B|)^2 + sky^2,
    B being the broad plane blurred by 1 px. ``fine``, ``coarse`` and ``faint`` are what is left of ``pixel``
    after Gaussians of ``fine_px``, ``coarse_px`` and 8 px: measured, so that correlated noise counts. ``stars``
    calibrated the terms.
    """

    pixel: float
    fine: float
    coarse: float
    faint: float
    growth: float
    sky: float
    colour: float
    shift: float
    width: float
    stars: int
    fwhm_px: float
    odd_xy: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    odd_excess: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))

    @property
    def fine_px(self) -> float:
        """Width of the Gaussian that a star's own light fits best."""
        return max(self.fwhm_px / FWHM_PER_SIGMA, LEAST_SEARCH_PX)

    @property
    def coarse_px(self) -> float:
        """Width at which small nebula is looked for."""
        return max(2.0 * self.fine_px, COARSE_PX)


def measure_noise(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    *,
    scale: Scale,
    factor: float,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
    may_be_odd: NDArray[np.bool_] | None = None,
) -> EmissionNoise:
    """Measure what the difference line - s broad holds besides emission.

    Parameters
    ----------
    line, broad : (rows, columns)
        As given to `line_light`.
    scale : Scale
        With the stars on which it was measured: their residuals calibrate the systematic terms.
    factor : float
        From `line_factor`.
    fwhm_px : float
        Of stars in these planes.
    invalid : bool (rows, columns), optional
        Stars that touch such pixels are not used.
    may_be_odd : (n,) bool, optional
        Which stars of the scale are field stars, whose own colour may explain light; elsewhere gas explains it.
    """
    fine_px = max(fwhm_px / FWHM_PER_SIGMA, LEAST_SEARCH_PX)
    pixel, fine, growth = _noise_bands(line, broad, scale.value, fine_px)
    coarse, faint, sky = _binned_noise(line, broad, scale.value, max(2.0 * fine_px, COARSE_PX))
    left = (fine, growth)
    terms = _star_terms(line, broad, scale=scale, fwhm_px=fwhm_px, pixel=pixel, left=left, invalid=invalid)
    colour = np.hypot(scale.error, scale.value * max(terms.colour, OTHER_COLOUR))
    odd = _odd_stars(scale, terms.colour, may_be_odd)
    return EmissionNoise(
        pixel=factor * pixel,
        fine=factor * fine,
        coarse=factor * coarse,
        faint=factor * faint,
        growth=growth,
        sky=factor * sky,
        colour=float(factor * colour),
        shift=factor * scale.value * terms.shift,
        width=factor * scale.value * terms.width,
        stars=terms.stars,
        fwhm_px=fwhm_px,
        odd_xy=odd[0],
        odd_excess=factor * scale.value * odd[1],
    )


def _noise_bands(
    line: NDArray[np.float32], broad: NDArray[np.float32], scale: float, fine_px: float
) -> tuple[float, float, float]:
    """Return the noise at two smoothings, and how its variance grows by a count of the broad plane, relatively.

    Measured on some bands of rows spread over the frame.
    """
    fine, lag = gaussian_taps(fine_px), max(5, round(4.0 * fine_px))

    def measure_rows(
        rows: slice,
    ) -> tuple[list[float], list[float], NDArray[np.float32], NDArray[np.float32]]:
        light = (line[rows] - np.float32(scale) * broad[rows]).astype(np.float32, copy=False)
        smooth = blur_block(broad[rows], gaussian_taps(FINE_PX))
        blurred = _tile_noise(_blur_inside(light, fine), lag, blur=fine_px)
        cross = light[:, :-2:2] - 2 * light[:, 1:-1:2] + light[:, 2::2]
        cross = np.abs(cross[:-2:2] - 2 * cross[1:-1:2] + cross[2::2])
        return _tile_noise(light, 5), blurred, cross.ravel(), smooth[1:-1:2, 1:-1:2].ravel()

    height = min(BLOCK_ROWS, line.shape[0])
    starts = np.unique(np.linspace(0, line.shape[0] - height, 8).astype(int))
    results = map_row_blocks(
        lambda i: measure_rows(slice(starts[i.start], starts[i.start] + height)), len(starts), height=1
    )
    sharp, soft, curves, levels = zip(*results, strict=True)
    growth = _growth(np.concatenate(curves), np.concatenate(levels))
    return _quiet([*chain(*sharp)]), _quiet([*chain(*soft)]), growth


def _blur_inside(block: NDArray[np.float32], taps: NDArray[np.float32]) -> NDArray[np.float32]:
    """Blur and keep only pixels whose whole neighbourhood is valid and inside; others become NaN."""
    half = len(taps) // 2
    blurred = blur_block(block, taps)
    holes = np.isnan(block)
    if holes.any():
        blurred[blur_block(holes.astype(np.float32), taps) > 0] = np.nan
    return blurred[half : block.shape[0] - half, half : block.shape[1] - half]


def _tile_noise(block: NDArray[np.float32], lag: int, *, blur: float = 0.0, width: int = 256) -> list[float]:
    """Return the noise of each tile of a band from second differences, ``lag`` pixels apart, down and across at once.

    Of a nebula they leave its fourth derivative: a light that bends over 200 px leaves a hundredth of itself at a lag
    of 20, where a first difference leaves half. Of noise blurred by ``blur`` pixels, whose correlation at d is
    c = exp(-d^2 / (4 blur^2)), they leave 6 - 8 c(lag) + 2 c(2 lag) times as much.
    """
    near, far = (float(np.exp(-((d / blur) ** 2) / 4.0)) if blur > 0 else 0.0 for d in (lag, 2 * lag))

    def measure(columns: slice) -> float:
        tile = block[:, columns.start : columns.start + width]
        across = tile[:, 2 * lag :: 2] - 2 * tile[:, lag:-lag:2] + tile[:, : -2 * lag : 2]
        both = across[2 * lag :: 2] - 2 * across[lag:-lag:2] + across[: -2 * lag : 2]
        differences = np.abs(both[np.isfinite(both)])
        few = differences.size < 50
        return np.nan if few else MAD_TO_SIGMA * median(differences) / (6.0 - 8.0 * near + 2.0 * far)

    found = map_row_blocks(measure, max(1, block.shape[1] - width // 2), height=width)
    return [noise for noise in found if not np.isnan(noise)]


def _quiet(values: list[float]) -> float:
    """Return the noise of the quieter tiles: in the others a nebula's own structure counts as noise."""
    return float(np.percentile(values, 30.0)) if values else 0.0


def _growth(curves: NDArray[np.float32], levels: NDArray[np.float32]) -> float:
    """Return the relative growth of the variance by one count of the broad plane, from second differences."""
    good = np.isfinite(curves) & np.isfinite(levels)
    curves, levels = curves[good], levels[good]
    if levels.size < 1000:
        return 0.0
    middle = median(levels)
    sigma = MAD_TO_SIGMA * median(np.abs(levels - middle))
    if not sigma > 0:
        return 0.0
    quiet = median(curves[levels < middle + sigma]) ** 2
    if not quiet > 0:
        return 0.0
    edges = sigma * np.geomspace(8.0, 128.0, 9)
    slopes = []
    for low, high in pairwise(edges):
        inside = (levels >= low) & (levels < high)
        if int(inside.sum()) >= 200:
            level = float(levels[inside].mean())
            slopes.append((median(curves[inside]) ** 2 / quiet - 1.0) / level)
    if not slopes:
        return 0.0
    return max(0.0, median(slopes))


def _binned_noise(
    line: NDArray[np.float32], broad: NDArray[np.float32], scale: float, coarse_px: float
) -> tuple[float, float, float]:
    """Return the noise left by the coarse and the faint smoothing, and the error of the sky."""
    rows, columns = line.shape
    coarse = np.empty((-(-rows // COARSE_BIN), -(-columns // COARSE_BIN)), dtype=np.float32)

    def fill_part(part: slice) -> None:
        light = line[part] - np.float32(scale) * broad[part]
        bins = slice(part.start // COARSE_BIN, -(-part.stop // COARSE_BIN))
        coarse[bins] = bin_plane(light, COARSE_BIN, holes=True)

    map_row_blocks(fill_part, rows)
    faint = bin_plane(coarse, FAINT_BIN // COARSE_BIN, holes=True)
    left = []
    for plane, sigma, size in ((coarse, coarse_px, COARSE_BIN), (faint, FAINT_PX, FAINT_BIN)):
        left.append(_quiet(_blurred_noise(plane, sigma / size, binned_taps(sigma, size))))
    return left[0], left[1], _sky_error(faint)


def _blurred_noise(plane: NDArray[np.float32], sigma: float, taps: NDArray[np.float32]) -> list[float]:
    """Return the noise of the tiles of a plane after a blur, in bands of 128 rows."""
    inside = max(0, plane.shape[0] - len(taps) + 1)

    def measure(rows: slice) -> list[float]:
        smooth = _blur_inside(plane[rows.start : rows.start + 128 + len(taps) - 1], taps)
        return _tile_noise(smooth, round(2.5 * sigma), blur=sigma)

    return [*chain(*map_row_blocks(measure, max(1, inside - 64), height=128))]


def _sky_error(light: NDArray[np.float32]) -> float:
    """Return how far the sky of the binned difference is from 0 over large blocks, from the negative side
    alone.

    Emission makes blocks positive, never negative, so that those below 0 tell the error of both skies.
    """
    size = max(4, min(SKY_PX // FAINT_BIN, min(light.shape) // 8))
    means = bin_mean(light, size)
    low = means[np.isfinite(means) & (means < 0)]
    if low.size < 8:
        return 0.0
    noise = _quiet(_tile_noise(light, 2)) / size
    return float(np.sqrt(max(0.0, (MAD_TO_SIGMA * median(-low)) ** 2 - noise**2)))


def _odd_stars(
    scale: Scale, colour: float, may_be: NDArray[np.bool_] | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return places and relative excess of stars whose own colour explains more than the typical scatter."""
    if scale.line_flux.size == 0:
        return np.empty((0, 2)), np.empty(0)
    with np.errstate(invalid="ignore", divide="ignore"):
        excess = scale.line_flux / scale.broad_flux / scale.value - 1.0
        odd = (scale.broad_flux > 0) & (excess > colour) & (excess < MOST_EXCESS)
    if may_be is not None:
        odd &= may_be
    return np.ascontiguousarray(scale.xy[odd]), np.ascontiguousarray(excess[odd])


@dataclass(frozen=True)
class _Terms:
    colour: float
    shift: float
    width: float
    stars: int


def _star_terms(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    *,
    scale: Scale,
    fwhm_px: float,
    pixel: float,
    left: tuple[float, float],
    invalid: NDArray[np.bool_] | None,
) -> _Terms:
    """Fit every star's residual by its own brightness, gradient and curvature; return their robust sizes.

    D / s = k B + dx B_x + dy B_y + w (B_xx + B_yy) + constant. k is the star's colour, dx and dy the
    registration error, w half the difference of the profiles' variances. What none of them explains is added to the
    colour, as it is after a blur by a star's width: rings of both signs, which leave little where light is looked for.
    """
    fits = []
    for x, y in scale.xy[scale.used][:60]:
        fit = _fit_star(
            line, broad, (x, y), scale=scale.value, fwhm_px=fwhm_px, pixel=pixel, left=left, invalid=invalid
        )
        if fit is not None:
            fits.append(fit)
    variance = (fwhm_px / FWHM_PER_SIGMA) ** 2
    if len(fits) < 5:
        width = UNKNOWN_WIDTH * variance
        return _Terms(max(LEAST_COLOUR, scale.scatter), UNKNOWN_SHIFT_PX, width, len(fits))
    table = np.array(fits)
    colour = MAD_TO_SIGMA * median(np.abs(table[:, 0]))
    shift = MAD_TO_SIGMA * median(np.abs(table[:, 1:3]))
    width = MAD_TO_SIGMA * median(np.abs(table[:, 3]))
    rest = median(table[:, 4])
    if scale.how != "given":
        colour = scale.scatter
    colour = np.hypot(max(LEAST_COLOUR, colour), rest)
    return _Terms(
        float(colour), max(LEAST_SHIFT_PX, float(shift)), max(0.01 * variance, float(width)), len(fits)
    )


def _fit_star(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    at: tuple[float, float],
    *,
    scale: float,
    fwhm_px: float,
    pixel: float,
    left: tuple[float, float],
    invalid: NDArray[np.bool_] | None,
) -> NDArray[np.float64] | None:
    """Return colour, two shifts, width and the unexplained fraction of one star, or None where it cannot be had.

    ``left`` is the noise after a blur by a star's width and its growth with the broad plane.
    """
    reach = int(np.ceil(1.5 * fwhm_px)) + 1
    margin = reach + 5
    x, y = round(at[0]), round(at[1])
    if min(x, y) < margin or x + margin >= broad.shape[1] or y + margin >= broad.shape[0]:
        return None
    box = (slice(y - margin, y + margin + 1), slice(x - margin, x + margin + 1))
    b, n = broad[box].astype(np.float64), line[box].astype(np.float64)
    if not np.isfinite(b + n).all() or (invalid is not None and invalid[box].any()):
        return None
    smooth = blur_block(b.astype(np.float32), gaussian_taps(FINE_PX)).astype(np.float64)
    core = slice(5, -5)
    dy, dx = (np.gradient(smooth, axis=axis) for axis in (0, 1))
    curve = sum(np.roll(smooth, s, a) for s in (1, -1) for a in (0, 1)) - 4.0 * smooth
    basis = [part[core, core].ravel() for part in (smooth, dx, dy, curve)]
    wanted = ((n - scale * b) / scale)[core, core].ravel()
    noise = pixel / scale
    if float(smooth[margin, margin]) < 20.0 * noise:
        return None
    design = np.stack([*basis, np.ones_like(wanted)], axis=1)
    answer, *_ = np.linalg.lstsq(design, wanted, rcond=None)
    taps = gaussian_taps(max(fwhm_px / FWHM_PER_SIGMA, LEAST_SEARCH_PX))
    shape = dx[core, core].shape
    unexplained, light = (
        blur_block(values.reshape(shape).astype(np.float32), taps)
        for values in (wanted - design @ answer, basis[0])
    )
    random = (left[0] / scale) ** 2 * (1.0 + left[1] * float(np.mean(np.maximum(light, 0.0))))
    over = float(np.mean(unexplained.astype(np.float64) ** 2)) - random
    rest = np.sqrt(max(0.0, over) / float(np.mean(light.astype(np.float64) ** 2)))
    return np.array([*answer[:4], rest])


def systematic_block(
    smooth: NDArray[np.float32],
    noise: EmissionNoise,
    first_row: int,
    *,
    besides: NDArray[np.float32] | None = None,
    pixel: float = 0.0,
) -> NDArray[np.float32]:
    """Return what of starlight may be left at each pixel of a block of rows of the smoothed broad plane.

    Together with other errors where they are given: ``besides`` one of its shape, ``pixel`` the noise of a pixel at
    the sky, whose variance grows with the broad plane.
    """
    out, line = np.empty_like(smooth), np.empty(smooth.shape[1] + 2, dtype=np.float32)
    also = np.zeros((1, smooth.shape[1]), dtype=np.float32) if besides is None else besides
    random = (pixel**2, pixel**2 * noise.growth)
    _systematic(smooth, also, random, (noise.colour, noise.shift, noise.width), line, out)
    if noise.odd_excess.size:
        radius = ODD_REACH * noise.fwhm_px
        _add_odd_stars(smooth, also, random, noise.odd_xy, noise.odd_excess, radius, first_row, out)
    return out


@kernel
def _add_odd_stars(smooth, also, random, xy, excess, radius, first, out):  # type: ignore[no-untyped-def]
    rows, columns = smooth.shape
    for star in range(len(excess)):
        x0, y0 = xy[star, 0], xy[star, 1] - first
        for y in range(max(int(np.ceil(y0 - radius)), 0), min(int(np.floor(y0 + radius)), rows - 1) + 1):
            for x in range(
                max(int(np.ceil(x0 - radius)), 0), min(int(np.floor(x0 + radius)), columns - 1) + 1
            ):
                if (x - x0) ** 2 + (y - y0) ** 2 <= radius**2:
                    light, other = max(smooth[y, x], np.float32(0.0)), also[y % also.shape[0], x]
                    own = (excess[star] * light) ** 2 + random[0] + random[1] * light + other**2
                    out[y, x] = max(out[y, x], np.float32(np.sqrt(own)))


@kernel
def _systematic(smooth, also, random, terms, line, out):  # type: ignore[no-untyped-def]
    rows, columns = smooth.shape
    c2, g2, l2 = np.float32(terms[0] ** 2), np.float32(0.25 * terms[1] ** 2), np.float32(terms[2] ** 2)
    p2, q = np.float32(random[0]), np.float32(random[1])
    zero, four = np.float32(0.0), np.float32(4.0)
    before, own, behind = line[:columns], line[1:], line[2:]
    for row in range(rows):
        # the row between its ends once more: no index is limited, which would cost the compiler its vectors
        for x in range(columns):
            own[x] = smooth[row, x]
        line[0], line[columns + 1] = own[0], own[columns - 1]
        above, below = smooth[max(row - 1, 0)], smooth[min(row + 1, rows - 1)]
        others, done = also[row % also.shape[0]], out[row]
        for x in range(columns):
            here, a, b, c, d, other = own[x], before[x], behind[x], above[x], below[x], others[x]
            curve = a + b + c + d - four * here
            slope2 = (b - a) * (b - a) + (d - c) * (d - c)
            rest = p2 + q * max(here, zero) + other * other
            done[x] = np.sqrt(c2 * here * here + g2 * slope2 + l2 * curve * curve + rest)
