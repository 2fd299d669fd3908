"""A fault while the page is drawn costs the page: pictures and record stay, and a plain note stands in its place."""

from __future__ import annotations

import errno
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from blend.app.batch.summaries import write_summaries
from blend.app.demo.demo import write_night
from blend.app.run import job
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.app.run.terminal import summary
from blend.app.trial import explore
from blend.base.errors import OutputError
from blend.files.claim import Claim
from blend.pages import report
from blend.pages.plain import page_or_plain
from blend.science.simulated.night import SceneOptions, simulate_night


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a small night and return its target file."""
    options = SceneOptions(rows=240, columns=360, stars_per_mpx=900.0, ha_grid="same", calibrated=True)
    return write_night(simulate_night(options), tmp_path_factory.mktemp("night"))


def run(target: Path, out: Path) -> dict[str, Any]:
    opened = open_target(target)
    recipe = open_recipe("galaxy-moonlit", settings=("register.transform=none",), target=opened)
    run_target(recipe, opened, out=out)
    return dict(json.loads((out / "record.json").read_text(encoding="utf-8")))


def failing(fault: BaseException) -> Callable[..., Any]:
    def fail(*_: Any, **__: Any) -> Any:
        raise fault

    return fail


@pytest.mark.parametrize(
    ("module", "name"),
    [
        (job, "star_tint"),
        (job, "without_lines"),
        (job, "report_page"),
        (report, "verdict"),
        (report, "histogram_svg"),
        (report, "added_map"),
        (report, "light_sites"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_fault_of_the_page_leaves_the_pictures(
    target: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: Any, name: str
) -> None:
    monkeypatch.setattr(module, name, failing(ValueError("a plot of <nothing>")))
    record = run(target, tmp_path)
    assert {"result.fits", "result.tif", "preview.png"} <= {path.name for path in tmp_path.iterdir()}
    told = [entry["text"] for entry in record["warnings"] if entry["code"] == "report-failed"]
    assert len(told) == 1
    assert "ValueError: a plot of <nothing>" in told[0]
    assert "the pictures and the record are whole" in told[0]
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "could not be drawn: ValueError: a plot of &lt;nothing&gt;" in page
    assert f"page     {tmp_path / 'report.html'}" in summary(record, tmp_path)


def test_a_fault_of_a_plot_beside_the_steps_does_too(
    target: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for step in list(report.DRAWN_AFTER):
        monkeypatch.setitem(report.DRAWN_AFTER, step, failing(KeyError("level")))
    record = run(target, tmp_path)
    assert "report-failed" in {entry["code"] for entry in record["warnings"]}
    assert (tmp_path / "preview.png").is_file()


@pytest.mark.parametrize(
    ("fault", "kind"),
    [(KeyboardInterrupt(), KeyboardInterrupt), (OutputError("out", found="the disk is full"), OutputError)],
)
def test_an_interrupt_and_a_full_disk_end_as_they_do(
    target: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: BaseException, kind: type
) -> None:
    monkeypatch.setattr(job, "report_page", failing(fault))
    with pytest.raises(kind):
        run(target, tmp_path)
    assert not list(tmp_path.iterdir())


def test_a_page_that_cannot_be_written_ends_the_run(
    target: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if path.name == "report.html":
            raise OSError(errno.ENOSPC, "No space left on device")
        return whole(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(OutputError):
        run(target, tmp_path)
    assert not list(tmp_path.iterdir())


def test_the_pages_of_a_trial_too(target: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from click.testing import CliRunner

    from blend.app.cli.commands import blend

    monkeypatch.setattr(explore, "write_explore", failing(ZeroDivisionError("no layer")))
    monkeypatch.setattr("blend.app.trial.trial.draw_sheet", failing(OSError("cannot open resource")))
    words = ["try", "galaxy-moonlit", str(target), "--vary", "blend.red.amount=0,1", "--out", str(tmp_path)]
    words += ["--set", "register.transform=none", "--no-store", "--quiet"]
    done = CliRunner().invoke(blend, words)
    assert done.exit_code == 0, done.output
    assert "Note: explore.html could not be drawn: ZeroDivisionError: no layer" in done.output
    assert "Note: sheet.png could not be drawn: OSError: cannot open resource" in done.output
    assert {path.name for path in tmp_path.iterdir()} == {"tiles", "explore.html", "trial.json"}
    assert f"look at\n  {tmp_path / 'explore.html'}\n" in done.output


def test_and_the_page_of_a_batch(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("blend.app.batch.summaries.batch_page", failing(TypeError("no card")))
    claim = Claim(tmp_path, record="batch.json")
    write_summaries(tmp_path, "galaxy-moonlit", [], seconds=1.0, claim=claim)
    assert {"batch.csv", "batch.json", "index.html"} <= {path.name for path in tmp_path.iterdir()}
    assert "TypeError: no card" in (tmp_path / "index.html").read_text(encoding="utf-8")


def test_a_page_that_can_be_drawn_is_left_alone() -> None:
    assert page_or_plain(lambda: "<p>whole", title="page", beside="the rest") == ("<p>whole", "")
