"""The recipe, how a picture is made: TOML text to one frozen value with every fault at once, and back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import Any, get_args

from pydantic import ValidationError

from blend.base.errors import FaultList, RecipeError
from blend.base.registry import suggestion
from blend.recipe.auto_words import amount_faults
from blend.recipe.extend import EXTENDS, refuse_extends
from blend.recipe.fields import is_number
from blend.recipe.old_keys import new_key, new_names, new_settings, old_keys
from blend.recipe.tables import Continuum, OwnFormula, Recipe, StepName
from blend.recipe.toml import apply_settings, faults_of, read_toml, toml_names
from blend.science.picture import FORMULAS, Formula, check_neutral

STEPS: tuple[StepName, ...] = get_args(StepName)
"""The steps that may be overridden for one master."""

FOR_ALL = {"register": ("reference", "canvas"), "stretch": ("white", "white_level")}
"""Keys of a step that speak of the whole run and cannot be overridden for one master."""


def load_recipe(text: str, *, where: str, settings: Mapping[str, Any] = MappingProxyType({})) -> Recipe:
    """Return the recipe of a TOML text.

    Parameters
    ----------
    text : str
        The recipe.
    where : str
        The name of its file, for faults of the TOML itself.
    settings : mapping of str to value, optional
        Dotted keys set before anything is checked: ``{"blend.red.amount": 0.8}``.

    Returns
    -------
    Recipe
        With a table of ``continuum`` for every line whose emission is asked for, and with all the
        parameters of every blend's formula.

    Raises
    ------
    FaultList
        With every fault of the recipe and the settings, each under its ``section.key``.

    Examples
    --------
    >>> load_recipe("version = 1\\n[stretch]\\nsky_levl = 0.2", where="r.toml")
    Traceback (most recent call last):
    ...
    blend.base.errors.FaultList: stretch.sky_levl: there is no key 'sky_levl' here; expected one of: \
black_sigma, colour, curve, sky_level, white, white_level. Did you mean 'sky_level'?
    >>> load_recipe("version = 1", where="r.toml", settings={"stretch.sky_level": 0.2}).stretch.sky_level
    0.2
    """
    raw = read_toml(text, where=where)
    refuse_extends(raw)
    renamed = (*old_keys(raw), *(key for key in settings if new_key(key) != key))
    raw, settings = new_names(raw), new_settings(settings)
    fitting, faults = _fitting_settings(raw, settings)
    values, more = apply_settings(raw, fitting)
    faults += more
    values = new_names(values)
    if "version" not in values:
        advice = f"add version = 1 at the top of {where}"
        faults.append(
            RecipeError("version", found="the key is missing", expected="that of the format", advice=advice)
        )
        values["version"] = 1
    recipe = None
    try:
        recipe = Recipe.model_validate(values)
    except ValidationError as error:
        faults += faults_of(error, Recipe)
    faults += _override_faults(values)
    own, more = _own_formulas(values)
    faults += [*more, *_blend_faults(values, own)]
    if faults or recipe is None:
        raise FaultList([_marked(fault, fitting) for fault in faults])
    return _completed(recipe).model_copy(update={"renamed": renamed})


def resolved(recipe: Recipe) -> dict[str, Any]:
    """Return the recipe as nested tables of plain values, every default filled in.

    ``load_recipe(to_toml(resolved(recipe)))`` is the recipe again. The table of one master holds only
    what it overrides.
    """
    values = recipe.model_dump(mode="json", by_alias=True)
    for name in STEPS:
        table = values[name]
        del table["<by master>"]
        for master, own in recipe.step(name).by_master.items():
            plain = own.model_dump(mode="json", by_alias=True)
            table[master] = {key: plain[key] for key in plain if key in own.model_fields_set}
    return values


def recipe_schema() -> dict[str, Any]:
    """Return the JSON Schema of a recipe, for editors that check while one types."""
    schema = Recipe.model_json_schema(by_alias=True)
    del schema["properties"]["<renamed>"]
    for definition in schema["$defs"].values():
        by_master = definition.get("properties", {}).pop("<by master>", None)
        if by_master:
            # One level of sub-tables, named after masters; deeper ones are refused when a recipe is loaded.
            definition["additionalProperties"] = by_master["additionalProperties"]
    for field in schema["properties"].values():
        field.pop("default", None)
    about = "a shipped recipe's name, or a recipe's file: all that stands in it holds, but for what is written here"
    schema["properties"][EXTENDS] = {"type": "string", "description": about}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _fitting_settings(
    raw: Mapping[str, Any], settings: Mapping[str, Any]
) -> tuple[dict[str, Any], list[RecipeError]]:
    """Return the settings but for those of blends the recipe does not have, and these as faults."""
    whole = [key.split(".")[1] for key in settings if key.startswith("blend.") and key.count(".") == 1]
    blends = [*_tables(raw, "blend"), *whole]
    tables = toml_names(Recipe)
    fitting: dict[str, Any] = {}
    faults = []
    for key, value in settings.items():
        parts = key.split(".")
        if parts[0] == "blend" and len(parts) > 2 and parts[1] not in blends:
            found = f"the recipe has no blend called {parts[1]!r}"
            expected = f"one of: {', '.join(blends)}" if blends else "a recipe with blends"
            faults.append(
                RecipeError(key, found=found, expected=expected, advice=suggestion(parts[1], blends))
            )
        elif parts[0] in blends and parts[0] not in tables:
            advice = f"write blend.{key}"
            faults.append(RecipeError(key, found=f"a recipe has no table {parts[0]!r}", advice=advice))
        else:
            fitting[key] = value
    return fitting, faults


def _override_faults(values: Mapping[str, Any]) -> Iterator[RecipeError]:
    """Give the keys that stand in the table of one master but cannot."""
    for step in STEPS:
        field = toml_names(Recipe)[step]
        keys = toml_names(field.annotation)  # type: ignore[arg-type]
        for master, table in _tables(values, step).items():
            if master in keys:
                continue
            for key, value in table.items():
                where = f"{step}.{master}.{key}"
                if key in FOR_ALL.get(step, ()):
                    found = "set for one master, but it holds for the whole run"
                    yield RecipeError(where, found=found, advice=f"set {step}.{key}")
                elif key not in keys and isinstance(value, Mapping):
                    found = "a table inside the table of one master"
                    yield RecipeError(where, found=found, expected=f"keys of [{step}]")


def _own_formulas(values: Mapping[str, Any]) -> tuple[dict[str, Formula | None], list[RecipeError]]:
    """Return the recipe's own formulas by name, None for a faulty one, and the faults of their equations."""
    formulas: dict[str, Formula | None] = {}
    faults: list[RecipeError] = []
    for name, table in _tables(values, "formulas").items():
        formulas[name] = None
        try:
            formula = OwnFormula.model_validate(table).define(name)
            check_neutral(formula, where=f"formulas.{name}.equation")
            formulas[name] = formula
        except ValidationError:
            pass  # told already, with the faults of the whole recipe
        except RecipeError as error:
            faults.append(error)
    return formulas, faults


def _blend_faults(values: Mapping[str, Any], own: Mapping[str, Formula | None]) -> Iterator[RecipeError]:
    """Give the blends whose formula, or parameter of it, there is not."""
    names = [*FORMULAS, *own]
    for label, table in _tables(values, "blend").items():
        name = table.get("formula")
        if not isinstance(name, str):
            continue
        if name not in names:
            yield RecipeError(
                f"blend.{label}.formula",
                found=f"no formula is called {name!r}",
                expected=f"one of: {', '.join(sorted(names))}",
                advice=suggestion(name, names) or "define it under [formulas]",
            )
            continue
        formula = own[name] if name in own else FORMULAS[name]
        if formula is not None:
            yield from _param_faults(f"blend.{label}.params", formula, _tables(table, "params", of=object))
            yield from amount_faults(label, table, formula)
            fits = formula.domain == "linear" and table.get("into", "red") == "red"
            if not fits and table.get("into_other_planes", "none") != "none":
                yield RecipeError(
                    f"blend.{label}.into_other_planes",
                    found=f"light for other planes beside {name!r} into {table.get('into')}",
                    expected="into_other_planes only beside a linear formula into red",
                    advice="take it out, or blend into red by emission-add",
                )


def _param_faults(where: str, formula: Formula, params: Mapping[str, Any]) -> Iterator[RecipeError]:
    known = list(formula.params)
    strange = [key for key in params if key not in known]
    for key in strange:
        found = f"the formula {formula.name!r} has no parameter {key!r}"
        expected = f"one of: {', '.join(known)}" if known else "no parameters"
        yield RecipeError(f"{where}.{key}", found=found, expected=expected, advice=suggestion(key, known))
    if params and not strange and all(map(is_number, params.values())):
        try:
            check_neutral(formula, where=where, params={key: float(value) for key, value in params.items()})
        except RecipeError as fault:
            yield fault


def _completed(recipe: Recipe) -> Recipe:
    """Return the recipe with the tables and parameters that its blends take for granted."""
    continuum = dict(recipe.continuum)
    blends = {}
    for label, blend in recipe.blend.items():
        if blend.emission:
            continuum.setdefault(blend.master, Continuum())
        params = {**recipe.formula(blend.formula).params, **blend.params}
        blends[label] = blend.model_copy(update={"params": params})
    return recipe.model_copy(update={"continuum": continuum, "blend": blends})


def _marked(fault: RecipeError, settings: Mapping[str, Any]) -> RecipeError:
    """Return the fault, with a word on the setting it comes from, if it does."""
    for key in settings:
        inner, outer = sorted((fault.where, key), key=len, reverse=True)
        if inner == outer or inner.startswith((f"{outer}.", f"{outer}[")):
            found = f"{fault.found} (a setting of this run)"
            return RecipeError(fault.where, found=found, expected=fault.expected, advice=fault.advice)
    return fault


def _tables(values: Mapping[str, Any], key: str, of: type = Mapping) -> dict[str, Any]:
    """Return the entries of a table that are tables themselves; nothing where it is none."""
    table = values.get(key)
    return {k: v for k, v in table.items() if isinstance(v, of)} if isinstance(table, Mapping) else {}
