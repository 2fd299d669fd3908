"""What of a run's warnings asks for a look."""

from __future__ import annotations

from typing import Any

import pytest

from blend.pages.notes import NOTES, notes_of, warnings_of


def record(code: str, *, crop: str = "full-coverage", canvas: str = "reference", target: bool = True) -> Any:
    return {
        "recipe": {"output": {"crop": crop}, "register": {"canvas": canvas}},
        "target_light": {"light": 0.1} if target else None,
        "warnings": [{"code": code, "text": "told"}],
    }


@pytest.mark.parametrize("code", sorted(NOTES))
def test_what_the_picture_does_not_show_is_a_note(code: str) -> None:
    assert notes_of(record(code)) and not warnings_of(record(code))


@pytest.mark.parametrize(
    ("code", "told"),
    [
        ("border", {"crop": "none"}),
        ("rotated", {"crop": "none"}),
        ("crop-cost", {"canvas": "common"}),
        ("crop-cost", {"target": False}),
        ("target-cut", {}),
        ("width-assumed", {}),
    ],
)
def test_what_it_may_show_asks_for_a_look(code: str, told: dict[str, Any]) -> None:
    assert warnings_of(record(code, **told)) and not notes_of(record(code, **told))
