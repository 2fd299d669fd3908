"""A blend that destroys the picture is refused in words, or warned of where it is only tried; stars may turn white."""

from __future__ import annotations

import pytest

from blend.base.errors import StepError
from blend.recipe.model import load_recipe
from blend.recipe.state import Work
from blend.recipe.steps.loss import MOST_CLIPPED, heed_loss
from blend.recipe.target import target_from_options
from blend.science.picture import FORMULAS, BlendLoss

SCREEN = FORMULAS["screen"]
CLIPPED = [
    (BlendLoss(lost=0, black=0.0, white=0.5), "turns 50% of the frame white"),
    (BlendLoss(lost=0, black=0.3, white=0.21), "turns 30% of the frame black"),
]


def work(*, figures: bool) -> Work:
    recipe = load_recipe("version = 1", where="r.toml")
    return Work(recipe=recipe, target=target_from_options(["rgb=a.fits"]), figures=figures)


@pytest.mark.parametrize(
    ("loss", "words"),
    [(BlendLoss(lost=7, black=0.0, white=0.0), "makes no finite number of 7 pixels"), *CLIPPED],
)
def test_losses_are_refused_by_name(loss: BlendLoss, words: str) -> None:
    with pytest.raises(StepError, match=f"blend.red: the formula 'screen' {words}"):
        heed_loss(work(figures=True), "red", SCREEN, loss)


@pytest.mark.parametrize(("loss", "words"), CLIPPED)
def test_a_try_shows_what_a_run_would_refuse(loss: BlendLoss, words: str) -> None:
    ((code, text),) = heed_loss(work(figures=False), "red", SCREEN, loss).warnings
    assert code == "blend-loss" and words in text
    with pytest.raises(StepError, match="no finite number"):
        heed_loss(work(figures=False), "red", SCREEN, BlendLoss(lost=1, black=0.0, white=0.0))


def test_what_a_blend_may_clip_is_let_pass() -> None:
    before = work(figures=True)
    assert (
        heed_loss(before, "red", SCREEN, BlendLoss(lost=0, black=MOST_CLIPPED, white=MOST_CLIPPED)) is before
    )
