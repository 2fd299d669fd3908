"""Which detected star is which star of a catalogue: by position, with the picture's world coordinates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError

_REACH_DIAGONALS = 0.75
"""Distortion polynomials have no inverse far outside; half a diagonal is the corner, the rest is room for the shift
(chosen, not measured)."""

TOLERANCE_PX = 3.0
"""So far may a catalogue star lie from its image once the common shift is out: bent fields and rounded coordinates."""

LARGEST_SHIFT_PX = 20.0
"""A common shift up to this is taken out: a solution made before a crop or on another stack is often off by pixels."""

FEWEST_MATCHES = 8
"""Fewer stars cannot tell a slope, a level and an outlier apart."""

CHANCE_FACTOR = 3.0
"""Matches must be so many times those that stars strewn at random would give."""


@dataclass(frozen=True, eq=False)
class Matches:
    """Stars of a picture and of a catalogue that belong together.

    ``star`` and ``entry`` (k,) index the two lists, ``in_frame`` is how many catalogue stars should be on the picture,
    ``shift_px`` (x, y) how far the stars lie from where the coordinates put them, ``rms_px`` what is left beyond it.
    """

    star: NDArray[np.int64]
    entry: NDArray[np.int64]
    in_frame: int
    shift_px: tuple[float, float]
    rms_px: float


def sky_to_pixels(
    ra_deg: NDArray[np.float64], dec_deg: NDArray[np.float64], wcs: Any, shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Return the pixels (n, 2) = (x, y) of positions on the sky (ICRS); NaN far from the picture.

    Parameters
    ----------
    ra_deg, dec_deg : (n,)
    wcs : astropy.wcs.WCS
        Celestial, any frame, with or without distortion.
    shape : (rows, columns)

    Notes
    -----
    Positions beyond 0.75 diagonals from the picture's middle are not asked for: distortion polynomials have no inverse
    there.
    """
    from astropy.coordinates import SkyCoord
    from astropy.wcs.utils import proj_plane_pixel_scales

    celestial = wcs.celestial
    rows, columns = shape
    stars = SkyCoord(ra_deg, dec_deg, unit="deg", frame="icrs")
    middle = celestial.pixel_to_world((columns - 1) / 2.0, (rows - 1) / 2.0).icrs
    reach = (
        _REACH_DIAGONALS * float(np.hypot(rows, columns)) * float(proj_plane_pixel_scales(celestial).max())
    )
    near = np.flatnonzero(stars.separation(middle).deg < reach)
    xy = np.full((len(ra_deg), 2), np.nan)
    if near.size:
        frame = stars[near].transform_to(celestial.pixel_to_world(0.0, 0.0).frame)
        angles = (frame.spherical.lon.deg, frame.spherical.lat.deg)
        xy[near] = np.stack(celestial.all_world2pix(*angles, 0, quiet=True), axis=1)
    return xy


def match_catalogue(
    expected_xy: NDArray[np.float64], star_xy: NDArray[np.float64], shape: tuple[int, int], *, where: str
) -> Matches:
    """Return which stars lie where a catalogue expects them.

    Parameters
    ----------
    expected_xy : (m, 2)
        Where the coordinates put the catalogue's stars; NaN for none.
    star_xy : (n, 2)
        All detected stars, the saturated too: else a faint neighbour would take a bright star's colour.
    shape : (rows, columns)
    where : str
        Who asks, for the message of a fault.

    Raises
    ------
    StepError
        No catalogue star on the picture; fewer than eight matches; or no more than chance would give.

    Notes
    -----
    The common shift is where most differences of position within 20 px agree, its mean over those. Then a pair counts
    if each is the other's nearest and they lie within 3 px.
    """
    from scipy.spatial import cKDTree

    rows, columns = shape
    edge = LARGEST_SHIFT_PX
    with np.errstate(invalid="ignore"):
        inside = (expected_xy > -edge).all(axis=1) & (expected_xy < [columns + edge, rows + edge]).all(axis=1)
    entries = np.flatnonzero(inside)
    if not entries.size:
        raise _astray(where, f"none of the {len(expected_xy)} catalogue stars falls on the picture")
    trees = cKDTree(expected_xy[entries]), cKDTree(star_xy.reshape(-1, 2))
    shift = _common_shift(expected_xy[entries], star_xy, trees)
    moved = expected_xy[entries] + shift
    distance, star = trees[1].query(moved, distance_upper_bound=TOLERANCE_PX)
    back = cKDTree(moved).query(star_xy)[1] if len(star_xy) else np.empty(0, dtype=np.int64)
    pair = np.flatnonzero(np.isfinite(distance))
    pair = pair[back[star[pair]] == pair]
    on_picture = ((moved > 0) & (moved < [columns, rows])).all(axis=1)
    in_frame = int(np.count_nonzero(on_picture))
    chance = in_frame * len(star_xy) * np.pi * TOLERANCE_PX**2 / (rows * columns)
    if len(pair) < max(FEWEST_MATCHES, CHANCE_FACTOR * chance):
        raise _astray(
            where,
            f"{len(pair)} of {in_frame} catalogue stars on the picture lie within {TOLERANCE_PX:g} px of one of its "
            f"{len(star_xy)} stars, where chance alone would give {chance:.1f}",
        )
    return Matches(
        star=star[pair].astype(np.int64),
        entry=entries[pair],
        in_frame=in_frame,
        shift_px=(float(shift[0]), float(shift[1])),
        rms_px=float(np.sqrt(np.mean(distance[pair] ** 2))),
    )


def _astray(where: str, found: str) -> StepError:
    return StepError(
        where,
        found=found,
        expected=f"at least {FEWEST_MATCHES}, and {CHANCE_FACTOR:g} times what chance gives",
        advice="check that the catalogue is of this field, ra and dec in degrees (ICRS), and solve the picture's "
        f'coordinates anew if they are off by more than {LARGEST_SHIFT_PX:g} px; or set balance.white = "stars"',
    )


def _common_shift(
    expected: NDArray[np.float64], stars: NDArray[np.float64], trees: tuple[Any, Any]
) -> NDArray[np.float64]:
    """Return star minus expected (x, y) where most pairs agree."""
    from scipy.spatial import cKDTree

    near = trees[0].query_ball_tree(trees[1], LARGEST_SHIFT_PX)
    differences = [stars[found] - expected[i] for i, found in enumerate(near) if found]
    if not differences:
        return np.zeros(2)
    votes = np.concatenate(differences)
    tree = cKDTree(votes)
    counts = tree.query_ball_point(votes, TOLERANCE_PX, return_length=True)
    best = votes[int(np.argmax(counts))]
    for _ in range(3):
        best = np.median(votes[tree.query_ball_point(best, TOLERANCE_PX)], axis=0)
    return np.asarray(best)
