"""A recipe in plain words: step by step in the order of the work, with equations and sources."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator

from blend.base.master import Domain
from blend.recipe.auto_words import auto_rule
from blend.recipe.blendtable import Blend
from blend.recipe.check import assumptions, check_together, light_name, width_ratio
from blend.recipe.line_in_filter import line_in_filter
from blend.recipe.mastertable import MasterFiles
from blend.recipe.record_words import SHOULDER, WHITE
from blend.recipe.tables import Continuum, CropBox, Gradient, Recipe, Step, StepName
from blend.recipe.target import Target
from blend.science.line import thresholds
from blend.science.picture import COLOUR_REACH, CURVES
from blend.science.sensor import FEW_FRAMES

WIDTH = 92
"""Characters of a line of words: read with ease, and within a terminal of 100."""
EQUATION = "    "
"""What a line of `_lines` begins with to be printed as it is."""


def explain(recipe: Recipe, target: Target | None = None) -> str:
    """Return what a recipe does, in words.

    Examples
    --------
    >>> from blend.recipe.model import load_recipe
    >>> print(explain(load_recipe("version = 1", where="empty.toml")).splitlines()[0])
    A recipe without a title
    """
    steps = [
        ("Calibrate", _calibrate(recipe, target)),
        ("Register", _register(recipe)),
        ("Gradient", _gradient(recipe)),
        ("Continuum", _continuum(recipe, target)),
        ("Balance", _balance(recipe, target)),
        ("Blends of linear light", _blends(recipe, "linear")),
        ("Stretch", _stretch(recipe)),
        ("Blends of the stretched picture", _blends(recipe, "display")),
        ("Finish", [*recipe.finish.words] or ["Nothing."]),
        ("Output", _output(recipe)),
    ]
    parts = [_wrapped([recipe.title or "A recipe without a title"])]
    if target is not None:
        parts.append(_wrapped(_inputs(target)))
    for number, (name, lines) in enumerate(steps, start=1):
        parts.append(f"{number}. {name}\n{_wrapped(lines, '   ')}")
    if target is not None:
        parts += [
            f"{name}\n{_wrapped(lines, '   ')}"
            for name, lines in (
                ("Assumed", [text + "." for _, text in assumptions(recipe, target)]),
                ("Does not fit", [fault.sentence() for fault in check_together(recipe, target)]),
            )
            if lines
        ]
    return "\n\n".join(parts) + "\n"


def _wrapped(lines: Iterable[str], indent: str = "") -> str:
    return "\n".join(
        indent + line
        if line.startswith(EQUATION)
        else textwrap.fill(line, WIDTH, initial_indent=indent, subsequent_indent=indent)
        for line in lines
    )


def _inputs(target: Target) -> Iterator[str]:
    yield f"Target {target.name}:"
    for name, files in target.masters.items():
        told = [f"{role} {path.name}" for role, path in files.paths()]
        told += [f"bias {files.bias:g} counts"] if isinstance(files.bias, float) else []
        yield f"- {name}: " + ", ".join(told) + _light(files)


def _light(files: MasterFiles) -> str:
    words = f", line at {files.line_nm:g} nm" if files.line_nm else ""
    words += f", filter {files.width_nm:g} nm wide" if files.width_nm else ""
    return words + (", already stretched" if files.domain == "display" else "")


def _overrides(recipe: Recipe, step: StepName) -> Iterator[str]:
    """Say what is done otherwise to single masters."""
    for master, own in recipe.step(step).by_master.items():
        changes = _changes(own)
        if changes:
            yield f"For {master} otherwise: {changes}."


def _changes(own: Step) -> str:
    values = own.model_dump(include=own.model_fields_set - {"by_master"})
    return ", ".join(
        f"{key} {f'of {len(value)} region(s)' if isinstance(value, list | tuple) else value}"
        for key, value in values.items()
    )


def _calibrate(recipe: Recipe, target: Target | None) -> Iterator[str]:
    table = recipe.calibrate
    if target is not None and all(f.dark is f.flat is f.bias is None for f in target.masters.values()):
        yield "The target names no dark, flat or bias: the masters are taken as calibrated."
    elif table.dark_scaling == "exposure":
        yield "From each master that has them, its dark and bias are subtracted, the dark scaled by exposure:"
        yield EQUATION + "S = (light - bias - k * (dark - bias)) / flat,  k = exposure of light / of dark"
        yield "The bias stays in a dark, so it is taken out of both. Source: common practice."
    else:
        yield "From each master that has them, its dark is subtracted as it is, and its flat divided out:"
        yield EQUATION + "S = (light - dark) / flat"
        yield "The dark holds the bias, which goes with it. Source: common practice."
    if table.hot_sigma > 0:
        yield f"A pixel more than {table.hot_sigma:g} sigma above its neighbours is repaired from them."
        yield f"So are cosmic rays, in masters of {FEW_FRAMES} frames or fewer: van Dokkum (2001), PASP 113, 1420;"
        yield "where the number of frames is not stated, those that are brighter than what they lie on."
    if table.allow_shifted_dark:
        yield "A dark whose hot pixels lie elsewhere than the light's is used all the same."
    yield from _overrides(recipe, "calibrate")


def _register(recipe: Recipe) -> Iterator[str]:
    table = recipe.register
    if table.transform == "none":
        yield "Every master is taken to lie on one grid already."
    else:
        simple = "the simplest transform that their positions allow"
        kind = simple if table.transform == "auto" else f"a transform of the kind {table.transform}"
        if table.method == "stars":
            yield f"Stars of every master are matched to those of {table.reference}, by {kind}."
        else:
            yield f"Every master is shifted onto {table.reference} by the cross-correlation of their gradients' sizes."
            yield "Source: Guizar-Sicairos et al. (2008), Optics Letters 33, 156, for the place of its peak."
        yield "Pixels are resampled once, with a Lanczos kernel of three lobes whose weights sum to 1:"
        yield EQUATION + "L(x) = sinc(x) * sinc(x / 3) for |x| < 3"
        yield "and no value falls below the least it was made of. Source: Duchon (1979), from memory."
    if table.canvas == "common":
        yield "The grid is cut to the overlap of all masters."
    else:
        yield f"The grid is the whole frame of {table.reference}."
    yield from _overrides(recipe, "register")


def _gradient(recipe: Recipe) -> Iterator[str]:
    table = recipe.gradient
    if table.model == "none":
        yield "No sky is taken out: the masters are taken to have a sky of 0."
    else:
        yield from _sky_model(table)
        yield from _sky_blocks(table)
        if table.flat_fault == "correct":
            yield (
                "A centred bowl or ring in the sky, which no Moon makes, is divided out as a fault of the flat, where "
                "the stars show it too."
            )
    yield from _overrides(recipe, "gradient")


def _sky_model(table: Gradient) -> Iterator[str]:
    if table.model == "moonlight":
        yield from _moonlit_sky(table)
    elif table.model == "spline":
        yield "The sky of each plane is fitted by a thin-plate spline and subtracted:"
        yield EQUATION + "sky(p) = a0 + a1 * x + a2 * y + sum of w_i * r_i^2 * ln(r_i), r_i = |p - p_i|"
        yield "Its smoothing is the one that predicts blocks left out best. It can eat wide, faint objects."
        yield "Source: Bookstein (1989), IEEE PAMI 11, 567, from memory."
    else:
        degree = "a degree chosen from 0 to 2" if table.degree == "auto" else f"degree {table.degree}"
        yield f"The sky of each plane, moonlight in it, is fitted by a surface of {degree} and subtracted:"
        yield EQUATION + "sky(x, y) = sum of c_ij * T_i(x) * T_j(y), i + j <= degree, T Chebyshev polynomials"


def _moonlit_sky(table: Gradient) -> Iterator[str]:
    if table.brightens_towards_deg == "predict":
        yield "The sky of each plane has the shape that date, site and world coordinates give the moonlight:"
    else:
        yield (
            "The sky of each plane is a slope that brightens towards "
            f"{table.brightens_towards_deg:g} degrees, from the columns' direction to the rows':"
        )
    yield EQUATION + "sky(x, y) = level + strength * shape(x, y)"
    yield "Level and strength are fitted and the sky is subtracted; a predicted level never is."
    if table.brightens_towards_deg == "predict":
        yield "Source: Krisciunas & Schaefer (1991), PASP 103, 1033, good to 8 to 23 %."


def _sky_blocks(table: Gradient) -> Iterator[str]:
    if table.model != "spline" and (table.guide == "line" or table.model == "moonlight"):
        yield (
            "Where there is a line's master it gives how much of each block is emission, by one factor a plane; "
            "the line's own sky is under its least light. The sky is 0 afterwards; negatives stay."
        )
    else:
        yield "Galaxy, nebula and stars are masked and grown first. The sky is 0 afterwards; negatives stay."
    if table.object_boxes:
        yield f"{len(table.object_boxes)} region(s) of the recipe are left out of the fit too."
    if table.sky_boxes:
        yield f"The fit sees only {len(table.sky_boxes)} region(s) of the recipe."


def _continuum(recipe: Recipe, target: Target | None) -> Iterator[str]:
    lines = dict.fromkeys([*recipe.continuum, *(blend.master for blend in recipe.blend.values())])
    if not lines:
        yield "No line takes part."
    for line in lines:
        yield from _one_continuum(line, recipe.continuum_for(line), target)


def _one_continuum(line: str, table: Continuum, target: Target | None) -> Iterator[str]:
    plane = table.from_
    yield f"{line}: its filter passes the line and a slice of continuum, which the {plane} plane shows."
    if table.scale == "stars":
        yield (
            f"The scale s is the typical ratio of star fluxes, {line} over {plane}; H II regions as compact as stars "
            "lie above it and are left out. Where fewer than 8 stars give it, or not to 10 %, the target's own disc is "
            "asked too, and the run stops where the two disagree."
        )
        yield (
            "Where the colour master has several bands and a dozen stars or more show how s goes with their colour, a "
            "smooth disc of another colour has its own, s * exp(c * (colour - colour of the stars)); what is "
            "compact or faint keeps s. Source: Spector, Finkelman & Brosch (2012)."
        )
    else:
        yield f"The scale s of {line} over {plane} is given: {table.scale:g}."
    below = "(t - r)" if table.line_in_band else "t"
    yield EQUATION + f"scaled {line} = {line} / s"
    yield EQUATION + f"{line}.emission = ({line} - s * {plane}) * (r / s) / {below}"
    ratio = f" = {width_ratio(target, line):.4g}" if target is not None and line in target.lines else ""
    holds = "holds the line too, so t - r" if table.line_in_band else "does not hold the line"
    yield (
        f"with r the width of the line's filter over that of the {plane} band{ratio}, and t the throughput "
        f"at the line, filter over band = {table.throughput_ratio:g}. The {plane} band {holds}."
    )
    if target is not None and line in target.lines:
        yield f"The emission is labelled {light_name(target, line)}."
        if passband := line_in_filter(target, line):
            yield f"{passband['words'][0].upper()}{passband['words'][1:]}. Pixels are not changed by this."
    yield "Both are in counts of that plane. Source: Gil de Paz, Madore & Pevunova (2003), appendix A."
    if table.weight_sigma > 0:
        foot, full, seed, _ = thresholds(table.weight_sigma)
        yield (
            f"Emission passes inside regions whose peak passes {seed:.3g} sigma, pixel by pixel from {foot:.3g} to "
            f"{full:.3g} sigma; the rest adds nothing, noise least of all."
        )


def _balance(recipe: Recipe, target: Target | None) -> Iterator[str]:
    white = recipe.balance.white
    if white == "none":
        yield "No gains: red, green and blue stay as they are."
    elif isinstance(white, tuple):
        yield "The gains of red, green and blue are given: " + ", ".join(f"{gain:g}" for gain in white) + "."
    else:
        yield "One gain a plane, green 1, from the fluxes of the stars over the sky:"
        if (
            recipe.balance.b_v is not None
            and target is not None
            and target.masters["rgb"].catalogue is not None
        ):
            yield EQUATION + "ln(F_green / F_c) = ln g_c + k_c * (B-V - W)"
            yield (
                f"a robust line over the stars of the catalogue within {COLOUR_REACH:g} mag of W = "
                f"{recipe.balance.b_v:g}, found by the world coordinates: a star of that colour is white. "
                "Derived here."
            )
        elif recipe.balance.b_v is None:
            yield EQUATION + "g_c = typical ratio of F_green / F_c: the typical star is white"
        else:
            yield EQUATION + "g_c = (C_c / C_green) * typical ratio of F_green / F_c"
            yield (
                f"with C the colour of a black body of B - V = {recipe.balance.b_v:g}, which the typical "
                "star is taken to be. Source: Ballesteros (2012), EPL 97, 34008, for its temperature. "
                "With a catalogue in the target file a star of that colour becomes white instead."
            )


def _stretch(recipe: Recipe) -> Iterator[str]:
    table = recipe.stretch
    curve = CURVES[table.curve]
    yield f"Light becomes display values (sRGB code values, 0 to 1) by the curve {curve.name}:"
    yield EQUATION + f"x = (light - black) / (white - black),  y = {curve.equation}"
    yield f"{curve.about} Source: {curve.source}."
    solved = f"{curve.parameter} is solved so that the sky" if curve.parameter else "The sky"
    yield f"Black is {table.black_sigma:g} sigma below the sky; {solved} lands at {table.sky_level:g}."
    if table.white == "target":
        yield WHITE["target"].format(level=table.white_level)
        yield EQUATION + SHOULDER
        yield "with t and slope of the curve at the target. Source: Schlick (1994), Graphics Gems IV, for the shape."
    else:
        given = f"White is {table.white:g} over the sky." if not isinstance(table.white, str) else ""
        yield given or WHITE["saturation"]
    if table.colour == "preserve":
        yield (
            "A pixel's three planes get one gain, so that its hue stays; a colour too bright to be shown gives up "
            "brightness and chroma, at its hue of OKLab."
        )
    else:
        yield "Each plane is stretched by itself, which pales bright colours."
    yield from _overrides(recipe, "stretch")


def _blends(recipe: Recipe, domain: Domain) -> Iterator[str]:
    blends = recipe.blends(domain)
    if not blends:
        yield "None."
    for label, blend in blends.items():
        yield from _one_blend(recipe, label, blend)
    if recipe.protect.stars > 0 and any(blend.amount != 0 for blend in blends.values()):
        yield (
            f"Over stars the blends are taken back by {recipe.protect.stars:g}: what they add there is taken from "
            "around the star, so that its colour stays and a nebula behind it shows."
        )


def _one_blend(recipe: Recipe, label: str, blend: Blend) -> Iterator[str]:
    formula = recipe.formula(blend.formula)
    number = "auto" if blend.amount == "auto" else f"{blend.amount:g}"
    yield f"{label}: from {blend.from_} into {blend.into} by {formula.name}, amount {number}."
    if blend.amount == 0:
        yield "Amount 0: left out, not a bit changes."
        return
    if formula.uses_amount:
        yield EQUATION + f"{blend.into} = {formula.equation}"
    else:
        yield EQUATION + f"{blend.into} = base + amount * (F - base),  F = {formula.equation}"
    values = "".join(f", {key} = {value:g}" for key, value in blend.params.items())
    if formula.domain == "display":
        values += f", the line stretched so that its own sky sits at {formula.neutral}"
    yield f"with base = {blend.into} and line = {blend.from_}{values}."
    if blend.amount == "auto":
        yield from auto_rule(blend, formula)
    if formula.additive:
        times = "(1 + amount)" if blend.amount == "auto" else f"(1 + amount) = {1 + blend.amount:g}"
        yield f"Line contrast x {times}."
    yield f"{formula.about} Source: {formula.source}.".lstrip()
    if blend.plane_words:
        yield f"{blend.plane_words}."
    if blend.into == "luminance":
        yield "Luminance is Y of ITU-R BT.709, of linear light."
        yield f"The new luminance is put back by {_METHODS[blend.method]}."


_METHODS = {
    "ratio": "multiplying the three planes by one ratio, which keeps the chromaticity",
    "cielab": "setting L* of CIELAB and keeping a* and b*",
    "oklab": "setting L of OKLab (Ottosson 2020) and keeping a and b",
}


def _output(recipe: Recipe) -> Iterator[str]:
    table = recipe.output
    crop = table.crop
    if isinstance(crop, CropBox):
        kept = f"the rectangle of {crop.w} x {crop.h} pixels from ({crop.x}, {crop.y})"
    elif crop == "none":
        kept = "the whole grid"
    else:
        kept = "the largest rectangle in which all masters overlap"
    up = {"file": "as the file has it", "north": "north up"}.get(str(table.up), f"{table.up} quarter turn(s)")
    yield f"Written as {', '.join(table.formats)}: {kept}, {up}."
