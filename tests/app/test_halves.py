"""Two halves of one night agree within the noise that the program tells of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from blend.app.demo import write_night
from blend.app.load import load_sources, open_recipe, open_target
from blend.base.robust import bin_mean, difference_noise
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.work import Work
from blend.science.simulate import SceneOptions, simulate_night

UP_TO_LINEAR = STEPS[:6]


def half(folder: Path, noise_seed: int) -> Work:
    options = SceneOptions(
        rows=400, columns=600, seed=12, noise_seed=noise_seed, ha_grid="same", calibrated=True, ha_fwhm_px=3.0
    )
    target = open_target(write_night(simulate_night(options), folder))
    recipe = open_recipe("galaxy-moonlit", settings=("register.transform=none",), target=target)
    work = Work(recipe=recipe, target=target, sources=load_sources(target).sources)
    return run_all(work, steps=UP_TO_LINEAR)


def test_two_halves_of_a_night_differ_by_their_noise(tmp_path: Path) -> None:
    first, second = (half(tmp_path / str(seed), seed) for seed in (1, 2))
    assert first.linear is not None and second.linear is not None
    for index, plane in enumerate(("red", "green", "blue")):
        difference = first.linear[index] - second.linear[index]
        for size in (1, 4):
            predicted = np.hypot(first.rgb.facts.noise[plane][size], second.rgb.facts.noise[plane][size])
            found = difference_noise(bin_mean(difference, size))
            # 1500 blocks of 16 pixels tell a noise to 2 % each; three of these, and the told noise is as uncertain.
            assert 0.9 < found / predicted < 1.1, (plane, size, found / predicted)
