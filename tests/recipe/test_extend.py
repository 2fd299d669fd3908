"""Recipes that build on another: merged by a law, and every wrong chain refused with its path."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blend.app.run.load import open_recipe, recipe_files, recipe_text, shipped_recipes
from blend.base.errors import BlendError, FaultList
from blend.recipe.extend import difference, merged
from blend.recipe.model import load_recipe, resolved

VALUES = st.recursive(
    st.one_of(st.integers(0, 3), st.booleans(), st.just(1.0), st.text("ab", max_size=2)),
    lambda inner: st.dictionaries(st.text("xyz", min_size=1, max_size=1), inner, max_size=3),
    max_leaves=12,
)
TABLES = st.dictionaries(st.text("xyz", min_size=1, max_size=1), VALUES, max_size=3)


def write(folder: Path, **texts: str) -> None:
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")


@given(TABLES, TABLES)
def test_a_child_of_what_differs_gives_the_wanted_values(parent, wanted):
    told = difference(parent, wanted)
    if told is not None:
        both = merged(parent, told)
        assert both == wanted
        assert [value is True for value in both.values()] == [wanted[key] is True for key in both]
    assert difference(wanted, wanted) == {}
    assert merged(parent, {}) == parent and merged({}, wanted) == wanted


@pytest.mark.parametrize(
    "name", [n for n in shipped_recipes() if n.partition("-")[2] in ("quiet", "natural", "vivid")]
)
def test_looks_that_ship_are_short_and_whole(name):
    text = shipped_recipes()[name].read_text(encoding="utf-8")
    values = [
        line
        for line in text.splitlines()
        if " = " in line and not line.startswith(("#", "version", "extends"))
    ]
    assert 3 <= len(values) <= 5
    assert all("# " in line for line in values)
    base = {"galaxy": "galaxy-moonlit", "nebula": "nebula-emission"}[name.partition("-")[0]]
    own, parent = (resolved(open_recipe(recipe)) for recipe in (name, base))
    assert {key for key in own if own[key] != parent[key]} <= {"stretch", "finish", "title"}
    assert recipe_files(name) == [shipped_recipes()[name], shipped_recipes()[base]]


def test_the_resolved_recipe_needs_no_parent(tmp_path):
    write(
        tmp_path,
        a='extends = "b.toml"\n[stretch]\nsky_level = 0.09',
        b='extends = "galaxy-moonlit"\n[protect]\nstars = 0.5',
    )
    recipe = open_recipe(str(tmp_path / "a.toml"))
    assert (recipe.stretch.sky_level, recipe.protect.stars) == (0.09, 0.5)
    assert recipe.blend.keys() == {"red", "luminance"}
    from blend.recipe.toml import to_toml

    assert load_recipe(to_toml(resolved(recipe)), where="record") == recipe


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (
            {"a": 'extends = "b.toml"', "b": 'extends = "a.toml"'},
            "a circle: {0}/a.toml -> {0}/b.toml -> {0}/a.toml",
        ),
        ({"a": 'extends = "./././a.toml"'}, "a circle: {0}/a.toml -> {0}/a.toml"),
        ({"a": "extends = 3"}, "found 3"),
        ({"a": 'extends = ""'}, "found ''"),
        ({"a": 'extends = "none.toml"'}, "none.toml"),
        ({"a": 'extends = "galaxy-moonlight"'}, "no shipped recipe of that name"),
        ({"a": 'extends = "b.toml"', "b": "version = "}, "b.toml, line 1"),
        (
            {n: f'extends = "{m}.toml"' for n, m in zip("abcde", "bcdef", strict=True)}
            | {"f": "version = 1"},
            "at most 4 parents",
        ),
    ],
)
def test_wrong_chains_are_refused_with_their_path(texts, words, tmp_path):
    write(tmp_path, **texts)
    with pytest.raises(BlendError) as caught:
        open_recipe(str(tmp_path / "a.toml"))
    assert words.format(tmp_path) in str(caught.value)


def test_four_parents_are_read(tmp_path):
    write(
        tmp_path, **{n: f'extends = "{m}.toml"' for n, m in zip("abcd", "bcde", strict=True)}, e="version = 1"
    )
    assert len(recipe_files(str(tmp_path / "a.toml"))) == 5


def test_a_recipe_without_a_parent_keeps_its_text(tmp_path):
    write(tmp_path, a="version = 1  # mine")
    assert recipe_text(str(tmp_path / "a.toml"))[0] == "version = 1  # mine"


def test_a_text_alone_cannot_extend():
    with pytest.raises(FaultList, match="a parent, but the text alone was given"):
        load_recipe('extends = "galaxy-moonlit"', where="text")
