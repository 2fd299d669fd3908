"""Regions of known line light injected into a target's own masters come back; a wrong scale shows."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from blend.app.cli import commands as cli
from blend.app.demo.demo import write_night
from blend.app.inspect.recovery import BAR
from blend.science.simulated.night import SceneOptions, simulate_night


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    options = SceneOptions(rows=300, columns=450, seed=3)
    return write_night(simulate_night(options), tmp_path_factory.mktemp("night"))


def injected(target: Path, *words: str, option: str = "--inject") -> dict:
    done = CliRunner().invoke(cli.blend, ["inspect", option, "galaxy-moonlit", str(target), "--json", *words])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)["ha"]


def test_injected_regions_come_back(target: Path) -> None:
    before = {path: path.read_bytes() for path in target.parent.iterdir()}
    told = injected(target)
    # The bar that the command itself tells.
    assert told["within"]
    # Less than half of it: seeds 3 to 6 give 0.985 to 1.004, but 1.02 to 1.05 with regions where stars find their sky.
    assert told["median"] == pytest.approx(1.0, abs=0.4 * BAR)
    assert len(told["regions"]) >= 12
    assert {region["extended"] for region in told["regions"]} == {True, False}
    backgrounds = np.array([region["background_sigma"] for region in told["regions"]])
    assert backgrounds.min() < 1 < 5 < backgrounds.max()
    assert {path: path.read_bytes() for path in target.parent.iterdir()} == before


def test_a_wrong_scale_shows(target: Path) -> None:
    # The stars' scale of this night is 0.204; emission goes with one over the scale that is used, and loses continuum.
    told = injected(target, "--set", "continuum.ha.scale=0.25", option="--plant")
    assert not told["within"]
    # the older option prints its older keys
    assert all(region["planted"] > 0 for region in told["knots"]) and "regions" not in told
    assert told["median"] < 1 - 2 * BAR


@pytest.mark.parametrize("option", ["--inject", "--plant"])
def test_one_target_file_is_asked_for_by_the_option_or_its_older_word(target: Path, option: str) -> None:
    done = CliRunner().invoke(cli.blend, ["inspect", option, "galaxy-moonlit", str(target), str(target)])
    assert "expected one target file" in str(done.exception)
    assert "--plant" not in CliRunner().invoke(cli.blend, ["inspect", "--help"]).output
