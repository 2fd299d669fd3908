"""Find the map from one star list to another, or refuse."""

from __future__ import annotations

from dataclasses import dataclass
from math import log10

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.science.grid.matching import Match, Side, refine
from blend.science.grid.proposals import propose
from blend.science.grid.transforms import MODELS, apply_matrix
from blend.science.stars import Stars

FEWEST_MATCHED = 5
"""Four stars fix a projective map and a quad of four can be chance."""

LEAST_SHARE = 0.2
"""Least share of the smaller list, where the frames overlap, that must be matched."""

LEAST_SHARE_IN_PLACE = 0.3
"""The same for a map that moves nothing: a sensor's own marks agree there whatever the sky does."""

MOST_CHANCE = -8.0
"""Highest accepted log10 of the probability that chance made a match as good."""


@dataclass(frozen=True, eq=False)
class Alignment:
    """How a moving frame lies on a reference frame.

    Attributes
    ----------
    matrix : (3, 3) float64
        Maps (x, y, 1) of the moving frame to the reference.
    rms_px : float
        Root mean square distance of the matched stars, weighted as in the fit, reference pixels.
    matched : int
        Stars in the fit: pairs, without outliers and the least precise.
    mirrored : bool
        One frame is a mirror image of the other.
    transform : str
        "similarity", "affine", "projective" or "none".
    overlap : float
        Share of the reference frame that the moving frame covers, 0 to 1.
    moving_xy, reference_xy : (matched, 2) float64
        The stars of the fit, each in its own frame.
    moving_stars, reference_stars : int
        Lengths of the lists.
    """

    matrix: NDArray[np.float64]
    rms_px: float
    matched: int
    mirrored: bool
    transform: str
    overlap: float
    moving_xy: NDArray[np.float64]
    reference_xy: NDArray[np.float64]
    moving_stars: int
    reference_stars: int


def align(
    moving: Stars,
    reference: Stars,
    *,
    moving_shape: tuple[int, int],
    reference_shape: tuple[int, int],
    transform: str = "auto",
    where: str = "register",
) -> Alignment:
    """Find shift, rotation, scale and mirror, and tilt where the stars justify it.

    Figures of four stars propose maps; a map is accepted when chance would not match as many stars as
    closely, by log10 P(at least n of N within r) + log10(maps tried) < -8. "auto" takes the map with the
    least BIC = 2n ln(S / 2n) + k ln(2n), S the weighted sum of squares and k the number of parameters;
    a freer kind must win by 6.

    Parameters
    ----------
    moving, reference : Stars
    moving_shape, reference_shape : (rows, columns)
    transform : "auto", "similarity", "affine" or "projective"
    where : str
        Named in a refusal.

    Raises
    ------
    StepError
        No map beats chance.
    ValueError
        ``transform`` is none of the four.

    References
    ----------
    Lang et al. (2010), AJ 139, 1782, for figures of four stars; Schwarz (1978), Annals of Statistics 6,
    461, for the criterion (both from memory).
    """
    if transform not in (*MODELS, "auto"):
        raise ValueError(f"no transform is called {transform!r}")
    mine, theirs = Side.of(moving, moving_shape), Side.of(reference, reference_shape)
    if min(len(moving), len(reference)) < FEWEST_MATCHED:
        raise _refusal(where, len(moving), len(reference), "too few to tell a match from chance")
    best, tried = _search(mine, theirs, transform)
    if best is not None and _verdict(best, tried) == "" and best.in_place:
        # Two maps that beat chance cannot both be the sky. Marks of the sensor stay in place, so the other
        # one is.
        other, more = _search(mine.without(best.paired_i), theirs.without(best.paired_j), transform)
        if other is not None and _verdict(other, tried + more) == "" and not other.in_place:
            best = other
    verdict = "no map brings more stars together than chance does" if best is None else _verdict(best, tried)
    if best is None or verdict:
        raise _refusal(where, len(moving), len(reference), verdict)
    return Alignment(
        matrix=best.matrix,
        rms_px=best.rms_px,
        matched=len(best.i),
        mirrored=best.mirrored,
        transform=best.model,
        overlap=_overlap(best.matrix, moving_shape, reference_shape),
        moving_xy=moving.xy[best.i],
        reference_xy=reference.xy[best.j],
        moving_stars=len(moving),
        reference_stars=len(reference),
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
    empty = np.empty((0, 2))
    return Alignment(np.eye(3), 0.0, 0, False, "none", 1.0, empty, empty.copy(), 0, 0)


def _search(mine: Side, theirs: Side, transform: str) -> tuple[Match | None, int]:
    """Test proposals until one beats chance; return the best match and how many maps were tried."""
    best, tried = None, 0
    if min(len(mine.xy), len(theirs.xy)) < FEWEST_MATCHED:
        return None, 0
    for proposals in propose(mine.xy, theirs.xy, mine.shape):
        tried += sum({proposal.mirrored: proposal.of for proposal in proposals}.values())
        for proposal in proposals[:8]:
            match = refine(proposal.matrix, mine, theirs, transform=transform, mirrored=proposal.mirrored)
            if match is not None and (best is None or match.log_chance < best.log_chance):
                best = match
            if best is not None and _verdict(best, tried) == "":
                return best, tried
    return best, tried


def _verdict(match: Match, tried: int) -> str:
    """Return why a match is no match, or nothing."""
    chance = match.log_chance + log10(max(tried, 1))
    least = LEAST_SHARE_IN_PLACE if match.in_place else LEAST_SHARE
    tale = f"{len(match.paired_i)} of {match.possible} stars within {match.radius_px:.1f} px"
    if len(match.paired_i) < FEWEST_MATCHED:
        return f"{tale}, too few to tell a match from chance"
    if chance > MOST_CHANCE:
        return f"{tale}, which chance does once in {10 ** min(max(-chance, 0.0), 15.0):.3g} times"
    if match.share < least:
        return f"{tale}, and the rest of the stars disagree"
    if match.rms_px > 0.5 * match.radius_px:
        return f"{tale}, but {match.rms_px:.2f} px apart on average, as chance neighbours are"
    return ""


def _refusal(where: str, moving: int, reference: int, verdict: str) -> StepError:
    return StepError(
        where,
        found=(
            f"the frames could not be matched by their stars: {moving} in this frame, {reference} in the "
            f"reference, tried as they are and mirrored; the best attempt: {verdict}"
        ),
        expected="two frames of one field with at least ten stars in common",
        advice="check that both show the same field in focus, or set register.transform to "
        '"none" if they are on one grid already',
    )


def _overlap(matrix: NDArray[np.float64], moving: tuple[int, int], reference: tuple[int, int]) -> float:
    y, x = np.mgrid[0:64, 0:64]
    points = np.column_stack(
        [(x.ravel() + 0.5) * reference[1] / 64 - 0.5, (y.ravel() + 0.5) * reference[0] / 64 - 0.5]
    )
    u, v = apply_matrix(np.linalg.inv(matrix), points).T
    inside = (u > -0.5) & (v > -0.5) & (u < moving[1] - 0.5) & (v < moving[0] - 0.5)
    return float(inside.mean())
