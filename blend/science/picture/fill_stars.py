"""What lies behind the stars: a smooth fill of masked pixels from the light around them.

Small holes take the mean of what lies round them. The hole of a bright star is as wide as folds of a nebula are: there
slopes have to go on, and ridges and valleys to meet.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.lazyplanes import AnyPlane
from blend.base.rowblocks import map_row_blocks

CLEAR = 0.02
"""A pixel of a mask up to this counts as outside: what a star leaves there is under 2 % of what it leaves."""

WIDE_BINS, WIDEST_BINS = 100, 20000
"""Holes of so many bins of 2 px, 23 to 320 px across, are spanned by a plate: the mean of what lies round a smaller
one is as good and has less noise, and a larger one is no star's."""
TENSION = 0.02
"""Of the plate, per bin squared: a bend evens out over 7 bins, 14 px, so that a knot at a hole's rim swings no further
into it."""
STEPS, ENOUGH = 200, 1e-3
"""Most steps of conjugate gradients, and how much of the first force may be left."""

SIDES = np.array([[-1, 0], [1, 0], [0, -1], [0, 1]])
"""Steps to the bins of the same hole, in rows and columns."""

Plane = NDArray[np.float32]


def fill_behind(plane: AnyPlane, mask: Plane, *, strength: float = 1.0) -> Plane:
    """Replace what stands under a soft mask by a smooth fill from outside it.

    out = plane + strength mask (fill - plane). The fill is the mean of unmasked pixels over bins of 2, 4, 8, ...
    px, the finest that has any, interpolated between the centres of bins. Over a hole of 100 bins of 2 px and more it
    is the plate that solves L L f = t L f there, L the difference of a bin to its four neighbours and t = 0.02.

    Parameters
    ----------
    plane : (rows, columns)
        NaN is outside the fill and stays NaN.
    mask : (rows, columns)
        0 to 1.
    strength : float
        0 to 1; 0 returns the plane itself.

    Returns
    -------
    (rows, columns) float32
        Pixels of mask 0 keep their bits.

    Notes
    -----
    A fill lies between the least and the greatest pixel outside the mask, a plate between the least and the greatest
    bin within 4 px of its hole. 24 Mpx with 4000 stars, 60 of them bright, take about 0.35 s on two
    cores.

    References
    ----------
    Gortler, Grzeszczuk, Szeliski & Cohen (1996), SIGGRAPH, section 3.4, for the fill over ever larger bins;
    Smith & Wessel (1990), Geophysics 55, 293, for the plate under tension (both from memory).

    Examples
    --------
    >>> sky, star = np.full((9, 9), 2.0, dtype=np.float32), np.zeros((9, 9), dtype=np.float32)
    >>> sky[4, 4], star[4, 4] = 50.0, 1.0
    >>> float(fill_behind(sky, star)[4, 4])
    2.0
    """
    if strength <= 0:
        return np.asarray(plane)
    source = np.ascontiguousarray(plane, dtype=np.float32)
    cover = np.ascontiguousarray(mask, dtype=np.float32)
    coarse = _coarse(source, cover)
    # what was worked out just now is nobody else's
    out = np.empty_like(source) if isinstance(plane, np.ndarray) else source

    def spread(part: slice) -> None:
        _lay_under(source[part], cover[part], coarse, part.start, strength, out[part])

    map_row_blocks(spread, plane.shape[0])
    return out


def fill_at(plane: Plane, mask: Plane, places: NDArray[np.int64]) -> Plane:
    """Return the whole fill of `fill_behind` at a few pixels, whatever the mask is there.

    Parameters
    ----------
    plane, mask : (rows, columns)
    places : int (n,)
        row * columns + column.

    Returns
    -------
    (n,) float32

    Examples
    --------
    >>> sky, star = np.full((9, 9), 2.0, dtype=np.float32), np.zeros((9, 9), dtype=np.float32)
    >>> sky[4, 4], star[4, 4] = 50.0, 0.5
    >>> fill_at(sky, star, np.array([40])).tolist()
    [2.0]
    """
    coarse = _coarse(
        np.ascontiguousarray(plane, dtype=np.float32), np.ascontiguousarray(mask, dtype=np.float32)
    )
    out = np.empty(len(places), dtype=np.float32)
    _read_between(coarse, places, plane.shape[1], out)
    return out


def _coarse(source: Plane, cover: Plane) -> Plane:
    """Return the means of unmasked pixels over bins of 2, empty ones filled from larger bins."""
    rows, columns = source.shape
    value = np.empty((-(-rows // 2), -(-columns // 2)), dtype=np.float32)
    weight = np.empty_like(value)

    def gather(part: slice) -> None:
        inner = slice(2 * part.start, min(2 * part.stop, rows))
        room = np.empty(columns + 1), np.empty(columns + 1, dtype=np.int32)
        _gather_clear(source[inner], cover[inner], CLEAR, *room, value[part], weight[part])

    map_row_blocks(gather, value.shape[0])
    share = np.subtract(np.float32(1.0), weight, out=weight)
    out = _filled(value, share)
    _bend_wide_holes(out, share)
    return out


def _bend_wide_holes(out: Plane, share: Plane) -> None:
    """Let a thin plate under tension span the wide holes among bins of 2.

    Slopes go on under it, ridges and valleys meet, between the least and the greatest bin round a hole. Solved by
    conjugate gradients, from what is there.
    """
    state = np.array(share > 0.0, dtype=np.uint8)
    places = np.empty(int(np.count_nonzero(state)), dtype=np.int64)
    ends = np.zeros(places.size + 1, dtype=np.int64)
    ends = ends[: list_groups(state, SIDES, places, ends) + 1]
    sizes = np.diff(ends)
    wide = (sizes >= WIDE_BINS) & (sizes <= WIDEST_BINS)
    least, most = np.full(sizes.size, np.inf), np.full(sizes.size, -np.inf)
    _find_rims(out, share, places, ends, least, most)
    chosen = np.repeat(wide & (least <= most), sizes)
    places = places[chosen]
    if not places.size:
        return
    shape, lattice = out.reshape(-1)[places].astype(np.float64), np.zeros_like(out)
    rest = -_pulls(out, places)
    way = rest
    # Plain sums: BLAS would add in another order on another number of threads.
    size = first = float(np.square(rest).sum())
    for _ in range(STEPS):
        if size <= ENOUGH**2 * first:
            break
        lattice.reshape(-1)[places] = way
        force = _pulls(lattice, places)
        step = size / float((way * force).sum())
        shape += step * way
        rest = rest - step * force
        left = float(np.square(rest).sum())
        way, size = rest + left / size * way, left
    low, high = np.repeat(least, sizes)[chosen], np.repeat(most, sizes)[chosen]
    out.reshape(-1)[places] = np.clip(shape, low, high)


def _pulls(plane: Plane, places: NDArray[np.int64]) -> NDArray[np.float64]:
    force = np.empty(places.size)

    def fill_part(part: slice) -> None:
        _pull(plane, places[part], TENSION, force[part])

    map_row_blocks(fill_part, places.size, height=65536)
    return force


def _filled(value: Plane, share: Plane) -> Plane:
    """Return a plane of bins, filled, without empty ones: by their ``share`` they take from bins twice as large."""
    if min(value.shape) < 2 or not (share > 0.0).any():
        return _with_mean(value, np.float32(1.0) - share)
    shape = (-(-value.shape[0] // 2), -(-value.shape[1] // 2))
    larger, rest = np.empty(shape, dtype=np.float32), np.empty(shape, dtype=np.float32)
    _gather_bins(value, share, larger, rest)
    _lay_under(value, share, _filled(larger, rest), 0, 1.0, value)
    return value


def _with_mean(value: Plane, weight: Plane) -> Plane:
    total = float(weight.sum(dtype=np.float64))
    mean = float((value.astype(np.float64) * weight).sum()) / total if total > 0 else 0.0
    return np.where(weight > 0, value, np.float32(mean)).astype(np.float32)


@kernel
def _gather_clear(plane, mask, clear, sums, counts, value, weight):  # type: ignore[no-untyped-def]
    # Down the columns first, with choices instead of branches: so several columns are added at a time.
    rows, columns = plane.shape
    for y in range(value.shape[0]):
        for x in range(columns + 1):
            sums[x], counts[x] = 0.0, 0
        for j in range(2 * y, min(2 * y + 2, rows)):
            source, cover = plane[j], mask[j]
            for x in range(columns):
                good = (cover[x] <= clear) & (source[x] == source[x])
                sums[x] += source[x] if good else np.float32(0.0)
                counts[x] += np.int32(good)
        for x in range(value.shape[1]):
            count = counts[2 * x] + counts[2 * x + 1]
            value[y, x] = (sums[2 * x] + sums[2 * x + 1]) / max(count, 1)
            weight[y, x] = 0.25 * count


@kernel
def _gather_bins(value, share, larger, rest):  # type: ignore[no-untyped-def]
    rows, columns = value.shape
    one = np.float32(1.0)
    for y in range(larger.shape[0]):
        for x in range(larger.shape[1]):
            total, sure = 0.0, 0.0
            for j in range(2 * y, min(2 * y + 2, rows)):
                for i in range(2 * x, min(2 * x + 2, columns)):
                    total += (one - share[j, i]) * value[j, i]
                    sure += one - share[j, i]
            larger[y, x] = total / sure if sure > 0.0 else 0.0
            rest[y, x] = one - min(sure, 1.0)


@kernel
def list_groups(state, steps, places, ends):  # type: ignore[no-untyped-def]
    """Fill in the pixels of state 1 (then 2) group by group, as row * columns + column, and where each ends.

    ``steps`` (n, 2) lead to the neighbours that belong together. Returns how many groups there are.
    """
    rows, columns = state.shape
    head, tail, count = 0, 0, 0
    for row in range(rows):
        for column in range(columns):
            if state[row, column] != 1:
                continue
            places[tail] = row * columns + column
            state[row, column] = 2
            tail += 1
            while head < tail:
                r, c = places[head] // columns, places[head] % columns
                head += 1
                for k in range(len(steps)):
                    y, x = r + steps[k, 0], c + steps[k, 1]
                    if 0 <= y < rows and 0 <= x < columns and state[y, x] == 1:
                        state[y, x] = 2
                        places[tail] = y * columns + x
                        tail += 1
            count += 1
            ends[count] = tail
    return count


@kernel
def _find_rims(value, share, places, ends, least, most):  # type: ignore[no-untyped-def]
    """Find the least and the greatest bin within two bins of each hole."""
    rows, columns = value.shape
    for hole in range(len(ends) - 1):
        for k in range(ends[hole], ends[hole + 1]):
            row, column = places[k] // columns, places[k] % columns
            for y in range(max(row - 2, 0), min(row + 3, rows)):
                for x in range(max(column - 2, 0), min(column + 3, columns)):
                    if share[y, x] <= 0.0:
                        least[hole] = min(least[hole], value[y, x])
                        most[hole] = max(most[hole], value[y, x])


@kernel
def _pull(plane, places, tension, force):  # type: ignore[no-untyped-def]
    """Fill in what a plate under tension pulls each bin with; beyond the frame it goes on as its rim."""
    rows, columns = plane.shape
    for k in range(len(places)):
        y, x = places[k] // columns, places[k] % columns
        above, below = max(y - 1, 0), min(y + 1, rows - 1)
        left, right = max(x - 1, 0), min(x + 1, columns - 1)
        near = plane[above, x] + plane[below, x] + plane[y, left] + plane[y, right]
        diagonal = plane[above, left] + plane[above, right] + plane[below, left] + plane[below, right]
        far = plane[max(y - 2, 0), x] + plane[min(y + 2, rows - 1), x]
        far += plane[y, max(x - 2, 0)] + plane[y, min(x + 2, columns - 1)]
        bent = 20.0 * plane[y, x] - 8.0 * near + 2.0 * diagonal + far
        force[k] = bent + tension * (4.0 * plane[y, x] - near)


@kernel
def _lay_under(plane, share, coarse, first, strength, out):  # type: ignore[no-untyped-def]
    """Mix a block of rows, by its share, with bins of 2 interpolated between their centres."""
    last, rim = coarse.shape[0] - 1, coarse.shape[1] - 1
    for y in range(plane.shape[0]):
        v = 0.5 * (y + first) - 0.25
        top = int(np.floor(v))
        b, y0, y1 = v - top, max(top, 0), min(top + 1, last)
        for x in range(plane.shape[1]):
            here = plane[y, x]
            if share[y, x] <= 0.0 or np.isnan(here):
                out[y, x] = here
                continue
            u = 0.5 * x - 0.25
            left = int(np.floor(u))
            a, x0, x1 = u - left, max(left, 0), min(left + 1, rim)
            upper = (1.0 - a) * coarse[y0, x0] + a * coarse[y0, x1]
            lower = (1.0 - a) * coarse[y1, x0] + a * coarse[y1, x1]
            out[y, x] = here + strength * share[y, x] * ((1.0 - b) * upper + b * lower - here)


@kernel
def _read_between(coarse, places, columns, out):  # type: ignore[no-untyped-def]
    """Interpolate between the centres of bins of 2 at some of the pixels."""
    last, rim = coarse.shape[0] - 1, coarse.shape[1] - 1
    for k in range(len(places)):
        v, u = 0.5 * (places[k] // columns) - 0.25, 0.5 * (places[k] % columns) - 0.25
        top, left = int(np.floor(v)), int(np.floor(u))
        b, y0, y1 = v - top, max(top, 0), min(top + 1, last)
        a, x0, x1 = u - left, max(left, 0), min(left + 1, rim)
        upper = (1.0 - a) * coarse[y0, x0] + a * coarse[y0, x1]
        lower = (1.0 - a) * coarse[y1, x0] + a * coarse[y1, x1]
        out[k] = (1.0 - b) * upper + b * lower
