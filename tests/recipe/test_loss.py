"""A blend that destroys the picture is refused in words; what a few stars lose is let pass."""

from __future__ import annotations

import pytest

from blend.base.errors import StepError
from blend.recipe.steps.loss import MOST_CLIPPED, refuse_loss
from blend.science.picture import FORMULAS, BlendLoss

SCREEN = FORMULAS["screen"]


@pytest.mark.parametrize(
    ("loss", "words"),
    [
        (BlendLoss(lost=7, black=0.0, white=0.0), "makes no finite number of 7 pixels"),
        (BlendLoss(lost=0, black=0.0, white=0.5), "turns 50% of the frame white"),
        (BlendLoss(lost=0, black=0.3, white=0.21), "turns 30% of the frame black"),
    ],
)
def test_losses_are_refused_by_name(loss: BlendLoss, words: str) -> None:
    with pytest.raises(StepError, match=f"blend.red: the formula 'screen' {words}"):
        refuse_loss("red", SCREEN, loss)


def test_what_a_blend_may_clip_is_let_pass() -> None:
    refuse_loss("red", SCREEN, BlendLoss(lost=0, black=MOST_CLIPPED, white=MOST_CLIPPED))
