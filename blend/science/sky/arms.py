"""Arms and lopsided outskirts beside a smooth halo: light that neighbouring blocks share.

A halo on ellipses is wrong by a share of itself, and wrong the same way over a whole arm. Blocks that are wrong
together count as few, not as many: without that an arm's end bends the sky of a disc that fills the frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from blend.science.sky.halo import Ellipse

ARM_LENGTH = 0.5
"""Over what a halo's error is shared: radians about the object, and a factor exp(0.5) in its radius."""
LEAST_RADIUS = 0.3
KNOT_SPACING = 0.6
"""Distance of the knots that carry the shared error, in lengths over which it is shared."""
KNOTS_AROUND = 22
RING_WIDTH = 0.15
"""Over what, in its ln radius, a profile is wrong all around: no disc is one of those that are tried."""
LEAST_DOUBT = 0.005
"""Shared errors below this share of a block's own do not count, not even over all blocks together."""


@dataclass(frozen=True, eq=False)
class Errors:
    """The covariance diag(variance) + common common^T of n blocks: few columns say what they share."""

    variance: NDArray[np.float64]
    common: NDArray[np.float64]

    @cached_property
    def _inner(self) -> NDArray[np.float64]:
        """1 + common^T common / variance: by Woodbury's identity no matrix is n x n."""
        light = self.common / self.variance[:, None]
        return np.asarray(np.eye(self.common.shape[1]) + self.common.T @ light)

    def undo(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return covariance^-1 columns."""
        plain = columns / self.variance[:, None]
        shared = self.common @ np.linalg.solve(self._inner, self.common.T @ plain)
        return np.asarray(plain - shared / self.variance[:, None])

    def power(self, columns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return column^T covariance^-1 column of every column, in half the time of `undo`."""
        plain = columns / self.variance[:, None]
        shared = self.common.T @ plain
        return np.asarray(
            (columns * plain).sum(axis=0) - (shared * np.linalg.solve(self._inner, shared)).sum(axis=0)
        )

    @property
    def log_volume(self) -> float:
        """ln det covariance."""
        return float(np.log(self.variance).sum() + np.linalg.slogdet(self._inner)[1])


def shared_errors(
    ellipse: Ellipse,
    xy: NDArray[np.float64],
    doubt: NDArray[np.float64],
    own: NDArray[np.float64],
    *,
    around: float = 0.0,
) -> Errors:
    """Return the covariance of blocks by way of knots on the object, close enough for all that blocks can share.

    ``around`` is the share of the doubt that is wrong all around. What the knots do not carry stays with each block, so
    that no variance is lost.

    References
    ----------
    Snelson & Ghahramani (2006), Advances in Neural Information Processing Systems 18, 1257; from memory.
    """
    radius, angle = ellipse.polar(xy)
    depth = np.log(np.maximum(radius, LEAST_RADIUS)) / ARM_LENGTH
    felt = doubt > LEAST_DOUBT * own
    if not felt.any():
        return Errors(own**2, np.zeros((own.size, 0)))
    low, high = float(depth[felt].min()), float(depth[felt].max())
    knots, axes = _knots(low, high)
    common = np.zeros((own.size, axes.shape[1]))
    common[felt] = _error_correlation((depth[felt], angle[felt]), knots) @ axes
    rest = np.maximum(1.0 - (common**2).sum(axis=1), 0.0)
    if around > 0.0:
        rings = np.arange(low * ARM_LENGTH, high * ARM_LENGTH + RING_WIDTH, RING_WIDTH)
        apart = np.square((ARM_LENGTH * depth[:, None] - rings) / RING_WIDTH)
        common = np.column_stack([common, around * np.exp(-0.5 * apart)])
    return Errors(own**2 + rest * doubt**2, common * doubt[:, None])


@lru_cache(maxsize=16)
def _knots(low: float, high: float) -> tuple[tuple[NDArray[np.float64], ...], NDArray[np.float64]]:
    """Return the knots between two depths, (ln R / L, phi), and the axes of their errors over the root of each one."""
    rings = np.linspace(low, high, 2 + int((high - low) / KNOT_SPACING))
    turns = np.linspace(0.0, 2.0 * np.pi, KNOTS_AROUND, endpoint=False)
    knots = np.repeat(rings, turns.size), np.tile(turns, rings.size)
    heights, axes = np.linalg.eigh(_error_correlation(knots, knots))
    kept = heights > 1e-5 * heights[-1]
    return knots, axes[:, kept] / np.sqrt(heights[kept])


def _error_correlation(
    one: tuple[NDArray[np.float64], ...], two: tuple[NDArray[np.float64], ...]
) -> NDArray[np.float64]:
    """Return how far the halo's errors at two sets of (ln R / L, phi) go together, 0 to 1: (n, m)."""
    apart = np.square(one[0][:, None] - two[0][None, :]) * -0.5
    turned = np.outer(np.cos(one[1]), np.cos(two[1])) + np.outer(np.sin(one[1]), np.sin(two[1]))
    return np.asarray(np.exp(apart + (turned - 1.0) / ARM_LENGTH**2))
