"""How masters are brought onto one grid may differ from master to master, and structure finds a shift alone."""

import pytest

from blend.base.errors import FaultList, StepError
from blend.recipe.byhand import align
from blend.recipe.explain import explain
from blend.recipe.model import load_recipe
from blend.science.simulated import SceneOptions, simulate_night


def test_a_masters_own_table_counts():
    night = simulate_night(SceneOptions(rows=200, columns=300, seed=2))
    # the line master has a frame of its own, which needs a map
    with pytest.raises(StepError, match="no map is to be sought"):
        align({"rgb": night.rgb.light, "ha": night.ha.light}, ha={"transform": "none"})


def test_structure_takes_no_transform_of_the_stars():
    with pytest.raises(FaultList, match="structure finds a shift alone"):
        load_recipe('version = 1\n[register]\nmethod = "structure"\ntransform = "affine"', where="r.toml")


def test_structure_is_explained():
    recipe = load_recipe('version = 1\n[register]\nmethod = "structure"', where="r.toml")
    assert "cross-correlation of their gradients" in str(explain(recipe))
