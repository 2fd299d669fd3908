"""Settle a match: its stars found over the whole frame, its distortion chosen, its error and its pattern told."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from blend.science.grid.distortion import KINDS, Distortion, Warp, frame_of, to_reference
from blend.science.grid.matching import (
    Match,
    Side,
    choose_model,
    pair,
    precise_pairs,
    weigh,
    weights_of,
)
from blend.science.grid.transforms import MODELS
from blend.science.grid.wholeframe import Pairs, choose_warp, find_pattern, grow, within_sigma

MOST_SETTLED = 2000
"""Stars that settle a map, the brightest: as many err by a fiftieth of one star's error."""


def settle(match: Match, mine: Side, theirs: Side, transform: str, known: Distortion | None = None) -> Match:
    """Return the match with the map of the whole frame.

    Parameters
    ----------
    match : Match
        That chance does not explain, perhaps of a part of the frame alone.
    mine, theirs : Side
    transform : "auto", a kind of `MODELS`, "radial" or "polynomial"
    known : Distortion, optional
        That of world coordinates.
    """
    frame = frame_of(theirs.shape)
    bent = theirs if known is None else theirs.moved(theirs.xy + known.at(theirs.xy))
    i, j = _precise(match, mine, theirs, *_all_pairs(match, mine, bent))
    pairs = _weighed(match, mine, theirs, i, j)
    base = match.model
    if transform not in MODELS and len(i) >= 3:
        base = choose_model(list(MODELS), mine, theirs, i, j, mirrored=match.mirrored)
    wanted = transform if transform in ("auto", *KINDS) else "none"
    choose = partial(choose_warp, frame=frame, base=base, mirrored=match.mirrored, wanted=wanted, known=known)
    warp = choose(pairs)
    if warp is not None and warp.distortion is not None and known is None:
        again = _weighed(match, mine, theirs, *_met_again(match, warp, mine, theirs))
        if len(again.source) > len(pairs.source):
            pairs, warp = again, choose(again)
    if warp is None or (warp.distortion is None and known is None):
        # the match as it stands, with the error of its own stars
        a, b = np.searchsorted(mine.index, match.i), np.searchsorted(theirs.index, match.j)
        own = weights_of(match.matrix, mine, theirs, a, b)
        plain = Warp(match.matrix, match.model, None, frame, (mine.xy[a], theirs.xy[b], own))
        pattern = find_pattern(pairs.target, plain.rest(pairs.source, pairs.target), frame)
        return replace(match, warp=plain, pattern=pattern)
    return _rematched(match, warp, mine, theirs, pairs)


def _all_pairs(match: Match, mine: Side, theirs: Side) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the pairs of the brightest stars, those beyond the radius of the match with them."""
    most = np.arange(min(len(mine.xy), MOST_SETTLED))
    i, j = pair(match.matrix, mine, theirs, radius=match.radius_px)
    near = i < len(most)
    spacing = (theirs.shape[0] * theirs.shape[1] / max(len(theirs.xy), 1)) ** 0.5
    # a neighbour's word is good to some percent of the way to it; a twelfth of the spacing meets few strangers
    reach = float(np.clip(spacing / 12.0, match.radius_px, 4.0 * match.radius_px))
    return grow(match.matrix, mine.xy[most], theirs.xy, i[near], j[near], radius=reach)


def _precise(
    match: Match, mine: Side, theirs: Side, i: NDArray[np.int64], j: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the pairs of bright stars, clipped ones left out where others are enough."""
    clear = ~(mine.saturated[i] | theirs.saturated[j])
    bright = precise_pairs(match.matrix, mine, theirs, i, j)
    chosen = bright & clear if (bright & clear).sum() >= 12 else bright
    return i[chosen], j[chosen]


def _weighed(match: Match, mine: Side, theirs: Side, i: NDArray[np.int64], j: NDArray[np.int64]) -> Pairs:
    return Pairs(mine.xy[i], theirs.xy[j], weights_of(match.matrix, mine, theirs, i, j))


def _met_again(
    match: Match, warp: Warp, mine: Side, theirs: Side
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the pairs that a distorted map brings within its own error and the stars'.

    A lone star in a corner, where its neighbours, continued linearly, do not put it, is what holds a distortion there:
    of 60 stars decentred by 12 px without it the map erred by 0.54 px at worst, 0.05 are possible with it.
    """
    straight = mine.moved(to_reference(warp.matrix, warp.distortion, mine.xy))
    i, j = pair(np.eye(3), straight, theirs, radius=match.radius_px)
    settling = i < MOST_SETTLED
    i, j = _precise(match, mine, theirs, i[settling], j[settling])
    apart = np.hypot(*warp.rest(mine.xy[i], theirs.xy[j]).T)
    pull = apart * np.sqrt(weights_of(match.matrix, mine, theirs, i, j))
    beyond = np.maximum(apart - warp.error_px(theirs.xy[j]), 0.0)
    near = within_sigma(pull) | (beyond * pull <= apart * pull[within_sigma(pull)].max(initial=0.0))
    return i[near], j[near]


def _rematched(match: Match, warp: Warp, mine: Side, theirs: Side, pairs: Pairs) -> Match:
    """Return the match as its distorted map makes it."""
    straight = mine.moved(to_reference(warp.matrix, warp.distortion, mine.xy))
    i, j = pair(np.eye(3), straight, theirs, radius=match.radius_px)
    possible, share, chance = weigh(
        warp.matrix, mine, theirs, matched=len(i), radius=match.radius_px, parameters=warp.numbers
    )
    fitted = precise_pairs(warp.matrix, mine, theirs, i, j) & ~(mine.saturated[i] | theirs.saturated[j])
    if fitted.sum() < 12:
        fitted = np.ones(len(i), dtype=np.bool_)
    a, b = i[fitted], j[fitted]
    rest = warp.rest(mine.xy[a], theirs.xy[b])
    weights = weights_of(warp.matrix, mine, theirs, a, b)
    apart = np.hypot(*rest.T)
    kept = within_sigma(apart * np.sqrt(weights))
    rms = float(np.sqrt((weights * apart**2)[kept].sum() / weights[kept].sum()))
    return replace(
        match,
        matrix=warp.matrix,
        model=warp.kind,
        i=mine.index[a[kept]],
        j=theirs.index[b[kept]],
        rms_px=rms,
        paired_i=mine.index[i],
        paired_j=theirs.index[j],
        possible=possible,
        share=share,
        log_chance=chance,
        warp=warp,
        pattern=find_pattern(pairs.target, warp.rest(pairs.source, pairs.target), frame_of(theirs.shape)),
    )
