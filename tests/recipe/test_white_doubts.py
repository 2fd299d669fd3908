"""Measured gains that are hard to believe are told; sound ones, and those that were given, are not."""

from __future__ import annotations

import numpy as np
import pytest

from blend.recipe.steps.balance import _doubts
from blend.science.balance import Gains


@pytest.mark.parametrize(
    ("values", "errors", "how", "codes"),
    [
        ((1.3, 1.0, 1.5), (0.06, 0.0, 0.1), "stars", []),
        ((3.0, 1.0, 8.0), (0.1, 0.0, 0.5), "stars", []),
        ((1.3, 1.0, 0.048), (0.06, 0.0, 0.004), "stars", ["white-extreme"]),
        ((30.0, 1.0, 0.048), (9.0, 0.0, 0.004), "catalogue", ["white-extreme", "white-extreme"]),
        ((1.3, 1.0, 1.5), (0.06, 0.0, 0.5), "stars", ["white-uncertain"]),
        ((30.0, 1.0, 0.048), (0.0, 0.0, 0.0), "given", []),
        ((1.0, 1.0, 1.0), (0.0, 0.0, 0.0), "none", []),
    ],
)
def test_gains_that_are_hard_to_believe(
    values: tuple[float, ...], errors: tuple[float, ...], how: str, codes: list[str]
) -> None:
    found = _doubts(Gains(np.array(values), np.array(errors), 14, how))
    assert [code for code, _ in found] == codes
    if codes == ["white-extreme"]:
        assert found[0][1].startswith("white: blue is multiplied by 0.048 +- 0.004, by 14 stars; ")
