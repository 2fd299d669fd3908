"""The state of the work: its record is told from it, and nothing in a picture depends on what was told."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from blend.app.demo import write_night
from blend.app.run import load_sources, open_target
from blend.recipe.model import load_recipe
from blend.recipe.packing import pack_work, unpack_work
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all
from blend.recipe.state import Work, frozen
from blend.science.grid import Distortion
from blend.science.simulated import SceneOptions, simulate_night

BLENDS = """
version = 1
[gradient]
model = "spline"
[gradient.ha]
guide = "line"
model = "polynomial"
[blend.red]
into = "red"
from = "ha.emission"
formula = "emission-add"
amount = "auto"
into_other_planes = "hydrogen"
[blend.bright]
into = "luminance"
from = "ha.emission"
formula = "emission-add"
amount = "auto"
[blend.light]
into = "luminance"
from = "ha"
formula = "screen"
amount = "auto"
optimise_for = "bright"
"""


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Work:
    night = simulate_night(SceneOptions(rows=300, columns=450, seed=4, calibrated=True))
    target = open_target(write_night(night, tmp_path_factory.mktemp("night")))
    recipe = load_recipe(BLENDS, where="r.toml")
    return Work(recipe=recipe, target=target, sources=load_sources(target).sources)


def same(one: Any, other: Any) -> None:
    assert one is not None
    np.testing.assert_array_equal(one, other)


def test_a_run_that_records_nothing_makes_the_same_picture(
    first: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    told = run_all(first)
    monkeypatch.setattr(Work, "tell", lambda work, section, key, value: work)
    monkeypatch.setattr(Work, "warn", lambda work, *pairs: work)
    silent = run_all(first)
    assert told.recorded and not silent.recorded and not silent.warnings
    same(told.linear, silent.linear)
    same(told.display, silent.display)
    same(told.star_mask, silent.star_mask)
    for name, line in told.lines.items():
        same(line.emission, silent.lines[name].emission)
        same(line.scaled, silent.lines[name].scaled)
    assert [one.blend.amount for one in told.blended] == [one.blend.amount for one in silent.blended]


def test_the_record_of_blends_and_stretches_is_told_from_the_state(first: Work) -> None:
    done = run_all(first)
    assert [one.name for one in done.blended] == list(done.recorded["blend"]) == ["red", "bright", "light"]
    for made in done.blended:
        entry = done.recorded["blend"][made.name]
        assert made.choice is not None
        assert entry["amount"] == made.choice.amount == made.blend.weight
        assert entry["auto"]["reason"] == made.choice.reason
    assert set(done.stretches) == set(done.recorded["stretch"]) == {"rgb", "ha"}
    assert done.recorded["stretch"]["rgb"]["parameter"] == done.stretches["rgb"].parameter
    for name, skies in done.skies.items():
        for plane, fit in skies.items():
            assert done.recorded["masters"][name]["planes"][plane]["sky"] == fit.level


def test_blends_of_an_earlier_picture_are_not_counted_again(first: Work) -> None:
    balanced = run_all(first, steps=STEPS[:5])
    once = run_all(balanced, steps=PICTURE_STEPS)
    again = run_all(balanced.with_(blended=once.blended), steps=PICTURE_STEPS)
    assert [one.choice for one in again.blended] == [one.choice for one in once.blended]
    same(once.display, again.display)


@pytest.mark.parametrize("done", [2, 3])
def test_a_state_that_was_kept_goes_on_as_it_would_have(first: Work, done: int) -> None:
    begun = run_all(first.with_(figures=False), steps=STEPS[:done])
    document, arrays = pack_work(begun)
    kept = unpack_work(json.loads(json.dumps(document)), arrays, recipe=first.recipe, target=first.target)
    assert kept.alignments.keys() == begun.alignments.keys()
    same(kept.alignments["ha", 0].matrix, begun.alignments["ha", 0].matrix)
    points = np.array([[0.0, 0.0], [449.0, 299.0]])
    for name, fits in begun.skies.items():
        for plane, fit in fits.items():
            same(kept.skies[name][plane].at(points), fit.at(points))
    same(run_all(kept, steps=STEPS[done:]).display, run_all(begun, steps=STEPS[done:]).display)


def test_what_is_known_of_a_line_is_kept(first: Work) -> None:
    begun = run_all(first.with_(figures=False), steps=STEPS[:5])
    document, arrays = pack_work(begun)
    kept = unpack_work(json.loads(json.dumps(document)), arrays, recipe=first.recipe, target=first.target)
    assert begun.lines
    for name, line in begun.lines.items():
        again = kept.lines[name]
        assert (again.strongest, again.share, again.held) == (line.strongest, line.share, line.held)
        same(again.knots, line.knots)
    same(run_all(kept, steps=STEPS[5:]).display, run_all(begun, steps=STEPS[5:]).display)


def test_an_alignment_with_a_distortion_is_kept(first: Work) -> None:
    begun = run_all(first.with_(figures=False), steps=STEPS[:2])
    bent = Distortion(kind="radial", centre=(225.0, 150.0), size_px=270.0, terms=np.array([1e-3, -2e-4]))
    key = ("ha", 0)
    aligned = {**begun.alignments, key: replace(begun.alignments[key], distortion=bent)}
    document, arrays = pack_work(begun.with_(alignments=aligned))
    kept = unpack_work(json.loads(json.dumps(document)), arrays, recipe=first.recipe, target=first.target)
    points = np.array([[0.0, 0.0], [449.0, 299.0]])
    same(kept.alignments[key].forward(points), aligned[key].forward(points))


def test_tables_are_joined_and_values_replaced() -> None:
    work = Work(recipe=None, target=None)  # type: ignore[arg-type]
    work = work.tell("masters", "ha", {"planes": {"ha": {"sky": None, "noise": 1.0}}, "stars": 3})
    work = work.add("masters", "ha", {"planes": {"ha": {"sky": 0.5}}, "fwhm_px": 2.0})
    assert work.recorded["masters"]["ha"] == {
        "planes": {"ha": {"sky": 0.5, "noise": 1.0}},
        "stars": 3,
        "fwhm_px": 2.0,
    }
    assert work.add("register", "ha", {}).recorded["register"] == {"ha": {}}


TWINS = ("base + amount * line", "line * amount + base")


@pytest.mark.parametrize("equation", TWINS)
def test_a_twin_of_the_adding_formula_makes_the_same_picture(first: Work, equation: str) -> None:
    text = BLENDS.replace("emission-add", "my-add")
    text += f'[formulas.my-add]\ndomain = "linear"\nequation = "{equation}"\nneutral = "0"\n'
    balanced = run_all(first, steps=STEPS[:5])
    theirs = balanced.with_(recipe=load_recipe(text, where="r.toml"))
    one, other = (run_all(work, steps=PICTURE_STEPS) for work in (balanced, theirs))
    same(one.linear, other.linear)
    same(one.display, other.display)
    assert [made.choice for made in one.blended] == [made.choice for made in other.blended]
    told = [dict(work.recorded["blend"]["red"]) for work in (one, other)]
    for entry in told:
        del entry["formula"], entry["equation"]
    assert told[0] == told[1] and "line_contrast" in told[0]
    assert one.warnings == other.warnings


def test_regions_that_shine_in_the_line_do_not_tell_the_white(first: Work) -> None:
    found = run_all(first, steps=STEPS[:4])
    line, stars = found.lines["ha"], found.stars
    assert line.knots is not None and stars is not None
    few = found.with_(lines=frozen({"ha": replace(line, knots=np.arange(len(stars)) >= 6)}))
    assert len(few.field_stars()) == 6 < len(found.field_stars())
    by_few, by_all = (STEPS[4].change(work).recorded["balance"]["stars"] for work in (few, found))
    assert by_few <= 6 < by_all
