"""Target files and words of the command line; and recipes held against them."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from blend.base.errors import FaultList, InputError, RecipeError
from blend.recipe.check import assumptions, check_together, emission_lines, width_ratio
from blend.recipe.fields import PLANES, folder_name
from blend.recipe.mastertable import PlaneFiles
from blend.recipe.model import load_recipe
from blend.recipe.target import (
    Target,
    load_target,
    missing_files,
    outside_paths,
    refuse_outside,
    target_from_options,
    target_schema,
)

HERE = Path("/somewhere/spiral")
ROOT = Path(__file__).parents[2]
MINIMAL = 'name = "spiral"\n[masters.rgb]\nlight = "rgb.fits"\n[masters.ha]\nlight = "sub/ha.fits"\n'
VERSION = "version = 1\n"
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'
SCREEN = '[blend.screen]\ninto = "luminance"\nfrom = "ha"\nformula = "screen"\n'


def target_of(text: str) -> Target:
    return load_target(text, where="t.toml", folder=HERE)


def by_place(faults: list[RecipeError]) -> dict[str, RecipeError]:
    return {fault.where: fault for fault in faults}


def faults(text: str) -> dict[str, RecipeError]:
    with pytest.raises(FaultList) as caught:
        target_of(text)
    return by_place(list(caught.value.faults))


def together(recipe: str, target: str) -> dict[str, RecipeError]:
    return by_place(check_together(load_recipe(VERSION + recipe, where="r.toml"), target_of(target)))


def test_paths_start_from_the_file_s_folder() -> None:
    target = target_of(MINIMAL + 'dark = "../darks/ha.fits"\nflat = "/flats/ha.fits"')
    assert dict(target.paths()) == {
        "masters.rgb.light": HERE / "rgb.fits",
        "masters.ha.light": HERE / "sub/ha.fits",
        "masters.ha.dark": HERE.parent / "darks/ha.fits",
        "masters.ha.flat": Path("/flats/ha.fits"),
    }
    assert target.lines == ("ha",)
    assert target.masters["ha"].plane == "red"
    assert target.masters["ha"].domain == "linear"


def test_a_catalogue_belongs_to_the_colour_master_and_its_path_is_a_path() -> None:
    target = target_of(MINIMAL.replace('"rgb.fits"', '"rgb.fits"\ncatalogue = "../stars.csv"'))
    assert dict(target.paths())["masters.rgb.catalogue"] == HERE.parent / "stars.csv"
    assert ("masters.rgb.catalogue", HERE.parent / "stars.csv") in outside_paths(target, HERE)
    found = faults(MINIMAL + 'catalogue = "stars.csv"')
    assert "name it in [masters.rgb]" in found["masters.ha.catalogue"].advice


def test_one_file_a_plane() -> None:
    target = target_of('name = "x"\n[masters.rgb]\nlight = {red = "r", green = "g", blue = "b"}')
    assert isinstance(target.masters["rgb"].light, PlaneFiles)
    assert [place for place, _ in target.paths()] == [f"masters.rgb.light.{plane}" for plane in PLANES]
    found = faults('name = "x"\n[masters.rgb]\nlight = {red = "r", gren = "g", blue = "b"}')
    assert found["masters.rgb.light.green"].found == "the key is missing"
    assert found["masters.rgb.light.gren"].advice == "did you mean 'green'?"


def test_facts_are_what_is_stated_and_nothing_else() -> None:
    text = (
        MINIMAL + "[masters.ha.facts]\nexposure_s = 300\ndate_obs = 2024-03-22T23:10:00\nsite = [51, 7.5, 90]"
    )
    facts = target_of(text).masters["ha"].facts
    assert facts.given() == {
        "exposure_s": 300.0,
        "date_obs": "2024-03-22T23:10:00",
        "site": (51.0, 7.5, 90.0),
    }


def test_all_faults_come_in_one_pass() -> None:
    found = faults("""
        name = " "
        [masters.RGB]
        light = ""
        [masters.rbg]
        lihgt = "rgb.fits"
        [masters.ha]
        light = {red = "a", green = "b", blue = "c"}
        width_nm = -1
        red_width_nm = 100
        [masters.ha.facts]
        exposure_s = nan
        site = [91, 0, 0]
        date_obs = "yesterday"
        [masters.model]
        light = "x.fits"
    """)
    assert set(found) == {
        "name",
        "masters",
        "masters.RGB",
        "masters.RGB.light",
        "masters.rbg.light",
        "masters.rbg.lihgt",
        "masters.ha.light",
        "masters.ha.width_nm",
        "masters.ha.red_width_nm",
        "masters.ha.facts.exposure_s",
        "masters.ha.facts.site",
        "masters.ha.facts.date_obs",
        "masters.model",
    }
    assert found["name"].expected == "a name of one line, of at most 100 characters"
    assert found["masters.rbg.lihgt"].advice == "did you mean 'light'?"
    assert found["masters.ha.width_nm"].expected == "a number above 0 and at most 200"


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("M 51", "m-51"),
        ("NGC 891", "ngc-891"),
        ("lantern-spiral", "lantern-spiral"),
        ("..", "target"),
        ("../a/b\\\\c:d", "a-b-c-d"),
        ("nul", "nul-target"),
        ("COM¹.", "com1-target"),
        ("ends in dots...", "ends-in-dots"),
        ("Nébuleuse d'Orion", "nébuleuse-d-orion"),
        ("オリオン大星雲", "オリオン大星雲"),
        ("a" * 100, "a" * 60),
    ],
)
def test_a_name_may_be_any_and_its_folder_is_safe(name: str, folder: str) -> None:
    target = target_of(MINIMAL.replace('"spiral"', f'"{name}"'))
    assert target.name == name.replace("\\\\", "\\")
    assert target.folder == folder
    assert len(folder.encode()) < 250
    assert folder_name(folder) == folder


@pytest.mark.parametrize("name", ["", "  ", "a\\nb", "a\\u001b[31m", "a" * 101])
def test_a_name_is_one_line(name: str) -> None:
    assert "name" in faults(MINIMAL.replace('"spiral"', f'"{name}"'))


def test_line_and_colour_keys_are_not_mixed_up() -> None:
    found = faults('name = "x"\n[masters.rgb]\nlight = "a"\nline_nm = 656\nwidth_nm = 7\nplane = "red"')
    assert set(found) == {"masters.rgb.line_nm", "masters.rgb.width_nm", "masters.rgb.plane"}


@pytest.mark.parametrize("key", ['"blend.red.amount"', "blend.red.amount", "blend.red . amount"])
def test_settings_with_and_without_quotes(key: str) -> None:
    assert target_of(MINIMAL + f"[set]\n{key} = 0.8").settings() == {"blend.red.amount": 0.8}


def test_files_outside_the_folder_are_listed_and_refused(tmp_path: Path) -> None:
    folder, darks = tmp_path / "spiral", tmp_path / "darks"
    folder.mkdir()
    darks.mkdir()
    (darks / "d.fits").touch()
    (folder / "rgb.fits").touch()
    (folder / "linked.fits").symlink_to(darks / "d.fits")
    (folder / "loop.fits").symlink_to(folder / "loop.fits")
    text = f"""
        name = "spiral"
        [masters.rgb]
        light = "rgb.fits"
        dark = "../darks/d.fits"
        bias = "sub/../rgb.fits"
        [masters.ha]
        light = "linked.fits"
        dark = "{darks / "d.fits"}"
        flat = "loop.fits"
    """
    target = load_target(text, where="t.toml", folder=folder)
    outside = {place for place, _ in outside_paths(target, folder)}
    assert outside == {"masters.rgb.dark", "masters.ha.light", "masters.ha.dark", "masters.ha.flat"}
    assert {place for place, _ in outside_paths(target, folder, tmp_path)} == {"masters.ha.flat"}
    with pytest.raises(FaultList) as caught:
        refuse_outside(target, folder)
    assert {fault.where for fault in caught.value.faults} == outside
    with pytest.raises(FaultList, match="not a folder above"):
        refuse_outside(target, folder, darks)


def test_missing_files_are_input_faults(tmp_path: Path) -> None:
    (tmp_path / "rgb.fits").touch()
    (tmp_path / "sub" / "ha.fits").mkdir(parents=True)
    target = load_target(MINIMAL + 'dark = "d.fits"', where="t.toml", folder=tmp_path)
    found = missing_files(target)
    assert all(isinstance(fault, InputError) for fault in found)
    assert [(fault.where, fault.found) for fault in found] == [
        (str(tmp_path / "sub/ha.fits"), "this is a folder"),
        (str(tmp_path / "d.fits"), "there is no such file"),
    ]


def test_words_of_the_command_line() -> None:
    target = target_from_options(
        ["rgb.red=r.fits", "rgb.green=g.fits", "rgb.blue=b=1.fits", "ha=ha.fits"],
        calibration={"dark": ["ha=d.fits"], "flat_dark": ["rgb=fd.fits"]},
        folder=HERE,
    )
    assert dict(target.paths()) == {
        "masters.rgb.light.red": HERE / "r.fits",
        "masters.rgb.light.green": HERE / "g.fits",
        "masters.rgb.light.blue": HERE / "b=1.fits",
        "masters.rgb.flat_dark": HERE / "fd.fits",
        "masters.ha.light": HERE / "ha.fits",
        "masters.ha.dark": HERE / "d.fits",
    }


def test_words_of_the_command_line_that_are_wrong() -> None:
    with pytest.raises(FaultList) as caught:
        target_from_options(
            ["rgb=a", "rgb=b", "rgb.red=c", "ha", "rgb.pink=d"],
            calibration={"dark": ["oiii=d", "rgb=e", "rgb=f"]},
        )
    assert {fault.where for fault in caught.value.faults} == {
        "-m rgb=b",
        "-m rgb.red=c",
        "-m ha",
        "-m rgb.pink=d",
        "--dark oiii=d",
        "--dark rgb=f",
    }


def test_sound_recipe_and_target_go_together() -> None:
    assert together(RED + SCREEN, MINIMAL) == {}


def test_masters_that_the_target_lacks() -> None:
    recipe = RED.replace("ha", "haa") + '[register]\nreference = "lum"\n[gradient.hb]\ndegree = 1'
    found = together(recipe, MINIMAL)
    assert set(found) == {"blend.red.from", "continuum.haa", "register.reference", "gradient.hb"}
    assert found["blend.red.from"].advice == "did you mean 'ha'?"


def test_a_line_s_filter_is_narrower_than_a_band_that_holds_the_line() -> None:
    wide = MINIMAL + "width_nm = 100"
    assert set(together(RED, wide)) == {"continuum.ha.throughput_ratio"}
    assert together(RED + "[continuum.ha]\nline_in_band = false", wide) == {}


def test_what_is_open_is_assumed_and_told() -> None:
    recipe, target = load_recipe(VERSION + RED, where="r.toml"), target_of(MINIMAL)
    assert [code for code, _ in assumptions(recipe, target)] == ["width-assumed", "red-width-assumed"]
    assert width_ratio(target, "ha") == 7 / 100
    assert assumptions(load_recipe(VERSION + SCREEN, where="r.toml"), target) == []
    given = target_of(MINIMAL.replace('rgb.fits"', 'rgb.fits"\nred_width_nm = 90') + "width_nm = 3")
    assert assumptions(recipe, given) == []
    assert width_ratio(given, "ha") == 3 / 90
    green = load_recipe(VERSION + RED + '[continuum.ha]\nfrom = "green"', where="r.toml")
    assert [code for code, _ in assumptions(green, given)] == ["green-width-assumed"]
    assert emission_lines(recipe) == ("ha",)


def test_a_line_that_is_the_colour_master_s_own_file_is_told() -> None:
    recipe, same = (
        load_recipe(VERSION + RED, where="r.toml"),
        target_of(MINIMAL.replace("sub/ha.fits", "rgb.fits")),
    )
    assert "same-light" in dict(assumptions(recipe, same))
    assert "same-light" not in dict(assumptions(recipe, target_of(MINIMAL)))


def test_stretched_masters_are_kept_from_steps_that_need_light() -> None:
    shown = 'domain = "display"\ndark = "d.fits"\n'
    found = together(RED, MINIMAL + shown)
    assert set(found) == {"masters.ha.dark", "gradient.ha.model", "continuum.ha", "blend.red.formula"}
    assert "masters.ha is said to be stretched already" in found["continuum.ha"].found
    rgb = MINIMAL.replace('rgb.fits"', 'rgb.fits"\ndomain = "display"')
    assert set(together(SCREEN, rgb)) == {"gradient.rgb.model", "balance.white"}
    quiet = SCREEN + '[gradient.rgb]\nmodel = "none"\n[balance]\nwhite = "none"'
    assert together(quiet, rgb) == {}


@pytest.mark.parametrize(
    ("recipe", "target"),
    [
        ("recipes/galaxy-moonlit.toml", "examples/lantern-spiral.target.toml"),
        ("recipes/nebula-emission.toml", "examples/lantern-spiral.target.toml"),
        ("recipes/ha-in-luminance.toml", "examples/lantern-spiral.target.toml"),
        ("examples/real-nebula.toml", "examples/real-nebula.target.toml"),
    ],
)
def test_examples_that_ship_go_together(recipe: str, target: str) -> None:
    files = load_target((ROOT / target).read_text(encoding="utf-8"), where=target, folder=ROOT / "examples")
    text = (ROOT / recipe).read_text(encoding="utf-8")
    made = load_recipe(text, where=recipe, settings=files.settings())
    assert check_together(made, files) == []
    assert assumptions(made, files) == []
    assert outside_paths(files, ROOT / "examples") == []


def test_two_lines_need_two_masters() -> None:
    text = (ROOT / "recipes/two-lines.toml").read_text(encoding="utf-8")
    words = ["rgb=a", "ha=b", "oiii=c"]
    made = load_recipe(text, where="two-lines.toml")
    assert check_together(made, target_from_options(words)) == []
    assert "continuum.oiii" in by_place(check_together(made, target_from_options(words[:2])))


def test_a_sky_guided_by_a_line_needs_one() -> None:
    lonely = 'name = "t"\n[masters.rgb]\nlight = "rgb.fits"\n'
    fault = together('[gradient]\nguide = "line"', lonely)["gradient.guide"]
    assert fault.sentence() == (
        "gradient.guide: \"line\", but the target 't' has no line's master of linear light; expected a line's master "
        'that shows where the emission is. Do this: add one, such as [masters.ha], or set it to "none" and mark '
        "sky_boxes."
    )
    assert set(together('[gradient.rgb]\nguide = "line"', lonely)) == {"gradient.rgb.guide"}
    # A stretched line tells of no light.
    shown = lonely + '[masters.ha]\nlight = "ha.fits"\ndomain = "display"\n'
    assert "gradient.guide" in together('[gradient]\nguide = "line"\n[gradient.ha]\nmodel = "none"', shown)
    assert together('[gradient]\nguide = "line"', lonely + '[masters.ha]\nlight = "ha.fits"\n') == {}


@pytest.mark.parametrize(
    ("words", "place"),
    [
        ('model = "spline"\ndegree = 2', "gradient.degree"),
        ('model = "moonlight"\ndegree = 0', "gradient.degree"),
        ('model = "spline"\nguide = "line"', "gradient.guide"),
        ("brightens_towards_deg = 20", "gradient.brightens_towards_deg"),
        ("[gradient.ha]\nbrightens_towards_deg = 20", "gradient.ha.brightens_towards_deg"),
        ('[gradient.ha]\nmodel = "spline"\ndegree = 1', "gradient.ha.degree"),
        # as it is by itself; meant for the other master; no sky at all, so nothing of it
        ('model = "spline"\ndegree = "auto"', None),
        ('degree = 2\n[gradient.ha]\nmodel = "spline"', None),
        ('model = "none"\ndegree = 2\nguide = "line"', None),
        ('model = "moonlight"\nguide = "line"\nbrightens_towards_deg = 20', None),
    ],
)
def test_what_a_model_of_the_sky_has_no_use_for_is_refused(words: str, place: str | None) -> None:
    both = 'name = "t"\n[masters.rgb]\nlight = "rgb.fits"\n[masters.ha]\nlight = "ha.fits"\n'
    found = together(f"[gradient]\n{words}", both)
    assert set(found) == ({place} if place else set())
    assert all("has no use" in fault.sentence() for fault in found.values())


def test_the_schema_knows_every_key() -> None:
    schema = target_schema()
    assert set(schema["properties"]) == {"name", "masters", "set"}
    assert {"light", "dark", "flat_dark", "facts"} <= set(schema["$defs"]["MasterFiles"]["properties"])
    for path in (ROOT / "examples").glob("*.target.toml"):
        Draft202012Validator(schema).validate(tomllib.loads(path.read_text(encoding="utf-8")))
