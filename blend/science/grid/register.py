"""Find the map from one star list to another, or refuse."""

from __future__ import annotations

from dataclasses import replace
from math import log10

import numpy as np

from blend.base.errors import StepError
from blend.science.grid.alignment import GRID, Alignment, Note, covered_points, expected_error, unmatched
from blend.science.grid.coordinates import (
    ENOUGH_TO_CONTRADICT,
    FEWEST_AGREEING,
    REACH_PX,
    Agreement,
    Seed,
    agreement,
)
from blend.science.grid.distortion import KINDS, PRIOR_WEIGHT, to_reference
from blend.science.grid.matching import ACCEPT_PX, Match, Side, pair, refine, weights_of
from blend.science.grid.proposals import propose
from blend.science.grid.settle import settle
from blend.science.grid.transforms import MODELS, apply_matrix, scale_of
from blend.science.stars import Stars

FEWEST_MATCHED = 5
"""Two stars or more are fitted; of four the rest is one or two, whom no chance below a millionth vouches for."""

LEAST_SHARE = 0.2
"""Least share of the smaller list, where the frames overlap, that must be matched."""

LEAST_SHARE_IN_PLACE = 0.3
"""The same for a map that moves nothing: a sensor's own marks agree there whatever the sky does."""

MOST_CHANCE = -6.0
"""Highest accepted log10 of the probability that chance made a match as good, times the maps compared. That number is
honest: of 1,700 unrelated pairs 2 went below -3, where 1.7 should, and none below -3.4."""

LOOSE_FEW = 1 / 3
"""Most that fewer than ten pairs may lie apart, by the radius: chance neighbours, 0.71 of it, keep 0.47 after a fit of
four numbers to six of them."""

UNCERTAIN_PX = 1.0
"""A map that may err by a whole pixel gives stars a coloured rim of a pixel."""

SAME_AGAIN = 0.5
"""Share of the stars that a lattice of two by two or more brings together once more, a step aside; a random field of
the greatest density that can be matched, one star in ten within the radius, does so for a tenth."""

MOST_STEPPED = 400
"""Stars of that test: a count of 200 is known to 7 %."""

PATTERN_PX = 0.3
"""The verdict's bar for good registration: what stars share and stays below it is not seen."""


def align(
    moving: Stars,
    reference: Stars,
    *,
    moving_shape: tuple[int, int],
    reference_shape: tuple[int, int],
    transform: str = "auto",
    seed: Seed | None = None,
    where: str = "register",
) -> Alignment:
    """Find shift, rotation, scale and mirror, and tilt and distortion where the stars justify them.

    Figures of four stars propose maps; a map is accepted when chance would not match as many stars as
    closely, by log10 P(at least n of N within r) + log10(maps compared) < -6. Its pairs are then grown over the frame.
    "auto" takes the map with the least BIC = 2n ln(S / 2n) + k ln(2n), S the weighted sum of squares and k the number
    of parameters; a freer kind must win by 6; and a distortion where it predicts unseen stars better (`choose_warp`).

    Parameters
    ----------
    moving, reference : Stars
    moving_shape, reference_shape : (rows, columns)
    transform : "auto", "similarity", "affine", "projective", "radial" or "polynomial"
    seed : Seed, optional
        The map that the world coordinates of both headers state: three stars that agree with it suffice, and where
        there are fewer to ask it serves alone.
    where : str
        Named in a refusal.

    Raises
    ------
    StepError
        No map beats chance, or several do; or a distortion is asked for that the stars are too few for.
    ValueError
        ``transform`` is none of the six.

    References
    ----------
    Lang et al. (2010), AJ 139, 1782, for figures of four stars; Schwarz (1978), Annals of Statistics 6,
    461, for the criterion (both from memory).
    """
    if transform not in (*MODELS, *KINDS, "auto"):
        raise ValueError(f"no transform is called {transform!r}")
    mine, theirs = Side.of(moving, moving_shape), Side.of(reference, reference_shape)
    agreed = None if seed is None else agreement(seed, mine, theirs)
    if seed is not None and agreed is not None and agreed.confirms:
        found = _by_seed(seed, agreed, mine, theirs, transform)
        if isinstance(found, Alignment):
            return found
        return _finished(found, mine, theirs, transform, where, how="world coordinates")
    try:
        best = _by_stars(mine, theirs, transform, where)
    except StepError as fault:
        if seed is None or agreed is None:
            raise
        return _by_headers_alone(seed, agreed, mine, theirs, fault)
    found = _finished(best, mine, theirs, transform, where)
    return found if seed is None else _compared(found, seed, moving_shape)


def _by_stars(mine: Side, theirs: Side, transform: str, where: str) -> Match:
    counts = len(mine.xy), len(theirs.xy)
    if min(counts) < FEWEST_MATCHED:
        raise _refusal(where, *counts, "too few to tell a match from chance")
    best, tried = _search(mine, theirs, transform)
    if best is not None and _verdict(best, tried) == "" and best.in_place:
        # Two maps that beat chance cannot both be the sky. Marks of the sensor stay in place, so the other
        # one is.
        other, more = _search(mine.without(best.paired_i), theirs.without(best.paired_j), transform)
        if other is not None and _verdict(other, tried + more) == "" and not other.in_place:
            best = other
    verdict = "no map brings more stars together than chance does" if best is None else _verdict(best, tried)
    if best is not None and not verdict:
        verdict = _ambiguity(best, mine, theirs)
    if best is None or verdict:
        raise _refusal(where, *counts, verdict)
    return best


def _finished(
    match: Match, mine: Side, theirs: Side, transform: str, where: str, how: str = "stars"
) -> Alignment:
    """Return a match as an alignment, with its expected error and what makes it doubtful."""
    warp, pattern = match.warp, match.pattern
    assert warp is not None
    if transform in KINDS and warp.kind != transform:
        raise StepError(
            where,
            found=f"{len(match.paired_i)} matched stars are too few for the transform {transform}",
            advice='set register.transform to "auto", which takes what the stars allow',
        )
    covered = covered_points(warp.matrix, warp.distortion, mine.shape, theirs.shape)
    error = expected_error(warp, covered)
    notes: list[Note] = []
    if pattern is not None and pattern.off_px > PATTERN_PX:
        text = (
            f"{pattern.stars} stars {pattern.where} lie {pattern.off_px:.1f} px together from where the map puts them: "
            f"a distortion that {warp.kind} does not follow"
        )
        notes.append(("registration-distorted", text))
    elif error is not None and error[1] > UNCERTAIN_PX:
        text = f"{len(match.i)} stars leave the map uncertain by {error[0]:.1f} px at the centre and {error[1]:.1f} px"
        notes.append(("registration-uncertain", f"{text} where it errs most (95 %)"))
    return Alignment(
        matrix=warp.matrix,
        rms_px=match.rms_px,
        matched=len(match.i),
        mirrored=match.mirrored,
        transform=warp.kind,
        overlap=len(covered) / GRID**2,
        moving_xy=mine.xy[match.i],
        reference_xy=theirs.xy[match.j],
        distortion=warp.distortion,
        error_px=error,
        by=how,
        doubts=tuple(notes),
    )


# --- by world coordinates -------------------------------------------------------------------------------------


def _by_seed(seed: Seed, agreed: Agreement, mine: Side, theirs: Side, transform: str) -> Match | Alignment:
    """Return what the stars make of coordinates that they confirm: a match, or the headers' map shifted onto a few."""
    shift = np.eye(3)
    shift[:2, 2] = agreed.shift
    start = shift @ seed.matrix
    bent = theirs if seed.distortion is None else theirs.moved(theirs.xy + seed.distortion.at(theirs.xy))
    simple = transform if transform in MODELS else "auto"
    match = refine(start, mine, bent, transform=simple, mirrored=seed.mirrored)
    if match is not None and len(match.i) >= FEWEST_MATCHED and _verdict(match, 1) == "":
        return settle(match, mine, theirs, transform, seed.distortion)
    i, j = pair(start, mine, bent, radius=ACCEPT_PX * max(1.0, abs(scale_of(start, (0.0, 0.0)))))
    weights = weights_of(start, mine, theirs, i, j)
    rest = bent.xy[j] - apply_matrix(start, mine.xy[i])
    off = weights @ rest / weights.sum()
    shift[:2, 2] = off
    squares = float((weights[:, None] * (rest - off) ** 2).sum())
    spread = (squares + PRIOR_WEIGHT) / (2 * len(i) - 2 + PRIOR_WEIGHT)
    error = float(np.sqrt(np.log(20.0) * 2.0 * spread / weights.sum()))
    plain = unmatched(
        shift @ start,
        "shift",
        (mine.shape, theirs.shape),
        by="world coordinates",
        distortion=seed.distortion,
        error_px=(error, error),
    )
    return replace(
        plain,
        rms_px=float(np.sqrt((weights @ ((rest - off) ** 2).sum(axis=1)) / weights.sum())),
        matched=len(i),
        moving_xy=mine.xy[i],
        reference_xy=theirs.xy[j],
    )


def _by_headers_alone(seed: Seed, agreed: Agreement, mine: Side, theirs: Side, fault: StepError) -> Alignment:
    """Return the headers' map where the stars are too few to speak against it, else the refusal."""
    possible = min(agreed.possible)
    if possible >= ENOUGH_TO_CONTRADICT or agreed.possible == (0, 0):
        raise StepError(
            fault.where,
            found=f"{fault.found}; nor do stars stand where the world coordinates of both headers put them: "
            f"{agreed.stars} of {possible} agree",
            expected="two frames of one field, each with its own solved coordinates",
            advice="check that both show the same field, and that the coordinates were not copied from another frame",
        )
    text = (
        f"it lies where the world coordinates of both headers put it, and no star checks that: {agreed.stars} of "
        f"{possible} agree, {FEWEST_AGREEING} would do; it is as good as the headers are, for solved ones a pixel or so"
    )
    return unmatched(
        seed.matrix,
        "world-coordinates",
        (mine.shape, theirs.shape),
        by="world coordinates",
        distortion=seed.distortion,
        doubts=(("world-coordinates-alone", text),),
    )


def _compared(found: Alignment, seed: Seed, shape: tuple[int, int]) -> Alignment:
    """Return the alignment with a warning where the headers say another place."""
    rows, columns = shape
    points = np.array([[0.25 * columns, 0.25 * rows], [0.75 * columns, 0.75 * rows]])
    apart = found.forward(points) - to_reference(seed.matrix, seed.distortion, points)
    off = float(np.hypot(*apart.T).max())
    if off <= REACH_PX:
        return found
    text = f"its stars lie {off:.0f} px from where the world coordinates of both headers put them; the stars were taken"
    return replace(found, doubts=(*found.doubts, ("world-coordinates-disagree", text)))


# --- by stars alone ----------------------------------------------------------------------------------------------


def _ambiguity(match: Match, mine: Side, theirs: Side) -> str:
    """Return why a match may be one of several: its stars stand in a lattice, and match again a step aside."""
    from scipy.spatial import cKDTree

    warp = match.warp
    assert warp is not None
    chosen = match.paired_i[:MOST_STEPPED]
    at = to_reference(warp.matrix, warp.distortion, mine.xy[chosen])
    _, near = theirs.tree.query(at, k=min(9, len(theirs.xy)))
    steps = (theirs.xy[near] - at[:, None]).reshape(-1, 2)
    steps = steps[np.hypot(*steps.T) > 2.0 * match.radius_px]
    if len(steps) == 0:
        return ""
    tree = cKDTree(steps)
    crowd = tree.query_ball_point(steps, match.radius_px, return_length=True)
    most = int(crowd.max())
    if most < max(3, SAME_AGAIN * len(chosen)):
        return ""
    dx, dy = steps[int(crowd.argmax())]
    return (
        f"ambiguous, for {most} of {len(chosen)} stars match once more a step of ({dx:.1f}, {dy:.1f}) px aside, "
        "as those of a regular lattice do"
    )


def _search(mine: Side, theirs: Side, transform: str) -> tuple[Match | None, int]:
    """Test proposals until one beats chance; return the best match and how many maps were tried."""
    best, tried = None, 0
    simple = transform if transform in MODELS else "auto"
    if min(len(mine.xy), len(theirs.xy)) < FEWEST_MATCHED:
        return None, 0
    for compared, proposals in propose(mine.xy, theirs.xy, mine.shape):
        tried += compared
        for proposal in proposals[:8]:
            match = refine(proposal.matrix, mine, theirs, transform=simple, mirrored=proposal.mirrored)
            if match is not None and match.log_chance < MOST_CHANCE:
                match = settle(match, mine, theirs, transform)
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
    if match.rms_px > (0.5 if len(match.paired_i) >= 10 else LOOSE_FEW) * match.radius_px:
        return f"{tale}, but {match.rms_px:.2f} px apart on average, as chance neighbours are"
    return ""


def _refusal(where: str, moving: int, reference: int, verdict: str) -> StepError:
    return StepError(
        where,
        found=(
            f"the frames could not be matched by their stars: {moving} in this frame, {reference} in the "
            f"reference, tried as they are and mirrored; the best attempt: {verdict}"
        ),
        expected="two frames of one field whose common stars chance does not explain",
        advice="check that both show the same field in focus, or set register.transform to "
        '"none" if they are on one grid already',
    )
