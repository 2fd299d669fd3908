"""Refuse a blend that leaves pixels without a number, or presses much of the picture to black or white."""

from __future__ import annotations

from blend.base.errors import StepError
from blend.science.blendloss import BlendLoss
from blend.science.formulas import Formula

MOST_CLIPPED = 0.2
"""Share of the frame that one blend may clip: what is clipped shows nothing any more. Stars and knots of a nebula that
turn white are a few percent."""


def refuse_loss(name: str, formula: Formula, loss: BlendLoss) -> None:
    """Raise `StepError`, which names the blend, where it destroyed more than a blend may."""
    where = f"blend.{name}"
    if loss.lost:
        raise StepError(
            where,
            found=f"the formula {formula.name!r} makes no finite number of {loss.lost} pixels where colour and line "
            "have one",
            expected="a number for every pixel",
            advice="look at its equation: a division by 0, or sqrt or log of a negative value",
        )
    share, what = max((loss.white, "white"), (loss.black, "black"))
    if share > MOST_CLIPPED:
        raise StepError(
            where,
            found=f"the formula {formula.name!r} turns {share:.0%} of the frame {what} that was not so before",
            expected=f"at most {MOST_CLIPPED:.0%}",
            advice="lower its amount, or look at its equation and its neutral value",
        )
