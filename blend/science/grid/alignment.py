"""How a moving frame lies on a reference frame: the values that registration returns."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.grid.distortion import Distortion, Warp, from_reference, to_reference
from blend.science.grid.transforms import within

Note = tuple[str, str]
"""Code and text, as warnings are kept."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """How a moving frame lies on a reference frame: matrix m = r + D(r) for a point m of the moving frame, r of the
    reference, D the distortion.
    """

    # (3, 3) float64; maps (x, y, 1) of the moving frame to the reference, but for the distortion
    matrix: NDArray[np.float64]
    rms_px: float  # root mean square distance of the matched stars, weighted as in the fit, reference pixels
    matched: int  # stars in the fit: pairs, without outliers and the least precise
    mirrored: bool  # one frame is a mirror image of the other
    # "similarity", "affine", "projective", "radial", "polynomial", "shift" or "none"; "world-coordinates" where
    # the distortion is the headers' or they serve alone
    transform: str
    overlap: float  # share of the reference frame that the moving frame covers, 0 to 1
    # moving_xy and reference_xy: (matched, 2) float64; the stars of the fit, each in its own frame
    moving_xy: NDArray[np.float64]
    reference_xy: NDArray[np.float64]
    distortion: Distortion | None = None
    # (centre, worst); distance, reference pixels, within which 95 % of such fits err at the middle of the covered
    # area and where in it they err most, by the fit's covariance; None where no star tells
    error_px: tuple[float, float] | None = None
    by: str = "stars"  # "stars", "world coordinates", "structure", or "grid" where nothing was sought
    # of (code, text); what makes the map doubtful; texts go on from the name of the master
    doubts: tuple[Note, ...] = field(default=())

    @property
    def scale(self) -> float:
        """Side of a pixel of the moving frame in pixels of the reference."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix[:2, :2] / self.matrix[2, 2]))))

    def forward(self, xy: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return where points (n, 2) of the moving frame fall on the reference."""
        return to_reference(self.matrix, self.distortion, np.asarray(xy, dtype=np.float64))

    def backward(self, xy: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return where points (n, 2) of the reference fall on the moving frame."""
        return from_reference(self.matrix, self.distortion, np.asarray(xy, dtype=np.float64))


def unmatched(
    matrix: NDArray[np.float64],
    transform: str,
    shapes: tuple[tuple[int, int], tuple[int, int]],
    *,
    by: str,
    distortion: Distortion | None = None,
    error_px: tuple[float, float] | None = None,
    doubts: tuple[Note, ...] = (),
) -> Alignment:
    """Return a map that no stars were fitted for; ``shapes`` of the moving frame and the reference."""
    empty = np.empty((0, 2))
    return Alignment(
        matrix=matrix,
        rms_px=0.0,
        matched=0,
        mirrored=bool(np.linalg.det(matrix[:2, :2]) < 0),
        transform=transform,
        overlap=len(covered_points(matrix, distortion, *shapes)) / GRID**2,
        moving_xy=empty,
        reference_xy=empty.copy(),
        distortion=distortion,
        error_px=error_px,
        by=by,
        doubts=doubts,
    )


def same_grid(
    moving_shape: tuple[int, int], reference_shape: tuple[int, int], where: str = "register.transform"
) -> Alignment:
    """Return the map that moves nothing, for frames that are on one grid already.

    Raises
    ------
    StepError
        The shapes differ.
    """
    if tuple(moving_shape) != tuple(reference_shape):
        raise StepError(
            where,
            found=f"the frame has {moving_shape[1]} x {moving_shape[0]} pixels and no map is to be sought",
            expected=f"{reference_shape[1]} x {reference_shape[0]} pixels, as the reference has",
            advice='set register.transform to "auto", so that the stars are used',
        )
    return unmatched(np.eye(3), "none", (moving_shape, reference_shape), by="grid")


GRID = 64
"""The frame is looked at in so many points a side: overlap to 1.5 %."""


def covered_points(
    matrix: NDArray[np.float64],
    distortion: Distortion | None,
    moving: tuple[int, int],
    reference: tuple[int, int],
) -> NDArray[np.float64]:
    """Return those of 64 x 64 points of the reference, (n, 2), that the moving frame covers."""
    y, x = np.mgrid[0:GRID, 0:GRID]
    points = np.column_stack(
        [(x.ravel() + 0.5) * reference[1] / GRID - 0.5, (y.ravel() + 0.5) * reference[0] / GRID - 0.5]
    )
    return np.asarray(points[within(from_reference(matrix, distortion, points), moving)])


def expected_error(warp: Warp, points: NDArray[np.float64]) -> tuple[float, float] | None:
    """Return the error of a map at the middle of points (n, 2) of the reference and where among them it errs most."""
    if len(points) == 0:
        return None
    return float(warp.error_px(points.mean(axis=0, keepdims=True))[0]), float(warp.error_px(points).max())
