"""What one could change: from measurements, with a command that does what it says."""

from __future__ import annotations

import shlex
from collections.abc import Callable
from typing import Any

import pytest

from blend.pages.advice import advice
from blend.pages.recipetext import recipe_lines
from blend.recipe.model import resolved
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Work
from blend.science.line import noise_blocks, noise_covariance, noise_ratio

COMMAND = "blend run my.toml 'a b.target.toml' --set blend.red.amount=1 --out x"


def record_of(**changes: Any) -> dict[str, Any]:
    return {
        "warnings": [],
        "gradient": {},
        "clipped": {"black": 0.0},
        "stretch": {},
        "star_tint": None,
        **changes,
    }


def setting(command: str) -> str:
    words = shlex.split(command)
    return words[words.index("--set", len(words) - 2) + 1]


def test_an_amount_is_advised_that_keeps_to_the_noise_budget(balanced_work: Callable[..., Work]) -> None:
    work = run_all(balanced_work(shape=(400, 600)), steps=PICTURE_STEPS)
    told = advice(work, record_of(), COMMAND)
    (noise,) = [one for one in told if one.text.startswith("Noise of red")]
    key, _, amount = setting(noise.command).partition("=")
    assert key == "blend.red.amount" and noise.command.count("blend.red.amount") == 1
    line = work.lines["ha"]
    assert line.unfaded is not None and line.emission is not None
    covariance = noise_covariance(
        noise_blocks(work.rgb.plane("red")), line.unfaded, light=noise_blocks(line.emission)
    )
    assert noise_ratio(covariance, float(amount)) <= 1.2
    assert noise_ratio(covariance, float(amount) + 0.02) > 1.2 or float(amount) == 1.5
    assert "'a b.target.toml'" in noise.command
    (tried,) = [one for one in told if one.command.startswith("blend try")]
    assert shlex.split(tried.command)[2:4] == ["my.toml", "a b.target.toml"]
    assert any(
        "not measured" in one.text and one.command.endswith("blend.luminance.amount=auto") for one in told
    )


@pytest.mark.parametrize(
    ("changes", "words", "key"),
    [
        (
            {
                "picture": {"sky": {"gradient": 5.0, "gradient_error": 0.2}},
                "gradient": {"rgb": {"red": {"degree": 1}}},
            },
            "5.0 CIELAB",
            "gradient.degree=2",
        ),
        (
            {"clipped": {"black": 0.02}, "stretch": {"rgb": {"sky_level": 0.1}}},
            "2.00 %",
            "stretch.sky_level=0.12",
        ),
        ({"star_tint": {"stars": 9, "median": 1.4}}, "1.4 CIEDE2000", "protect.stars=1.0"),
    ],
)
def test_a_number_beyond_its_limit_is_answered(
    balanced_work: Callable[..., Work], changes: dict[str, Any], words: str, key: str
) -> None:
    told = advice(balanced_work(), record_of(**changes), COMMAND)
    (one,) = [one for one in told if words in one.text]
    assert "may" in one.text and setting(one.command) == key


def test_what_was_assumed_comes_first_and_without_a_command_none_is_made_up(
    balanced_work: Callable[..., Work],
) -> None:
    record = record_of(warnings=[{"code": "width-assumed", "text": "taken to be 7 nm"}])
    told = advice(run_all(balanced_work(), steps=PICTURE_STEPS), record, "")
    assert "7 nm" in told[0].text and not any(one.command for one in told)


def test_recipe_lines_mark_what_differs(balanced_work: Callable[..., Work]) -> None:
    marked = [text for text, differs in recipe_lines(resolved(balanced_work().recipe)) if differs]
    assert "amount = 1.0" in marked and 'title = "A made-up field"' in marked
    assert not any(text.startswith("[") or text.startswith("curve") for text in marked)
