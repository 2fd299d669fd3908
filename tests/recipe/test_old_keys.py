"""Keys of blends that were renamed: the old names mean the same, in a file, its parent, a setting, a kept recipe."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.app.run.load import open_recipe
from blend.app.trial.variants import changed_text, parse_variation
from blend.base.errors import FaultList
from blend.pages.notes import warnings_of
from blend.recipe.check import assumptions
from blend.recipe.extend import extend
from blend.recipe.model import load_recipe, recipe_schema, resolved
from blend.recipe.target import target_from_options
from blend.recipe.toml import to_toml

RED = 'version = 1\n[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'
LIGHT = RED.replace("red", "luminance").replace("emission-add", "screen")
OLD = RED + 'share = "hydrogen"\ndust_a_v = 1.5\n'
NEW = RED + 'into_other_planes = "hydrogen"\nextinction_a_v = 1.5\n'
TARGET = target_from_options(["rgb=a.fits", "ha=b.fits"])


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (OLD, NEW),
        (LIGHT + 'for = "knots"', LIGHT + 'optimise_for = "bright"'),
        (LIGHT + 'for = "faint"', LIGHT + 'optimise_for = "faint"'),
    ],
)
def test_an_old_name_means_the_same(old: str, new: str) -> None:
    one, other = load_recipe(old, where="r.toml"), load_recipe(new, where="r.toml")
    assert resolved(one) == resolved(other)
    assert one.renamed and not other.renamed


def test_a_run_says_what_to_write_instead_once_for_each_key() -> None:
    told = dict(assumptions(load_recipe(OLD, where="r.toml"), TARGET))["key-renamed"]
    assert told == (
        "blend.red.share is called into_other_planes now, blend.red.dust_a_v is called extinction_a_v now; "
        "the old names still work"
    )
    assert "key-renamed" not in dict(assumptions(load_recipe(NEW, where="r.toml"), TARGET))


def test_a_setting_by_its_old_name_replaces_the_new_key() -> None:
    recipe = load_recipe(
        NEW, where="r.toml", settings={"blend.red.share": {"blue": 0.2}, "blend.red.dust_a_v": 0.0}
    )
    assert recipe.blend["red"].plane_factors == {"blue": 0.2, "green": 0.0}
    assert recipe.renamed == ("blend.red.share", "blend.red.dust_a_v")
    inner = load_recipe(RED, where="r.toml", settings={"blend.red.share.blue": 0.3})
    assert inner.blend["red"].plane_factors["blue"] == 0.3


def test_parents_and_children_may_use_either_name(tmp_path: Path) -> None:
    (tmp_path / "old.toml").write_text(OLD)
    (tmp_path / "child.toml").write_text(
        'extends = "old.toml"\n[blend.red]\ninto_other_planes = {blue = 0.1}\nextinction_a_v = 0\n'
    )
    (tmp_path / "new.toml").write_text(NEW)
    (tmp_path / "late.toml").write_text('extends = "new.toml"\n[blend.red]\ndust_a_v = 0.5\n')
    child = open_recipe(str(tmp_path / "child.toml"))
    assert child.blend["red"].plane_factors == {"blue": 0.1, "green": 0.0} and not child.renamed
    late = open_recipe(str(tmp_path / "late.toml"))
    assert late.blend["red"].extinction_a_v == 0.5 and late.renamed == ("blend.red.dust_a_v",)


def test_a_varied_key_gets_todays_name_and_the_note_asks_for_no_look() -> None:
    varied = parse_variation("blend.luminance.for=faint,knots")
    assert (varied.key, varied.values) == ("blend.luminance.optimise_for", ("faint", "bright"))
    assert not warnings_of({"warnings": [{"code": "key-renamed", "text": ""}]})


def test_both_names_at_once_are_refused() -> None:
    with pytest.raises(FaultList, match="there is no key 'share' here"):
        load_recipe(NEW + 'share = "none"', where="r.toml")


def test_what_a_trial_keeps_has_todays_names() -> None:
    text = changed_text(OLD, {"blend.red.share": "none", "blend.red.dust_a_v": 0.0}, where="r.toml")
    assert "share" not in text and 'into_other_planes = "none"' in text and "extinction_a_v = 0.0" in text


def test_the_schema_and_a_resolved_recipe_know_the_new_names_only() -> None:
    assert not {"share", "dust_a_v", "for"} & set(recipe_schema()["$defs"]["Blend"]["properties"])
    assert "renamed" not in str(recipe_schema()["properties"])
    assert "share" not in to_toml(resolved(load_recipe(OLD, where="r.toml")))
    assert (
        dict(extend(OLD, where="r.toml", read=lambda name, of: ("", "")).values)["blend"]["red"][
            "extinction_a_v"
        ]
        == 1.5
    )
