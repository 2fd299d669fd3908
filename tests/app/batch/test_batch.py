"""Many targets: each alone in its failure, done ones left out by their bytes, strangers' words harmless."""

from __future__ import annotations

import csv
import io
import json
import os
from pathlib import Path

import numpy as np
import pytest

from blend.app.batch.batch import run_batch
from blend.app.batch.draft_targets import plan_folder, write_plan
from blend.app.batch.job import Job, Verdict, do_job
from blend.app.batch.plan import BatchOptions, plan_batch, shares
from blend.app.batch.summaries import batch_csv
from blend.app.batch.view import BatchView, verdict_table
from blend.app.demo.demo import write_night
from blend.app.run.replay import replay_record
from blend.base.errors import InputError, OutputError, RecipeError
from blend.base.system import cores
from blend.files.eventlog import EventLog
from blend.files.fits import write_fits
from blend.files.source import Marks
from blend.files.whole import only_one
from blend.pages.batch import batch_page
from blend.recipe.target import load_target, missing_files
from blend.science.simulated.night import SceneOptions, simulate_night

EVIL = "=HYPERLINK(1)\x1b[31m<script>alert(1)</script>"


def picture(path: Path, *, planes: int = 1, **cards: object) -> Path:
    """Write a tiny picture with cards."""
    pixels = np.full((planes, 8, 12), 0.1, np.float32)
    names = ("red", "green", "blue") if planes == 3 else ("grey",)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_fits(path, pixels, planes=names, cards={k.replace("_", "-"): v for k, v in cards.items()})
    return path


def test_a_target_is_done_once_and_again_when_anything_changed(tmp_path: Path) -> None:
    night = tmp_path / "night"
    target = write_night(simulate_night(SceneOptions(rows=300, columns=450)), night)
    out = tmp_path / "out"
    job = Job(
        name="lantern-spiral", recipe="galaxy-moonlit", target=str(target), out=str(out / "lantern-spiral")
    )
    first = do_job(job)
    assert (first.state, first.exit_code) == ("done", 0), first.reason

    def is_done(recipe: str = "galaxy-moonlit") -> bool:
        return plan_batch(recipe, [night], out=out, options=BatchOptions())[0].done

    assert is_done()
    # a run killed after its last rename has left this, and nobody runs it again
    left = out / "lantern-spiral" / ".blend-0123456789ab"
    left.mkdir()
    told = run_batch(
        "galaxy-moonlit", [night], out=out, options=BatchOptions(), watcher=BatchView(quiet=True)
    )
    assert [verdict.state for verdict in told] == ["skipped"] and not left.exists()
    assert not plan_batch("galaxy-moonlit", [night], out=out, options=BatchOptions(resume=False))[0].done
    assert not is_done("nebula-moonlit") if Path("recipes/nebula-moonlit.toml").is_file() else True
    again = replay_record(out / "lantern-spiral" / "record.json")
    assert again.same and not again.differences, again.text()
    text = target.read_text()
    target.write_text(text.replace("width_nm = 7", "width_nm = 6"))
    assert not is_done()
    target.write_text(text)
    result = out / "lantern-spiral" / "linear.fits"
    data = bytearray(result.read_bytes())
    data[-5000] ^= 1
    result.write_bytes(data)
    assert not is_done()


def test_faults_stay_with_their_targets_and_have_reasons(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    for name, text in {
        "a": 'name = "a"\n[masters.rgb]\nlight = "gone.fits"\n[masters.ha]\nlight = "gone.fits"\n',
        "b": "name = 3",
        "c": 'name = "a"\n[masters.rgb]\nlight = "gone.fits"\n',
        "d": 'name = "d"\n[masters.rgb]\nlight = "/etc/passwd"\n[masters.ha]\nlight = "../x.fits"\n',
    }.items():
        (tmp_path / "in" / f"{name}.target.toml").write_text(text)
    out, log = tmp_path / "out", tmp_path / "log"
    verdicts = run_batch(
        "galaxy-moonlit",
        [tmp_path / "in"],
        out=out,
        options=BatchOptions(),
        watcher=BatchView(quiet=True),
        log=EventLog(log),
    )
    assert [v.exit_code for v in verdicts] == [3, 2, 2, 2]
    assert "no such file" in verdicts[0].reason
    assert "taken by" in verdicts[2].reason
    assert "outside the target file's folder" in verdicts[3].reason
    told = json.loads((out / "batch.json").read_text())
    assert told["counts"] == {"done": 0, "skipped": 0, "failed": 4}
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert [line["event"] for line in lines] == ["failed"] * 4


def test_words_of_strangers_do_nothing_to_page_table_and_terminal() -> None:
    verdict = Verdict(name="t", target=EVIL, out="t", state="failed", exit_code=3, reason=EVIL)
    row = next(csv.DictReader(io.StringIO(batch_csv([verdict]))))
    assert row["reason"].startswith("'=") and "\x1b" not in row["reason"]
    assert "\x1b" not in verdict_table([verdict])
    card = {
        **{"name": EVIL, "label": "failed", "state": "failed", "reason": EVIL, "reasons": (EVIL,)},
        **{"seconds": 0, "values": {}, "thumbnail": "", "report": "", "record": ""},
    }
    page = batch_page(EVIL, [card], {"done": 0, "skipped": 0, "failed": 1})
    assert "<script>alert" not in page


@pytest.mark.parametrize("jobs", [0, 1, 2, 7])
@pytest.mark.parametrize("threads", [0, 1, 64])
def test_workers_times_threads_stay_within_the_cores(jobs: int, threads: int) -> None:
    workers, each = shares(BatchOptions(jobs=jobs, threads=threads))
    assert 1 <= workers * each <= cores()


def test_a_second_batch_on_a_folder_is_refused(tmp_path: Path) -> None:
    with (
        only_one(tmp_path / "out"),
        pytest.raises(OutputError, match="another batch works in this folder"),
        only_one(tmp_path / "out"),
    ):
        pass
    assert not (tmp_path / "out").exists()


def test_a_replaced_input_is_noticed(tmp_path: Path) -> None:
    path = picture(tmp_path / "a.fits")
    marks = Marks([path])
    marks.refuse_changes()
    data, found = path.read_bytes(), path.stat()
    other = tmp_path / "b"
    other.write_bytes(data)
    other.replace(path)
    os.utime(path, ns=(found.st_atime_ns, found.st_mtime_ns))
    with pytest.raises(InputError, match="changed or replaced"):
        marks.refuse_changes()


def test_a_plan_pairs_what_fits_and_tells_what_does_not(tmp_path: Path) -> None:
    common = {"OBJECT": "M 33", "CCD_TEMP": -10.0}
    picture(tmp_path / "rgb.fits", planes=3, IMAGETYP="master light", EXPTIME=30.0, **common)
    picture(tmp_path / "h.fits", IMAGETYP="master light", FILTER="H-alpha", EXPTIME=300.0, **common)
    picture(tmp_path / "d300.fits", IMAGETYP="master dark", EXPTIME=300.0, CCD_TEMP=-10.0)
    picture(tmp_path / "d299-warm.fits", IMAGETYP="master dark", EXPTIME=299.0, CCD_TEMP=3.0)
    for name in ("f1", "f2"):
        picture(tmp_path / f"{name}.fits", IMAGETYP="master flat", FILTER="H-alpha")
    plan = plan_folder(tmp_path, out=tmp_path)
    told = plan.text()
    assert "ha.dark: d300.fits, same size 12 x 8, 300 s, -10 C" in told
    assert (
        "missing: rgb.dark (d299-warm.fits: exposed 299 s, the light 30 s; d300.fits: exposed 300 s" in told
    )
    assert "ambiguous: ha.flat could be any of f1.fits, f2.fits; none is taken" in told
    (path,) = write_plan(plan)
    target = load_target(path.read_text(), where="t", folder=tmp_path)
    assert target.name == "m-33" and set(target.masters) == {"rgb", "ha"}
    assert target.masters["ha"].dark == tmp_path / "d300.fits"
    assert write_plan(plan) == [path], "an unchanged draft may be drafted anew"
    path.write_text(path.read_text().replace('"m-33"', '"triangulum"'))
    with pytest.raises(RecipeError, match="or that was changed since"):
        write_plan(plan)


def test_a_plan_takes_nothing_out_of_a_light_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "swan").mkdir()
    monkeypatch.chdir(tmp_path / "swan")
    picture(Path("rgb.fits"), planes=3, IMAGETYP="master light", EXPTIME=30.0)
    picture(Path("h.fits"), IMAGETYP="master light", FILTER="H-alpha", EXPTIME=300.0, TAKENOUT="bias flat")
    picture(Path("f.fits"), IMAGETYP="master flat", FILTER="H-alpha")
    picture(Path("d.fits"), IMAGETYP="master dark", EXPTIME=300.0)
    picture(Path("v.fits"), IMAGETYP="master light")
    told = plan_folder(Path(), out=Path()).text()
    assert "ha: stacked with bias and flat, as its header says; none is taken again, nor a dark" in told
    assert not [line for line in told.splitlines() if "ha.flat" in line or "ha.dark" in line]
    assert "h.fits: no OBJECT in the header; the target is called after its folder, swan" in told
    assert "left out: v.fits, its filter is not stated" in told


def test_a_name_longer_than_the_disk_allows_is_a_missing_file(tmp_path: Path) -> None:
    target = load_target(f'name = "t"\n[masters.rgb]\nlight = "{"-" * 5000}"', where="t", folder=tmp_path)
    assert "no such file" in str(missing_files(target)[0])


def test_a_target_larger_than_the_memory_allowed_is_refused_alone(tmp_path: Path) -> None:
    picture(tmp_path / "a.fits", planes=3)
    picture(tmp_path / "h.fits")
    text = '[masters.rgb]\nlight = "a.fits"\n[masters.ha]\nlight = "h.fits"\nline_nm = 656.28\nwidth_nm = 7\n'
    (tmp_path / "t.target.toml").write_text(f'name = "t"\n{text}')
    for mib, refused in ((100, True), (400, False)):
        (row,) = plan_batch(
            "galaxy-moonlit", [tmp_path], out=tmp_path / "o", options=BatchOptions(memory_bytes=mib * 2**20)
        )
        assert (row.fault is not None and "--memory" in row.fault[1]) == refused, row
