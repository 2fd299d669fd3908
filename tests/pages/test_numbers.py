"""Numbers of runs, read from records that may hold anything."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from blend.pages.numbers import COLUMNS, batch_numbers, run_numbers, shown_columns

RECORD: dict[str, Any] = {
    "register": {"ha": {"rms_px": 0.06, "matched": 118}, "oiii": {"rms_px": 9.0, "matched": 0}},
    "gradient": {
        "rgb": {"red": {"slope_left_sigma": 0.02}, "blue": {"slope_left_sigma": None}},
        "ha": {"ha": {"slope_left_sigma": 0.3}},
    },
    "worth": {"ha": {"exposure_factor": 4.6, "error": 0.05}},
    "blend": {"red": {"line_contrast": 2.0, "amount": 1.0}},
    "star_tint": {"median": 0.003},
    "continuum": {"ha": {"scale": 0.2, "error": 0.01}},
}


def test_a_batch_shows_the_worst_of_planes_and_the_best_of_lines() -> None:
    numbers = batch_numbers(RECORD)
    assert list(numbers) == [column.key for column in COLUMNS]
    assert list(numbers.values()) == [0.06, 0.3, None, 4.6, 2.0, 0.003]
    # a fit without stars has no rms, and what is below its last digit is told as a limit
    assert COLUMNS[-1].text(0.003) == "< 0.01 CIEDE2000" and COLUMNS[0].text(None) == "-"
    assert [column.key for column in shown_columns([numbers])] == [
        *("alignment_px", "residual_gradient_sigma", "exposure_factor", "star_colour_shift")
    ]
    seen = [column.key for column in shown_columns([{"residual_gradient_lab": 1.0}])]
    assert seen == ["alignment_px", "residual_gradient_lab", "line_contrast", "star_colour_shift"]


def test_numbers_of_a_run_carry_their_errors() -> None:
    told = {(number.group, number.what): number for number in run_numbers(RECORD)}
    assert told["ha", "exposure gained"].error == pytest.approx(0.23)
    assert told["ha", "scale to the colour plane"].error == 0.01
    assert ("oiii", "alignment, rms") not in told


@pytest.mark.parametrize("odd", [None, [], "x", 3, True, float("nan"), {"ha": 1}, {"ha": {"ha": []}}])
def test_no_record_is_too_odd_to_be_read(odd: Any) -> None:
    for key in (*RECORD, "masters", "balance", "stretch", "clipped", "picture", "target_light"):
        record = {**RECORD, key: odd}
        assert set(batch_numbers(record)) == {column.key for column in COLUMNS}
        run_numbers(record)


def test_the_demonstration_has_all_numbers(small_demo: Path) -> None:
    record = json.loads((small_demo / "result" / "record.json").read_text(encoding="utf-8"))
    assert None not in batch_numbers(record).values()
    groups = {number.group for number in run_numbers(record)}
    assert {"rgb", "rgb.red", "ha", "red", "blend.red", "picture"} <= groups
