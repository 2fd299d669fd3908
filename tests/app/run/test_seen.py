"""Slope and colour of the delivered picture's sky, planted and found; nothing said where no sky is seen."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.app.run.seen import ADDED_PX, BRIGHTEST, clear_squares, picture_facts, seen_sky
from blend.base.shrink import shrink_plane
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all
from blend.recipe.state import Work
from blend.science.picture import linear_to_lab, srgb_decode
from blend.science.simulated.night import SceneOptions, simulate_night

SHAPE = (400, 600)
BOX = (0, 0, 600, 400)
EARLY = STEPS[: len(STEPS) - len(PICTURE_STEPS)]


def work_of(display: np.ndarray, objects: np.ndarray | None = None) -> Any:
    missing = np.zeros(SHAPE, dtype=bool)
    return SimpleNamespace(
        display=display.astype(np.float32), objects=objects, star_mask=None, invalid=lambda: missing
    )


def seen(work: Any, box: tuple[int, int, int, int]) -> dict[str, Any] | None:
    return seen_sky(work.display, clear_squares(work, box), box)


def sky(
    rng: np.random.Generator, slope: float, tint: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> np.ndarray:
    """Return a grey sky of 0.1 that rises by ``slope`` from one corner to the opposite one."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    ramp = 0.5 * slope * ((x / SHAPE[1] - 0.5) + (y / SHAPE[0] - 0.5))
    return 0.1 + np.array(tint)[:, None, None] + ramp[None] + rng.normal(0.0, 0.02, (3, *SHAPE))


def lab(value: float) -> np.ndarray:
    return linear_to_lab(srgb_decode(np.full((3, 1), value)))[:, 0]


@pytest.mark.parametrize("slope", [0.0, 0.01, 0.04])
def test_a_planted_gradient_is_found_within_its_error(slope: float) -> None:
    found = seen(work_of(sky(np.random.default_rng(5), slope)), BOX)
    assert found is not None
    true = float(np.linalg.norm(lab(0.1 + slope / 2) - lab(0.1 - slope / 2)))
    # the length of a vector of noise is no less than 0: at slope 0 what is found is noise alone
    assert found["gradient"] == pytest.approx(true, abs=4 * found["gradient_error"] + 0.05 * true)
    assert 0 < found["gradient_error"] < 0.3


def test_the_target_and_pixels_without_data_are_no_sky() -> None:
    display = sky(np.random.default_rng(6), 0.0)
    objects = np.zeros(SHAPE, dtype=bool)
    objects[100:300, 200:400] = True
    display[:, objects] += 0.5
    display[:, :20] = np.nan
    found = seen(work_of(display, objects), BOX)
    assert found is not None and found["gradient"] < 0.5
    assert [found["levels"][p][0] for p in ("red", "green", "blue")] == pytest.approx([0.1] * 3, abs=0.002)


def test_a_tint_is_told_as_chroma() -> None:
    rng = np.random.default_rng(7)
    neutral, tinted = (
        seen(work_of(sky(rng, 0.0, tint)), BOX) for tint in ((0.0, 0.0, 0.0), (0.02, 0.0, -0.01))
    )
    assert neutral is not None and tinted is not None
    assert neutral["chroma"] < 0.3 and tinted["chroma"] > 2.3
    assert tinted["levels"]["red"][0] == pytest.approx(0.12, abs=0.002)


@pytest.mark.parametrize("box", [(0, 0, 30, 30), BOX])
def test_where_no_sky_is_seen_nothing_is_said(box: tuple[int, int, int, int]) -> None:
    display = sky(np.random.default_rng(8), 0.0)
    everywhere = np.ones(SHAPE, dtype=bool)
    assert seen(work_of(display, everywhere), box) is None


def test_sky_in_one_corner_alone_tells_no_slope() -> None:
    objects = np.ones(SHAPE, dtype=bool)
    objects[:100, :150] = False
    assert seen(work_of(sky(np.random.default_rng(9), 0.0), objects), BOX) is None


@pytest.mark.parametrize("recipe", ["galaxy-moonlit", "nebula-emission"])
def test_the_error_of_what_a_line_adds_is_what_its_scale_and_its_sky_move_it_by(
    tmp_path: Path, recipe: str
) -> None:
    """The scale and the line's sky are moved by stated errors; the light of the same pixels is told anew each time."""
    night = simulate_night(SceneOptions(rows=300, columns=450, seed=11, calibrated=True))
    target = open_target(write_night(night, tmp_path))
    loaded = load_sources(target).sources
    unsure_scale, unsure_sky = 0.002, 2e-6

    def at(scale: float, sky: float = 0.0) -> Work:
        chosen = open_recipe(recipe, settings=(f"continuum.ha.scale={scale}",), target=target)
        work = run_all(Work(recipe=chosen, target=target, sources=loaded), steps=EARLY[:3])
        line = work.masters["ha"]
        masters = {**work.masters, "ha": line.with_(pixels=line.pixels[:] + np.float32(sky))}
        return run_all(work.with_(masters=masters), steps=EARLY[3:])

    def share(work: Work) -> float:
        emission, broad = work.lines["ha"].emission, work.rgb.plane("red")
        assert emission is not None
        emission, broad = shrink_plane(emission, ADDED_PX), shrink_plane(broad, ADDED_PX)
        return float(emission[bright].sum(dtype=float) / broad[bright].sum(dtype=float))

    work = at(0.2)
    line = work.lines["ha"].emission
    assert line is not None
    line = shrink_plane(line, ADDED_PX)
    bright = line > np.percentile(line[line > 0], BRIGHTEST)
    by_scale = share(at(0.2 + unsure_scale)) - share(at(0.2 - unsure_scale))
    by_sky = share(at(0.2, sky=unsure_sky)) - share(at(0.2, sky=-unsure_sky))
    said = work.recorded["continuum"]["ha"] | {"error": unsure_scale}
    work = work.tell("continuum", "ha", said).tell("gradient", "ha", {"ha": {"uncertainty": unsure_sky}})
    told = picture_facts(np.zeros((3, 8, 8), np.float32), None, work.tell("gradient", "rgb", {}), BOX)[
        "added"
    ]["ha"]

    assert told["share"] == pytest.approx(share(work), rel=0.02)
    assert told["error"] == pytest.approx(
        0.5 * np.hypot(by_scale, by_sky), rel=0.3
    )  # weights move a little, too
