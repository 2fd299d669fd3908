"""The light of the line alone: taken out of the line master, with its noise; what is sure of it is told elsewhere.

Subtracting scaled starlight leaves more than noise: the scale has an error, stars and galaxies have
colours, frames are a twentieth of a pixel apart, profiles differ. All of it follows the broad plane, so its
size is told from that plane and calibrated on the stars, which have no line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks
from blend.science.line.local_medians import CELL_PX
from blend.science.line.starlight_left import BLOCK_ROWS, FINE_PX, EmissionNoise, systematic_block
from blend.science.plane import blur_block, blur_rows, gaussian_taps, spread_rows


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
    line: NDArray[np.float32],
    *,
    blur_px: float,
    factor: float,
    stars: NDArray[np.float32],
) -> NDArray[np.float32]:
    """Make the light of the line as sharp as its own master, but for the places of stars, and return it.

    E + (1 - m) factor (line - G * line), m the mask of the stars: there starlight goes only where profiles are equal.

    Parameters
    ----------
    light : (rows, columns)
        E, from `line_light`, with equal profiles; changed where it is.
    line : (rows, columns)
        The line master before `match_profiles`.
    blur_px : float
        From `matching_blur`, above 0.
    factor : float
        From `line_factor`.
    stars : (rows, columns)
        0 to 1.

    Notes
    -----
    Light without a line that is not a star keeps what a blur takes from it, s factor (B - G * B): nothing where it is
    smooth over a star's width.
    """

    def add_detail(rows: slice) -> None:
        # Blurred anew: a plane less is held while the light is weighed, and costs more to hold than to make.
        detail = line[rows] - blur_rows(line, blur_px, rows)
        detail *= np.float32(factor) * (np.float32(1.0) - stars[rows])
        light[rows] += detail

    map_row_blocks(add_detail, light.shape[0])
    return light


def emission_sigma(
    broad: NDArray[np.float32],
    noise: EmissionNoise,
    *,
    pixel: float | None = None,
    unsure: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Return the standard error of one pixel of the emission, systematic terms included.

    Parameters
    ----------
    broad : (rows, columns)
    noise : EmissionNoise
        See there for the equation.
    pixel : float, optional
        Noise of a pixel at the sky as sums over pixels show it, where the light was resampled or blurred: neighbours
        share noise then, and a single pixel scatters less.
    unsure : (rows / 8, columns / 8), optional
        From `unsure_light`, in place of the error of the sky.
    """
    pixel = noise.pixel if pixel is None else pixel
    out = np.empty(broad.shape, dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        low, high = max(0, rows.start - 5), min(broad.shape[0], rows.stop + 5)
        smooth = blur_block(broad[low:high], gaussian_taps(FINE_PX))
        if unsure is None:
            besides = np.full(smooth.shape, noise.sky, dtype=np.float32)
        else:
            besides = spread_rows(unsure, CELL_PX, slice(low, high), broad.shape[1])
        wrong = systematic_block(smooth, noise, low, besides=besides, pixel=pixel)
        out[rows] = wrong[rows.start - low : rows.stop - low]
        out[rows][np.isnan(broad[rows])] = np.nan

    map_row_blocks(fill_rows, broad.shape[0], height=BLOCK_ROWS)
    return out
