"""``amount = "auto"`` in a recipe: what it is refused for, what a run makes of it, and where that is told."""

from __future__ import annotations

import json
from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from blend.base.errors import FaultList, StepError
from blend.base.master import Facts, Master, flags_of
from blend.base.robust import bin_mean
from blend.recipe.auto_words import amount_words, auto_words
from blend.recipe.explain import explain
from blend.recipe.model import load_recipe, recipe_schema, resolved
from blend.recipe.state import Line, Work
from blend.recipe.steps.balance import line_times
from blend.recipe.steps.blends import blend_display, blend_linear
from blend.recipe.steps.stretch import stretch
from blend.recipe.target import load_target, target_from_options
from blend.recipe.toml import to_toml
from blend.science.line.amount import noise_blocks

VERSION = "version = 1\n"
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'
LIGHT = '[blend.light]\ninto = "luminance"\nfrom = "ha.emission"\nformula = "screen"\n'
OWN = '[formulas.own]\ndomain = "linear"\nequation = "base + 2 * amount * line"\nneutral = "0"\n'
SIGMA = 0.001
SIDE = 240


def make_work(text: str, *, line_sigma: float = 0.7 * SIGMA, light: float = 0.004, **settings: Any) -> Work:
    """Return a state of work after the balance: a sky with a disc of faint emission and bright spots in it."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:SIDE, :SIDE]
    disc = np.hypot(x - 80, y - 80) < 50
    shine = light * (disc + 9.0 * (disc & (x % 25 < 5) & (y % 25 < 5)))
    noise = rng.normal(0.0, SIGMA, (3, SIDE, SIDE))
    pixels = (noise + shine * np.array([1.0, 0.1, 0.1])[:, None, None]).astype(np.float32)
    unfaded = (shine + rng.normal(0.0, line_sigma, shine.shape) - 0.075 * noise[0]).astype(np.float32)
    emission = np.where(disc & (light > 0), unfaded, 0.0).clip(0.0).astype(np.float32)
    told = {plane: MappingProxyType({1: SIGMA}) for plane in ("red", "green", "blue")}
    rgb = Master(
        pixels=pixels, flags=flags_of(pixels), planes=("red", "green", "blue"), facts=Facts(noise=told)
    )
    ha = Master(pixels=unfaded[None], flags=flags_of(unfaded[None]), planes=("ha",))
    line = Line(
        scaled=unfaded,
        emission=emission,
        sigma=line_sigma,
        scaled_sigma=line_sigma,
        broad="red",
        unfaded=noise_blocks(unfaded),
    )
    recipe = load_recipe(
        VERSION + text, where="r.toml", settings={k.replace("__", "."): v for k, v in settings.items()}
    )
    target = target_from_options(["rgb=a.fits", "ha=b.fits"])
    return Work(recipe=recipe, target=target, masters={"rgb": rgb, "ha": ha}, lines={"ha": line})


def faults(text: str, **settings: Any) -> list[str]:
    with pytest.raises(FaultList) as caught:
        load_recipe(
            VERSION + text, where="r.toml", settings={k.replace("__", "."): v for k, v in settings.items()}
        )
    return [fault.sentence() for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            RED + 'amount = "autp"',
            "expected a number from 0 to 3, or auto. Did you mean 'auto'?",
        ),
        (RED + "amount = true", "expected a number from 0 to 3, or auto"),
        (RED + "noise_budget = 0.9", "blend.red.noise_budget: found 0.9; expected a number from 1 to 10."),
        (LIGHT + 'optimise_for = "brigt"', "Did you mean 'bright'?"),
        (RED.replace("emission-add", "screen") + 'amount = "auto"', "\"auto\" beside 'screen' into a plane"),
        (RED.replace("ha.emission", "ha") + 'amount = "auto"', 'write from = "ha.emission"'),
        (OWN + RED.replace("emission-add", "own") + 'amount = "auto"', "\"auto\" beside 'own' into a plane"),
        (OWN + LIGHT.replace("screen", "own") + 'amount = "auto"', "whose equation names amount itself"),
        (RED + 'optimise_for = "bright"', "a signal named for a blend that is not into luminance"),
    ],
)
def test_what_means_nothing_is_refused(text: str, told: str) -> None:
    found = faults(text)
    assert len(found) == 1
    assert told in found[0]


def test_a_setting_may_ask_for_it_and_a_target_too(tmp_path: Any) -> None:
    recipe = load_recipe(VERSION + RED, where="r.toml", settings={"blend.red.amount": "auto"})
    assert recipe.blend["red"].amount == "auto"
    assert load_recipe(to_toml(resolved(recipe)), where="again") == recipe
    text = 'name = "x"\n[masters.rgb]\nlight = "a.fits"\n[set]\n"blend.red.amount" = "auto"\n'
    text += '"blend.red.noise_budget" = 1.4\n'
    (tmp_path / "t.toml").write_text(text)
    target = load_target(text, where=str(tmp_path / "t.toml"), folder=tmp_path)
    blend = load_recipe(VERSION + RED, where="r.toml", settings=target.set).blend["red"]
    assert (blend.amount, blend.noise_budget) == ("auto", 1.4)


def test_the_schema_lists_the_word_the_range_and_the_keys() -> None:
    keys = recipe_schema()["$defs"]["Blend"]["properties"]
    word, number = keys["amount"]["anyOf"]
    assert word["const"] == "auto"
    assert (number["minimum"], number["maximum"]) == (0, 3)
    assert keys["optimise_for"]["enum"] == ["faint", "bright"]
    assert (keys["noise_budget"]["minimum"], keys["noise_budget"]["default"]) == (1, 1.2)


def test_reds_noise_where_emission_is_whole_is_the_budget() -> None:
    before = make_work(RED + 'amount = "auto"')
    work = blend_linear(before)
    facts = work.recorded["blend"]["red"]
    assert 0 < facts["amount"] < 1.5
    assert facts["auto"]["limits"] == {"noise": facts["amount"], "most": 1.5}
    assert facts["line_contrast"] == 1 + facts["amount"]
    assert facts["auto"]["noise_budget"] == 1.2
    assert work.linear is not None
    # 0.005 of its area is a spot: keep to disc without spots, whose light is even.
    x, y = np.meshgrid(np.arange(12, 35), np.arange(12, 35))
    even = (np.hypot(x - 20, y - 20) < 11) & ((4 * x) % 25 > 4) & ((4 * y) % 25 > 4)
    even &= ((4 * x + 3) % 25 > 4) & ((4 * y + 3) % 25 > 4)
    noise = [bin_mean(p, 4)[12:35, 12:35][even].std() for p in (work.linear[0], before.rgb.pixels[0])]
    # Some 170 blocks tell a ratio of two standard deviations that share most of their noise to 4 %.
    assert noise[0] / noise[1] == pytest.approx(1.2, rel=0.1)
    # The sky, where all was faded, keeps its bits.
    assert np.array_equal(work.linear[:, 150:], before.rgb.pixels[:, 150:])
    assert json.loads(json.dumps(dict(work.recorded["blend"]))) == work.recorded["blend"]


def test_nothing_significant_is_nothing_added_to_the_bit() -> None:
    before = make_work(RED + 'amount = "auto"\ninto_other_planes = "hydrogen"', light=0.0)
    work = blend_linear(before)
    assert work.linear is before.rgb.pixels
    facts = work.recorded["blend"]["red"]
    assert facts["amount"] == 0
    assert "no emission is significant" in facts["auto"]["reason"]


@pytest.mark.parametrize("signal", ["faint", "bright"])
@pytest.mark.parametrize("formula", ["screen", "mean", "emission-add"])
def test_luminance_gets_a_number_its_reason_and_its_gain(formula: str, signal: str) -> None:
    text = (
        LIGHT.replace("screen", formula)
        + f'amount = "auto"\noptimise_for = "{signal}"\n[balance]\nwhite = "none"'
    )
    work = blend_display(stretch(blend_linear(make_work(text))))
    facts = work.recorded["blend"]["light"]
    most = 1.5 if formula == "emission-add" else 1.0
    assert 0 < facts["amount"] <= most
    assert facts["auto"]["optimise_for"] == signal
    assert facts["auto"]["limits"]["most"] == most
    assert facts["auto"]["gain"] > 1
    assert json.loads(json.dumps(dict(work.recorded["blend"]), allow_nan=False)) == work.recorded["blend"]


def test_a_number_stays_as_it_was() -> None:
    facts = blend_linear(make_work(RED + "amount = 0.8")).recorded["blend"]["red"]
    assert (facts["amount"], facts["line_contrast"]) == (0.8, 1.8)
    assert "auto" not in facts


def test_a_line_without_light_before_the_fading_is_told() -> None:
    work = make_work(RED + 'amount = "auto"')
    bare = replace(work, lines={"ha": replace(work.lines["ha"], unfaded=None)})
    with pytest.raises(StepError, match=r"blend\.red\.amount: no amount can be chosen"):
        blend_linear(bare)


def test_gains_reach_the_light_before_fading() -> None:
    line = make_work(RED).lines["ha"]
    assert line.unfaded is not None
    twice = line_times(line, 2.0).unfaded
    assert twice is not None
    assert np.array_equal(twice, 2 * line.unfaded, equal_nan=True)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (RED + 'amount = "auto"', "by emission-add, amount auto."),
        (RED + 'amount = "auto"', "1.2^2 var(base)"),
        (RED + 'amount = "auto"', "Line contrast x (1 + amount)."),
        (RED + "amount = 0.8", "Line contrast x (1 + amount) = 1.8."),
        (LIGHT + 'amount = "auto"', "the fainter half of the emission"),
        (LIGHT + 'amount = "auto"\noptimise_for = "bright"', "its brightest tenth"),
    ],
)
def test_explain_tells_the_rule(text: str, said: str) -> None:
    assert said in " ".join(explain(load_recipe(VERSION + text, where="r.toml")).split())


def test_the_words_of_an_amount() -> None:
    facts = blend_linear(make_work(RED + 'amount = "auto"')).recorded["blend"]["red"]
    assert (
        amount_words(facts) == f"amount {facts['amount']:.4g}, line contrast x {facts['line_contrast']:.4g}"
    )
    assert auto_words(facts).startswith("auto: more would pass the noise budget of 1.2 at 4 px")
    assert "noise at 4 px x 1.2, signal-to-noise x " in auto_words(facts)
    assert auto_words({"formula": "screen", "amount": 0.2}) == ""
