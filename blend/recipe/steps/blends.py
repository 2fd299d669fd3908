"""Put the lines into planes and luminance: linear formulas before the stretch, display formulas after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from blend.base.errors import RecipeError, StepError
from blend.base.master import Domain
from blend.base.robust import difference_noise
from blend.base.rowblocks import copy_planes, map_row_blocks
from blend.recipe.blendtable import Blend
from blend.recipe.state import COLOUR, AppliedBlend, Behind, Plane, Work
from blend.recipe.steps.choose_amounts import choice_facts, choose_display, choose_linear
from blend.recipe.steps.loss import heed_loss
from blend.recipe.steps.protect_stars import begin_blends, limit_gain, picture_behind
from blend.recipe.steps.stretch import black_level, plane_noise, white_level, with_stretch
from blend.science.line import H_ALPHA_NM, Choice
from blend.science.picture import (
    LUMINANCE_WEIGHTS,
    Formula,
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


@dataclass(frozen=True, eq=False)
class _Layer:
    """A line as it enters a blend, with the noise of one sky pixel."""

    pixels: Plane
    sigma: float


def blend_linear(work: Work) -> Work:
    """Return the work with every linear blend in ``linear``, after `begin_blends` where that was not done before."""
    work = work if work.linear is not None else begin_blends(work)
    linear = work.linear
    assert linear is not None
    work = work.with_(blended=())
    for name, blend, formula in _blends(work, "linear"):
        layer, choice = _linear_layer(work, blend), None
        if blend.amount == "auto":
            blend, choice = choose_linear(work, name, blend, formula, _linear_base(linear, blend))
        if blend.amount != 0:
            work, linear = _into_linear(work, linear, name, blend, formula, layer)
            work = _warn_of_share(work, name, blend)
        work = _with_blend(work, AppliedBlend(name=name, blend=blend, formula=formula, choice=choice))
    return work.with_(linear=linear)


def blend_display(work: Work) -> Work:
    """Return the work with every display blend in ``display``, in file order.

    Raises
    ------
    RecipeError
        Light for other planes is asked of a display formula.
    """
    if work.behind is None and work.display is not None:
        work = work.with_(behind=picture_behind(work, work.display))
    for name, blend, formula in _blends(work, "display"):
        if blend.into_other_planes != "none":
            raise RecipeError(
                f"blend.{name}.into_other_planes",
                found=f"light for other planes beside {formula.name!r}, whose domain is display",
                expected="into_other_planes only beside a linear formula into red",
                advice="take it out",
            )
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


def _into_linear(
    work: Work, linear: Plane, name: str, blend: Blend, formula: Formula, layer: _Layer
) -> tuple[Work, Plane]:
    """Return a linear picture with one blend in it, and the work with the same blend behind its stars."""
    behind = work.behind
    base, changed = _linear_change(work, linear, blend, formula, layer)
    if behind is not None:
        low, high = _linear_change(work, behind.planes, blend, formula, _at(layer, behind))
        if not formula.additive:
            changed = limit_gain(work, behind, base, changed, high - low)
        behind = Behind(places=behind.places, planes=_put_linear(work, behind.planes, blend, low, high))
    limits = black_level(work), white_level(work)
    loss = blend_loss(base, layer.pixels, changed, low=limits[0], high=limits[1])
    work = heed_loss(work.with_(behind=behind), name, formula, loss)
    return work, _put_linear(work, linear, blend, base, changed)


def _at(layer: _Layer, behind: Behind) -> _Layer:
    return _Layer(layer.pixels.reshape(1, -1)[:, behind.places], layer.sigma)


def _linear_change(
    work: Work, linear: Plane, blend: Blend, formula: Formula, layer: _Layer
) -> tuple[Plane, Plane]:
    """Return the plane, or the luminance, that a linear blend changes, before and after."""
    base = _linear_base(linear, blend)
    sigma = luminance_noise(work) if blend.into == "luminance" else plane_noise(work, blend.into)
    return base, _formula(formula, base, layer, blend, sky=0.0, base_sigma=sigma)


def _put_linear(work: Work, linear: Plane, blend: Blend, base: Plane, changed: Plane) -> Plane:
    """Return a linear picture with a blended plane or luminance in place of ``base``."""
    if blend.into == "luminance":
        return replace_luminance(linear, changed, method=blend.method, floor=3.0 * luminance_noise(work))
    planes = [changed if plane == blend.into else linear[number] for number, plane in enumerate(COLOUR)]
    result = copy_planes(planes)
    for plane, factor in blend.plane_factors.items():
        if factor > 0:
            _add_share(result[COLOUR.index(plane)], factor, after=changed, before=base)
    return result


def _add_share(plane: Plane, factor: float, *, after: Plane, before: Plane) -> None:
    """Add to a plane of our own what another one gained, times ``factor``."""

    def fill_rows(rows: slice) -> None:
        plane[rows] += np.float32(factor) * (after[rows] - before[rows])

    map_row_blocks(fill_rows, plane.shape[0])


def luminance_noise(work: Work) -> float:
    pairs = zip(LUMINANCE_WEIGHTS, COLOUR, strict=True)
    return float(np.sqrt(sum((weight * plane_noise(work, plane)) ** 2 for weight, plane in pairs)))


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
    picture, behind = work.display, work.behind
    assert picture is not None
    sky, noise = display_sky(work)
    work, layer = _display_layer(work, blend, neutral_value(formula, sky))

    def change(planes: Plane, light: _Layer) -> tuple[Plane, Plane]:
        base = display_luminance(planes) if blend.into == "luminance" else planes[COLOUR.index(blend.into)]
        return base, _formula(formula, base, light, blend, sky=sky, base_sigma=noise)

    base, changed = change(picture, layer)
    if behind is not None:
        low, high = change(behind.planes, _at(layer, behind))
        if not formula.additive:
            changed = limit_gain(work, behind, base, changed, high - low)
        planes, _ = _put_display(behind.planes, blend, low, high, sky=sky)
        behind = Behind(places=behind.places, planes=planes)
    work = heed_loss(work, name, formula, blend_loss(base, layer.pixels, changed, low=0.0, high=1.0))
    display, share = _put_display(picture, blend, base, changed, sky=sky)
    return work.with_(display=display, behind=behind), share


def _put_display(
    picture: Plane, blend: Blend, base: Plane, changed: Plane, *, sky: float
) -> tuple[Plane, float | None]:
    """Return a display picture with a blended plane or luminance in place of ``base``, and the share out of gamut."""
    if blend.into == "luminance":
        floor = float(srgb_decode(np.array(0.5 * sky)))
        return set_display_luminance(picture, changed, method=blend.method, floor=floor, y_old=base)
    display = copy_planes(picture)
    np.clip(changed, 0.0, 1.0, out=display[COLOUR.index(blend.into)])
    return display, None


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
    """Return the line as a display plane whose sky stands at ``neutral``, through its own solved stretch."""
    name = blend.master
    if work.masters[name].domain == "display":
        pixels = work.masters[name].pixels[0]
        shifted = pixels + np.float32(neutral - float(np.nanmedian(pixels)))
        return work, _Layer(shifted, difference_noise(pixels))
    layer = _linear_layer(work, blend)
    solved = _solve_line(work, blend, layer.sigma)
    work = with_stretch(work, name, solved)
    return work, _Layer(stretch_line(layer.pixels, solved, neutral=neutral), solved.sky_noise)


def _solve_line(work: Work, blend: Blend, sigma: float) -> SolvedStretch:
    """Return the stretch that a linear line goes through before a display blend."""
    settings = work.recipe.for_master("stretch", blend.master)
    return solve_stretch(
        settings.curve,
        sky=0.0,
        sigma=sigma,
        white=white_level(work),
        sky_level=settings.sky_level,
        black_sigma=settings.black_sigma,
    )
