"""Recipes: every fault at once, each under its key; and back to text without loss."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from blend.app.run.load import recipe_text
from blend.base.errors import FaultList, RecipeError
from blend.recipe import tables
from blend.recipe.finishtable import Finish, Protect
from blend.recipe.model import load_recipe, recipe_schema, resolved
from blend.recipe.toml import LONGEST_TEXT, parse_setting, read_toml, to_toml
from blend.science.picture.curves import CURVES
from blend.science.picture.formulas import FORMULAS

VERSION = "version = 1\n"
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'
SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.toml"))
EXAMPLE = Path(__file__).parents[2] / "examples" / "real-nebula.toml"


def faults(text: str, settings: Mapping[str, Any] = MappingProxyType({})) -> dict[str, RecipeError]:
    """Return the faults of a recipe by their place; a text that does not speak of its version gets one."""
    # not as a line of the text: lines of faults are told
    version = {} if "version" in text else {"version": 1}
    with pytest.raises(FaultList) as caught:
        load_recipe(text, where="r.toml", settings={**version, **settings})
    found = {fault.where: fault for fault in caught.value.faults}
    assert len(found) == len(caught.value.faults), "one place is told twice"
    return found


@pytest.mark.parametrize("text", ["", "# nothing but a remark\n", 'title = "x"'])
def test_a_recipe_states_its_version(text: str) -> None:
    with pytest.raises(FaultList) as caught:
        load_recipe(text, where="r.toml")
    assert str(caught.value) == (
        "version: the key is missing; expected that of the format. "
        "Do this: add version = 1 at the top of r.toml."
    )


@pytest.mark.parametrize(
    ("key", "advice"),
    [
        ("saturation", "write finish.saturation"),
        ("satuartion", "write finish.saturation"),
        ("stretch.saturation", "write finish.saturation"),
        ("stretch.saturat", "write finish.saturation"),
        ("sky_level", "write stretch.sky_level"),
        ("amount", "write blend.NAME.amount"),
        ("red.amount", "write blend.red.amount"),
        ("white", "write balance.white or stretch.white"),
        ("zebra", "take the key out"),
    ],
)
def test_a_key_of_another_table_is_told_its_place(key: str, advice: str) -> None:
    (fault,) = faults(RED, settings={key: 2}).values()
    assert fault.advice == advice


def test_a_recipe_of_its_version_alone_is_all_defaults() -> None:
    recipe = load_recipe("version = 1", where="r.toml")
    assert recipe.version == 1
    assert recipe.calibrate.hot_sigma == 8.0
    assert recipe.register.reference == recipe.register_.reference == "rgb"
    assert recipe.stretch.sky_level == 0.10
    assert recipe.output.formats == ("fits", "tiff", "png")
    assert recipe.blend == {}


def test_a_misspelt_key_is_told_in_one_whole_sentence() -> None:
    found = faults(RED.replace("formula", "formla"))
    assert found["blend.red.formla"].sentence() == (
        "blend.red.formla: there is no key 'formla' here; expected one of: amount, extinction_a_v, formula, from, "
        "into, into_other_planes, method, noise_budget, optimise_for, params. Did you mean 'formula'?"
    )
    assert found["blend.red.formula"].found == "the key is missing"


def test_all_faults_come_in_one_pass() -> None:
    text = """
        titel = "x"
        [gradient]
        degree = 5
        object_boxes = [{shape = "box", x = 0, y = 0, w = -1, h = 2, angle = 3}]
        [gradient.ha]
        degre = 1
        [stretch]
        sky_level = 0.7
        curve = "asihn"
        [blend.red]
        into = "rde"
        from = "rgb"
        formula = "emision-add"
        amount = nan
        [formulas.own]
        domain = "linear"
        equation = "base + lime"
        neutral = "0"
    """
    found = faults(text)
    assert set(found) == {
        "titel",
        "gradient.degree",
        "gradient.object_boxes[0].w",
        "gradient.object_boxes[0].angle",
        "gradient.ha.degre",
        "stretch.sky_level",
        "stretch.curve",
        "blend.red.into",
        "blend.red.from",
        "blend.red.formula",
        "blend.red.amount",
        "formulas.own.equation",
    }
    near = {
        "titel": "title",
        "gradient.object_boxes[0].angle": "angle_deg",
        "gradient.ha.degre": "degree",
        "stretch.curve": "asinh",
        "blend.red.into": "red",
        "blend.red.formula": "emission-add",
        "formulas.own.equation": "line",
    }
    for where, word in near.items():
        assert found[where].advice == f"did you mean {word!r}?"
    assert found["stretch.sky_level"].expected == "a number from 0.01 to 0.5"


@pytest.mark.parametrize(
    ("line", "where", "expected"),
    [
        ("version = true", "version", "one of: 1"),
        ("version = 2", "version", "one of: 1"),
        ("title = 3", "title", "a text"),
        ("gradient = 3", "gradient", "a table"),
        ("[blend]\nred = 1", "blend.red", "a table"),
        ("[calibrate]\nhot_sigma = inf", "calibrate.hot_sigma", "a number from 0 to 100"),
        ('[calibrate]\nhot_sigma = "8"', "calibrate.hot_sigma", "a number from 0 to 100"),
        ("[calibrate]\nhot_sigma = true", "calibrate.hot_sigma", "a number from 0 to 100"),
        ("[calibrate]\nallow_shifted_dark = 1", "calibrate.allow_shifted_dark", "true or false"),
        ("[gradient]\ndegree = true", "gradient.degree", "one of: auto, 0, 1, 2, 3, 4"),
        ("[gradient]\ndegree = 1.0", "gradient.degree", "one of: auto, 0, 1, 2, 3, 4"),
        ("[gradient]\nsky_boxes = 1", "gradient.sky_boxes", "a list"),
        ("[continuum.ha]\nscale = 0", "continuum.ha.scale", "stars, or a number above 0"),
        ("[continuum.ha]\nscale = nan", "continuum.ha.scale", "stars, or a number above 0"),
        ("[continuum.ha]\nthroughput_ratio = 0", "continuum.ha.throughput_ratio", "above 0 and at most 5"),
        ("[continuum.rgb]", "continuum.rgb", "the name of a line's master, like ha"),
        ("[continuum.HA]", "continuum.HA", "small letters, digits"),
        ("[balance]\nwhite = [1, 2]", "balance.white", "three gains"),
        ("[balance]\nwhite = [1, 2, inf]", "balance.white", "three gains"),
        ('[balance]\nwhite = "b_v=7"', "balance.white", "from -0.4 to 2"),
        ("[output]\nformats = []", "output.formats", "at least one format, each once"),
        ('[output]\nformats = ["png", "png"]', "output.formats", "at least one format, each once"),
        (
            '[output]\nformats = ["fits", "tif"]',
            "output.formats[1]",
            "one of: png, jpeg, tiff, print, png16, p3, without, compare, residual, fits",
        ),
        ("[output]\ncrop = 3", "output.crop", "one of: full-coverage, none, or a table {x, y, w, h}"),
        ("[output]\ncrop = {x = 0, y = 0, w = 0, h = 9}", "output.crop.w", "a whole number at least 1"),
        ("[output]\nup = true", "output.up", "one of: file, north, 1, 2, 3"),
        ('[register.ha]\nreference = "ha"', "register.ha.reference", ""),
        ("[gradient.ha.x]", "gradient.ha.x", "keys of [gradient]"),
        ("[gradient.red]", "gradient.red", "a name of its own"),
    ],
)
def test_values_of_the_wrong_kind_or_range(line: str, where: str, expected: str) -> None:
    found = faults(line)
    assert expected in found[where].expected


def test_a_region_in_fractions_lies_near_the_frame() -> None:
    found = faults('[gradient]\nsky_boxes = [{unit = "fraction", x = 100, y = 0, w = 1, h = 1}]')
    assert found["gradient.sky_boxes[0]"].advice == 'write unit = "px" for pixels'


@pytest.mark.parametrize(
    ("text", "line"), [("a = 1\n\na = 2\n", 3), ("[x]\ny = asinh\n", 2), ("[x]\n[x]\n", 2), ('a = "1', 1)]
)
def test_what_is_not_toml_names_its_line(text: str, line: int) -> None:
    assert set(faults(text)) == {f"r.toml, line {line}"}


def test_hostile_texts_are_faults() -> None:
    assert set(faults("a = " + "[" * 100_000)) == {"r.toml"}
    assert set(faults("#" * (LONGEST_TEXT + 1))) == {"r.toml"}


def test_the_table_of_one_master_overrides_the_step() -> None:
    text = '[gradient]\nmodel = "none"\ndegree = 2\n[gradient.ha]\ndegree = 1\n[stretch.ha]\ncurve = "log"'
    recipe = load_recipe(VERSION + text, where="r.toml")
    assert recipe.gradient.for_master("ha").degree == 1
    assert recipe.gradient.for_master("ha").model == "none"
    assert recipe.gradient.for_master("rgb").degree == 2
    assert recipe.stretch.for_master("ha").curve == "log"
    assert recipe.stretch.for_master("ha").sky_level == recipe.stretch.sky_level


def test_blends_keep_their_order_and_know_their_domain() -> None:
    screen = '[blend.b]\ninto = "blue"\nfrom = "ha"\nformula = "screen"\n'
    recipe = load_recipe(VERSION + screen + RED + screen.replace("blend.b", "blend.a"), where="r.toml")
    assert list(recipe.blends("display")) == ["b", "a"]
    assert list(recipe.blends("linear")) == ["red"]
    assert recipe.blend["red"].master == "ha"
    assert recipe.blend["red"].emission
    assert not recipe.blend["b"].emission


def test_emission_brings_its_continuum_and_a_formula_its_parameters() -> None:
    own = """
        [formulas.half]
        domain = "display"
        equation = "base + k * line"
        neutral = "0"
        params = {k = 0.5, unused = 2}
        [blend.half]
        into = "luminance"
        from = "ha"
        formula = "half"
        params = {k = 0.25}
    """
    recipe = load_recipe(VERSION + RED + own, where="r.toml")
    assert recipe.continuum["ha"].from_ == "red"
    assert recipe.blend["half"].params == {"k": 0.25, "unused": 2}
    assert recipe.formula("half").params == {"k": 0.5, "unused": 2}
    found = faults(RED + own.replace("k = 0.25", "kk = 1"))
    assert found["blend.half.params.kk"].expected == "one of: k, unused"


def test_own_formulas_cannot_hide_those_that_ship() -> None:
    text = '[formulas.screen]\ndomain = "display"\nequation = "base"\nneutral = "0"'
    assert set(faults(text)) == {"formulas.screen"}


def test_settings_are_applied_before_anything_is_checked() -> None:
    recipe = load_recipe(
        VERSION + RED,
        where="r.toml",
        settings={"blend.red.amount": 0.5, "gradient.ha.degree": 1, "stretch.curve": "log"},
    )
    assert recipe.blend["red"].amount == 0.5
    assert recipe.gradient.for_master("ha").degree == 1
    assert recipe.stretch.curve == "log"


@pytest.mark.parametrize(
    ("key", "where", "advice"),
    [
        ("blend.rde.amount", "blend.rde.amount", "did you mean 'red'?"),
        ("blend.red.amout", "blend.red.amout", "did you mean 'amount'?"),
        ("strech.curve", "strech", "did you mean 'stretch'?"),
        ("stretch.curv", "stretch.curv", "did you mean 'curve'?"),
        ("a b", "a b", ""),
    ],
)
def test_settings_that_are_none(key: str, where: str, advice: str) -> None:
    found = faults(RED, settings={key: 1})
    assert list(found) == [where]
    assert found[where].advice == advice


def test_a_fault_of_a_setting_says_so() -> None:
    found = faults(RED, settings={"blend.red.amount": 9})
    assert found["blend.red.amount"].sentence() == (
        "blend.red.amount: found 9 (a setting of this run); expected a number from 0 to 3, or auto."
    )


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("a.b=1", 1),
        ("a.b = 0.5", 0.5),
        ("a.b=true", True),
        ("a.b=word-of-two", "word-of-two"),
        ("a.b='1'", "1"),
        ("a.b=[1, 2]", [1, 2]),
        ("a.b={x = 1}", {"x": 1}),
        ("a.b=b_v=0.65", "b_v=0.65"),
    ],
)
def test_a_setting_is_a_toml_value_or_a_word(text: str, value: object) -> None:
    key, found = parse_setting(text)
    assert (key, found) == ("a.b", value)
    assert type(found) is type(value)


@pytest.mark.parametrize("text", ["a.b", "=1", "a.b=", "a.b=[1", "a.b='x", "a.b=1\nc=2"])
def test_what_is_no_setting(text: str) -> None:
    with pytest.raises(RecipeError):
        parse_setting(text)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_recipes_that_ship_are_sound_and_survive_the_way_back(path: Path) -> None:
    recipe = load_recipe(recipe_text(str(path))[0], where=path.name)
    assert recipe.title
    assert recipe.blend
    again = load_recipe(to_toml(resolved(recipe)), where="again")
    assert again == recipe
    assert resolved(again) == resolved(recipe)


def test_five_recipes_ship_and_three_looks_of_two() -> None:
    whole = ["galaxy-moonlit", "ha-in-luminance", "nebula-emission", "three-lines", "two-lines"]
    looks = [f"{kind}-{look}" for kind in ("galaxy", "nebula") for look in ("natural", "quiet", "vivid")]
    assert [path.stem for path in SHIPPED] == sorted([*whole, *looks])


def test_what_is_resolved_holds_defaults_and_only_own_overrides() -> None:
    box = '{shape = "ellipse", unit = "fraction", x = 0.1, y = 0.2, w = 0.3, h = 0.4}'
    text = f"[gradient]\nobject_boxes = [{box}]\n[gradient.ha]\ndegree = 0\n"
    text += "[output]\ncrop = {x = 1, y = 2, w = 3, h = 4}"
    recipe = load_recipe(VERSION + text, where="r.toml")
    values = resolved(recipe)
    assert values["gradient"]["ha"] == {"degree": 0}
    assert values["gradient"]["object_boxes"][0]["angle_deg"] == 0.0
    assert values["register"]["kernel"] == "lanczos3"
    assert values["output"]["crop"] == {"x": 1, "y": 2, "w": 3, "h": 4}
    assert load_recipe(to_toml(values), where="again") == recipe


KEYS = st.text(min_size=1, max_size=5)
VALUES = st.recursive(
    st.booleans() | st.integers(-(2**62), 2**62) | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=60, deadline=None)
@given(st.dictionaries(KEYS, VALUES, max_size=4))
def test_any_values_survive_as_toml(values: dict[str, Any]) -> None:
    assert tomllib.loads(to_toml(values)) == values


@settings(max_examples=40, deadline=None)
@given(
    st.floats(0, 3),
    st.sampled_from(sorted(FORMULAS)),
    st.sampled_from(sorted(CURVES)),
    st.sampled_from(["auto", 0, 1, 2, 3, 4]),
    st.sampled_from(["stars", "none", "b_v=0.65", [0.5, 1.0, 2]]),
    st.sampled_from(["stars", 0.07, 2]),
)
def test_sound_values_survive_the_way_back(
    amount: float, formula: str, curve: str, degree: object, white: object, scale: object
) -> None:
    recipe = load_recipe(
        VERSION + RED,
        where="r.toml",
        settings={
            "blend.red.amount": amount,
            "blend.red.formula": formula,
            "stretch.curve": curve,
            "gradient.ha.degree": degree,
            "balance.white": white,
            "continuum.ha.scale": scale,
        },
    )
    assert load_recipe(to_toml(resolved(recipe)), where="again") == recipe


def test_a_recipe_cannot_be_changed() -> None:
    recipe = load_recipe("version = 1", where="r.toml")
    with pytest.raises(ValueError, match="frozen"):
        recipe.stretch.sky_level = 0.2


def test_the_schema_knows_every_key_and_the_tables_of_masters() -> None:
    schema = recipe_schema()
    values = resolved(load_recipe("version = 1", where="r.toml"))
    assert set(schema["properties"]) == {*values, "extends"}
    assert "<by master>" not in str(schema)
    gradient = schema["$defs"]["Gradient"]
    assert set(gradient["properties"]) == set(values["gradient"])
    assert gradient["additionalProperties"] == {"$ref": "#/$defs/Gradient"}
    assert gradient["properties"]["degree"]["description"]
    assert schema["$defs"]["Stretch"]["properties"]["sky_level"]["maximum"] == 0.5


def test_the_schema_lists_curves_and_formulas_as_choices() -> None:
    definitions = recipe_schema()["$defs"]
    assert definitions["Stretch"]["properties"]["curve"]["enum"] == list(CURVES)
    shipped, own = definitions["Blend"]["properties"]["formula"]["anyOf"]
    assert shipped["enum"] == list(FORMULAS)
    assert own["pattern"] and "[formulas]" in own["description"]


@pytest.mark.parametrize("path", [*SHIPPED, EXAMPLE], ids=lambda path: path.stem)
def test_shipped_recipes_are_sound_by_the_schema(path: Path) -> None:
    Draft202012Validator(recipe_schema()).validate(tomllib.loads(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ('[stretch]\ncurve = "asin"', ["stretch", "curve"]),
        (RED.replace("emission-add", "Emission Add"), ["blend", "red", "formula"]),
        (RED + "amount = 7", ["blend", "red", "amount"]),
        ("[stretch]\nsky_levl = 0.1", ["stretch", "sky_levl"]),
        ('[gradient.ha]\nmodel = "bowl"', ["gradient", "ha", "model"]),
    ],
)
def test_the_schema_refuses_what_a_run_would(text: str, place: list[str]) -> None:
    text = VERSION + text
    assert faults(text)
    (fault,) = Draft202012Validator(recipe_schema()).iter_errors(tomllib.loads(text))
    assert list(fault.absolute_path) == place


def test_the_schema_lets_a_recipe_have_formulas_of_its_own() -> None:
    own = '[formulas.my-add]\ndomain = "linear"\nequation = "base + line"\nneutral = "0"\n'
    text = VERSION + own + RED.replace("emission-add", "my-add")
    load_recipe(text, where="r.toml")
    Draft202012Validator(recipe_schema()).validate(tomllib.loads(text))


def test_a_byte_order_mark_is_no_fault() -> None:
    assert read_toml("\ufeffa = 1\r\n", where="r.toml") == {"a": 1}


def test_a_formula_that_moves_the_sky_is_a_fault_among_the_others() -> None:
    text = (
        VERSION
        + """
[formulas.lift]
domain = "display"
equation = "base + 1"
neutral = "0"
[formulas.half]
domain = "linear"
equation = "base + line / k"
neutral = "0"
params = { k = 2.0 }
[blend.a]
into = "red"
from = "ha"
formula = "half"
params = { k = 0.0 }
[blend.b]
into = "red"
from = "ha"
formula = "lift"
amount = 7
"""
    )
    with pytest.raises(FaultList) as told:
        load_recipe(text, where="r.toml")
    places = {fault.where: fault.found for fault in told.value.faults}
    assert set(places) == {"formulas.lift.equation", "blend.a.params", "blend.b.amount"}
    assert places["formulas.lift.equation"] == (
        "it makes 1.02 of a sky at 0.02 with line at the neutral value 0"
    )
    assert places["blend.a.params"].startswith("it makes nan of a sky at 0")


@pytest.mark.parametrize(
    "points",
    [
        [[0.5]],
        [[0.5, 0.6], [0.4, 0.7]],
        [[0.5, 0.6], [0.7, 0.6]],
        [[0.0, 0.1]],
        [[0.5, 1.0]],
        [[0.6, 0.1]],
        [[0.5, True]],
        "up",
        -1,
        True,
        {"x": 1},
        [[k / 20, k / 20] for k in range(1, 18)],
    ],
)
def test_a_curve_that_does_not_rise_from_the_sky_to_white_is_refused(points: Any) -> None:
    (fault,) = faults(RED, settings={"finish.curve": points}).values()
    assert fault.where == "finish.curve" and "rise in both" in fault.expected


@pytest.mark.parametrize("white", ["saturated", 0, -1, True, 101])
def test_a_white_that_is_none_is_refused(white: Any) -> None:
    (fault,) = faults(RED, settings={"stretch.white": white}).values()
    assert "saturation, target, or a linear level" in fault.expected


def test_white_is_of_the_whole_run() -> None:
    (fault,) = faults(RED, settings={"stretch.ha": {"white": "target"}}).values()
    assert fault.where == "stretch.ha.white" and "whole run" in fault.found


TABLES = {
    "calibrate": tables.Calibrate,
    "register": tables.Register,
    "gradient": tables.Gradient,
    "continuum.ha": tables.Continuum,
    "balance": tables.Balance,
    "stretch": tables.Stretch,
    "protect": Protect,
    "finish": Finish,
    "output": tables.Output,
}


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("value", [-1, 1e300, "x", True, [], [1], [[]], [["x", 1]], {"x": 1}, {}], ids=repr)
def test_a_value_of_any_kind_is_taken_or_refused_in_words(table: str, value: Any) -> None:
    for name, field in TABLES[table].model_fields.items():
        try:
            load_recipe(RED, where="r.toml", settings={"version": 1, f"{table}.{field.alias or name}": value})
        except FaultList as found:
            assert all(fault.where and fault.expected for fault in found.faults)
