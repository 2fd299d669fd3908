"""What each step reads of a recipe: a change shows at its own step, and at no earlier one."""

from __future__ import annotations

import pytest

from blend.recipe.model import load_recipe
from blend.recipe.stepsettings import STEP_NAMES, step_settings
from blend.recipe.target import target_from_options

TARGET = target_from_options(["rgb=a.fits", "ha=b.fits"])
TEXT = (
    'version = 1\n[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\namount = 1.0\n'
)


def read(**settings: object) -> dict[str, str]:
    return step_settings(load_recipe(TEXT, where="r.toml", settings=settings), TARGET)


@pytest.mark.parametrize(
    ("key", "value", "step"),
    [
        ("calibrate.hot_sigma", 9.0, "calibrate"),
        ("gradient.degree", 1, "gradient"),
        ("continuum.ha.weight_sigma", 2.0, "continuum"),
        ("balance.white", "none", "balance"),
        ("blend.red.amount", 0.5, "linear-blends"),
        ("stretch.sky_level", 0.2, "stretch"),
        ("finish.saturation", 1.2, "finish"),
    ],
)
def test_a_value_is_read_first_by_its_own_step(key: str, value: object, step: str) -> None:
    plain, changed = read(), read(**{key: value})
    assert tuple(plain) == STEP_NAMES
    first = next(name for name in STEP_NAMES if plain[name] != changed[name])
    assert first == step


def test_titles_and_files_belong_to_no_step() -> None:
    assert read(title="Another", **{"output.formats": ["png"]}) == read()
