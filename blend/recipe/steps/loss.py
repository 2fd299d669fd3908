"""Refuse a blend that leaves pixels without a number, or presses much of the picture to black or white.

Where the picture is only tried the second is shown and warned of, so that its neighbours can be seen beside it.
"""

from __future__ import annotations

from blend.base.errors import StepError
from blend.recipe.state import Work
from blend.science.picture import BlendLoss, Formula

MOST_CLIPPED = 0.2
"""Share of the frame that one blend may clip: what is clipped shows nothing any more. Stars and knots of a nebula that
turn white are a few percent."""


def heed_loss(work: Work, name: str, formula: Formula, loss: BlendLoss) -> Work:
    """Return the work, with a warning where a try shows more destroyed than a run lets pass.

    Raises
    ------
    StepError
        It names the blend: pixels without a number, or in a run too much black or white.
    """
    where = f"blend.{name}"
    if loss.lost:
        raise StepError(
            where,
            found=f"the formula {formula.name!r} makes no finite number of {loss.lost} pixels where colour and line "
            "have one",
            expected="a number for every pixel",
            advice="look at its equation: a division by 0, or sqrt or log of a negative value",
        )
    share, what = max((loss.white_share, "white"), (loss.black_share, "black"))
    if share <= MOST_CLIPPED:
        return work
    fault = StepError(
        where,
        found=f"the formula {formula.name!r} turns {share:.0%} of the frame {what} that was not so before",
        expected=f"at most {MOST_CLIPPED:.0%}",
        advice="lower its amount, or look at its equation and its neutral value",
    )
    if work.figures:
        raise fault
    return work.warn(("blend-loss", f"a run would end here: {fault}"))
