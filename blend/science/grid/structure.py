"""Find the shift between two pictures without stars, by the cross-correlation of their gradients, or refuse."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.grid.alignment import Alignment, unmatched

Plane = NDArray[np.floating[Any]]

LONGEST = 800
"""Blocks along the longer side that the shift is sought on: a nebula's edges are wider than the blocks, and a shift
is found to a twentieth of one."""

UPSAMPLED = 50
"""Parts of a block in which the peak is placed."""

MOST_SECOND = 0.7
"""Highest second peak, as a share of the first: five views of one nebula each reached 0.22 to 0.39, five pairs of
unrelated ones 0.52 to 0.92. Those below are refused by their quarters, which disagree by half the frame."""

FEWEST_BLOCKS = 32
"""Overlap a side: its quarters are as wide as the smoothing four times."""

WIDE = 12.0
"""Blocks of smoothing that is taken off, six times that of the edges."""


def align_by_structure(moving: Plane, reference: Plane, *, where: str = "register") -> Alignment:
    """Return the shift that brings two planes of one scale and direction together by what they show.

    Parameters
    ----------
    moving, reference : (rows, columns)
        NaN where there are no data.
    where : str
        Named in a refusal.

    Raises
    ------
    StepError
        No shift, or more than one, brings them together.

    Notes
    -----
    A turn or another scale is not sought; it shows in ``error_px``, from how far the four quarters agree.

    References
    ----------
    Guizar-Sicairos et al. (2008), Optics Letters 33, 156, for the upsampled peak (scikit-image).
    """
    factor = max(1, -(-max(*moving.shape, *reference.shape) // LONGEST))
    mine, theirs = (_edges(plane, factor) for plane in (moving, reference))
    step, width, second = _peak(mine, theirs)
    for _ in range(4):
        # what both show, cut alike: a window draws a broad peak towards no shift
        low = np.maximum(step, 0)
        high = np.minimum(theirs.shape, step + mine.shape)
        if second > MOST_SECOND or (high - low).min() < FEWEST_BLOCKS:
            raise _refusal(where, f"another one does so nearly as well ({second:.0%})")
        target = theirs[low[0] : high[0], low[1] : high[1]]
        source = mine[low[0] - step[0] : high[0] - step[0], low[1] - step[1] : high[1] - step[1]]
        rest = _shift(source, target)
        if np.abs(rest).max() < 0.75:
            break
        step = step + np.rint(rest).astype(int)
    rows, columns = (np.array_split(np.arange(length), 2) for length in target.shape)
    quarters = [np.ix_(r, c) for r in rows for c in columns]
    apart = np.array([_shift(source[q], target[q]) for q in quarters]) - rest
    spread = float(np.sqrt((apart**2).sum(axis=1).mean()))
    if spread > 2.0 * width:
        raise _refusal(where, f"their quarters ask for shifts {factor * spread:.0f} px apart")
    error = factor * spread * float(np.sqrt(np.log(20.0)))
    matrix = np.eye(3)
    matrix[:2, 2] = factor * (step + rest)[::-1]
    shapes = (moving.shape[0], moving.shape[1]), (reference.shape[0], reference.shape[1])
    # four quarters tell the whole's place twice as well as their own
    return unmatched(matrix, "shift", shapes, by="structure", error_px=(0.5 * error, error))


def _edges(plane: Plane, factor: int) -> Plane:
    """Return the size of the gradient of the plane's block means, of mean 0; 0 where there are no data."""
    from scipy.ndimage import binary_dilation, gaussian_filter, median_filter

    rows, columns = (length // factor for length in plane.shape)
    blocks = plane[: rows * factor, : columns * factor].reshape(rows, factor, columns, factor)
    good = np.isfinite(blocks)
    means = np.where(good, blocks, 0.0).sum(axis=(1, 3)) / np.maximum(good.sum(axis=(1, 3)), 1)
    lost = good.mean(axis=(1, 3)) < 0.5
    if lost.all():
        return np.zeros_like(means)
    means[lost] = np.median(means[~lost])
    # hot pixels and stars go with the median; the gradient of two blocks is that of a nebula and not of the noise
    size = np.hypot(*np.gradient(gaussian_filter(median_filter(means, 5), 2.0)))
    used = ~binary_dilation(lost, iterations=8, border_value=False)
    used[[0, 1, 2, -3, -2, -1]] = used[:, [0, 1, 2, -3, -2, -1]] = False
    if not used.any():
        return np.zeros_like(means)
    # what is left of a bright star is one place among many
    size = np.minimum(size, np.quantile(size[used], 0.995))
    # what is wider than an edge draws towards no shift
    return np.where(used, size - gaussian_filter(np.where(used, size, size[used].mean()), WIDE), 0.0)


def _windowed(edges: Plane) -> Plane:
    rows, columns = (np.hanning(length + 2)[1:-1] for length in edges.shape)
    window = np.sqrt(np.outer(rows, columns))
    return np.asarray(window * (edges - (window * edges).sum() / window.sum()))


def _peak(mine: Plane, theirs: Plane) -> tuple[NDArray[np.int64], float, float]:
    """Return the shift (dy, dx) of the highest correlation, its width, and the next peak as a share of it."""
    from scipy.fft import irfft2, next_fast_len, rfft2

    shape = tuple(next_fast_len(a + b, real=True) for a, b in zip(mine.shape, theirs.shape, strict=True))
    one, other = rfft2(_windowed(mine), shape), rfft2(_windowed(theirs), shape)
    together, alone = irfft2(other * one.conj(), shape), irfft2(other * other.conj(), shape)
    y, x = (int(v) for v in np.unravel_index(together.argmax(), shape))
    if together[y, x] <= 0.0:
        return np.zeros(2, dtype=np.int64), 0.0, 1.0
    away = np.hypot(*np.meshgrid(*(np.fft.fftfreq(n, 1 / n) for n in shape), indexing="ij"))
    # the peak is as wide as the reference's with itself: it ends where that falls below a third
    width = float(away[alone < alone[0, 0] / 3.0].min())
    outside = np.roll(away, (y, x), axis=(0, 1)) > 2.0 * width
    second = float(together[outside].max() / together[y, x]) if outside.any() else 1.0
    step = [v - n if v >= n - m else v for v, n, m in zip((y, x), shape, mine.shape, strict=True)]
    return np.array(step, dtype=np.int64), width, second


def _shift(source: Plane, target: Plane) -> NDArray[np.float64]:
    """Return how far (y, x) the source is to be moved onto the target, blocks."""
    from skimage.registration import phase_cross_correlation

    correlate: Any = phase_cross_correlation
    found = correlate(_windowed(target), _windowed(source), upsample_factor=UPSAMPLED, normalization=None)
    return np.asarray(found[0], dtype=np.float64)


def _refusal(where: str, why: str) -> StepError:
    return StepError(
        where,
        found=f"no one shift brings the two pictures together: {why}",
        expected="two frames of one scale and direction that show the same nebula",
        advice='use the stars (register.method = "stars"), or bring the masters onto one grid and set '
        'register.transform to "none"',
    )
