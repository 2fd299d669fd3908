"""A soft mask over the stars, larger around brighter ones."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks
from blend.science.line.starlight_left import MOST_EXCESS, OTHER_COLOUR

if TYPE_CHECKING:
    from blend.science.stars import Stars

WING_POWER = 3.0
"""Exponent of the Moffat wings; seeing gives 2.5 to 4.8, common practice."""

SATURATED_REACH = 6.0
"""Largest radius around a saturated star, in FWHM: its peak is not known, its wings are wide."""

LEAST_REACH = 0.75
"""Smallest radius in FWHM: the core of the faintest star."""

CUT_REACH = 4.0
"""In FWHM around saturated pixels. Emission is left out to 2; further out the wings of a bright star of odd colour
left a faint ring up to 4 in simulated frames."""

SOFT = 0.5
"""Share of the radius over which the mask falls to 0."""


def star_mask(
    stars: Stars, shape: tuple[int, int], *, fwhm_px: float, noise: float | None = None
) -> NDArray[np.float32]:
    """Return a mask that is 1 on stars, 0 elsewhere, soft between.

    r = alpha sqrt((P / sigma)^(1 / beta) - 1), alpha = F / (2 sqrt(2^(1 / beta) - 1)): where the wing of a
    Moffat star of peak P falls to sigma; beta = 3. The mask is 1 up to r / 2 and falls to 0 at r.

    Parameters
    ----------
    stars : Stars
    shape : (rows, columns)
    fwhm_px : float
        F, of the typical star.
    noise : float, optional
        sigma of one pixel, in the unit of ``stars.peak``. Told from the faintest stars, found at five sigma,
        where it is not given.

    Returns
    -------
    (rows, columns) float32

    Notes
    -----
    Overlapping stars: the larger value counts. 24 Mpx with 4000 stars take about 0.1 s.

    References
    ----------
    Moffat (1969), A&A 3, 455, for the profile (from memory).
    """
    radius = star_radii(stars, fwhm_px=fwhm_px, noise=noise)
    xy = np.ascontiguousarray(stars.xy, dtype=np.float64)
    out = np.zeros(shape, dtype=np.float32)
    map_row_blocks(lambda rows: _stamp(xy, radius, SOFT, rows.start, out[rows]), shape[0])
    return out


def near_stars(stars: Stars, mask: NDArray[np.float32], *, fwhm_px: float) -> NDArray[np.bool_]:
    """Return where a mask, or `star_mask` of these stars, is above 0, (rows, columns)."""
    radius, xy = star_radii(stars, fwhm_px=fwhm_px), np.ascontiguousarray(stars.xy, dtype=np.float64)
    out = np.empty(mask.shape, dtype=np.bool_)

    def fill_rows(rows: slice) -> None:
        part = mask[rows].copy()
        _stamp(xy, radius, SOFT, rows.start, part)
        np.greater(part, 0, out=out[rows])

    map_row_blocks(fill_rows, len(out))
    return out


def star_radii(
    stars: Stars, *, fwhm_px: float, reach: float = 2.5, noise: float | None = None
) -> NDArray[np.float64]:
    """Return the radius in pixels at which each star is lost in the noise, ``reach`` FWHM at most; see `star_mask`."""
    peak = np.asarray(stars.peak, dtype=np.float64)
    if peak.size == 0:
        return np.empty(0)
    sigma = float(np.percentile(peak, 5.0)) / 5.0 if noise is None else noise
    ratio = np.maximum(peak / sigma, 1.0) if sigma > 0 else np.full(peak.shape, 1.0)
    alpha = 0.5 * fwhm_px / np.sqrt(2.0 ** (1.0 / WING_POWER) - 1.0)
    radius = alpha * np.sqrt(ratio ** (1.0 / WING_POWER) - 1.0)
    saturated = np.asarray(stars.saturated, dtype=bool)
    least = np.where(saturated, reach, min(LEAST_REACH, reach)) * fwhm_px
    most = np.where(saturated, max(SATURATED_REACH, reach), reach) * fwhm_px
    return np.asarray(np.clip(radius, least, most), dtype=np.float64)


def cover_saturated(
    mask: NDArray[np.float32], saturated: NDArray[np.bool_], *, fwhm_px: float
) -> NDArray[np.float32]:
    """Put everything near saturated pixels into the mask, and return it: 1 up to 4 FWHM, 0 from 5 FWHM.

    What their wings leave lies nearest to them.

    Parameters
    ----------
    mask : (rows, columns)
        From `star_mask`; filled in.
    saturated : bool (rows, columns)
    fwhm_px : float
    """
    radius = CUT_REACH * fwhm_px
    reach = int(np.ceil(radius + fwhm_px))

    def cover(rows: slice) -> None:
        low = max(rows.start - reach, 0)
        near = np.ascontiguousarray(saturated[low : rows.stop + reach])
        at = np.flatnonzero(near)
        if at.size:
            _cover(near, at, low - rows.start, radius, fwhm_px, mask[rows])

    map_row_blocks(cover, len(mask))
    return mask


def line_sources(
    line_flux: NDArray[np.float64],
    broad_flux: NDArray[np.float64],
    *,
    line_error: NDArray[np.float64],
    broad_error: NDArray[np.float64],
    on_disc: NDArray[np.bool_] | None = None,
) -> NDArray[np.bool_]:
    """Return which points shine in the line more than a star may: compact knots, not stars.

    x = N / s - R > c R, by three sigma of both errors. c is 0.5, since cool stars reach a third; on a disc of
    starlight, where knots outnumber cool stars of the field, it is 0.15: three times what populations scatter.

    Parameters
    ----------
    line_flux, broad_flux : (n,)
        Over the local sky, the line's divided by the continuum scale. NaN is no line source.
    line_error, broad_error : (n,)
    on_disc : bool (n,), optional
        From `blend.science.line.local_medians.on_disc`.
    """
    most = np.full(line_flux.shape, 1.0 + MOST_EXCESS)
    if on_disc is not None:
        most[on_disc] = 1.0 + 3.0 * OTHER_COLOUR
    with np.errstate(invalid="ignore"):
        excess = line_flux - most * np.maximum(broad_flux, 0.0)
        error = np.hypot(line_error, most * broad_error)
        return np.asarray(excess > 3.0 * error)


@kernel
def _cover(saturated, at, first, radius, soft, mask):  # type: ignore[no-untyped-def]
    rows, columns = saturated.shape
    reach = int(np.ceil(radius + soft))
    for place in at:
        row, column = place // columns, place % columns
        middle = row + first  # in the rows of the mask
        if 0 < row < rows - 1 and 0 < column < columns - 1:
            across = saturated[row, column - 1] and saturated[row, column + 1]
            if across and saturated[row - 1, column] and saturated[row + 1, column]:
                if 0 <= middle < mask.shape[0]:
                    mask[middle, column] = 1.0
                continue
        for y in range(max(middle - reach, 0), min(middle + reach + 1, mask.shape[0])):
            for x in range(max(column - reach, 0), min(column + reach + 1, columns)):
                distance = np.sqrt((y - middle) ** 2 + (x - column) ** 2)
                t = min(max(1.0 - (distance - radius) / soft, 0.0), 1.0)
                mask[y, x] = max(mask[y, x], np.float32(t * t * (3.0 - 2.0 * t)))


@kernel
def _stamp(xy, radius, soft, first, out):  # type: ignore[no-untyped-def]
    rows, columns = out.shape
    for star in range(len(radius)):
        x0, y0, r = xy[star, 0], xy[star, 1] - first, radius[star]
        for y in range(max(int(np.ceil(y0 - r)), 0), min(int(np.floor(y0 + r)), rows - 1) + 1):
            for x in range(max(int(np.ceil(x0 - r)), 0), min(int(np.floor(x0 + r)), columns - 1) + 1):
                distance = np.sqrt((x - x0) ** 2 + (y - y0) ** 2)
                t = min(max((1.0 - distance / r) / soft, 0.0), 1.0)
                out[y, x] = max(out[y, x], np.float32(t * t * (3.0 - 2.0 * t)))
