"""Whole batches as processes: three bad targets fail alone; a killed batch, run again, leaves the same bytes."""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from blend.app.demo.demo import write_night
from blend.science.simulated.night import SceneOptions, simulate_night
from tests.faults import RECIPE

BAD = {
    "b-corrupt": (3, "rgb-light.fits"),
    "c-stranger": (4, "register"),
    "d-flatless": (3, "ha-flat.fits"),
}
GOOD = ("a-first", "e-last")
PATIENCE_S = 300.0


def blend(folder: Path, *words: str) -> subprocess.Popen[str]:
    """Start `blend` in a folder, in a session of its own."""
    command = [sys.executable, "-c", "from blend.app.cli import main; main()", *words]
    pipe = subprocess.PIPE
    return subprocess.Popen(
        command, cwd=folder, text=True, stdout=pipe, stderr=subprocess.STDOUT, start_new_session=True
    )


def batch(folder: Path, out: str) -> subprocess.Popen[str]:
    """Start the batch of all targets."""
    words = ["recipe.toml", "in", "--jobs", "1", "--quiet", "--out", out, "--log", f"{out}.log"]
    return blend(folder, "batch", *words)


def contents(out: Path) -> dict[str, Any]:
    """Return every file below the folders of targets: bytes, and of a record what may not vary."""
    found: dict[str, Any] = {}
    for path in sorted(out.glob("*/**/*")):
        if path.is_file():
            found[str(path.relative_to(out))] = path.read_bytes()
    for name, data in found.items():
        if name.endswith("record.json"):
            told = json.loads(data)
            del told["seconds"], told["peak_mib"]
            # the page holds seconds and the folder's name
            told["outputs"] = [entry for entry in told["outputs"] if entry["path"] != "report.html"]
            found[name] = told
    return {name: held for name, held in found.items() if not name.endswith("report.html")}


def events(log: Path) -> list[dict[str, Any]]:
    """Return the whole lines of a log."""
    lines = log.read_text().splitlines() if log.exists() else []
    return [json.loads(line) for line in lines]


@pytest.fixture(scope="module")
def work(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write five targets of one tiny night, three of them bad, each in its way."""
    folder = tmp_path_factory.mktemp("batch")
    night = simulate_night(SceneOptions(rows=200, columns=300, seed=1))
    for name in (*GOOD, *BAD):
        file = write_night(night, folder / "in" / name)
        file.write_text(file.read_text().replace("lantern-spiral", name, 1))
    light = folder / "in" / "b-corrupt" / "rgb-light.fits"
    light.write_bytes(light.read_bytes()[: light.stat().st_size // 2])
    other = write_night(simulate_night(SceneOptions(rows=200, columns=300, seed=2)), folder / "other")
    for file in other.parent.glob("ha-*.fits"):
        file.replace(folder / "in" / "c-stranger" / file.name)
    (folder / "in" / "d-flatless" / "ha-flat.fits").unlink()
    (folder / "recipe.toml").write_text(RECIPE)
    return folder


@pytest.fixture(scope="module")
def undisturbed(work: Path) -> tuple[int, str, Path]:
    """Run the batch once and return its exit code, what it said and its folder."""
    child = batch(work, "right")
    said = child.communicate(timeout=PATIENCE_S)[0]
    return child.returncode, said, work / "right"


def test_bad_targets_fail_alone_with_their_reasons(undisturbed: tuple[int, str, Path]) -> None:
    code, said, out = undisturbed
    assert code == 4, said
    assert "\n3 failed, " in said and "unchanged" not in said
    told = {entry["target"]: entry for entry in json.loads((out / "batch.json").read_text())["targets"]}
    with (out / "batch.csv").open(newline="") as file:
        rows = {row["target"]: row for row in csv.DictReader(file)}
    page = (out / "index.html").read_text()
    assert sorted(told) == sorted(rows) == sorted((*GOOD, *BAD))
    for name, (exit_code, word) in BAD.items():
        reason = told[name]["reason"]
        assert (told[name]["verdict"], told[name]["exit_code"]) == ("failed", exit_code), reason
        assert word in reason
        assert (rows[name]["verdict"], rows[name]["exit_code"]) == ("failed", str(exit_code))
        assert word in rows[name]["reason"]
        assert f"{name} (exit code {exit_code}):\n  {reason.splitlines()[0]}" in said
        assert word in page.split(f"<span>{name}</span>")[1].split("</li>")[0]
        assert not (out / name).exists(), "a failed target leaves nothing"
    for name in GOOD:
        assert (told[name]["verdict"], told[name]["exit_code"], told[name]["reason"]) == ("done", 0, "")
        assert (out / name / "record.json").is_file()
        assert f'href="{name}/report.html"' in page and f'src="{name}/preview.png"' in page


def test_a_killed_batch_run_again_leaves_the_bytes_of_an_undisturbed_one(
    work: Path, undisturbed: tuple[int, str, Path]
) -> None:
    child = batch(work, "killed")
    deadline = time.monotonic() + PATIENCE_S
    # the first target is done, the last one half way
    middle = {"event": "step", "target": "e-last", "step": "write"}
    while time.monotonic() < deadline and child.poll() is None:
        if any(middle.items() <= event.items() for event in events(work / "killed.log")):
            break
        time.sleep(0.01)
    os.kill(child.pid, signal.SIGKILL)
    child.communicate(timeout=PATIENCE_S)  # the workers hold the pipe: it closes when they have ended
    out = work / "killed"
    assert child.returncode == -signal.SIGKILL
    assert (out / "a-first" / "record.json").is_file()
    assert not (out / "e-last" / "record.json").exists() and not (out / "batch.json").exists()
    again = batch(work, "killed")
    said = again.communicate(timeout=PATIENCE_S)[0]
    assert again.returncode == 4, said
    assert "\n3 failed, " in said and "; 1 unchanged\n" in said
    right = contents(undisturbed[2])
    assert len(right) == 2 * 9
    assert contents(out) == right
    assert not [path for path in out.rglob(".blend-*") if path.name != ".blend-lock"]
