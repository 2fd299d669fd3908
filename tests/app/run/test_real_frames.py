"""The whole job on real frames: a planetary nebula through four filters.

Source: public repository will-henney/teresa-pn-ou5 (folder data/nordic-images), MIT licence, Copyright (c) 2021
William Henney. The frames are not part of the project.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from blend.app.run.job import Outcome, run_target
from blend.app.run.load import open_recipe, open_target
from blend.files.reader import read_picture

EXAMPLES = Path(__file__).parents[3] / "examples"

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def outcome(real_frames: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    """Run the example on copies of the frames, as its comments tell a user to."""
    folder = tmp_path_factory.mktemp("real")
    (folder / "frames").mkdir()
    for path in real_frames.glob("ou5-*.fits"):
        shutil.copy(path, folder / "frames" / path.name)
    shutil.copy(EXAMPLES / "real-nebula.target.toml", folder)
    target = open_target(folder / "real-nebula.target.toml")
    recipe = open_recipe(str(EXAMPLES / "real-nebula.toml"), target=target)
    return run_target(recipe, target, out=folder / "out", stages=True), folder / "out"


def test_h_alpha_is_registered_to_the_continuum(outcome: tuple[Outcome, Path]) -> None:
    entry = outcome[0].record["register"]["ha"]
    # The bar of the main job; the frames lie half a pixel apart in x.
    assert entry["rms_px"] < 0.2
    assert 0.3 < abs(entry["matrix"][0][2]) < 0.8
    assert entry["matched"] >= 20


def test_the_scale_is_that_measured_on_the_stars(outcome: tuple[Outcome, Path]) -> None:
    # Measured once by hand on 30 stars: 0.71, median absolute deviation 0.09.
    assert outcome[0].record["continuum"]["ha"]["scale"] == pytest.approx(0.71, abs=0.1)


def test_the_nebula_is_in_the_emission_and_the_stars_are_not(outcome: tuple[Outcome, Path]) -> None:
    light, weight = (read_picture(outcome[1] / f"emission{part}.fits").pixels[0] for part in ("", "-weight"))
    emission = light * weight
    rows, columns = emission.shape
    stars = read_picture(outcome[1] / "star-mask.fits").pixels[0]
    place = (slice(rows // 2 - 30, rows // 2 + 30), slice(columns // 2 - 30, columns // 2 + 30))
    # Stars have no weight of their own: a blend fills their places from around them.
    middle = emission[place][stars[place] == 0]
    assert middle.size > 2000
    assert np.count_nonzero(middle) > 0.95 * middle.size
    border = np.ones(emission.shape, dtype=bool)
    border[60:-60, 60:-60] = False
    # Seventy stars stand in the border; emission there is theirs.
    assert np.count_nonzero(emission[border]) < 0.02 * border.sum()


def test_the_sky_is_flat_and_its_level_is_told(outcome: tuple[Outcome, Path]) -> None:
    for entry in outcome[0].record["gradient"]["rgb"].values():
        assert entry["slope_left_sigma"] < 0.25
    assert any(w["code"] == "assumed-full-scale" for w in outcome[0].record["warnings"])


def test_stars_leave_nothing_in_the_emission(real_frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(EXAMPLES.parent / "benchmarks" / "accuracy"))
    from realstars import blend_real, star_residuals

    states = blend_real(real_frames, recipe=EXAMPLES / "real-nebula.toml")
    _, found, bars = star_residuals(states["balance"])
    assert len(found) >= 40
    # 3 sigma or 1.5 % of the star's peak, the larger; without fading 36 of 44 stars miss it.
    assert (found <= bars).all()
