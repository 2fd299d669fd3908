"""Recipe and target held against each other: what cannot work, and what has to be assumed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from blend.base.errors import RecipeError
from blend.base.registry import suggestion
from blend.recipe.line_in_filter import is_h_alpha
from blend.recipe.mastertable import CALIBRATION, RED_WIDTH_NM, WIDTH_NM, MasterFiles
from blend.recipe.model import STEPS
from blend.recipe.old_keys import renamed_words
from blend.recipe.tables import Gradient, Recipe
from blend.recipe.target import Target


def check_together(recipe: Recipe, target: Target) -> list[RecipeError]:
    """Return every reason why a recipe, sound by itself, cannot be done to a target."""
    return [
        *_absent_masters(recipe, target),
        *_impossible_widths(recipe, target),
        *_display_faults(recipe, target),
        *_absent_guides(recipe, target),
        *_idle_settings(recipe, target),
    ]


def assumptions(recipe: Recipe, target: Target) -> list[tuple[str, str]]:
    """Return what the target leaves open and a run takes for granted, as (code, text), for the report.

    Only what changes the picture is told: a filter's width matters where the line's emission is used.
    """
    told = renamed_words(recipe.renamed) + _lights_in_common(target)
    lines = [line for line in emission_lines(recipe) if line in target.lines]
    for line in lines:
        if target.masters[line].width_nm is None:
            text = f"masters.{line}.width_nm is not given; the filter is taken to be {WIDTH_NM:g} nm wide, "
            told.append(("width-assumed", text + "and the strength of the emission goes with it"))
    planes, red_nm = {recipe.continuum_for(line).from_ for line in lines}, target.masters["rgb"].red_width_nm
    if planes and red_nm is None:
        text = f"masters.rgb.red_width_nm is not given; the band is taken to be {RED_WIDTH_NM:g} nm wide"
        told.append(("red-width-assumed", text))
    if target.masters["rgb"].catalogue is not None and recipe.balance.b_v is None:
        text = 'masters.rgb.catalogue is not used; balance.white = "b_v=0.65" makes a star of that colour white by it'
        told.append(("catalogue-unused", text))
    width = f"{red_nm or RED_WIDTH_NM:g} nm"
    return told + [
        (f"{plane}-width-assumed", f"the {plane} band is taken to be as wide as the red one, {width}")
        for plane in sorted(planes - {"red"})
    ]


def _lights_in_common(target: Target) -> list[tuple[str, str]]:
    """Return what to say of lines whose light is a file of the colour master too."""
    colour = _light_paths(target.masters["rgb"])
    return [
        (
            "same-light",
            f"masters.{line}.light and masters.rgb.light are one file, {path.name}; "
            "what both hold alike is no emission: name the stack that was taken through the line's filter",
        )
        for line in target.lines
        for path in sorted(_light_paths(target.masters[line]) & colour)
    ]


def _light_paths(files: MasterFiles) -> set[Path]:
    return {path for role, path in files.paths() if role.split(".")[0] == "light"}


WIDE_NM = 4.0
"""A filter wider than this passes both lines of [N II], 1.5 and 2.1 nm from H-alpha, along with it."""


def light_name(target: Target, line: str) -> str:
    """Return what light a line's emission holds: "H-alpha + [N II]" through a filter too wide to part them.

    Examples
    --------
    >>> from blend.recipe.target import target_from_options
    >>> light_name(target_from_options(["rgb=a.fits", "oiii=b.fits"]), "oiii")
    'oiii'
    """
    files = target.masters[line]
    if not is_h_alpha(line, files):
        return line if files.line_nm is None else f"{line}, {files.line_nm:g} nm"
    return "H-alpha + [N II]" if (files.width_nm or WIDTH_NM) > WIDE_NM else "H-alpha"


def blend_heading(target: Target, source: str, into: str) -> str:
    """Return as a heading which light a blend ``from`` a source puts ``into`` what.

    Examples
    --------
    >>> from blend.recipe.target import target_from_options
    >>> blend_heading(target_from_options(["rgb=a.fits", "ha=b.fits"]), "ha.emission", "red")
    'H-alpha + [N II] -> red'
    """
    return f"{light_name(target, source.partition('.')[0])} -> {into}"


def width_ratio(target: Target, line: str) -> float:
    """Return r = width_nm / red_width_nm of a line; where a width is open, the one `assumptions` reports.

    Examples
    --------
    >>> from blend.recipe.target import target_from_options
    >>> width_ratio(target_from_options(["rgb=a.fits", "ha=b.fits"]), "ha")
    0.07
    """
    return (target.masters[line].width_nm or WIDTH_NM) / (target.masters["rgb"].red_width_nm or RED_WIDTH_NM)


def emission_lines(recipe: Recipe) -> tuple[str, ...]:
    """Return the lines whose emission some blend asks for, in the order of the blends."""
    return tuple(dict.fromkeys(blend.master for blend in recipe.blend.values() if blend.emission))


def _absent_masters(recipe: Recipe, target: Target) -> Iterator[RecipeError]:
    named = [(f"blend.{label}.from", blend.master, target.lines) for label, blend in recipe.blend.items()]
    named += [(f"continuum.{line}", line, target.lines) for line in recipe.continuum]
    named += [("register.reference", recipe.register.reference, tuple(target.masters))]
    named += [
        (f"{step}.{name}", name, tuple(target.masters))
        for step in STEPS
        for name in recipe.step(step).by_master
    ]
    for where, name, known in named:
        if name not in known:
            yield RecipeError(
                where,
                found=f"the target {target.name!r} has no master called {name!r}",
                expected=f"one of: {', '.join(known)}" if known else "a target with a line's master",
                advice=suggestion(name, list(known)) or f"add [masters.{name}], or take this out",
            )


def _impossible_widths(recipe: Recipe, target: Target) -> Iterator[RecipeError]:
    for line in emission_lines(recipe):
        table = recipe.continuum_for(line)
        if line not in target.lines or not table.line_in_band:
            continue
        ratio = width_ratio(target, line)
        if table.throughput_ratio <= ratio:
            yield RecipeError(
                f"continuum.{line}.throughput_ratio",
                found=f"{table.throughput_ratio:g}, not above width_nm / red_width_nm = {ratio:g}",
                expected="a line's filter narrower than the band that holds the line too",
                advice="check the widths, or set line_in_band = false for a continuum filter beside the line",
            )


def _display_faults(recipe: Recipe, target: Target) -> Iterator[RecipeError]:
    """Give the steps that need light but would meet a master that is stretched already."""
    shown = {name for name, files in target.masters.items() if files.domain == "display"}
    for name in shown:
        for role in CALIBRATION:
            if getattr(target.masters[name], role) is not None:
                yield _needs_light(f"masters.{name}.{role}", name, f"a {role}", "leave the file out")
        if recipe.gradient.for_master(name).model != "none":
            yield _needs_light(f"gradient.{name}.model", name, "the gradient step", 'set it to "none"')
    for line in recipe.continuum:
        for name in sorted(shown & {line, "rgb"}):
            advice = "blend the master itself, not its emission, and take the table out"
            yield _needs_light(f"continuum.{line}", name, "continuum subtraction", advice)
    if "rgb" in shown and recipe.balance.white != "none":
        yield _needs_light("balance.white", "rgb", "the white balance", 'set it to "none"')
    for label, blend in recipe.blends("linear").items():
        for name in sorted(shown & {blend.master, "rgb"}):
            advice = "take a formula of the display domain"
            yield _needs_light(f"blend.{label}.formula", name, f"the formula {blend.formula!r}", advice)


def _absent_guides(recipe: Recipe, target: Target) -> Iterator[RecipeError]:
    """Give the skies a line is to guide where the target has no line with light that could."""
    if any(target.masters[name].domain == "linear" for name in target.lines):
        return
    for name in target.masters:
        settings = recipe.gradient.for_master(name)
        if settings.guide == "line" and settings.model in ("polynomial", "moonlight"):
            yield RecipeError(
                "gradient.guide" if recipe.gradient.guide == "line" else f"gradient.{name}.guide",
                found=f'"line", but the target {target.name!r} has no line\'s master of linear light',
                expected="a line's master that shows where the emission is",
                advice='add one, such as [masters.ha], or set it to "none" and mark sky_boxes',
            )
            return


OWN_OF_SKIES = {
    "degree": ("polynomial",),
    "guide": ("polynomial", "moonlight"),
    "brightens_towards_deg": ("moonlight",),
}
"""Keys of the gradient step that only some models of the sky have; without a sky ("none") nobody expects any."""


def _idle_settings(recipe: Recipe, target: Target) -> Iterator[RecipeError]:
    """Give what is set for a sky whose model has no use for it, for a master of its own or for all."""
    used = {name: recipe.gradient.for_master(name) for name in target.masters}
    fitted = [name for name, table in used.items() if table.model != "none"]
    for key, models in OWN_OF_SKIES.items():
        default = Gradient.model_fields[key].default
        idle = [n for n in fitted if used[n].model not in models and getattr(used[n], key) != default]
        own = {name for name, table in recipe.gradient.by_master.items() if key in table.model_fields_set}
        places = {name: f"gradient.{name}.{key}" for name in idle if name in own}
        if idle and not places and idle == fitted:  # else the step's own table may mean the other masters
            places = {idle[0]: f"gradient.{key}"}
        for name, place in places.items():
            yield RecipeError(
                place,
                found=f'{getattr(used[name], key)!r}, of which model = "{used[name].model}" has no use',
                expected=" or ".join(f'model = "{known}"' for known in models),
                advice=f"take {key} out, or choose that model",
            )


def _needs_light(where: str, name: str, step: str, advice: str) -> RecipeError:
    found = f"{step} needs linear light, but masters.{name} is said to be stretched already"
    expected = f'a master with domain = "linear" for {name}'
    return RecipeError(where, found=found, expected=expected, advice=advice)
