"""Two halves of one night agree within the noise that the program tells of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.base.robust import MAD_TO_SIGMA, bin_mean, difference_noise
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.state import Work
from blend.science.simulated.night import SceneOptions, simulate_night

UP_TO_LINEAR = STEPS[:6]


def half(folder: Path, noise_seed: int) -> Work:
    options = SceneOptions(
        rows=400, columns=600, seed=12, noise_seed=noise_seed, ha_grid="same", calibrated=True, ha_fwhm_px=3.0
    )
    target = open_target(write_night(simulate_night(options), folder))
    recipe = open_recipe("galaxy-moonlit", settings=("register.transform=none",), target=target)
    work = Work(recipe=recipe, target=target, sources=load_sources(target).sources)
    return run_all(work, steps=UP_TO_LINEAR)


@pytest.fixture(scope="module")
def halves(tmp_path_factory: pytest.TempPathFactory) -> tuple[Work, Work]:
    return half(tmp_path_factory.mktemp("first"), 1), half(tmp_path_factory.mktemp("second"), 2)


def test_two_halves_of_a_night_differ_by_their_noise(halves: tuple[Work, Work]) -> None:
    first, second = halves
    assert first.linear is not None and second.linear is not None
    for index, plane in enumerate(("red", "green", "blue")):
        difference = first.linear[index] - second.linear[index]
        for size in (1, 4):
            predicted = np.hypot(first.rgb.facts.noise[plane][size], second.rgb.facts.noise[plane][size])
            found = difference_noise(bin_mean(difference, size))
            # 1500 blocks of 16 pixels tell a noise to 2 % each; three of these, and the told noise is as uncertain.
            assert 0.9 < found / predicted < 1.1, (plane, size, found / predicted)


def test_the_emission_of_two_halves_differs_by_its_noise(halves: tuple[Work, Work]) -> None:
    first, second = (work.lines["ha"] for work in halves)
    assert first.emission is not None and second.emission is not None
    sigma = float(np.hypot(first.sigma, second.sigma))
    both = (first.emission + second.emission) / np.float32(sigma)
    # Well above the fading, which takes noise away, and below where light of its own adds more of it than a tenth.
    sure = (both > 12) & (both < 36)
    assert np.count_nonzero(sure) > 200
    found = difference_noise_of((first.emission - second.emission)[sure]) / sigma
    # Each pixel stands in for three or so after fading; 200 of them tell a spread to 10 %, and the light adds its own.
    assert 0.85 < found < 1.2, found


def difference_noise_of(values: np.ndarray) -> float:
    """Return the robust spread about no difference at all."""
    return float(MAD_TO_SIGMA * np.median(np.abs(values)))
