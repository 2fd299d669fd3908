"""Stars keep their colour: what a blend adds in a star's place is taken from around it."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import LazyPlanes, spent_plane
from blend.base.master import Flag
from blend.base.rowblocks import map_row_blocks, map_together
from blend.recipe.state import Behind, Line, Plane, Work, frozen
from blend.recipe.tables import Recipe
from blend.science.line import cover_saturated, star_mask
from blend.science.picture import SHARPEST_PX, colour_cores, fill_at, fill_behind
from blend.science.stars import Stars, typical_fwhm

Corner = tuple[int, int]

MOST_WIDENING = 2.0
"""A frame twice as blurred as the other is a bad night; in a line master lumps of nebula may pass for stars."""

USUAL_FWHM_PX = 3.0
"""Where no star tells its width."""


def with_star_mask(work: Work) -> Work:
    """Return the work with its star mask, for stars as wide as in the master that shows them widest."""
    assert work.stars is not None
    fwhm = star_width(work, work.stars)
    field = work.field_stars()
    mask = star_mask(field, work.rgb.shape, fwhm_px=fwhm)
    flags = np.bitwise_or.reduce([master.flags for master in work.masters.values()])
    mask = cover_saturated(mask, (flags & np.uint8(Flag.SATURATED)) != 0, fwhm_px=fwhm)
    told: dict[str, float] = {"stars": len(field), "line_sources": len(work.stars) - len(field)}
    told |= {"fwhm_px": fwhm, "strength": work.recipe.protect.stars}
    return work.with_(star_mask=mask).tell("protect", None, told)


def star_width(work: Work, stars: Stars) -> float:
    """Return the widest star width of the masters; one of more than twice the colour's is that of nebula."""
    own = typical_fwhm(stars)
    known = [width for width in (work.fwhm_px.get("rgb", own), own) if width > 0]
    if not known:
        return USUAL_FWHM_PX
    return max(width for width in (*work.fwhm_px.values(), *known) if width <= MOST_WIDENING * min(known))


def sharpest_width(work: Work) -> float:
    """Return the narrowest star width of the masters; that of the sharpest stars there are where none is known."""
    own = typical_fwhm(work.stars) if work.stars is not None else 0.0
    return min((width for width in (*work.fwhm_px.values(), own) if width > 0), default=SHARPEST_PX)


def begin_blends(work: Work) -> Work:
    """Return the work as the first blend finds it, once `guard_lines` has been: ``linear``, and what its stars hide.

    Weights change nothing here. The answer serves every recipe that agrees in `begin_settings`.
    """
    linear = colour_saturated(work)
    return work.with_(linear=linear, behind=picture_behind(work, linear))


def begin_settings(recipe: Recipe) -> tuple[float, frozenset[tuple[str, bool]], bool]:
    """Return all that `begin_blends` reads of a recipe: the strength, the lines in use, whether a blend is limited."""
    return recipe.protect.stars, frozenset(_used(recipe)), _limited(recipe)


def guard_lines(work: Work, *, every: bool = False) -> Work:
    """Return the work whose lines, where a blend uses them, hold the light around each star in the star's place.

    ``every`` asks for all of the lines and both of their kinds, as a page needs them that may turn to any.
    """
    strength, mask = work.recipe.protect.stars, work.star_mask
    if strength <= 0 or mask is None:
        return work
    used = _used(work.recipe)
    if every:
        used = {(name, emission) for name in work.lines for emission in (False, True)}
    lines: dict[str, Line] = dict(work.lines)
    for name, emission in sorted(used):
        line = lines[name]
        if not emission:
            lines[name] = replace(line, scaled=fill_behind(line.scaled, mask, strength=strength))
        elif line.emission is not None:
            lines[name] = replace(line, emission=fill_behind(line.emission, mask, strength=strength))
    return work.with_(lines=frozen(lines))


def without_spare(work: Work) -> Work:
    """Return a state that is alone without the pixels of lines that no blend will ask for."""
    used, gone = _used(work.recipe), spent_plane(work.rgb.shape)
    masters, lines = dict(work.masters), dict(work.lines)
    for name, line in work.lines.items():
        if (name, False) not in used:
            masters[name] = masters[name].with_(pixels=LazyPlanes((gone,)))
            lines[name] = replace(line, scaled=cast(Plane, gone))
    return work.with_(masters=frozen(masters), lines=frozen(lines))


def _used(recipe: Recipe) -> set[tuple[str, bool]]:
    """Return the lines that blends draw from, and whether from their emission."""
    return {(blend.master, blend.emission) for blend in recipe.blend.values() if blend.amount != 0}


def _limited(recipe: Recipe) -> bool:
    """Return whether `limit_gain` is called for by any blend: not by one that adds light, whatever it is added to.

    That light has been taken from around the star already.
    """
    formulas = [recipe.formula(blend.formula) for blend in recipe.blend.values() if blend.amount != 0]
    return not all(formula.additive for formula in formulas)


def colour_saturated(work: Work) -> Plane:
    """Return the balanced colour whose saturated cores have the colour of their wings."""
    rgb, place = work.rgb, work.rgb.writable() if work.alone else None
    pixels = rgb.pixels if place is None else place
    if rgb.domain == "display":
        return pixels
    return colour_cores(pixels, rgb.has(Flag.SATURATED), strength=work.recipe.protect.stars, out=place)


def picture_behind(work: Work, picture: Plane) -> Behind | None:
    """Return what lies behind the stars of a picture (3, rows, columns); None where no blend heeds it or no star is."""
    if work.recipe.protect.stars <= 0 or work.star_mask is None or not _limited(work.recipe):
        return None
    behind = fill_picture(picture, work.star_mask)
    return behind if behind.places.size else None


def fill_picture(picture: Plane, mask: Plane) -> Behind:
    """Return the fill of every plane at the pixels of a star mask."""

    def hidden(rows: slice) -> NDArray[np.int64]:
        return np.asarray(np.flatnonzero(mask[rows] > 0) + rows.start * mask.shape[1])

    places = np.concatenate(map_row_blocks(hidden, len(mask)))
    if not places.size:
        return Behind(places=places, planes=np.empty((len(picture), 1, 0), dtype=np.float32))
    planes = np.stack(map_together(lambda plane: fill_at(plane, mask, places), picture))
    return Behind(places=places, planes=planes[:, None])


def limit_gain(
    work: Work, behind: Behind, base: Plane, changed: Plane, around: Plane, *, corner: Corner = (0, 0)
) -> Plane:
    """Return a blended plane in which a star gains no more than what lies behind it, and loses no more.

    With d = changed - base and f the gain of the picture behind the stars, d becomes (1 - m) d + m clip(d, 0, f), or
    clip(d, f, 0) where f is below 0; m is the mask times its strength.

    Parameters
    ----------
    base, changed : (rows, columns)
        All of the picture, or some of it.
    around : (1, n)
        f at ``behind.places``.
    corner : (int, int)
        The picture's row and column that theirs begin with.
    """
    assert work.star_mask is not None
    (top, left), columns = corner, work.star_mask.shape[1]
    part = slice(*np.searchsorted(behind.places, (top * columns, (top + base.shape[0]) * columns)))
    row, column = np.divmod(behind.places[part], columns)
    inside = (column >= left) & (column < left + base.shape[1])
    row, column, gain = row[inside], column[inside], around[0, part][inside]
    out, at = changed.copy(), (row - top, column - left)
    made = out[at]
    own = made - base[at]
    wanted = np.clip(own, np.minimum(gain, 0.0), np.maximum(gain, 0.0))
    share = np.float32(work.recipe.protect.stars) * work.star_mask[row, column]
    out[at] = made + share * (wanted - own)
    return out
