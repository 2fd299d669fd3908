"""A blend that destroys the picture is refused in words, and warned of where it is only tried."""

from __future__ import annotations

from dataclasses import replace

import pytest

from blend.base.errors import StepError
from blend.recipe.model import load_recipe
from blend.recipe.state import Work
from blend.recipe.steps.loss import MOST_CLIPPED, heed_loss
from blend.recipe.target import target_from_options
from blend.science.picture import FORMULAS, BlendLoss

SCREEN = FORMULAS["screen"]
RUN = Work(recipe=load_recipe("version = 1", where="r.toml"), target=target_from_options(["rgb=a.fits"]))
OF = {"blocks": 100, "pixels": 6400}
LOST = BlendLoss(lost=7, **OF)
WHITE = BlendLoss(white=3200, **OF)


@pytest.mark.parametrize(
    ("loss", "words"),
    [
        (LOST, "makes no finite number of 7 pixels"),
        (WHITE, "turns 50% of the frame white"),
        (BlendLoss(black=30, white=1344, **OF), "turns 30% of the frame black"),
    ],
)
def test_losses_are_refused_by_name(loss: BlendLoss, words: str) -> None:
    with pytest.raises(StepError, match=f"blend.red: the formula 'screen' {words}"):
        heed_loss(RUN, "red", SCREEN, loss)


def test_what_a_blend_may_clip_is_let_pass() -> None:
    most = BlendLoss(black=int(100 * MOST_CLIPPED), white=int(6400 * MOST_CLIPPED), **OF)
    assert heed_loss(RUN, "red", SCREEN, most) is RUN


def test_a_try_shows_what_a_run_refuses_but_no_pixels_without_a_number() -> None:
    tried = replace(RUN, figures=False)
    ((code, text),) = heed_loss(tried, "red", SCREEN, WHITE).warnings
    assert code == "blend-loss" and "turns 50% of the frame white" in text
    with pytest.raises(StepError):
        heed_loss(tried, "red", SCREEN, LOST)
