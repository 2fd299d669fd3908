"""The light of the line alone: taken out of the line master, given its noise, faded where it is not sure.

Subtracting scaled starlight leaves more than noise: the scale has an error, stars and galaxies have
colours, frames are a twentieth of a pixel apart, profiles differ. All of it follows the broad plane, so its
size is told from that plane and calibrated on the stars, which have no line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks
from blend.science.line.starlight_left import (
    BLOCK_ROWS,
    COARSE_BIN,
    COARSE_PX,
    FAINT_BIN,
    FAINT_PX,
    FINE_PX,
    EmissionNoise,
    systematic_block,
)
from blend.science.plane import bin_plane, binned_taps, blur_block, gaussian_taps, spread_rows

SEED, SURE, FOOT, FULL = 1.8, 2.3, 0.75, 1.4
"""In units of ``fade_sigma``: a region's peak from which it counts, and counts fully; a pixel's 0 and 1 in
it.

Chosen so that 4 Mpx of noise give no region, and knots of any brightness above S/N 10 keep their flux to 2 %.
"""

SATURATED_REACH = 1.5
"""In FWHM: how far around a clipped core nothing is believed."""


def line_factor(
    scale: float, *, width_ratio: float, throughput_ratio: float = 1.0, line_in_band: bool = True
) -> float:
    """Return what turns line - scale * broad into line light in counts of the broad plane.

    (r / s) / (t - r) where the broad band holds the line, (r / s) / t where it does not.

    Parameters
    ----------
    scale : float
        s, line over broad for starlight.
    width_ratio : float
        r, the integral of the line filter's throughput over wavelength by that of the broad band, 0 < r < t.
    throughput_ratio : float
        t, throughput of the line filter by that of the broad band, both at the line.
    line_in_band : bool
        Whether the broad band holds the line too.

    Raises
    ------
    ValueError
        Where the factor would not be positive.

    Notes
    -----
    With N = a (c W_N + T_N F) and R = c W_R + T_R F, s = a r and N - s R = a T_R F (t - r).

    References
    ----------
    Gil de Paz, Madore & Pevunova (2003), ApJS 147, 29, appendix A, for the two equations; solved here.

    Examples
    --------
    >>> round(line_factor(0.07, width_ratio=0.07), 3)
    1.075
    """
    span = throughput_ratio - width_ratio if line_in_band else throughput_ratio
    if not (scale > 0 and width_ratio > 0 and span > 0):
        raise ValueError(
            f"no line light from scale {scale}, widths {width_ratio}, throughput {throughput_ratio}"
        )
    return width_ratio / scale / span


def line_light(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    *,
    scale: float,
    width_ratio: float,
    throughput_ratio: float = 1.0,
    line_in_band: bool = True,
) -> NDArray[np.float32]:
    """Return the light of the line in counts of the broad plane.

    E = (line - s broad) (r / s) / (t - r), or ... / t where the broad band does not hold the line.

    Parameters
    ----------
    line, broad : (rows, columns)
        On one grid, equal profiles, sky 0.
    scale, width_ratio, throughput_ratio, line_in_band
        See `line_factor`.

    Returns
    -------
    (rows, columns) float32
        Negative where noise is; NaN where either plane is.

    Examples
    --------
    A continuum of 10 a nm and a line of 50 through 7 nm of 95 % and 100 nm of 90 %: the broad plane got 0.9
    * 50.

    >>> n, r = np.full((1, 1), 114.0), np.full((1, 1), 945.0)
    >>> float(line_light(n, r, scale=6.65 / 90, width_ratio=6.65 / 90, throughput_ratio=0.95 / 0.9)[0, 0])
    45.0
    """
    factor = line_factor(
        scale, width_ratio=width_ratio, throughput_ratio=throughput_ratio, line_in_band=line_in_band
    )
    out = np.empty(line.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        np.multiply(broad[rows], -scale, out=out[rows], casting="same_kind")
        out[rows] += line[rows]
        out[rows] *= np.float32(factor)

    map_row_blocks(fill_rows, line.shape[0])
    return out


def keep_sharp(
    light: NDArray[np.float32],
    sharp: NDArray[np.float32],
    blurred: NDArray[np.float32],
    *,
    factor: float,
    stars: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Return the light of the line as sharp as its own master, but for the places of stars.

    E + (1 - m) factor (line - G * line), m the mask of the stars: there starlight goes only where profiles are equal.

    Parameters
    ----------
    light : (rows, columns)
        E, from `line_light`, with equal profiles.
    sharp, blurred : (rows, columns)
        The line master before and after `match_profiles`.
    factor : float
        From `line_factor`.
    stars : (rows, columns)
        0 to 1.

    Notes
    -----
    Light without a line that is not a star keeps what a blur takes from it, s factor (B - G * B): nothing where it is
    smooth over a star's width.
    """
    out = np.empty(light.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        detail = np.subtract(sharp[rows], blurred[rows], out=out[rows])
        detail *= np.float32(factor) * (np.float32(1.0) - stars[rows])
        detail += light[rows]

    map_row_blocks(fill_rows, light.shape[0])
    return out


def emission_sigma(broad: NDArray[np.float32], noise: EmissionNoise) -> NDArray[np.float32]:
    """Return the standard deviation of one pixel of the emission, systematic terms included.

    Parameters
    ----------
    broad : (rows, columns)
    noise : EmissionNoise
        See there for the equation.
    """
    out = np.empty(broad.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        low, high = max(0, rows.start - 5), min(broad.shape[0], rows.stop + 5)
        part = slice(rows.start - low, rows.stop - low)
        smooth = blur_block(broad[low:high], gaussian_taps(FINE_PX))
        wrong = systematic_block(smooth, noise, low)
        random = noise.pixel**2 * (1.0 + noise.growth * np.maximum(smooth[part], 0.0))
        out[rows] = np.sqrt(random + wrong[part] ** 2)
        out[rows][np.isnan(broad[rows])] = np.nan

    map_row_blocks(fill_rows, broad.shape[0], height=BLOCK_ROWS)
    return out


def fade_emission(
    emission: NDArray[np.float32],
    broad: NDArray[np.float32],
    noise: EmissionNoise,
    *,
    fade_sigma: float = 3.0,
    saturated: NDArray[np.bool_] | None = None,
    kept: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Return the emission where it is significant, softly 0 elsewhere; never negative.

    S = max over k of (G_k * E) / sqrt(n_k^2 (1 + growth B) + (G_k * wrong)^2), G_k Gaussians of 1 and 3 px,
    and of 8 px for what those two do not take; n_k the noise left by them and ``wrong`` the systematic terms,
    which no smoothing makes smaller. A region, S above 0.75 fade_sigma, counts if its highest S passes 1.8
    (softly up to 2.3) fade_sigma; inside, a pixel's weight rises from 0.75 to 1.4 fade_sigma.

    Parameters
    ----------
    emission : (rows, columns)
        From `line_light`.
    broad : (rows, columns)
        The broad plane it was made with.
    noise : EmissionNoise
    fade_sigma : float
        Above 0; 0 or less returns the emission as it is, negatives set to 0.
    saturated : bool (rows, columns), optional
        Clipped pixels of either master; emission is 0 within 1.5 FWHM of them.
    kept : (rows, columns), optional
        What is faded, by the significance of ``emission``, and returned; the emission itself where absent.

    Returns
    -------
    (rows, columns) float32
        NaN where the emission is.

    Notes
    -----
    Noise makes single pixels of true emission negative. Setting them to 0 alone would add 0.4 sigma a
    pixel, so what they lack is taken from their positive neighbours, in proportion: the flux of a few
    pixels stays as it was. 24 Mpx take 1.5 s on two cores. Regions are grown in order of the rows:
    deterministic.
    """
    kept = emission if kept is None else kept
    if fade_sigma <= 0:
        return np.maximum(kept, np.float32(0.0))
    levels = (FOOT * fade_sigma, FULL * fade_sigma, SEED * fade_sigma, SURE * fade_sigma)
    weight, wrong, smooth = _significance(emission, broad, noise)
    _confirm_regions(weight, *levels)
    faint = _faint_significance(emission, weight, wrong, smooth, noise)
    _confirm_regions(faint, *levels)
    np.minimum(faint, 0.0, out=faint)
    if saturated is not None and saturated.any():
        _add_faint(weight, faint)
        faint = np.zeros_like(faint)
        soft = max(1.0, 0.5 * noise.fwhm_px)
        _cut_around(np.ascontiguousarray(saturated), SATURATED_REACH * noise.fwhm_px, soft, weight)
    return _apply_weight(kept, weight, faint)


def _significance(
    emission: NDArray[np.float32], broad: NDArray[np.float32], noise: EmissionNoise
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Return the larger significance at 1 and 3 px; the systematic error and the broad plane, in coarse
    bins."""
    taps = gaussian_taps(FINE_PX)
    halo = COARSE_BIN * (len(taps) // 2 + 1)
    rows, columns = emission.shape
    out = np.empty((rows, columns), dtype=np.float32)
    light, wrong, smooth = (
        np.empty((-(-rows // COARSE_BIN), -(-columns // COARSE_BIN)), dtype=np.float32) for _ in range(3)
    )

    def fine(block: slice) -> None:
        low, high = max(0, block.start - halo), min(rows, block.stop + halo)
        part = slice(block.start - low, block.stop - low)
        bins = slice(block.start // COARSE_BIN, -(-block.stop // COARSE_BIN))
        broad_here = blur_block(broad[low:high], taps)
        wrong_here = systematic_block(broad_here, noise, low)
        light_here = blur_block(emission[low:high], taps)
        wrong_blurred = blur_block(wrong_here, taps)
        out[block] = -np.inf
        _raise_significance(
            light_here[part], wrong_blurred[part], broad_here[part], noise.fine, noise.growth, out[block]
        )
        light[bins] = bin_plane(emission[block], COARSE_BIN)
        wrong[bins] = bin_plane(wrong_here[part], COARSE_BIN)
        smooth[bins] = bin_plane(broad_here[part], COARSE_BIN)

    map_row_blocks(fine, rows, height=BLOCK_ROWS)
    coarse = _binned_significance(
        light, wrong, smooth, taps=binned_taps(COARSE_PX, COARSE_BIN), left=noise.coarse, growth=noise.growth
    )

    def raise_to_coarse(block: slice) -> None:
        np.maximum(out[block], spread_rows(coarse, COARSE_BIN, block, columns), out=out[block])

    map_row_blocks(raise_to_coarse, rows)
    return out, wrong, smooth


def _binned_significance(
    light: NDArray[np.float32],
    wrong: NDArray[np.float32],
    smooth: NDArray[np.float32],
    *,
    taps: NDArray[np.float32],
    left: float,
    growth: float,
) -> NDArray[np.float32]:
    half = len(taps) // 2
    out = np.full(light.shape, -np.inf, dtype=np.float32)

    def fill_rows(block: slice) -> None:
        low, high = max(0, block.start - half), min(light.shape[0], block.stop + half)
        part = slice(block.start - low, block.stop - low)
        light_here, wrong_here = blur_block(light[low:high], taps), blur_block(wrong[low:high], taps)
        _raise_significance(light_here[part], wrong_here[part], smooth[block], left, growth, out[block])

    map_row_blocks(fill_rows, light.shape[0])
    return out


def _faint_significance(
    emission: NDArray[np.float32],
    weight: NDArray[np.float32],
    wrong: NDArray[np.float32],
    smooth: NDArray[np.float32],
    noise: EmissionNoise,
) -> NDArray[np.float32]:
    """Return the significance at 8 px, in faint bins, of what the smaller widths did not take.

    With what they took in it, every knot would carry a wide rim of noise.
    """
    rows, columns = emission.shape
    light = np.empty((-(-rows // FAINT_BIN), -(-columns // FAINT_BIN)), dtype=np.float32)

    def fill_rows(block: slice) -> None:
        bins = slice(block.start // FAINT_BIN, -(-block.stop // FAINT_BIN))
        rest = np.add(np.minimum(weight[block], 0.0), 1.0, dtype=np.float32) * emission[block]
        light[bins] = bin_plane(rest, FAINT_BIN)

    map_row_blocks(fill_rows, rows)
    size = FAINT_BIN // COARSE_BIN
    return _binned_significance(
        light,
        bin_plane(wrong, size),
        bin_plane(smooth, size),
        taps=binned_taps(FAINT_PX, FAINT_BIN),
        left=noise.faint,
        growth=noise.growth,
    )


def _add_faint(weight: NDArray[np.float32], faint: NDArray[np.float32]) -> None:
    def fill_rows(block: slice) -> None:
        np.minimum(weight[block], spread_rows(faint, FAINT_BIN, block, weight.shape[1]), out=weight[block])

    map_row_blocks(fill_rows, weight.shape[0])


def _apply_weight(
    emission: NDArray[np.float32], weight: NDArray[np.float32], faint: NDArray[np.float32]
) -> NDArray[np.float32]:
    taps = gaussian_taps(2.0)  # holds some 25 px: enough positive ones to take from, few enough to stay local
    halo = 2 * (len(taps) // 2)
    some_faint, columns = bool(faint.any()), emission.shape[1]
    out = np.empty(emission.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        low, high = max(0, rows.start - halo), min(emission.shape[0], rows.stop + halo)
        part = slice(rows.start - low, rows.stop - low)
        kept = np.maximum(-weight[low:high], 0.0)
        if some_faint:
            np.maximum(kept, -spread_rows(faint, FAINT_BIN, slice(low, high), columns), out=kept)
        used = np.flatnonzero(kept.any(axis=0))
        box = slice(max(int(used[0]) - halo, 0), int(used[-1]) + 1 + halo) if used.size else slice(0, 0)
        for side in (slice(0, box.start), slice(min(box.stop, columns), columns)):
            out[rows, side] = np.where(np.isnan(emission[rows, side]), np.float32(np.nan), np.float32(0.0))
        if used.size:
            out[rows, box] = _lend(kept[:, box] * emission[low:high, box], taps)[part]

    map_row_blocks(fill_rows, emission.shape[0], height=BLOCK_ROWS)
    return out


def _lend(kept: NDArray[np.float32], taps: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a block without negative pixels: what they lack is taken from positive neighbours, in proportion."""
    lacking = np.maximum(-kept, np.float32(0.0))
    np.maximum(kept, 0.0, out=kept)
    near = blur_block(kept, taps)
    lacking /= np.maximum(near, np.float32(1e-30))
    share = blur_block(lacking, taps)
    np.subtract(np.float32(1.0), share, out=share)
    np.maximum(share, np.float32(0.0), out=share)
    return kept * share


@kernel
def _raise_significance(light, wrong, smooth, noise, growth, best):  # type: ignore[no-untyped-def]
    n2, q = np.float32(noise * noise), np.float32(growth)
    zero, one = np.float32(0.0), np.float32(1.0)
    for row in range(light.shape[0]):
        for column in range(light.shape[1]):
            variance = n2 * (one + q * max(smooth[row, column], zero)) + wrong[row, column] ** 2
            value = light[row, column] / np.sqrt(variance) if variance > zero else zero
            best[row, column] = max(best[row, column], value)


@kernel
def _confirm_regions(field, foot, full, seed, sure):  # type: ignore[no-untyped-def]
    """Replace significance by minus the weight where a region is confirmed; other pixels may stay
    positive."""
    rows, columns = field.shape
    count = 0
    for row in range(rows):
        for column in range(columns):
            if field[row, column] >= foot:
                count += 1
            elif field[row, column] < 0.0:
                field[row, column] = 0.0
    queue = np.empty(count, dtype=np.int64)
    for row in range(rows):
        for column in range(columns):
            if field[row, column] < seed:
                continue
            peak = field[row, column]
            field[row, column] = -peak
            queue[0] = row * columns + column
            head, tail = 0, 1
            while head < tail:
                r, c = queue[head] // columns, queue[head] % columns
                head += 1
                for y in range(max(r - 1, 0), min(r + 2, rows)):
                    for x in range(max(c - 1, 0), min(c + 2, columns)):
                        value = field[y, x]
                        if value >= foot:
                            peak = max(peak, value)
                            field[y, x] = -value
                            queue[tail] = y * columns + x
                            tail += 1
            t = min((peak - seed) / (sure - seed), 1.0)
            ceiling = t * t * (3.0 - 2.0 * t)
            for i in range(tail):
                y, x = queue[i] // columns, queue[i] % columns
                t = min((-field[y, x] - foot) / (full - foot), 1.0)
                field[y, x] = -ceiling * t * t * (3.0 - 2.0 * t)


@kernel
def _cut_around(mask, radius, soft, field):  # type: ignore[no-untyped-def]
    """Bring the (negative) weight to 0 within ``radius`` of the mask, softly over the next ``soft``
    pixels."""
    rows, columns = mask.shape
    reach = int(np.ceil(radius + soft))
    for row in range(rows):
        for column in range(columns):
            if not mask[row, column]:
                continue
            inside = 0 < row < rows - 1 and 0 < column < columns - 1
            if inside:
                across = mask[row, column - 1] and mask[row, column + 1]
                if across and mask[row - 1, column] and mask[row + 1, column]:
                    field[row, column] = 0.0
                    continue
            for y in range(max(row - reach, 0), min(row + reach + 1, rows)):
                for x in range(max(column - reach, 0), min(column + reach + 1, columns)):
                    distance = np.sqrt((y - row) ** 2 + (x - column) ** 2)
                    t = min(max((distance - radius) / soft, 0.0), 1.0)
                    most = np.float32(t * t * (3.0 - 2.0 * t))
                    if -field[y, x] > most:
                        field[y, x] = -most
