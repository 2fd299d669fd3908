"""The whole job on invented nights, against their truth and against laws that need no truth."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from blend.app.demo.demo import run_demo, write_night
from blend.app.demo.score import compare
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.base.robust import bin_mean
from blend.base.rowblocks import limit_threads
from blend.files.reader import read_picture
from blend.science.picture.colourspace import ciede2000, linear_to_lab, srgb_decode
from blend.science.simulated.night import SceneOptions, simulate_night

SMALL = {"rows": 600, "columns": 900}


def run(folder: Path, options: SceneOptions, *, settings: tuple[str, ...] = (), name: str = "out") -> Path:
    """Draw a night, run the galaxy recipe on it, return the folder of the results."""
    target = open_target(write_night(simulate_night(options), folder / "masters"))
    recipe = open_recipe("galaxy-moonlit", settings=settings, target=target)
    run_target(recipe, target, out=folder / name)
    return folder / name


def block_differences(first: Path, second: Path, *, block: int = 8) -> np.ndarray:
    """Return CIEDE2000 between the means over blocks of two results."""
    labs = []
    for folder in (first, second):
        display = read_picture(folder / "result.fits").pixels
        means = np.stack([bin_mean(plane, block) for plane in display]).astype(np.float32)
        labs.append(linear_to_lab(srgb_decode(means)))
    difference = ciede2000(labs[0], labs[1])
    return difference[np.isfinite(difference)]


def test_the_demo_meets_every_bar_of_the_main_job(tmp_path: Path) -> None:
    lines, passed = run_demo(tmp_path)
    assert passed, "\n".join(lines)
    assert sum("within" in line for line in lines) == 6


@pytest.mark.parametrize("seed", [1, 2])
def test_other_skies_meet_the_bars_too(tmp_path: Path, seed: int) -> None:
    night = simulate_night(SceneOptions(seed=seed, mirrored=seed == 2))
    target = open_target(write_night(night, tmp_path / "masters"))
    outcome = run_target(
        open_recipe("galaxy-moonlit", target=target), target, out=tmp_path / "out", stages=True
    )
    failed = [check for check in compare(night, outcome.record, tmp_path / "out") if not check.passed]
    assert not failed


def test_scaled_continuum_as_a_line_changes_nothing(tmp_path: Path) -> None:
    options = SceneOptions(**SMALL, seed=3, ha_is_continuum_only=True)
    blended = run(tmp_path, options)
    bare = run(tmp_path, options, settings=("blend.red.amount=0", "blend.luminance.amount=0"), name="bare")
    difference = block_differences(blended, bare)
    # The bars of the main job: where there is no line, an eye must see no change, nucleus and stars included.
    assert difference.max() <= 0.5
    assert np.median(difference) <= 0.2


def test_pure_noise_as_a_line_adds_no_structure(tmp_path: Path) -> None:
    options = SceneOptions(**SMALL, seed=4, ha_pure_noise=True, ha_grid="same", calibrated=True)
    fixed = ("register.transform=none", "continuum.ha.scale=0.5")
    blended = run(tmp_path, options, settings=fixed)
    weight = read_picture(blended / "emission-weight.fits").pixels
    assert np.count_nonzero(weight > 0) <= 1e-4 * weight.size


def test_amount_zero_changes_no_bit(tmp_path: Path) -> None:
    options = SceneOptions(**SMALL, seed=5)
    zero = run(tmp_path, options, settings=("blend.red.amount=0", "blend.luminance.amount=0"), name="zero")
    target = open_target(tmp_path / "masters" / "lantern-spiral.target.toml")
    recipe = open_recipe("galaxy-moonlit", target=target).model_copy(update={"blend": {}})
    run_target(recipe, target, out=tmp_path / "none")
    for name in ("result.fits", "linear.fits", "result.tif", "preview.png"):
        assert (zero / name).read_bytes() == (tmp_path / "none" / name).read_bytes(), name


def test_the_same_bytes_on_one_thread_and_on_two(tmp_path: Path) -> None:
    night = simulate_night(SceneOptions(**SMALL, seed=6))
    target = open_target(write_night(night, tmp_path / "masters"))
    recipe = open_recipe("galaxy-moonlit", target=target)
    for threads in (1, 2):
        with limit_threads(threads):
            run_target(recipe, target, out=tmp_path / str(threads), stages=True)
    written = sorted(p.relative_to(tmp_path / "1") for p in (tmp_path / "1").rglob("*") if p.is_file())
    assert len(written) > 12
    for name in written:
        first, second = (tmp_path / str(threads) / name for threads in (1, 2))
        if name.name == "record.json":
            continue
        assert first.read_bytes() == second.read_bytes(), name
    assert plain_record(tmp_path / "1") == plain_record(tmp_path / "2")


def plain_record(folder: Path) -> dict[str, object]:
    """Return a record without what may differ between two runs."""
    record = json.loads((folder / "record.json").read_text())
    for key in ("seconds", "peak_mib"):
        del record[key]
    return record


def test_inputs_are_never_changed(tmp_path: Path) -> None:
    night = simulate_night(SceneOptions(**SMALL, seed=8))
    path = write_night(night, tmp_path / "masters")
    before = {p: p.read_bytes() for p in (tmp_path / "masters").iterdir()}
    target = open_target(path)
    run_target(open_recipe("galaxy-moonlit", target=target), target, out=tmp_path / "out")
    assert {p: p.read_bytes() for p in (tmp_path / "masters").iterdir()} == before


def test_the_named_plane_of_a_colour_camera_is_the_line(tmp_path: Path) -> None:
    night = simulate_night(SceneOptions(seed=9, ha_three_planes=True))
    target = open_target(write_night(night, tmp_path / "masters"))
    outcome = run_target(open_recipe("galaxy-moonlit", target=target), target, out=tmp_path / "out")
    assert any(code == "line-in-colour" for code, _ in outcome.warnings)
    scale = outcome.record["continuum"]["ha"]["scale"]
    # The bar of the main job.
    assert scale == pytest.approx(night.truth.continuum_scale, rel=0.03)
