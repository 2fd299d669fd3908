"""The continuum's colour term in a run: what it takes out of a disc, and where it must not be."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pytest

from blend.app.demo.demo import write_night
from blend.app.run import load_sources, open_recipe, open_target
from blend.recipe.explain import explain
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.record_words import scale_words
from blend.recipe.state import Line, Work
from blend.recipe.steps import continuum
from blend.science.simulated import SceneOptions, night, simulate_night

SLOPE, WHITE = 0.35, 0.8
"""How the ratio at the line goes with red over green, as for library stars, and that colour of a star of no colour."""


def spiral(folder: Path, *, seed: int = 61, slope: float = SLOPE, stars_per_mpx: float = 1500.0) -> Work:
    """Return the flattened work of a spiral without a line, whose light stands at the line as its colour does."""
    drawn = night.draw

    def draw(*given: Any, **named: Any) -> Any:
        light, line = drawn(*given, **named)
        if "blue_fwhm_px" not in named:
            ratio = light[0] / np.maximum(WHITE * light[1], np.float32(1e-12))
            light[0] *= np.clip(ratio, 0.3, 3.0) ** np.float32(slope)
        return light, line

    options = SceneOptions(
        rows=400,
        columns=600,
        seed=seed,
        ha_is_continuum_only=True,
        calibrated=True,
        ha_grid="same",
        stars_per_mpx=stars_per_mpx,
    )
    with mock.patch.object(night, "draw", draw):
        made = simulate_night(options)
    target = open_target(write_night(made, folder))
    work = Work(
        recipe=open_recipe("galaxy-moonlit", target=target),
        target=target,
        sources=load_sources(target).sources,
    )
    return run_all(work, steps=STEPS[:3])


def parted(work: Work) -> tuple[Line, dict[str, Any]]:
    done = continuum.subtract_continuum(work)
    return done.lines["ha"], done.recorded["continuum"]["ha"]


def without_term(work: Work) -> Line:
    with mock.patch.object(continuum, "colour_of_continuum", return_value=None):
        return parted(work)[0]


def left(line: Line, work: Work) -> float:
    """Return the light of the line by the red light, where the galaxy is bright."""
    assert line.measured is not None
    red = work.rgb.plane("red")
    middle = (slice(130, 290), slice(200, 400))
    bright = (red[middle] > 10.0 * line.sigma) & (red[middle] < 0.2)
    return float(line.measured.light[middle][bright].sum() / red[middle][bright].sum())


def layers(line: Line) -> list[bytes]:
    assert line.measured is not None and line.measured.sigma is not None
    return [plane.tobytes() for plane in (line.measured.light, line.measured.weight, line.measured.sigma)]


def test_less_of_a_disc_of_another_colour_is_left_and_the_run_says_so(tmp_path: Path) -> None:
    """The disc's arms and bulge differ from the field's stars; its red light is left by half of what it was at most."""
    work = spiral(tmp_path)
    line, told = parted(work)
    term = told["colour_term"]
    assert term["slope"] == pytest.approx(SLOPE, abs=3.0 * term["error"])
    assert abs(left(line, work)) < 0.5 * abs(left(without_term(work), work))
    words = "% larger for each tenth of a magnitude that a disc is redder (red over green)"
    assert words in scale_words(told)
    assert "s * exp(c * (colour - colour of the stars))" in " ".join(
        explain(work.recipe, work.target).split()
    )


def test_one_broad_band_and_too_few_stars_change_no_byte(tmp_path: Path) -> None:
    work = spiral(tmp_path, stars_per_mpx=120.0)
    line, told = parted(work)
    assert "colour_term" not in told
    assert layers(line) == layers(without_term(work))


def test_the_red_band_given_for_all_three_changes_no_byte(tmp_path: Path) -> None:
    work = spiral(tmp_path)
    rgb = work.rgb
    same = work.with_(
        masters={**work.masters, "rgb": rgb.with_(pixels=np.repeat(rgb.plane("red")[None], 3, axis=0))}
    )
    line, told = parted(same)
    assert "colour_term" not in told
    assert layers(line) == layers(without_term(same))
