"""What of a line's light is surely there: a weight from 0 to 1 for every pixel.

What may pass for emission is as smooth as what causes it. A galaxy's colour changes slowly: it explains a glow over
the whole disc, but no excess over the surroundings, unless the starlight stands out there as well. So the light is
judged in two parts. The compact part is the excess over the surroundings, held against what the compact part of the
starlight may leave; the diffuse part carries the errors of colour, scale and sky in full.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.science.line.local_medians import CELL_PX, WINDOW_FWHM, surroundings
from blend.science.line.regions import confirm_regions, raise_bright, raise_significance
from blend.science.line.starlight_left import (
    BLOCK_ROWS,
    COARSE_BIN,
    FAINT_BIN,
    FAINT_PX,
    FINE_PX,
    EmissionNoise,
    systematic_block,
)
from blend.science.plane import bin_plane, binned_taps, blur_block, gaussian_taps, spread_rows

FOOT, FULL = 0.45, 0.8
"""In units of ``fade_sigma``: a pixel's weight is 0 and 1 there, inside a region that is sure."""

SEED, SURE = 1.6, 1.8
"""In units of ``fade_sigma``: significance of a region's peak from which the region counts, and counts fully."""

LEAST = (1.35, 1.7, 4.8, 5.4)
"""Significance that foot, full, seed and sure never fall below, whatever ``fade_sigma`` asks for. A frame of 1 Mpx has
some 100,000 places of a star's size, each looked at in two widths: noise alone passes 4.8 sigma in one of six such
frames, and covers less than one pixel in ten thousand; below a foot of 1.35 noise would join one region to the next."""

LINE_SIGMA, MARGIN_PX = 6.0, 20
"""Significance of the brightest place from which a line is there for sure: noise alone passes it in one frame of 24 Mpx
of three hundred. And how far from an edge it must lie: a star that an edge cuts is in no list, and its rest shines."""

NEGATIVE = 2.0
"""In sigma of light blurred by a star's width: what is so far below 0 is no emission, whatever lies around it."""

TRUSTED = 0.03
"""Of a region's light: where the light around it is known better than this, it passes with the region."""

MOST_FILLED = 0.15
"""Of a square of fourteen star widths: a lone region of 100 sigma fills an eighth, the knots of an arm a quarter."""

JOIN_PX = 256
"""Columns that are joined at a time: most of a frame holds nothing to join, and the rims of a strip cost a fifth."""

COARSER = FAINT_BIN // COARSE_BIN
"""Coarse bins a side of a faint one."""

LEAST_VARIANCE = 1e-30
"""Of the unsure light: far below that of any, so that none divides by 0."""

LEAST_MEND = 0.7
"""The smallest factor that brings the flux around a pixel to what passes; beyond it noise would rule."""

Plane = NDArray[np.float32]


def weigh_emission(
    emission: Plane,
    broad: Plane,
    noise: EmissionNoise,
    *,
    fade_sigma: float = 3.0,
    around: tuple[Plane, Plane],
    unsure: Plane | None = None,
    stars: Plane | Callable[[], Plane] | None = None,
    without: NDArray[np.bool_] | None = None,
) -> tuple[Plane, float | None]:
    """Return the weight with which a blend lets a line's light through, and the highest significance outside stars.

    With E = C + D, D the median around (`surroundings`) and B likewise:
    S_c = max over k of (G_k * C) / sqrt(n_k^2 (1 + growth B) + (G_k * wrong(B_c))^2), G_k Gaussians of a star's width
    and of twice that; S_d is the same at 8 px of what the compact part left, with wrong(B) and what is unsure of the
    sky and of the glow of bright stars, whose slope counts in S_c.
    A region, S above 0.45 fade_sigma, counts if its peak passes 1.6 fade_sigma (softly up to 1.8) and 4.8; inside, a
    pixel's share w_c or w_d rises from 0.45 to 0.8 fade_sigma. D is then measured again without the regions that count.
    The weight is w_c (G * (C + v D)) / (G * E) and w_d of the rest, between 0 and 1, so that the light around a region
    is that of P = w_c (C + v D) + w_d (E - w_c (C + v D)); v is 1 where D is known to much better than 3 % of a
    region's light or may be no more than an error of the sky, and 0 where a galaxy's colour leaves it open.

    Parameters
    ----------
    emission : (rows, columns)
        E, signed, from `line_light`.
    broad : (rows, columns)
        B, the broad plane it was made with.
    noise : EmissionNoise
    fade_sigma : float
        Moves all thresholds of significance in proportion, down to `LEAST`; 0 or less lets everything pass.
    around : two arrays
        `surroundings` of the emission and of the broad plane.
    unsure : (rows / 8, columns / 8), optional
        From `unsure_light`: standard error of smooth light, whatever the broad plane shows; that of the sky where it
        is not given.
    stars : (rows, columns) or a function that makes it, optional
        1 on stars without a line of their own, which have no weight, 0 elsewhere, soft between (`star_mask`).
    without : bool (rows, columns), optional
        What ``around`` leaves out.

    Returns
    -------
    weight : (rows, columns) float32
        0 where either plane is NaN.
    strongest : float or None
        The highest significance outside stars and edges; None where nothing is faded, which tells none.

    Notes
    -----
    A weight follows smoothed light, and all of a region takes part, negative pixels too: flux is not biased by
    choosing pixels that noise made bright. Regions are grown in order of the rows: deterministic.
    """
    if fade_sigma <= 0:
        everywhere = np.where(np.isfinite(emission), np.float32(-1.0), np.float32(0.0))
        return _without_stars(everywhere, _made(stars)), None
    levels = thresholds(fade_sigma)
    if unsure is None:
        unsure = np.full(around[0].shape, noise.sky, dtype=np.float32)
    parts = _Parts(emission, broad, noise, *around, unsure)
    weight, wrong, smooth = _compact(parts)
    covered = _made(stars)
    strongest = _strongest(weight, covered)
    confirm_regions(weight, *levels)
    parts = replace(parts, glow=_beside(parts, weight, without))
    faint = _diffuse(parts, weight, wrong, smooth)
    strongest = max(strongest, _strongest(faint, covered, size=FAINT_BIN))
    del covered
    confirm_regions(faint, *levels)
    np.minimum(faint, 0.0, out=faint)
    weight = _join(parts, weight, faint)
    return _without_stars(weight, _made(stars)), strongest


def _made(stars: Plane | Callable[[], Plane] | None) -> Plane | None:
    return stars() if callable(stars) else stars


def thresholds(fade_sigma: float) -> tuple[float, float, float, float]:
    """Return the significance of a pixel that passes nothing and all of itself, and of a peak that counts and is sure.

    Examples
    --------
    >>> [round(level, 2) for level in thresholds(3.0)]
    [1.35, 2.4, 4.8, 5.4]
    >>> [round(level, 2) for level in thresholds(6.0)]
    [2.7, 4.8, 9.6, 10.8]
    """
    foot, full, seed, sure = (
        max(part * fade_sigma, least) for part, least in zip((FOOT, FULL, SEED, SURE), LEAST, strict=True)
    )
    return foot, full, seed, sure


def _strongest(field: Plane, stars: Plane | None, *, size: int = 1) -> float:
    """Return the highest significance of a field in bins of ``size`` pixels, outside stars and away from the edges."""
    margin = -(-MARGIN_PX // size)
    rows, columns = (length - 2 * margin for length in field.shape)
    if rows <= 0 or columns <= 0:
        return 0.0
    inner, first = field[margin : margin + rows, margin : margin + columns], margin * size + size // 2
    middles = None if stars is None else stars[first::size, first::size][:rows, :columns]

    def block(part: slice) -> float:
        inside = inner[part]
        if middles is not None:
            inside = np.where(middles[part] > 0.0, np.float32(0.0), inside)
        return float(np.max(inside, initial=0.0))

    return max(map_row_blocks(block, rows))


def _without_stars(weight: Plane, stars: Plane | None) -> Plane:
    """Return minus ``weight``, in its own memory, less what stands on stars."""

    def block(rows: slice) -> None:
        weight[rows] *= np.float32(-1.0) if stars is None else stars[rows] - np.float32(1.0)

    map_row_blocks(block, weight.shape[0])
    return weight


@dataclass(frozen=True, eq=False)
class _Parts:
    """Emission and broad plane, the surroundings of both in cells, and the error of smooth light there."""

    emission: Plane
    broad: Plane
    noise: EmissionNoise
    glow: Plane
    disc: Plane
    unsure: Plane

    def light(self, rows: slice) -> Plane:
        """Return what of the emission stands out of its surroundings, in some rows."""
        return self._over(self.emission[rows], self.glow, rows)

    def compact(self, rows: slice) -> tuple[Plane, Plane]:
        """Return what of the emission and of the broad plane stands out of its surroundings, in some rows."""
        return self.light(rows), self._over(self.broad[rows], self.disc, rows)

    def _over(self, plane: Plane, cells: Plane, rows: slice) -> Plane:
        around = spread_rows(cells, CELL_PX, rows, plane.shape[1])
        return np.subtract(plane, around, out=around)

    def bend(self) -> Plane:
        """Return what of the unsure light may stand out of its own surroundings: its slope over half their window."""
        half = 0.5 * WINDOW_FWHM * self.noise.fwhm_px / CELL_PX
        down, across = np.gradient(np.pad(self.unsure, 1, mode="edge"))
        return np.asarray(np.float32(half) * np.hypot(down, across)[1:-1, 1:-1])

    def around(self, rows: slice, columns: slice) -> list[Plane]:
        """Return the surroundings of the emission and of the broad plane in a box, and the unsure light there."""
        return [spread_rows(cells, CELL_PX, rows, columns) for cells in (self.glow, self.disc, self.unsure)]


def _compact(parts: _Parts) -> tuple[Plane, Plane, Plane]:
    """Return the larger significance of the compact part at the two smaller widths.

    Then, in faint bins, the systematic error of the whole light and the broad plane.
    """
    noise, bend = parts.noise, parts.bend()
    taps, fine = gaussian_taps(noise.fine_px), gaussian_taps(FINE_PX)
    halo = COARSE_BIN * ((len(taps) + len(fine)) // (2 * COARSE_BIN) + 1)
    rows, columns = parts.emission.shape
    out = np.empty((rows, columns), dtype=np.float32)
    light, narrow, smooth = (
        np.empty((-(-rows // COARSE_BIN), -(-columns // COARSE_BIN)), dtype=np.float32) for _ in range(3)
    )
    wrong = np.empty((-(-rows // FAINT_BIN), -(-columns // FAINT_BIN)), dtype=np.float32)

    def fine_block(block: slice) -> None:
        low, high = max(0, block.start - halo), min(rows, block.stop + halo)
        part = slice(block.start - low, block.stop - low)
        bins = slice(block.start // COARSE_BIN, -(-block.stop // COARSE_BIN))
        own, base = parts.compact(slice(low, high))
        broad_here = blur_block(parts.broad[low:high], fine)
        other = spread_rows(bend, CELL_PX, slice(low, high), columns)
        narrow_here = systematic_block(blur_block(base, fine), noise, low, besides=other)
        over = blur_block(own, taps, part)
        out[block] = -np.inf
        raise_significance(
            over, blur_block(narrow_here, taps, part), broad_here[part], noise.fine, noise.growth, out[block]
        )
        over += spread_rows(parts.glow, CELL_PX, block, columns)
        # An edge in starlight taken off twice stands out, too.
        np.copyto(out[block], np.float32(-np.inf), where=over < np.float32(-NEGATIVE * noise.fine))
        light[bins] = bin_plane(own[part], COARSE_BIN)
        narrow[bins] = bin_plane(narrow_here[part], COARSE_BIN)
        whole = bin_plane(systematic_block(broad_here, noise, low)[part], COARSE_BIN)
        wrong[block.start // FAINT_BIN : -(-block.stop // FAINT_BIN)] = bin_plane(whole, COARSER)
        smooth[bins] = bin_plane(broad_here[part], COARSE_BIN)

    map_row_blocks(fine_block, rows, height=BLOCK_ROWS)
    taps_coarse = binned_taps(noise.coarse_px, COARSE_BIN)
    coarse = _binned(light, narrow, smooth, taps=taps_coarse, left=noise.coarse, growth=noise.growth)

    def raise_to_coarse(block: slice) -> None:
        raise_bright(spread_rows(coarse, COARSE_BIN, block, columns), out[block])

    map_row_blocks(raise_to_coarse, rows)
    return out, wrong, bin_plane(smooth, COARSER)


def _beside(parts: _Parts, shares: Plane, without: NDArray[np.bool_] | None) -> Plane:
    """Return the surroundings of the emission without the regions that count, in cells.

    A region's own light raises a median over seven star widths: by 10 % of a region of 10 sigma, 3 % of one of 100.
    Where regions fill too much of a wider square what is left lies in the gaps of an arm, and the old median stays.
    """
    lit = np.empty(shares.shape, dtype=np.bool_)
    filled = np.empty(parts.glow.shape, dtype=np.float32)

    def block(rows: slice) -> None:
        np.less(shares[rows], 0.0, out=lit[rows])
        cells = slice(rows.start // CELL_PX, -(-rows.stop // CELL_PX))
        filled[cells] = bin_plane(lit[rows].astype(np.float32), CELL_PX)
        if without is not None:
            lit[rows] |= without[rows]

    map_row_blocks(block, len(shares))
    if not filled.any():
        return parts.glow
    from scipy import ndimage

    side = 2 * int(0.5 * WINDOW_FWHM * parts.noise.fwhm_px / CELL_PX) + 1
    near = ndimage.maximum_filter(filled, side + 2) > 0.0
    near &= ndimage.uniform_filter(filled, 2 * side) < MOST_FILLED
    y, x = np.nonzero(near)
    at = CELL_PX * np.stack([x, y], axis=1).astype(np.float64)
    anew = surroundings(parts.emission, fwhm_px=parts.noise.fwhm_px, without=lit, at=at)
    return np.where(near, anew, parts.glow)


def _binned(
    light: Plane, wrong: Plane, smooth: Plane, *, taps: NDArray[np.float32], left: float, growth: float
) -> Plane:
    """Return the significance of light in bins after a blur."""
    half = len(taps) // 2
    out = np.full(light.shape, -np.inf, dtype=np.float32)

    def block(rows: slice) -> None:
        low, high = max(0, rows.start - half), min(light.shape[0], rows.stop + half)
        part = slice(rows.start - low, rows.stop - low)
        light_here, wrong_here = (blur_block(plane[low:high], taps, part) for plane in (light, wrong))
        raise_significance(light_here, wrong_here, smooth[rows], left, growth, out[rows])

    map_row_blocks(block, light.shape[0])
    return out


def _diffuse(parts: _Parts, weight: Plane, wrong: Plane, smooth: Plane) -> Plane:
    """Return the significance at 8 px, in faint bins, of what the compact part did not take.

    With what it took in it, every knot would carry a wide rim of noise.
    """
    rows, columns = parts.emission.shape
    light = np.empty((-(-rows // FAINT_BIN), -(-columns // FAINT_BIN)), dtype=np.float32)

    def block(part: slice) -> None:
        rest = parts.light(part)
        rest *= np.minimum(weight[part], 0.0)
        rest += parts.emission[part]
        light[part.start // FAINT_BIN : -(-part.stop // FAINT_BIN)] = bin_plane(rest, FAINT_BIN)

    map_row_blocks(block, rows)
    unsure = spread_rows(parts.unsure, CELL_PX // FAINT_BIN, slice(0, light.shape[0]), light.shape[1])
    return _binned(
        light,
        np.hypot(wrong, unsure),
        smooth,
        taps=binned_taps(FAINT_PX, FAINT_BIN),
        left=parts.noise.faint,
        growth=parts.noise.growth,
    )


def _join(parts: _Parts, shares: Plane, faint: Plane) -> Plane:
    """Return minus the weight of the whole light, in the memory of ``shares``, minus those of its compact part.

    A share of smoothed light lets too little of a peak through, which is sharper than its blur. A factor, the same for
    neighbours, brings the flux over twice a star's width to that of P (`weigh_emission`).
    """
    narrow, wide = (gaussian_taps(parts.noise.fine_px * times) for times in (1.0, 2.0))
    halo = (len(narrow) + len(wide)) // 2
    reach = halo + len(wide) // 2
    rows, columns = parts.emission.shape
    # What the blocks around will have written over when a block asks for it.
    rims = {
        start: (shares[max(0, start - halo) : start].copy(), shares[start + BLOCK_ROWS :][:halo].copy())
        for start in range(0, rows, BLOCK_ROWS)
    }

    def block(part: slice) -> None:
        low, high = max(0, part.start - halo), min(rows, part.stop + halo)
        above, below = rims.pop(part.start)
        strip = np.concatenate([above, shares[part], below])
        lit = strip.min(axis=0) < 0.0
        weak = faint[max(low // FAINT_BIN - 1, 0) : high // FAINT_BIN + 2].min(axis=0) < 0.0
        shares[part] = 0.0
        for left in range(0, columns, JOIN_PX):
            right = min(left + JOIN_PX, columns)
            near = weak[max(left // FAINT_BIN - 1, 0) : right // FAINT_BIN + 2]
            if not (lit[left:right].any() or near.any()):
                continue
            box = slice(max(left - reach, 0), min(right + reach, columns))
            share = np.maximum(-strip[:, box], np.float32(0.0))
            diffuse = -spread_rows(faint, FAINT_BIN, slice(low, high), box)
            inner = slice(part.start - low, part.stop - low)
            around = parts.around(slice(low, high), box)
            joined = join(inner, parts.emission[low:high, box], share, diffuse, *around)
            shares[part, left:right] = joined[:, left - box.start : right - box.start]

    def join(
        inner: slice, whole: Plane, share: Plane, diffuse: Plane, around: Plane, disc: Plane, unsure: Plane
    ) -> Plane:
        known = blur_block(share * (whole - around), wide)
        np.maximum(known, 0.0, out=known)
        known *= np.float32(TRUSTED)
        known *= known
        over = blur_block(whole, narrow)
        disc *= np.float32(parts.noise.colour)
        disc *= disc
        unsure *= unsure
        unsure += np.float32(parts.noise.faint**2 + LEAST_VARIANCE)
        # How much of the light around is open. No weight adds what an error of the sky puts below 0, so that what it
        # puts above 0 must pass, too.
        left = disc + unsure
        known += left
        left /= known
        disc += around * around
        left *= disc
        disc += unsure
        left /= disc
        around *= left
        own = np.subtract(whole, around, out=around)
        ratio = blur_block(own, narrow)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio /= over
        np.clip(ratio, 0.0, 1.0, out=ratio)
        # Where the smoothed light is below 0 a share of it has no meaning: there the light passes as it was found.
        np.copyto(ratio, np.float32(1.0), where=~(over > 0.0))
        ratio *= share
        ratio += diffuse * (1.0 - ratio)
        own *= share
        own += diffuse * (whole - own)
        with np.errstate(divide="ignore", invalid="ignore"):
            mend = blur_block(own, wide, inner) / blur_block(ratio * whole, wide, inner)
        np.copyto(mend, np.float32(1.0), where=np.isnan(mend))
        ratio = ratio[inner] * np.clip(mend, LEAST_MEND, 1.0 / LEAST_MEND, out=mend)
        np.copyto(ratio, np.float32(0.0), where=~np.isfinite(whole[inner]))
        return np.clip(np.negative(ratio, out=ratio), -1.0, 0.0, out=ratio)

    map_row_blocks(block, rows, height=BLOCK_ROWS)
    return shares
