"""The mosaic of a colour sensor: which photosite sees what, and how planes are made of it.

A pattern is written as the colours of the first two photosites of the first row and of the second, ``"RGGB"``
for example, rows in the order of the array. Two ways to a plane: interpolate the missing photosites (`demosaic`),
or keep the measured ones alone, at half the size, and know exactly where they were (`photosites`, `half_size`).
Light of one line, 656.28 nm say, is in the red photosites; nothing is gained by inventing it between them.

Notes
-----
The green and blue photosites are not quite blind at 656 nm: ``LEAKAGE_656`` holds what one published camera's see of
it. Light that falls on them is left out. With the same noise on every photosite, weights by signal over variance would
add 2 x 0.081^2 + 0.022^2 = 1.4 % to the squared signal to noise, 0.7 % to the signal to noise; moonlight makes it less,
since it is brighter in green and blue. `demosaic` does worse: it adds 3/4 of a Laplacian of blue photosites that hold
noise and no line.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.rowblocks import map_row_blocks

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
COLOURS = ("red", "green", "blue")

Interpolation = Literal["bilinear", "gradient"]

LEAKAGE_656 = {"green": 0.081, "blue": 0.022}
"""Response at 656 nm of a green and of a blue photosite, red = 1: camera 'Nikon 5100 (NPL)' of the table
``MSDS_CAMERA_SENSITIVITIES`` of colour-science, data of Darrodi et al. (2015), JOSA A 32, 381. Sensors differ: one that
tells colours apart by depth ('Sigma SDMerill (NPL)' there) has 0.80 and 0.48."""


def sites(pattern: str, colour: str) -> tuple[tuple[int, int], ...]:
    """Return where in the 2x2 cell a colour lies, as (x, y), in reading order.

    Parameters
    ----------
    pattern : str
        One of ``PATTERNS``.
    colour : "red", "green" or "blue"

    Raises
    ------
    ValueError
        Another colour than red, green or blue.

    Examples
    --------
    >>> sites("GRBG", "red"), sites("RGGB", "green")
    (((1, 0),), ((1, 0), (0, 1)))
    """
    _check(pattern)
    if colour not in COLOURS:
        raise ValueError(f"no photosite sees {colour!r}; expected red, green or blue")
    letter = colour[0].upper()
    return tuple((place % 2, place // 2) for place in range(4) if pattern[place] == letter)


def photosites(mosaic: NDArray[np.floating], pattern: str, colour: str = "red") -> NDArray[np.float32]:
    """Return the photosites of one colour alone, as a plane of half the size.

    plane[j, i] = mosaic[2 j + dy, 2 i + dx], (dx, dy) the colour's place in the cell

    Parameters
    ----------
    mosaic : (rows, columns)
    pattern : str
    colour : "red" or "blue"
        Green has two photosites in a cell; see `half_size`.

    Returns
    -------
    (ceil((rows - dy) / 2), ceil((columns - dx) / 2)) float32
        A point (x, y) of it lies at (2 x + dx, 2 y + dy) of the mosaic; see `half_matrix`.

    Raises
    ------
    ValueError
        A colour that has two photosites in a cell.
    """
    places = sites(pattern, colour)
    if len(places) != 1:
        raise ValueError(f"{colour} has {len(places)} photosites in a cell of {pattern}")
    ((dx, dy),) = places
    plane: NDArray[np.float32] = np.array(mosaic[dy::2, dx::2], dtype=np.float32, order="C")
    return plane


def half_matrix(pattern: str, colour: str = "red") -> NDArray[np.float64]:
    """Return the matrix (3, 3) that maps a point of a half-size plane to the mosaic.

    x_full = 2 x_half + dx, y_full = 2 y_half + dy. Green's two photosites lie on opposite corners of the cell, so their
    mean is at its centre, dx = dy = 1/2.

    Examples
    --------
    >>> half_matrix("BGGR") @ [20.0, 18.0, 1.0]
    array([41., 37.,  1.])
    """
    dx, dy = np.mean(sites(pattern, colour), axis=0)
    return np.array([[2.0, 0.0, dx], [0.0, 2.0, dy], [0.0, 0.0, 1.0]])


def half_size(mosaic: NDArray[np.floating], pattern: str) -> NDArray[np.float32]:
    """Return red, green and blue at half the size: each cell one pixel, the two greens averaged.

    Parameters
    ----------
    mosaic : (rows, columns)
    pattern : str

    Returns
    -------
    (3, rows // 2, columns // 2) float32
        Planes lie as `half_matrix` says, 1/2 px of the mosaic apart in x and in y from red to green and from green to
        blue. NaN where a photosite is NaN; of two greens the other one stands in.
    """
    rows, columns = (2 * (length // 2) for length in mosaic.shape)
    whole = mosaic[:rows, :columns]
    planes = np.empty((3, rows // 2, columns // 2), dtype=np.float32)
    for index, colour in enumerate(COLOURS):
        first, *rest = (whole[dy::2, dx::2] for dx, dy in sites(pattern, colour))
        planes[index] = first
        for other in rest:
            both = (planes[index] + other) * np.float32(0.5)
            planes[index] = np.where(
                np.isfinite(both), both, np.where(np.isfinite(other), other, planes[index])
            )
    return planes


def demosaic(
    mosaic: NDArray[np.floating], pattern: str, *, method: Interpolation = "gradient"
) -> NDArray[np.float32]:
    """Return red, green and blue at every photosite.

    bilinear: the mean of the nearest photosites of the colour. gradient: that, plus a share of the Laplacian of the
    colour which was measured at the place: 1/2 for green, 5/8 for red or blue at green, 3/4 for red at blue.

    Parameters
    ----------
    mosaic : (rows, columns)
        At least 3 x 3, linear. Read only.
    pattern : str
    method : "bilinear" or "gradient"

    Returns
    -------
    (3, rows, columns) float32
        Measured photosites keep their value. NaN where a photosite in reach is NaN: fill faults first.

    Raises
    ------
    ValueError
        A mosaic below 3 x 3, or another method.

    Notes
    -----
    Beyond the border the mosaic is mirrored about its outermost photosites, which keeps the colours in step; a mirror
    that repeats them would not. The greens of red and of blue rows are treated alike. Noise becomes correlated: measure
    it before.

    References
    ----------
    Malvar, He & Cutler (2004), Proc. ICASSP 3, 485, for the gradient correction.

    Examples
    --------
    >>> grey = np.full((6, 8), 0.4, dtype=np.float32)
    >>> bool(np.allclose(demosaic(grey, "GBRG"), 0.4))
    True
    """
    _check(pattern)
    if method not in ("bilinear", "gradient"):
        raise ValueError(f"no way to demosaic is called {method!r}")
    if mosaic.ndim != 2 or min(mosaic.shape) < 3:
        raise ValueError(f"a mosaic of shape {mosaic.shape} is too small to interpolate")
    rows, columns = mosaic.shape
    out = np.empty((3, rows, columns), dtype=np.float32)
    ((red_x, red_y),) = sites(pattern, "red")
    mirrored_columns = _mirror(np.arange(-2, columns + 2), columns)

    def fill_rows(block: slice) -> None:
        wanted = _mirror(np.arange(block.start - 2, block.stop + 2), rows)
        part = np.empty((wanted.size, columns + 4), dtype=np.float32)
        part[:, 2:-2] = mosaic[wanted]
        for edge in (0, 1, columns + 2, columns + 3):
            part[:, edge] = part[:, mirrored_columns[edge] + 2]
        fill = _gradient_rows if method == "gradient" else _bilinear_rows
        fill(part, out, block.start, block.stop, red_x, red_y)

    map_row_blocks(fill_rows, rows)
    return out


def _mirror(index: NDArray[np.intp], length: int) -> NDArray[np.intp]:
    """Return indices reflected about the first and the last place, neither repeated."""
    period = 2 * (length - 1)
    folded = np.abs(index) % period
    return np.where(folded >= length, period - folded, folded)


def _check(pattern: str) -> None:
    if pattern not in PATTERNS:
        raise ValueError(f"no pattern is called {pattern!r}; expected one of {', '.join(PATTERNS)}")


@kernel
def _bilinear_rows(
    part: Any, out: Any, start: int, stop: int, red_x: int, red_y: int
) -> None:  # pragma: no cover - compiled
    columns = out.shape[2]
    half, quarter = np.float32(0.5), np.float32(0.25)
    for y in range(start, stop):
        up, here, down = part[y - start + 1], part[y - start + 2], part[y - start + 3]
        red_row = y % 2 == red_y
        own, other = (0, 2) if red_row else (2, 0)
        for x in range(columns):
            c = x + 2
            if (x % 2 == red_x) == red_row:
                out[own, y, x] = here[c]
                out[1, y, x] = quarter * (up[c] + down[c] + here[c - 1] + here[c + 1])
                out[other, y, x] = quarter * (up[c - 1] + up[c + 1] + down[c - 1] + down[c + 1])
            else:
                out[1, y, x] = here[c]
                out[own, y, x] = half * (here[c - 1] + here[c + 1])
                out[other, y, x] = half * (up[c] + down[c])


@kernel
def _gradient_rows(
    part: Any, out: Any, start: int, stop: int, red_x: int, red_y: int
) -> None:  # pragma: no cover - compiled
    columns = out.shape[2]
    eighth = np.float32(0.125)
    two, four, five, six = np.float32(2.0), np.float32(4.0), np.float32(5.0), np.float32(6.0)
    half, more = np.float32(0.5), np.float32(1.5)
    for y in range(start, stop):
        top, up, here = part[y - start], part[y - start + 1], part[y - start + 2]
        down, low = part[y - start + 3], part[y - start + 4]
        red_row = y % 2 == red_y
        own, other = (0, 2) if red_row else (2, 0)
        for x in range(columns):
            c = x + 2
            far_y = top[c] + low[c]
            far_x = here[c - 2] + here[c + 2]
            cross = up[c] + down[c] + here[c - 1] + here[c + 1]
            corners = up[c - 1] + up[c + 1] + down[c - 1] + down[c + 1]
            if (x % 2 == red_x) == red_row:
                out[own, y, x] = here[c]
                out[1, y, x] = eighth * (four * here[c] + two * cross - far_x - far_y)
                out[other, y, x] = eighth * (six * here[c] + two * corners - more * (far_x + far_y))
            else:
                beside, above = here[c - 1] + here[c + 1], up[c] + down[c]
                out[1, y, x] = here[c]
                out[own, y, x] = eighth * (five * here[c] + four * beside - corners - far_x + half * far_y)
                out[other, y, x] = eighth * (five * here[c] + four * above - corners - far_y + half * far_x)
