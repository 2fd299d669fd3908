"""A fitted sky: its numbers, its values anywhere in the frame, and how it is taken off a plane."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA
from blend.base.rowblocks import map_row_blocks
from blend.science.sky.blocks import (
    SkyBlocks,
    chebyshev_terms,
    degree_of,
    resized,
    term_powers,
    unit_axis,
    unit_coordinates,
)
from blend.science.sky.halo import Halo

SkyModel = Literal["polynomial", "moonlight", "spline"]


@dataclass(frozen=True, eq=False)
class Bumps:
    """What a spline adds to a polynomial sky."""

    # (down, across) float64; on a lattice whose outermost points lie on the outermost pixels
    values: NDArray[np.float64]
    error: float  # typical standard error of the whole sky, as measured on blocks left out of the fit


@dataclass(frozen=True)
class Strength:
    """How much of a sky of known shape a fit found, unit of the plane: the level, if all its light has that shape."""

    # free and free_error: As fitted without a bound. Moonlight only adds: below 0 it is held at 0.
    free: float
    free_error: float
    # standard error of the value: the free one's, or of a held value the root mean square of what the data leave
    # above 0
    error: float

    @property
    def value(self) -> float:
        """The strength of the sky that was taken off, never below 0."""
        return max(self.free, 0.0)

    @property
    def held(self) -> bool:
        """Whether the bound decided, and not the data."""
        return self.free < 0.0


@dataclass(frozen=True, eq=False)
class SkyFit:
    """A fitted sky: sum over i + j <= degree of c_ij T_i(u) T_j(v), u and v from -1 to 1 across the frame."""

    degree: int
    # (n,) float64; in the order of `blocks.term_powers`, unit of the plane
    coefficients: NDArray[np.float64]
    # (n, n) float64; of the coefficients; noise, scatter shared by neighbouring blocks, the open halo of the
    # largest object, the choice of the degree and light beside the mask are in it; see `waves`
    covariance: NDArray[np.float64]
    shape: tuple[int, int]  # (rows, columns)
    # level and amplitude: median and peak-to-peak of the model over the frame
    level: float
    amplitude: float
    residual: float  # robust scatter of the used blocks about the model
    # block_xy, block_values, block_errors and block_used: what was fitted: (n, 2), (n,), (n,) and (n,) bool
    block_xy: NDArray[np.float64]
    block_values: NDArray[np.float64]
    block_errors: NDArray[np.float64]
    block_used: NDArray[np.bool_]
    # block_share and block_light: (n,) float64; usable pixels over pixels of a block, and the median of all its
    # pixels, objects too; block_grid tells how many blocks lie down and across
    block_share: NDArray[np.float64]
    block_light: NDArray[np.float64]
    block_grid: tuple[int, int]
    sky_share: float  # share of the frame that was taken as sky, 0 to 1
    # outskirts of the largest object that were fitted beside the sky (not part of the model)
    halo: Halo | None = None
    name: SkyModel = "polynomial"  # which model it is
    # where a line told the emission: light of the plane for each count of the line, taken out of the blocks
    line_factor: float | None = None
    bumps: Bumps | None = None  # what a spline adds to the surface
    strength: Strength | None = None  # of a sky of known shape: how much of it was found
    # (n, n) float64; what an uneven sky adds to the covariance: stated, but no weight, or doubts would bend a sky
    waves: NDArray[np.float64] | None = None

    @property
    def even(self) -> SkyFit:
        """The same sky with the errors that weigh it against others: those it has if it is even."""
        return replace(self, waves=None)

    @property
    def stated(self) -> NDArray[np.float64]:
        """The covariance of the coefficients with that of an uneven sky: (n, n)."""
        count = len(self.covariance)
        return self.covariance + (0.0 if self.waves is None else resized(resized(self.waves, count).T, count))

    def model(self, rows: slice | None = None) -> NDArray[np.float32]:
        """Return the sky over the whole frame, or over a slice of its rows, float32."""
        start, stop, _ = (rows or slice(None)).indices(self.shape[0])
        out = np.zeros((max(stop - start, 0), self.shape[1]), dtype=np.float32)
        _take_sky(out, self, first_row=start, sign=1.0, out=out)
        return out

    def at(self, xy: NDArray[np.floating]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the sky and its standard error at pixel points (n, 2)."""
        u, v = unit_coordinates(xy, self.shape)
        terms = chebyshev_terms(u, v, degree=self.degree)
        variance = ((terms @ self.stated) * terms).sum(axis=1)
        values = terms @ self.coefficients
        if self.bumps is not None:
            values = values + _spline_of(self.bumps).ev(v, u)
            variance = variance + self.bumps.error**2
        return values, np.sqrt(np.maximum(variance, 0.0))


def build_sky(
    coefficients: NDArray[np.float64],
    covariance: NDArray[np.float64],
    *,
    blocks: SkyBlocks,
    shape: tuple[int, int],
    used: NDArray[np.bool_],
    residuals: NDArray[np.float64],
    halo: Halo | None = None,
) -> SkyFit:
    """Return a sky with what follows from its coefficients."""
    return SkyFit(
        **_surface(coefficients, shape, residuals[used]),
        covariance=covariance,
        shape=shape,
        block_xy=blocks.xy,
        block_values=blocks.values,
        block_errors=blocks.errors,
        block_used=used,
        sky_share=float(blocks.share.mean()),
        halo=halo,
        block_share=blocks.share,
        block_light=blocks.light,
        block_grid=blocks.grid,
    )


def with_surface(fit: SkyFit, coefficients: NDArray[np.float64], covariance: NDArray[np.float64]) -> SkyFit:
    """Return a sky with another surface, and what follows from it."""
    u, v = unit_coordinates(fit.block_xy, fit.shape)
    surface = chebyshev_terms(u, v, degree=degree_of(coefficients.size)) @ coefficients
    shine = 0.0 if fit.halo is None else fit.halo.shine(fit.block_xy)
    left = (fit.block_values - surface - shine)[fit.block_used]
    return replace(fit, **_surface(coefficients, fit.shape, left), covariance=covariance)


def _surface(
    coefficients: NDArray[np.float64], shape: tuple[int, int], left: NDArray[np.float64]
) -> dict[str, Any]:
    """Return a surface and what follows from it: degree, level, amplitude, scatter of what used blocks leave."""
    degree = degree_of(coefficients.size)
    surface = chebyshev_terms(*unit_coordinates(lattice(shape), shape), degree=degree) @ coefficients
    return {
        "degree": degree,
        "coefficients": coefficients,
        "level": float(np.median(surface)),
        "amplitude": float(np.ptp(surface)),
        "residual": MAD_TO_SIGMA * float(np.median(np.abs(left - np.median(left)))),
    }


def subtract_sky(
    plane: NDArray[np.float32], fit: SkyFit, *, out: NDArray[np.float32] | None = None
) -> NDArray[np.float32]:
    """Return the plane minus the fitted sky, float32: sky 0, negatives kept, NaN kept.

    Parameters
    ----------
    plane : (rows, columns) float32
    fit : SkyFit
        Of a frame of the same shape.
    out : (rows, columns) float32, optional
        Filled and returned, in place of a new array.

    Raises
    ------
    ValueError
        A plane of another shape.
    """
    if plane.shape != fit.shape:
        raise ValueError(f"a sky of shape {fit.shape} does not fit a plane of shape {plane.shape}")
    out = np.empty(fit.shape, dtype=np.float32) if out is None else out
    _take_sky(plane, fit, first_row=0, sign=-1.0, out=out)
    return out


def sky_uncertainty(fit: SkyFit) -> float:
    """Return the standard error of the fitted sky, root mean square over the frame, unit of the plane."""
    _, errors = fit.at(lattice(fit.shape))
    return float(np.sqrt(np.mean(errors**2)))


def lattice(shape: tuple[int, int], steps: int = 33) -> NDArray[np.float64]:
    """Return steps x steps points (x, y) from corner to corner of a frame."""
    x, y = np.meshgrid(np.linspace(0, shape[1] - 1, steps), np.linspace(0, shape[0] - 1, steps))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _take_sky(
    plane: NDArray[np.float32], fit: SkyFit, *, first_row: int, sign: float, out: NDArray[np.float32]
) -> None:
    """Write plane + sign * sky into ``out``; row by row the sky is one polynomial in the column."""
    rows, columns = fit.shape
    table = np.zeros((fit.degree + 1, fit.degree + 1))
    for value, (i, j) in zip(fit.coefficients, term_powers(fit.degree), strict=True):
        table[i, j] = value
    v = unit_axis(first_row + np.arange(out.shape[0], dtype=np.float64), rows)
    by_row = np.polynomial.chebyshev.chebvander(v, fit.degree) @ table.T
    to_powers = np.zeros((fit.degree + 1, fit.degree + 1))
    for i in range(fit.degree + 1):
        powers = np.polynomial.chebyshev.cheb2poly(np.eye(fit.degree + 1)[i])
        to_powers[i, : powers.size] = powers
    powers_by_row = np.ascontiguousarray(sign * (by_row @ to_powers))
    step = 2.0 / max(columns - 1, 1)

    def fill_rows(block: slice) -> None:
        _add_rows(plane[block], powers_by_row[block], step, np.empty(columns), out[block])

    map_row_blocks(fill_rows, out.shape[0])
    if fit.bumps is not None:
        _add_bumps(fit, first_row=first_row, sign=sign, out=out)


def _spline_of(bumps: Bumps) -> Any:
    from scipy.interpolate import RectBivariateSpline

    down, across = (np.linspace(-1.0, 1.0, count) for count in bumps.values.shape)
    return RectBivariateSpline(down, across, bumps.values, kx=3, ky=3, s=0)


def _add_bumps(fit: SkyFit, *, first_row: int, sign: float, out: NDArray[np.float32]) -> None:
    assert fit.bumps is not None
    spline = _spline_of(fit.bumps)
    rows, columns = fit.shape
    u = np.linspace(-1.0, 1.0, columns) if columns > 1 else np.zeros(1)
    v = unit_axis(first_row + np.arange(out.shape[0], dtype=np.float64), rows)

    def fill_rows(block: slice) -> None:
        out[block] += np.float32(sign) * spline(v[block], u).astype(np.float32)

    map_row_blocks(fill_rows, out.shape[0])


@kernel
def _add_rows(plane, powers, step, sky, out):  # type: ignore[no-untyped-def]
    last, columns = powers.shape[1] - 1, out.shape[1]
    for y in range(out.shape[0]):
        # a power at a time over the whole row, so that several columns are worked at once
        for x in range(columns):
            sky[x] = powers[y, last]
        for k in range(last - 1, -1, -1):
            power = powers[y, k]
            for x in range(columns):
                sky[x] = sky[x] * (step * x - 1.0) + power
        for x in range(columns):
            out[y, x] = plane[y, x] + sky[x]
