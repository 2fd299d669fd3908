"""One word for a run, and why it has to be looked at."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from blend.app.batch.judged import judge, judge_folder


@pytest.fixture
def record(small_demo: Path) -> Any:
    return json.loads((small_demo / "result" / "record.json").read_text(encoding="utf-8"))


def test_a_warning_or_a_number_beyond_its_limit_asks_for_a_look(record: Any) -> None:
    record["warnings"] = [{"code": "width-assumed", "text": "a filter's width was taken as 7 nm"}]
    record["star_tint"] |= {"stars": 12, "median": 1.7, "p95": 3.0}
    judged = judge(record)
    assert judged.label == "look"
    assert [reason.split(":")[0] for reason in judged.reasons][-1] == "a filter's width was taken as 7 nm"
    assert any("1.70 (median)" in reason for reason in judged.reasons)
    assert judged.numbers["star_colour_shift"] == 1.7


@pytest.mark.parametrize("key", ["register", "gradient", "star_tint", "warnings"])
def test_a_record_that_makes_no_sense_asks_for_a_look(record: Any, key: str) -> None:
    record[key] = [1]
    judged = judge(record)
    assert judged.label == "look" and "makes no sense" in judged.reasons[0]


def test_a_folder_without_a_record_asks_for_a_look(tmp_path: Path) -> None:
    assert judge_folder(tmp_path).label == "look"
    assert "cannot be read" in judge_folder(tmp_path).reasons[0]
