"""With and without lines: the two pictures differ by the blends alone."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.app.run.preview import picture_of, without_lines
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all
from blend.recipe.state import Work
from blend.science.simulated.night import SceneOptions, simulate_night

EARLY = STEPS[: len(STEPS) - len(PICTURE_STEPS)]


def test_edges_that_a_line_does_not_reach_differ_by_no_noise(tmp_path: Path) -> None:
    """The line's frame is turned and shifted against the colour's: its border lies inside the picture."""
    night = simulate_night(SceneOptions(rows=300, columns=450, seed=5, calibrated=True))
    target = open_target(write_night(night, tmp_path))
    recipe = open_recipe("galaxy-moonlit", target=target)
    work = Work(recipe=recipe, target=target, sources=load_sources(target).sources)
    balanced = run_all(work, steps=EARLY)
    line = balanced.lines["ha"]
    assert line.emission is not None
    unreached = np.isnan(line.emission)
    assert 0.005 < unreached.mean() < 0.2
    emission = line.emission.copy()
    emission[~unreached] = 0.0  # what is left to differ is the reach of the line's frame
    balanced = balanced.with_(lines={"ha": replace(line, emission=emission, unfaded=emission)})

    blended, bare = picture_of(balanced), without_lines(balanced)

    np.testing.assert_array_equal(np.isnan(blended), np.isnan(bare))
    assert np.nanmax(np.abs(blended - bare)) < 2e-4  # 0.02 and more where noise was told of other neighbours
