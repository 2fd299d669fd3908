"""The quick night of the blending benchmark keeps every bar of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

FOLDER = Path(__file__).parents[3] / "benchmarks" / "accuracy"


def test_the_quick_night_keeps_its_bars(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(FOLDER))
    from blending import QUICK, blend_named

    values = list(blend_named("galaxy-7", **QUICK)[1])
    assert len(values) > 30
    assert [value for value in values if np.isfinite(value.bar) and not value.held] == []
