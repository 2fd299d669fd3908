"""A recipe in words: every step in order, with the equations and sources of what it uses."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.app.run.load import recipe_text
from blend.recipe.explain import WIDTH, explain
from blend.recipe.model import load_recipe
from blend.recipe.target import target_from_options
from blend.science.picture.curves import CURVES
from blend.science.picture.formulas import FORMULAS

SHIPPED = sorted((Path(__file__).parents[2] / "recipes").glob("*.toml"))
VERSION = "version = 1\n"
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'


def words(text: str) -> str:
    """Return a text with every run of blanks made one."""
    return " ".join(text.split())


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_steps_come_in_the_order_of_the_work(path: Path) -> None:
    text = explain(load_recipe(recipe_text(str(path))[0], where=path.name))
    heads = [line.split(". ", 1)[1] for line in text.splitlines() if line[:1].isdigit()]
    assert heads == [
        "Calibrate",
        "Register",
        "Gradient",
        "Continuum",
        "Balance",
        "Blends of linear light",
        "Stretch",
        "Blends of the stretched picture",
        "Finish",
        "Output",
    ]
    assert all(len(line) <= WIDTH for line in text.splitlines() if not line.startswith("       "))


@pytest.mark.parametrize("name", FORMULAS)
def test_a_blend_prints_its_formula_and_source(name: str) -> None:
    formula = FORMULAS[name]
    text = words(explain(load_recipe(VERSION + RED, where="r.toml", settings={"blend.red.formula": name})))
    assert words(formula.equation) in text
    assert formula.source in text


@pytest.mark.parametrize("name", CURVES)
def test_the_stretch_prints_its_curve(name: str) -> None:
    text = words(explain(load_recipe("version = 1", where="r.toml", settings={"stretch.curve": name})))
    assert f"y = {CURVES[name].equation}" in text


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("gradient.model", "none", "No sky is taken out"),
        ("gradient.model", "moonlight", "level + strength * shape(x, y)"),
        ("gradient.model", "spline", "thin-plate spline"),
        ("gradient.guide", "line", "how much of each block is emission"),
        ("gradient.flat_fault", "correct", "divided out as a fault of the flat"),
        ("gradient.ha.degree", 1, "For ha otherwise: degree 1."),
        ("balance.white", [2, 1, 1.5], "given: 2, 1, 1.5."),
        ("balance.white", "b_v=0.65", "B - V = 0.65"),
        ("continuum.ha.line_in_band", False, "does not hold the line"),
        ("continuum.ha.scale", 0.07, "is given: 0.07."),
        ("blend.red.amount", 0, "not a bit changes"),
        ("finish.saturation", 1.2, "times 1.2;"),
        ("finish.saturation", 0.8, "times 0.8."),
        ("finish.contrast", 0.3, "Contrast of the luminance"),
        ("finish.curve", [[0.5, 0.6]], "goes through (0.5, 0.6)"),
        ("stretch.white", "target", "lands at 0.85"),
        ("stretch.white", 0.4, "White is 0.4 over the sky."),
        ("output.crop", {"x": 1, "y": 2, "w": 30, "h": 40}, "30 x 40 pixels from (1, 2)"),
        ("output.up", 1, "1 quarter turn(s)"),
        ("register.transform", "none", "on one grid already"),
        ("calibrate.dark_scaling", "exposure", "k * (dark - bias)"),
    ],
)
def test_a_value_changes_the_words(key: str, value: object, said: str) -> None:
    plain = words(explain(load_recipe(VERSION + RED, where="r.toml")))
    changed = words(explain(load_recipe(VERSION + RED, where="r.toml", settings={key: value})))
    assert said in changed
    assert said not in plain


def test_a_catalogue_makes_white_of_a_star_of_the_stated_colour() -> None:
    target = target_from_options(["rgb=a.fits", "ha=b.fits"], calibration={"catalogue": ["rgb=stars.csv"]})
    by_colour = load_recipe(VERSION + RED, where="r.toml", settings={"balance.white": "b_v=0.65"})
    assert "within 0.6 mag of W = 0.65" in words(explain(by_colour, target))
    assert "a catalogue in the target file" in words(explain(by_colour))
    # Any other white leaves the catalogue unread, and says so.
    text = words(explain(load_recipe(VERSION + RED, where="r.toml"), target))
    assert "masters.rgb.catalogue is not used" in text and "of W = " not in text


def test_with_a_target_files_widths_and_assumptions_are_told() -> None:
    target = target_from_options(["rgb=a.fits", "ha=b.fits"])
    text = words(explain(load_recipe(VERSION + RED, where="r.toml"), target))
    assert "- ha: light b.fits" in text
    assert "band = 0.07" in text
    assert "Assumed" in text
    assert "Does not fit" not in text
    lost = words(explain(load_recipe(VERSION + RED.replace("ha.", "oiii."), where="r.toml"), target))
    assert "Does not fit blend.red.from: the target 'picture' has no master called 'oiii'" in lost
