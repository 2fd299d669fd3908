"""Stars and a disc put together to one scale, or to a fault; and what filters and exposures let expect."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.base.errors import StepError
from blend.base.master import Facts, Master, flags_of
from blend.pages.verdict import verdict
from blend.recipe.begin import prepare
from blend.recipe.model import load_recipe
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.record_words import scale_words
from blend.recipe.state import Work
from blend.recipe.steps.line_scale import doubt_expected, expected_scale, together
from blend.recipe.target import target_from_options
from blend.science.grid.alignment import unmatched
from blend.science.line import DiscRatio, Scale
from blend.science.simulated.night import SceneOptions, simulate_night


def stars(value: float, error: float, count: int = 5) -> Scale:
    return Scale(value, error, count, "stars")


def test_stars_and_disc_that_agree_are_weighed_by_their_errors() -> None:
    found = together(stars(0.22, 0.022), DiscRatio(0.2, 0.02, 100), "continuum.ha")
    assert found.how == "stars and disc" and found.stars == 5
    assert found.value == pytest.approx(np.sqrt(0.22 * 0.2)), "of equal relative errors the geometric mean"
    assert found.error / found.value == pytest.approx(0.1 / np.sqrt(2))


@pytest.mark.parametrize(
    ("value", "words"), [(0.4, "the stars may be H II regions;"), (0.12, "the disc may hold gas")]
)
def test_stars_and_disc_that_differ_are_a_fault_with_both_numbers(value: float, words: str) -> None:
    with pytest.raises(StepError) as fault:
        together(stars(value, 0.05 * value), DiscRatio(0.2, 0.018, 100), "continuum.ha")
    text = str(fault.value)
    assert fault.value.exit_code == 4
    assert f"{value:.4g} +-" in text and "0.2 +- 0.018 from the target's own disc" in text and words in text
    assert "continuum.ha.scale = " in text


def test_one_of_them_tells_alone() -> None:
    assert together(stars(0.2, 0.01), None, "").how == "stars"
    alone = together(None, DiscRatio(0.2, 0.02, 100), "")
    assert (alone.value, alone.error, alone.stars, alone.how) == (0.2, 0.02, 0, "disc")


def work_of(*, full: float = 65535.0, **facts: Any) -> Work:
    def master(planes: tuple[str, ...], known: dict[str, Any]) -> Master:
        pixels = np.zeros((len(planes), 8, 8), dtype=np.float32)
        return Master(
            pixels=pixels, flags=flags_of(pixels), planes=planes, facts=Facts(full_scale=full, **known)
        )

    rgb = master(("red", "green", "blue"), {"exposure_s": 60.0, "iso": 800.0, "gain_e": 0.5})
    line = master(("ha",), {"exposure_s": 300.0, "iso": 800.0, **facts})
    recipe = load_recipe("version = 1\n", where="r.toml")
    return Work(
        recipe=recipe,
        target=target_from_options(["rgb=a.fits", "ha=b.fits"]),
        masters={"rgb": rgb, "ha": line},
        alignments={
            ("ha", 0): unmatched(
                np.array([[0, -2.0, 5], [2.0, 0, 1], [0, 0, 1]]), "affine", (rgb.shape, rgb.shape), by="grid"
            )
        },
    )


def test_widths_exposures_and_pixels_tell_what_to_expect() -> None:
    """7 of 100 nm, 300 of 60 s, pixels of four times the area."""
    assert expected_scale(work_of(), "ha") == pytest.approx(0.07 * 5 * 4)


def test_gains_count_where_they_are_stated() -> None:
    assert expected_scale(work_of(gain_e=0.25, iso=None), "ha") == pytest.approx(0.07 * 5 * 4 * 2)


@pytest.mark.parametrize("unknown", [{"full": 1.0}, {"exposure_s": None}, {"iso": 1600.0}, {"iso": None}])
def test_masters_of_unknown_counts_let_nothing_expect(unknown: dict[str, Any]) -> None:
    """Fractions, no exposure, another or an unknown gain: no false word."""
    assert expected_scale(work_of(**unknown), "ha") is None


@pytest.mark.parametrize(
    ("value", "warned"), [(1.4, False), (4.1, False), (4.3, True), (0.48, False), (0.45, True)]
)
def test_a_scale_beyond_a_factor_of_three_is_warned_of_with_both_numbers(value: float, warned: bool) -> None:
    warnings = doubt_expected(work_of(), "ha", value).warnings
    assert [code for code, _ in warnings] == ["scale-unexpected"] * warned
    if warned:
        assert f"{value:.4g}" in warnings[0][1] and "1.4" in warnings[0][1]


@pytest.mark.parametrize(
    ("error", "good", "bad"), [(0.018, True, False), (0.022, False, False), (0.052, False, True)]
)
def test_the_verdict_is_amber_above_ten_percent_and_red_above_25(error: float, good: bool, bad: bool) -> None:
    entry = {
        "scale": 0.2,
        "error": error,
        "stars": 5,
        "how": "stars",
        "light": "H-alpha",
        "line_light": {"found": True},
    }
    record: dict[str, Any] = {
        "register": {},
        "gradient": {},
        "continuum": {"ha": entry},
        "blend": {},
        "star_tint": {"stars": 0},
        "stretch": {},
        "clipped": {"black": 0.0, "white": 0.0},
    }
    line = next(line for line in verdict(record) if line.what == "Continuum scale")
    assert (line.good, line.bad) == (good, bad)


def test_both_estimates_stand_in_the_words() -> None:
    parts = {
        "from_stars": {"scale": 0.22, "error": 0.022, "stars": 5},
        "from_disc": {"scale": 0.2, "error": 0.02, "cells": 90},
    }
    words = scale_words({"scale": 0.21, "error": 0.015, "stars": 5, "how": "stars and disc", **parts})
    assert words == "0.21 +- 0.015 from 5 stars (0.22 +- 0.022) and the target's own disc (0.2 +- 0.02)"
    words = scale_words(
        {"scale": 0.2, "error": 0.02, "stars": 0, "how": "disc", "from_disc": parts["from_disc"]}
    )
    assert words == "0.2 +- 0.02 from the target's own disc (90 places), too few stars"


def test_a_nebula_tells_alone_and_says_so() -> None:
    gas = DiscRatio(0.2, 0.06, 480, "nebula")
    alone = together(None, gas, "")
    assert (alone.value, alone.error, alone.stars, alone.how) == (0.2, 0.06, 0, "nebula")
    words = scale_words(
        {
            "scale": 0.2,
            "error": 0.06,
            "how": "nebula",
            "from_nebula": {"scale": 0.2, "error": 0.06, "cells": 480},
        }
    )
    assert words.endswith(
        "from the nebula's own light and the widths of the filters (480 places), too few stars"
    )


def test_regions_of_one_ratio_that_outnumber_the_stars_lie_above_what_their_disc_tells() -> None:
    """60 bright regions alike and ten faint stars on a disc of starlight; the scale of all that is starlight is 0.2."""
    rng = np.random.default_rng(11)
    rows, columns, true = 420, 560, 0.2
    y, x = np.indices((rows, columns), dtype=float)

    def points(places: Any, fluxes: Any) -> Any:
        light = np.zeros((rows, columns))
        for (px, py), flux in zip(places, fluxes, strict=True):
            box = (slice(max(int(py) - 15, 0), int(py) + 16), slice(max(int(px) - 15, 0), int(px) + 16))
            near = np.exp(-0.5 * ((x[box] - px) ** 2 + (y[box] - py) ** 2) / 1.4**2)
            light[box] += flux / (2 * np.pi * 1.4**2) * near
        return light

    disc = 0.05 * np.exp(-np.hypot(x - 280, (y - 210) / 0.7) / 55)
    stars_at = rng.uniform(20, 400, (10, 2))
    stars_light = points(stars_at, rng.uniform(0.15, 0.4, 10))
    turn, radius = rng.uniform(0, 2 * np.pi, 60), rng.uniform(30, 180, 60)
    regions = points(
        np.column_stack([280 + radius * np.cos(turn), 210 + 0.7 * radius * np.sin(turn)]),
        rng.uniform(0.5, 1.5, 60),
    )
    broad = disc + stars_light + regions
    line = true * (disc + stars_light) + 2.0 * regions
    planes = [part + 0.05 + rng.normal(0, 0.0004, part.shape) for part in (broad, broad, broad, line)]
    rgb, ha = np.stack(planes[:3]).astype(np.float32), planes[3].astype(np.float32)
    told = run_all(prepare({"rgb": rgb, "ha": ha}, aligned=True), steps=STEPS[2:4]).recorded["continuum"][
        "ha"
    ]
    assert told["scale"] == pytest.approx(true, rel=0.05)


@pytest.mark.parametrize("seed", [4701, 1002])
def test_few_stars_in_a_nebula_tell_the_scale_within_its_error(seed: int, tmp_path: Path) -> None:
    """Knots of gas were taken for the width of the stars: 1.48 and 1.55 times the true scale, eight of its errors."""
    night = simulate_night(
        SceneOptions(
            rows=400,
            columns=600,
            seed=seed,
            calibrated=True,
            ha_grid="same",
            stars_per_mpx=300.0,
            kind="nebula",
        )
    )
    target = open_target(write_night(night, tmp_path))
    recipe = open_recipe("nebula-emission", target=target, settings=["register.transform=none"])
    work = Work(recipe=recipe, target=target, sources=load_sources(target).sources, figures=False)
    told = run_all(work, steps=STEPS[:4]).recorded["continuum"]["ha"]
    assert told["stars"] >= 8
    assert told["error"] < 0.2 * told["scale"]
    assert told["scale"] == pytest.approx(night.truth.continuum_scale, abs=2.0 * told["error"])
