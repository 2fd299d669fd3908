"""The quick night of the blending benchmark keeps every bar of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "benchmarks" / "accuracy"


@pytest.fixture(scope="module")
def missed() -> list[Any]:
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(FOLDER))
        from blending import QUICK, blend_named

        values = list(blend_named("galaxy-7", **QUICK)[1])
    assert len(values) > 30
    return [value for value in values if np.isfinite(value.bar) and not value.held]


def test_the_quick_night_keeps_its_bars(missed: list[Any]) -> None:
    assert [value for value in missed if not value.what.startswith("faint")] == []


@pytest.mark.xfail(
    reason="97.1 % of the best signal-to-noise on this night, 78 % on one of 1000 x 1500; the bar is 98 %"
)
def test_the_automatic_amount_shows_faint_emission_best(missed: list[Any]) -> None:
    assert [value for value in missed if value.what.startswith("faint")] == []
