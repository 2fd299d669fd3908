"""Put the lines into planes and luminance: linear formulas before the stretch, display formulas after it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np

from blend.base.errors import StepError
from blend.base.master import Domain
from blend.base.robust import difference_noise
from blend.base.rowblocks import copy_planes, map_row_blocks, one_thread
from blend.recipe.blendtable import Blend
from blend.recipe.state import COLOUR, AppliedBlend, Behind, Plane, Work
from blend.recipe.steps.choose_amounts import choice_facts, choose_display, choose_linear
from blend.recipe.steps.line_light import pixel_noise
from blend.recipe.steps.loss import heed_loss
from blend.recipe.steps.protect_stars import (
    begin_blends,
    guard_lines,
    limit_gain,
    picture_behind,
    without_spare,
)
from blend.recipe.steps.stretch import black_level, white_level, with_stretch
from blend.science.line import H_ALPHA_NM, Choice
from blend.science.picture import (
    LUMINANCE_WEIGHTS,
    BlendLoss,
    Formula,
    GamutCount,
    SolvedStretch,
    apply_formula,
    blend_loss,
    display_luminance,
    luminance,
    neutral_value,
    replace_luminance,
    set_display_luminance,
    solve_stretch,
    srgb_decode,
    stretch_line,
)

BAND_ROWS, TILE = 16, 64
"""Of a full frame 0.4 MB a plane: what a blend makes of a band on its way stays in a core's own cache. The columns of a
band are looked at so many together: whole blocks of `blend.science.picture.destroyed`, both ways."""

ANY = (-float(np.finfo(np.float32).max), float(np.finfo(np.float32).max))
"""The limits of linear light: any finite number."""


@dataclass(frozen=True, eq=False)
class _Layer:
    """A line as it enters a blend, with the noise of one sky pixel; ``show`` makes display values of its pixels.

    ``sparse``: where its light is 0, what is shown of it is 0 too.
    """

    pixels: Plane
    sigma: float
    show: Callable[[Plane], Plane] | None = None
    sparse: bool = True

    def at(self, behind: Behind) -> _Layer:
        """Return the line behind the stars, (1, n)."""
        return self._shown(self.pixels.reshape(1, -1)[:, behind.places])

    def part(self, rows: slice, columns: slice) -> _Layer:
        """Return some rows and columns of the line."""
        return self._shown(np.ascontiguousarray(self.pixels[rows, columns]))

    def _shown(self, pixels: Plane) -> _Layer:
        return _Layer(pixels if self.show is None else self.show(pixels), self.sigma)


Change = Callable[[Plane, _Layer], tuple[Plane, Plane]]
"""Of planes and a line's light: the plane, or the luminance, that a blend changes, before and after."""


def blend_linear(work: Work) -> Work:
    """Return the work with every linear blend in ``linear``, after `begin_blends` where that was not done before."""
    if work.alone and any(not work.rgb.facts.noise.get(plane, {}).get(1, 0.0) > 0 for plane in COLOUR):
        work = work.with_(alone=False)  # the noise of its planes will be asked of their pixels
    own = work.linear is None
    if own:
        # one after the other, so that what was unguarded is free
        work = without_spare(work) if work.alone else work
        work = guard_lines(work)
        work = begin_blends(work)
    linear = work.linear
    assert linear is not None
    # nobody else holds what is begun here, but for a picture that has no saturated core
    own = own and (work.alone or linear is not work.rgb.pixels)
    work = work.with_(blended=())
    for name, blend, formula in _blends(work, "linear"):
        layer, choice = _linear_layer(work, blend), None
        if blend.amount == "auto":
            blend, choice = choose_linear(work, name, blend, formula, _linear_base(linear, blend))
        if blend.amount != 0:
            linear, own = linear if own else copy_planes(linear), True
            work = _warn_of_share(_into_linear(work, linear, name, blend, formula, layer), name, blend)
        work = _with_blend(work, AppliedBlend(name=name, blend=blend, formula=formula, choice=choice))
    return work.with_(linear=linear)


def blend_display(work: Work) -> Work:
    """Return the work with every display blend in ``display``, in file order."""
    if work.behind is None and work.display is not None:
        work = work.with_(behind=picture_behind(work, work.display))
    for name, blend, formula in _blends(work, "display"):
        choice = outside = None
        if blend.amount == "auto":
            blend, choice = _choose_display(work, name, blend, formula)
        if blend.amount != 0:
            work, outside = _into_display(work, name, blend, formula)
        made = AppliedBlend(name=name, blend=blend, formula=formula, choice=choice, out_of_gamut=outside)
        work = _with_blend(work, made)
    return work.with_(behind=None)


def _blends(work: Work, domain: Domain) -> list[tuple[str, Blend, Formula]]:
    blends = work.recipe.blends(domain)
    return [(name, blend, work.recipe.formula(blend.formula)) for name, blend in blends.items()]


def _with_blend(work: Work, made: AppliedBlend) -> Work:
    """Return the work with one more blend made, which the record tells."""
    blend, formula = made.blend, made.formula
    facts: dict[str, Any] = {
        "into": blend.into,
        "from": blend.from_,
        "formula": formula.name,
        "equation": formula.equation,
        "params": dict(blend.params),
        "amount": blend.weight,
    }
    if blend.into == "luminance":
        facts["method"] = blend.method
    if not work.lines[blend.master].found:
        facts["line_light"] = False
    elif formula.additive:
        facts["line_contrast"] = 1.0 + blend.weight
    if blend.into_other_planes != "none":
        facts["into_other_planes"] = blend.plane_factors
        facts["model"] = blend.plane_words
    if made.choice is not None:
        facts["auto"] = choice_facts(blend, made.choice)
    if made.out_of_gamut is not None:
        facts["out_of_gamut"] = made.out_of_gamut
    return work.with_(blended=(*work.blended, made)).tell("blend", made.name, facts)


def _warn_of_share(work: Work, name: str, blend: Blend) -> Work:
    """Return the work with a warning where hydrogen's ratios are asked of a line that is not H-alpha."""
    line_nm = work.target.masters[blend.master].line_nm
    # Filters are named to the nanometre or two, and shift with the beam's angle.
    if blend.into_other_planes != "hydrogen" or line_nm is None or abs(line_nm - H_ALPHA_NM) <= 3.0:
        return work
    text = f"blend.{name} gives {blend.master}, a line at {line_nm:g} nm, the blue lines that go with H-alpha"
    return work.warn(("share-not-hydrogen", text))


def _linear_layer(work: Work, blend: Blend) -> _Layer:
    line = work.lines[blend.master]
    if not blend.emission:
        return _Layer(line.scaled, line.scaled_sigma)
    if line.emission is None:
        raise StepError(
            f"blend from {blend.from_}",
            found="a master that is already stretched",
            expected="linear masters, which alone have a continuum to take out",
            advice=f"blend from {blend.master!r} with a display formula",
        )
    return _Layer(line.emission, line.sigma)


def _linear_base(linear: Plane, blend: Blend) -> Plane:
    plane: Plane = luminance(linear) if blend.into == "luminance" else linear[COLOUR.index(blend.into)]
    return plane


def _into_linear(work: Work, linear: Plane, name: str, blend: Blend, formula: Formula, layer: _Layer) -> Work:
    """Blend into a linear picture in its place; the work with the same blend behind its stars."""
    noise = luminance_noise(work)
    sigma = noise if blend.into == "luminance" else pixel_noise(work.rgb, blend.into)

    def change(planes: Plane, light: _Layer) -> tuple[Plane, Plane]:
        base = _linear_base(planes, blend)
        return base, _formula(formula, base, light, blend, sky=0.0, base_sigma=sigma)

    def put(planes: Plane, base: Plane, changed: Plane, _: GamutCount) -> Plane:
        if blend.into == "luminance":
            return replace_luminance(planes, changed, method=blend.method, floor=3.0 * noise)
        made = planes.copy()
        for plane, factor in blend.plane_factors.items():
            if factor > 0:
                made[COLOUR.index(plane)] += np.float32(factor) * (changed - base)
        made[COLOUR.index(blend.into)] = changed
        return made

    limits = black_level(work), white_level(work)
    work, loss, _ = _by_bands(work, (linear, linear), formula, layer, change, put, limits, ANY)
    return heed_loss(work, name, formula, loss)


def _by_bands(
    work: Work,
    pictures: tuple[Plane, Plane],
    formula: Formula,
    layer: _Layer,
    change: Change,
    put: Callable[[Plane, Plane, Plane, GamutCount], Plane],
    limits: tuple[float, float],
    span: tuple[float, float],
) -> tuple[Work, BlendLoss, GamutCount]:
    """Blend behind the stars, then from one picture into another, which may be the same, each band on one thread.

    Where there is no light, a formula that adds nothing then leaves a picture within its ``span`` as it is.
    """
    behind, around, counted = work.behind, None, GamutCount()
    source, target = pictures
    if behind is not None:
        low, high = change(behind.planes, layer.at(behind))
        around = None if formula.additive else high - low
        planes = put(behind.planes, low, high, GamutCount())

    sparse = formula.leaves_unlit and layer.sparse

    def fill_part(rows: slice, columns: slice) -> BlendLoss:
        light, part = layer.part(rows, columns), np.ascontiguousarray(source[:, rows, columns])
        base, changed = change(part, light)
        if behind is not None and around is not None:
            changed = limit_gain(work, behind, base, changed, around, corner=(rows.start, columns.start))
        target[:, rows, columns] = put(part, base, changed, counted)
        return blend_loss(base, light.pixels, changed, low=limits[0], high=limits[1])

    def fill_rows(rows: slice) -> BlendLoss:
        if not sparse:
            with one_thread():
                return fill_part(rows, slice(0, source.shape[2]))
        loss = BlendLoss()
        for columns, lit in _lit_runs(source[:, rows], layer.pixels[rows], span):
            if lit:
                with one_thread():
                    loss += fill_part(rows, columns)
                continue
            if target is not source:
                target[:, rows, columns] = source[:, rows, columns]
            unlit = BlendLoss.none(rows.stop - rows.start, columns.stop - columns.start)
            counted.add_inside(unlit.pixels)
            loss += unlit
        return loss

    loss = sum(map_row_blocks(fill_rows, source.shape[1], height=BAND_ROWS), BlendLoss())
    return work.with_(behind=behind and replace(behind, planes=planes)), loss, counted


def _lit_runs(planes: Plane, light: Plane, span: tuple[float, float]) -> list[tuple[slice, bool]]:
    """Return the runs of columns of a band, in tiles, and whether a line shines there or a pixel is out of the span."""
    columns = light.shape[1]
    lit = (light != 0).any(axis=0)
    lit |= ~((planes.min(axis=(0, 1)) >= span[0]) & (planes.max(axis=(0, 1)) <= span[1]))
    tiles = np.logical_or.reduceat(lit, np.arange(0, columns, TILE))
    ends = [0, *(np.flatnonzero(tiles[1:] != tiles[:-1]) + 1).tolist(), len(tiles)]
    return [(slice(a * TILE, min(b * TILE, columns)), bool(tiles[a])) for a, b in pairwise(ends)]


def luminance_noise(work: Work) -> float:
    pairs = zip(LUMINANCE_WEIGHTS, COLOUR, strict=True)
    return float(np.sqrt(sum((weight * pixel_noise(work.rgb, plane)) ** 2 for weight, plane in pairs)))


def _formula(
    formula: Formula, base: Plane, layer: _Layer, blend: Blend, *, sky: float, base_sigma: float
) -> Plane:
    return apply_formula(
        formula,
        base,
        layer.pixels,
        amount=blend.weight,
        sky=sky,
        base_sigma=base_sigma,
        line_sigma=layer.sigma,
        params=blend.params,
    )


def _into_display(work: Work, name: str, blend: Blend, formula: Formula) -> tuple[Work, float | None]:
    """Return the work with one blend in ``display``, and the share of pixels out of gamut if it can say."""
    picture, lit = work.display, blend.into == "luminance"
    assert picture is not None
    sky, noise = display_sky(work)
    work, layer = _display_layer(work, blend, neutral_value(formula, sky))
    method, floor = blend.method, float(srgb_decode(np.array(0.5 * sky)))

    def change(planes: Plane, light: _Layer) -> tuple[Plane, Plane]:
        base = display_luminance(planes) if lit else planes[COLOUR.index(blend.into)]
        return base, _formula(formula, base, light, blend, sky=sky, base_sigma=noise)

    def put(planes: Plane, base: Plane, changed: Plane, count: GamutCount) -> Plane:
        if lit:
            named: dict[str, Any] = {"method": method, "floor": floor, "y_old": base, "counted": count}
            return set_display_luminance(planes, changed, **named)[0]
        made = planes.copy()
        np.clip(changed, 0.0, 1.0, out=made[COLOUR.index(blend.into)])
        return made

    display = picture if work.alone else np.empty_like(picture)
    unit = (0.0, 1.0)
    work, loss, counted = _by_bands(work, (picture, display), formula, layer, change, put, unit, unit)
    work = heed_loss(work, name, formula, loss)
    return work.with_(display=display), counted.share if lit else None


def _choose_display(work: Work, name: str, blend: Blend, formula: Formula) -> tuple[Blend, Choice]:
    assert work.display is not None
    stretched = work.masters[blend.master].domain == "display"
    solved = None if stretched else _solve_line(work, blend, _linear_layer(work, blend).sigma)
    sky, base = display_sky(work)[0], display_luminance(work.display)
    return choose_display(work, name, blend, formula, base, sky=sky, solved=solved)


def display_sky(work: Work) -> tuple[float, float]:
    """Return the level of the sky in the picture and its noise there."""
    solved = work.stretches.get("rgb")
    if solved is not None:
        return solved.sky_level, solved.sky_noise
    assert work.display is not None
    values = luminance(work.display)
    return float(np.nanmedian(values)), difference_noise(values)


def _display_layer(work: Work, blend: Blend, neutral: float) -> tuple[Work, _Layer]:
    """Return the line as display values whose sky stands at ``neutral``, through its own solved stretch."""
    name = blend.master
    if work.masters[name].domain == "display":
        pixels = work.masters[name].pixels[0]
        shift = np.float32(neutral - float(np.nanmedian(pixels)))
        return work, _Layer(pixels, difference_noise(pixels), show=lambda part: part + shift, sparse=False)
    layer = _linear_layer(work, blend)
    solved = _solve_line(work, blend, layer.sigma)
    show = partial(stretch_line, solved=solved, neutral=neutral)
    return with_stretch(work, name, solved), _Layer(layer.pixels, solved.sky_noise, show, sparse=neutral == 0)


def _solve_line(work: Work, blend: Blend, sigma: float) -> SolvedStretch:
    """Return the stretch that a linear line goes through before a display blend."""
    settings = work.recipe.stretch.for_master(blend.master)
    return solve_stretch(
        settings.curve,
        sky=0.0,
        sigma=sigma,
        white=white_level(work),
        sky_level=settings.sky_level,
        black_sigma=settings.black_sigma,
    )
