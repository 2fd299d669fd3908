"""The log of events: one whole line of JSON each, appended, and no other file taken for a log."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from blend.base.errors import FaultList
from blend.files.eventlog import EventLog, is_log


def lines(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text(encoding="ascii").splitlines() if line]


def test_a_run_is_told_step_by_step(tmp_path: Path) -> None:
    log = EventLog(tmp_path / "a.log")
    log.begin()
    with log.run("spiral"):
        for step, share in (("register", 0.2), ("gradient", 0.4)):
            log.step("spiral", step, share)
        log.warnings("spiral", ["naïve"])
    told = lines(tmp_path / "a.log")
    assert [event["event"] for event in told] == ["step", "step", "warning", "done"]
    assert told[1]["after"] == "register" and float(str(told[1]["seconds"])) >= 0.0
    assert is_log(tmp_path / "a.log")


def test_a_fault_is_told_with_its_reason_and_goes_on(tmp_path: Path) -> None:
    log = EventLog(tmp_path / "a.log")
    log.begin()
    with pytest.raises(ValueError, match="lost"), log.run("spiral"):
        raise ValueError("lost")
    (told,) = lines(tmp_path / "a.log")
    assert (told["event"], told["reason"]) == ("failed", "lost")


def test_a_log_goes_on_where_it_ended_even_in_the_middle_of_a_line(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text('{"time": "2024-01-01", "event": "step", "tar', encoding="ascii")
    log = EventLog(path)
    log.begin()
    log.warnings("spiral", ["w"])
    assert path.read_text(encoding="ascii").splitlines()[1].endswith('"warning": "w"}') and is_log(path)


@pytest.mark.parametrize(
    "text", ["exposure_s = 300\n", '{"a": 1}\n', '{"time": "x", "event": 1}\n', "SIMPLE  ="]
)
def test_another_file_is_no_log_and_stays(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.log"
    path.write_text(text, encoding="ascii")
    assert not is_log(path)
    with pytest.raises(FaultList):
        EventLog(path).begin()
    assert path.read_text(encoding="ascii") == text


def test_without_a_path_nothing_is_written(tmp_path: Path) -> None:
    log = EventLog(None)
    log.begin()
    with log.run("spiral"):
        log.warnings("spiral", ["w"])
    assert log.files == () and not list(tmp_path.iterdir())
