"""How a continuum's share in a line's filter goes with its colour: told by stars, used where a disc has another colour.

A line stands at one side of its broad band, so that a red star shines more there than a blue one of the same broad
light, and hot stars absorb hydrogen's lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.science.line.continuum import Scale, same_fluxes
from blend.science.line.local_medians import CELL_PX, DISC_GLOW, DISC_SIGMA
from blend.science.plane import bisquare_weights, blur_plane, spread_rows

ROUNDS, LEAST_FREE = 20, 0.1
"""Of the fit, from no slope: its steps end far below its error. And what of a star the line leaves free at least."""

FEWEST, SURE, OWN_COLOUR = 12, 3.0, 0.5
"""Stars that tell a slope, how many of its errors it must be, and what of the square of the scatter of their colours
must not be noise: else one scale for all colours stays."""

CLEAR = (5.0, 10.0, 10.0)
"""Signal-to-noise in the line and both bands of stars that count, as in the scale: their errors are counted."""

SMOOTH_CELLS, LOCAL = 2.0, 0.03
"""Width of the Gaussian over cells of 8 px that colours are averaged with: their noise then adds a hundredth to that of
light blurred by 8 px. And how well, in ln, the surroundings tell the colour of a place inside them; chosen."""

Cells = NDArray[np.float32]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class ColourTerm:
    """ln(line / broad) = ln s + slope (colour - neutral), colour = ln(broad / beside), on stars.

    ``error`` is the slope's, ``scatter`` what the stars scatter about the line beyond their errors, ``spread`` the
    scatter of their colours, ``range`` the bluest and the reddest of them.
    """

    slope: float
    error: float
    scatter: float
    stars: int
    neutral: float
    spread: float
    range: tuple[float, float]


def term_of_stars(
    scale: Scale,
    beside: NDArray[np.float32],
    *,
    fwhm_px: float,
    invalid: NDArray[np.bool_] | None = None,
) -> ColourTerm | None:
    """Return how line over broad light of a scale's stars goes with their colour; None where they do not tell.

    Parameters
    ----------
    scale : Scale
        With its stars.
    beside : (rows, columns)
        Another broad band than the scale's own.
    fwhm_px : float
    invalid : bool (rows, columns), optional
    """
    flux, error = same_fluxes(beside, scale, fwhm_px=fwhm_px, invalid=invalid)
    fluxes, errors = (scale.line_flux, scale.broad_flux, flux), (scale.line_error, scale.broad_error, error)
    return fit_term(np.stack(fluxes)[:, scale.used], np.stack(errors)[:, scale.used], value=scale.value)


def fit_term(fluxes: Floats, errors: Floats, *, value: float) -> ColourTerm | None:
    """Return the robust line through y = ln(N / R) against x = ln(R / G), or None where it is not told.

    R is in both, so that its noise tilts the line. With relative errors e of the fluxes, residuals d about the line,
    their variances v = e_N^2 + (1 + b)^2 e_R^2 + b^2 e_G^2 + tau^2, and weights w = bisquare / v, the slope b solves
    sum w ((x - <x>) d + (1 + b) e_R^2 + b e_G^2) = 0. Its error is by these terms as they are, each over what the line
    leaves free of its star, or by v, whichever is larger.

    Parameters
    ----------
    fluxes, errors : (3, n)
        N, R and G of stars: line, broad band and the band beside.
    value : float
        The scale, for the colour at which the line has it.

    Notes
    -----
    None with fewer than 12 stars that are clear in all planes, with colours that are alike within their noise, and with
    a slope below three of its errors.

    References
    ----------
    Spector, Finkelman & Brosch (2012), MNRAS 419, 2156, for one colour that corrects the continuum below a line; slopes
    with correlated errors: Akritas & Bershady (1996), ApJ 470, 706; the error, with what each star pulls the line:
    MacKinnon & White (1985), J. Econometrics 29, 305 (both from memory). Weights as `mean_log_ratio`.
    """
    with np.errstate(invalid="ignore"):
        clear = ((fluxes > np.array(CLEAR)[:, None] * errors) & (errors > 0.0)).all(axis=0)
    if np.count_nonzero(clear) < FEWEST:
        return None
    (line, broad, beside), (own, shared, other) = fluxes[:, clear], (errors / fluxes)[:, clear] ** 2
    x, y = np.log(broad / beside), np.log(line / broad)
    slope, level = 0.0, float(np.median(y))
    for _ in range(ROUNDS):
        variance = own + (1.0 + slope) ** 2 * shared + slope**2 * other
        weight, tau2 = bisquare_weights(y - level - slope * x, variance)
        mean_x, mean_y = (float((weight * values).sum() / weight.sum()) for values in (x, y))
        whole = float((weight * (x - mean_x) ** 2).sum())
        real = whole - float((weight * (shared + other)).sum())
        if not real > OWN_COLOUR * whole:
            return None
        slope = float((weight * ((x - mean_x) * (y - mean_y) + shared)).sum()) / real
        level = mean_y - slope * mean_x
    used = int((weight > 0.0).sum())
    terms = weight * ((x - mean_x) * (y - level - slope * x) + (1.0 + slope) * shared + slope * other)
    leverage = weight * ((x - mean_x) ** 2 / whole + 1.0 / weight.sum())
    seen = np.square(terms / np.maximum(1.0 - leverage, LEAST_FREE)).sum()
    told = (weight**2 * (x - mean_x) ** 2 * (variance + tau2)).sum()
    error = float(np.sqrt(max(seen, told))) / real
    if used < FEWEST or abs(slope) < SURE * error:
        return None
    neutral, ends = (float(np.log(value)) - level) / slope, x[weight > 0.0]
    scatter, spread = float(np.sqrt(tau2)), float(np.sqrt(real / weight.sum()))
    return ColourTerm(slope, error, scatter, used, neutral, spread, (float(ends.min()), float(ends.max())))


def tint_of(
    term: ColourTerm, disc: Cells, beside: Cells, glow: Cells, *, wrong: tuple[float, float]
) -> tuple[Cells, Cells]:
    """Return by how much the continuum of each place differs from that of the stars, relatively, and its error.

    exp(slope d) - 1, d = (x - neutral) P / (P + 1 / spread^2): x the mean colour around, P the inverse of its variance.
    Where light is faint d falls to 0. The error is that of the slope, times d: the scatter of the stars about one scale
    (`EmissionNoise`) counts as before, and in it what their line leaves and what a colour that is not known may do.

    Parameters
    ----------
    term : ColourTerm
    disc, beside, glow : (rows / 8, columns / 8)
        `surroundings` of the broad plane, of the other band and of the emission; cells that shine in the line tell no
        starlight's colour.
    wrong : two floats
        Errors of the first two: of their skies, and noise.
    """
    bright = (disc > DISC_SIGMA * wrong[0]) & (beside > DISC_SIGMA * wrong[1])
    bright &= np.abs(glow) < DISC_GLOW * disc
    base, other = (np.where(bright, plane, np.float32(1.0)) for plane in (disc, beside))
    colour = np.clip(np.log(base / other), *term.range) - np.float32(term.neutral)
    variance = (wrong[0] / base) ** 2 + (wrong[1] / other) ** 2 + LOCAL**2
    known = np.where(bright, 1.0 / variance, 0.0).astype(np.float32)
    weight = blur_plane(known, SMOOTH_CELLS) + np.float32(term.spread**-2.0)
    shift = blur_plane(known * colour, SMOOTH_CELLS) / weight
    tint, unsure = np.expm1(term.slope * shift), term.error * np.abs(shift)
    return tint.astype(np.float32), unsure.astype(np.float32)


def take_tint(
    light: NDArray[np.float32], broad: NDArray[np.float32], tint: Cells, disc: Cells, *, share: float
) -> None:
    """Take out of a line's light, where it is, what the colour of smooth continuum left there: E - k tint min(R, D).

    What stands out of its surroundings, stars, clusters and arms, need not have their colour and keeps the scale.

    Parameters
    ----------
    light, broad : (rows, columns)
    tint, disc : (rows / 8, columns / 8)
        ``disc`` is D, `surroundings` of the broad plane.
    share : float
        k = s times `line_factor`.

    Notes
    -----
    With N = s ((1 + tint) D + (C - D) + L t / r), R = C + L and k = r / (t - r), E = L + k tint D. Smooth light of the
    line is in D, and loses k tint of itself, half a percent.
    """

    def take(rows: slice) -> None:
        if not tint[max(rows.start // CELL_PX - 1, 0) : rows.stop // CELL_PX + 2].any():
            return
        own, smooth = (spread_rows(cells, CELL_PX, rows, light.shape[1]) for cells in (tint, disc))
        own *= np.float32(share)
        own *= np.minimum(smooth, broad[rows], out=smooth)
        light[rows] -= own

    map_row_blocks(take, light.shape[0])
