"""What a Gaussian cannot do for equal profiles: wings, and the last hundredths of a pixel, learnt from the
stars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks
from blend.science.line.continuum import Scale
from blend.science.plane import (
    bin_plane,
    binned_sigma,
    blur_block,
    blur_plane,
    gaussian_taps,
    side_weights,
    spread_rows,
)
from blend.science.stars import FWHM_PER_SIGMA

WIDTHS = (0.8, 1.7, 3.4)
"""Widths of the kernel's Gaussians, in sigma of the profile: core, skirt, wings."""

MOST_STARS = 60
"""Brightest first: more of them add time and no light."""

FEWEST_STARS = 5
"""Fewer do not outvote one star with a companion."""

REACH = 3.0
"""Where the kernel's Gaussians are cut, in their sigma."""

WIDE_BIN = 2
"""The wings are blurred in bins of two pixels: nothing there is finer."""

BLOCK_ROWS = 128
"""A fixed height for passes with a halo."""


@dataclass(frozen=True, eq=False)
class ProfileFit:
    """A kernel 1 + shift . grad + sum a_j (G_j - 1) that turns the broad profile into that of the line
    master.

    ``terms`` holds shift x, shift y (px) and the a_j; ``widths_px`` the widths of the G_j; ``stars`` counted.
    """

    terms: NDArray[np.float64]
    widths_px: tuple[float, ...]
    stars: int


def fit_profiles(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    *,
    scale: Scale,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
) -> ProfileFit:
    """Fit the kernel that is left between two planes once they are equally wide.

    line / s = (1 + k_i) B + dx B_x + dy B_y + sum_j a_j (G_j * B - B) + c_i around every star i, by
    weighted least squares, k_i and c_i a star's own colour and sky.

    Parameters
    ----------
    line, broad : (rows, columns)
        After `match_profiles`.
    scale : Scale
        With its stars.
    fwhm_px : float
    invalid : bool (rows, columns), optional
        Stars that touch such pixels are not used.

    Returns
    -------
    ProfileFit
        No terms (`refine_broad` then returns the plane itself) with fewer than five usable stars.

    References
    ----------
    Alard & Lupton (1998), ApJ 503, 325, for a matching kernel as a sum of Gaussians (from memory), here
    round.
    """
    sigma = fwhm_px / FWHM_PER_SIGMA
    widths = tuple(width * sigma for width in WIDTHS)
    normal = np.zeros((2 + len(widths),) * 2)
    right = np.zeros(2 + len(widths))
    xy = scale.xy[scale.used][:MOST_STARS]
    told: dict[str, Any] = {"scale": scale.value, "fwhm_px": fwhm_px, "widths": widths, "invalid": invalid}
    found = map_row_blocks(
        lambda star: _star_equations(line, broad, xy[star.start], **told), len(xy), height=1
    )
    pieces = [piece for piece in found if piece is not None]
    if len(pieces) < FEWEST_STARS:
        return ProfileFit(np.zeros(0), (), len(pieces))
    keep = np.ones(len(pieces), dtype=bool)
    terms = np.zeros(len(right))
    for _ in range(3):
        chosen = [piece for piece, kept in zip(pieces, keep, strict=True) if kept]
        normal = sum((p.T @ p for p, _ in chosen), np.zeros_like(normal))
        right = sum((p.T @ v for p, v in chosen), np.zeros_like(right))
        terms = np.linalg.solve(normal + 1e-9 * np.trace(normal) * np.eye(len(right)), right)
        misfit = np.array([np.mean((v - p @ terms) ** 2) for p, v in pieces])
        keep = misfit <= 9.0 * np.median(misfit)
    return ProfileFit(terms, widths, int(keep.sum()))


def refine_broad(broad: NDArray[np.float32], fit: ProfileFit) -> NDArray[np.float32]:
    """Return the broad plane with the profile of the line master.

    B' = B + dx B_x + dy B_y + sum_j a_j (G_j * B - B).

    Parameters
    ----------
    broad : (rows, columns)
    fit : ProfileFit

    Notes
    -----
    NaN stays where it is; within reach of it, and of the frame's edge, the correction is missing light and
    is left out in proportion. 24 Mpx take about a second on two cores.
    """
    if fit.terms.size == 0:
        return broad
    *near, wide = fit.widths_px
    taps = [gaussian_taps(width, reach=REACH) for width in near]
    halo = max(len(t) // 2 for t in taps)
    rows, columns = broad.shape
    out = np.empty(broad.shape, dtype=np.float32)
    far = _blur_binned(broad, wide)

    def fill_rows(block: slice) -> None:
        low, high = max(0, block.start - halo), min(rows, block.stop + halo)
        part = slice(block.start - low, block.stop - low)
        source = np.ascontiguousarray(broad[low:high], dtype=np.float32)
        holes = np.isnan(source)
        some = bool(holes.any())
        filled = np.where(holes, np.float32(0.0), source) if some else source
        edge = some or low == 0 or high == rows
        valid = (~holes).astype(np.float32) if edge else filled
        here = filled[part]
        result = out[block]
        wings = spread_rows(far, WIDE_BIN, block, columns)
        _begin(filled, wings, fit.terms.astype(np.float32), part.start, result)
        for term, tap in zip(fit.terms[2:-1], taps, strict=True):
            weight = blur_block(valid, tap, part) if edge else side_weights(tap, columns)[None]
            _add_term(np.float32(term), blur_block(filled, tap, part), weight, here, result)
        if some:
            result[holes[part]] = np.nan

    map_row_blocks(fill_rows, rows, height=BLOCK_ROWS)
    return out


@kernel
def _begin(source, far, terms, first, out):  # type: ignore[no-untyped-def]
    """Fill in the plane, its wings and its shift; slopes are central differences, 0 on the rim of the block."""
    rows, columns = source.shape
    half, wide = np.float32(0.5), terms[len(terms) - 1]
    for row in range(out.shape[0]):
        y = row + first
        inside = 0 < y < rows - 1
        for x in range(columns):
            here = source[y, x]
            dy = half * (source[y + 1, x] - source[y - 1, x]) if inside else np.float32(0.0)
            dx = half * (source[y, x + 1] - source[y, x - 1]) if 0 < x < columns - 1 else np.float32(0.0)
            out[row, x] = here + wide * (far[row, x] - here) + (terms[0] * dx + terms[1] * dy)


@kernel
def _add_term(term, blurred, weight, here, out):  # type: ignore[no-untyped-def]
    for row in range(out.shape[0]):
        own = weight[row % weight.shape[0]]
        for x in range(out.shape[1]):
            out[row, x] += term * (blurred[row, x] - own[x] * here[row, x])


def _blur_binned(plane: NDArray[np.float32], sigma: float) -> NDArray[np.float32]:
    """Return a plane blurred in bins of `WIDE_BIN`, without NaN; for `spread_rows`."""
    binned = bin_plane(plane, WIDE_BIN, holes=True)
    out = blur_plane(binned, binned_sigma(sigma, WIDE_BIN))
    out[np.isnan(out)] = 0.0
    return out


def _slopes(block: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return central differences along y and x; 0 on the rim."""
    dy, dx = np.zeros_like(block), np.zeros_like(block)
    dy[1:-1] = (block[2:] - block[:-2]) * np.float32(0.5)
    dx[:, 1:-1] = (block[:, 2:] - block[:, :-2]) * np.float32(0.5)
    return dy, dx


def _star_equations(
    line: NDArray[np.float32],
    broad: NDArray[np.float32],
    at: NDArray[np.float64],
    *,
    scale: float,
    fwhm_px: float,
    widths: tuple[float, ...],
    invalid: NDArray[np.bool_] | None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return one star's weighted equations with its own colour and sky projected out."""
    reach = int(np.ceil(4.0 * fwhm_px))
    halo = int(np.ceil(REACH * max(widths)))
    x, y = round(at[0]), round(at[1])
    margin = reach + halo
    if min(x, y) < reach + 2 or x + reach + 2 > broad.shape[1] or y + reach + 2 > broad.shape[0]:
        return None
    box = (slice(max(y - margin, 0), y + margin + 1), slice(max(x - margin, 0), x + margin + 1))
    core = (
        slice(y - reach - box[0].start, y + reach + 1 - box[0].start),
        slice(x - reach - box[1].start, x + reach + 1 - box[1].start),
    )
    b, n = broad[box], line[box]
    if not np.isfinite(b + n).all() or (invalid is not None and invalid[box][core].any()):
        return None
    valid = np.ones_like(b)
    dy, dx = _slopes(b)
    columns = [dx[core], dy[core]]
    for width in widths:
        taps = gaussian_taps(width, reach=REACH)
        columns.append((blur_block(b, taps) - blur_block(valid, taps) * b)[core])
    wanted = n[core].astype(np.float64) / scale - b[core]
    noise = 1.4826 * float(np.median(np.abs(wanted - np.median(wanted))))
    bright = np.maximum(b[core].astype(np.float64), 0.0)
    if not noise > 0 or float(bright[reach, reach]) < 30.0 * noise:
        return None
    weight = 1.0 / np.sqrt(noise**2 + (0.01 * bright) ** 2)
    own = np.stack([b[core].ravel() * weight.ravel(), weight.ravel()], axis=1)
    basis, _ = np.linalg.qr(own)
    table = np.stack([c.ravel().astype(np.float64) * weight.ravel() for c in columns], axis=1)
    vector = wanted.ravel() * weight.ravel()
    return table - basis @ (basis.T @ table), vector - basis @ (basis.T @ vector)
