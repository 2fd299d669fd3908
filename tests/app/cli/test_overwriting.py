"""No command writes over a file that it reads, nor over one that no run has left: what commands announce and ask."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest

from blend.app.batch.batch import run_batch
from blend.app.batch.plan import BatchOptions
from blend.app.batch.view import BatchView
from blend.app.demo.demo import refuse_demo, write_night
from blend.app.run.job import claim_results, run_target
from blend.app.run.load import open_recipe, open_target
from blend.app.run.outputs import result_names
from blend.app.run.replay import replay_record
from blend.base.errors import FaultList
from blend.files.eventlog import EventLog
from blend.files.fits import read_fits, write_fits
from blend.files.record import record_text
from blend.files.store import DiskStore
from blend.science.simulated.night import SceneOptions, simulate_night

SMALL = SceneOptions(rows=300, columns=450, calibrated=True)
FORMATS = ('output.formats=["fits","tiff","png","jpeg","print"]',)


def contents(folder: Path) -> dict[str, bytes]:
    """Return all that a folder holds, hidden files too."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run a night once, with every format and all stages; its masters lie beside the results."""
    folder = tmp_path_factory.mktemp("done")
    target = open_target(write_night(simulate_night(SMALL), folder / "masters"))
    run_target(
        open_recipe("galaxy-moonlit", target=target, settings=FORMATS),
        target,
        out=folder / "out",
        stages=True,
    )
    return folder


@pytest.fixture
def again(done: Path, tmp_path: Path) -> Path:
    """Copy that folder, so that a test may change it."""
    return Path(shutil.copytree(done, tmp_path / "again"))


def test_a_run_announces_every_file_that_it_leaves(done: Path) -> None:
    target = open_target(next((done / "masters").glob("*.toml")))
    recipe = open_recipe("galaxy-moonlit", target=target, settings=FORMATS)
    names = result_names(recipe, target, stages=True)
    assert sorted(names) == sorted(contents(done / "out"))


def test_stages_of_one_file_a_plane_are_announced_by_plane(tmp_path: Path) -> None:
    for name in ("r", "g", "b", "ha"):
        (tmp_path / f"{name}.fits").touch()
    masters = [f"rgb.{plane}={tmp_path / plane[0]}.fits" for plane in ("red", "green", "blue")]
    target = open_target(None, masters=[*masters, f"ha={tmp_path / 'ha.fits'}"])
    names = result_names(open_recipe("galaxy-moonlit"), target, stages=True)
    assert {"stages/rgb.green-calibrated.fits", "stages/rgb-balanced.fits"} <= set(names)


def claim_again(folder: Path, **changes: object) -> None:
    """Ask for the same run once more."""
    target = open_target(next((folder / "masters").glob("*.toml")))
    recipe = open_recipe("galaxy-moonlit", target=target, settings=FORMATS)
    claim_results(recipe, target, out=folder / "out", stages=True, **changes)  # type: ignore[arg-type]


def test_results_of_a_run_may_be_replaced_also_those_of_earlier_versions(again: Path) -> None:
    claim_again(again)
    path = again / "out" / "record.json"
    record = json.loads(path.read_text())
    del record["seal"]
    path.write_text(record_text(record))
    claim_again(again)


def test_every_single_result_that_was_changed_is_refused_by_name(again: Path) -> None:
    for name, data in contents(again / "out").items():
        path = again / "out" / name
        changed = data.replace(b'"residual"', b'"Residual"') if name == "record.json" else data[:-1] + b"\1"
        assert changed != data
        path.write_bytes(changed)
        with pytest.raises(FaultList) as fault:
            claim_again(again)
        assert [one.where for one in fault.value.faults] == [str(path)]
        claim_again(again, overwrite=True)
        path.write_bytes(data)


def test_a_replay_into_the_folder_of_its_record_writes_nothing(again: Path) -> None:
    before = contents(again)
    for overwrite in (False, True):
        with pytest.raises(FaultList, match=r"record\.json: the command reads this file"):
            replay_record(again / "out" / "record.json", out=again / "out", overwrite=overwrite)
    assert contents(again) == before


def test_a_stage_that_is_a_master_now_is_not_tidied_away(again: Path) -> None:
    stages = again / "out" / "stages"
    target = open_target(
        None, masters=[f"rgb={stages / 'rgb-calibrated.fits'}", f"ha={stages / 'ha-calibrated.fits'}"]
    )
    kept = {path: path.read_bytes() for path in stages.glob("*-calibrated.fits")}
    run_target(open_recipe("galaxy-moonlit", target=target), target, out=again / "out")
    assert {path: path.read_bytes() for path in stages.glob("*")} == kept


def test_a_master_in_a_killed_runs_hidden_folder_is_refused(again: Path) -> None:
    hidden = again / "out" / ".blend-0123456789ab"
    hidden.mkdir()
    shutil.copy(again / "out" / "linear.fits", hidden)
    target = open_target(
        None, masters=[f"rgb={hidden / 'linear.fits'}", f"ha={again / 'masters' / 'ha-light.fits'}"]
    )
    with pytest.raises(FaultList, match="a new run removes"):
        run_target(open_recipe("galaxy-moonlit", target=target), target, out=again / "out")
    assert (hidden / "linear.fits").exists()


def test_a_link_that_leads_out_is_refused_before_the_work(again: Path) -> None:
    shutil.rmtree(again / "out" / "stages")
    (again / "out" / "stages").symlink_to(again / "masters")
    with pytest.raises(FaultList, match="a link leads out"):
        claim_again(again, overwrite=True)


# --- the demonstration ------------------------------------------------------------------------------------


def test_masters_of_the_user_in_the_way_of_the_demonstration_stay(again: Path) -> None:
    (again / "out").rename(again / "result")
    refuse_demo(again, SMALL)
    master = again / "masters" / "rgb-light.fits"
    write_fits(master, read_fits(master)[0], planes=("red", "green", "blue"))
    with pytest.raises(FaultList, match=r"rgb-light\.fits"):
        refuse_demo(again, SMALL)
    refuse_demo(again, SMALL, overwrite=True)


# --- batches, logs, the store -----------------------------------------------------------------------------


def test_a_batch_that_may_not_write_one_file_writes_none(again: Path) -> None:
    target = next((again / "masters").glob("*.toml"))
    target.write_text(target.read_text().replace("lantern-spiral", "out", 1))
    (again / "out" / "result.tif").write_bytes(b"retouched")
    (again / "index.html").write_text("my site")
    before = contents(again)
    with pytest.raises(FaultList) as fault:
        run_batch(
            "galaxy-moonlit",
            [again / "masters"],
            out=again,
            options=BatchOptions(),
            watcher=BatchView(quiet=True),
            log=EventLog(again / "batch.log"),
        )
    assert {Path(one.where).name for one in fault.value.faults} == {"result.tif", "index.html"}
    assert contents(again) == before


def test_summaries_of_a_batch_may_be_replaced_until_they_are_changed(tmp_path: Path) -> None:
    (tmp_path / "t.target.toml").write_text('name = "t"\n')
    out = tmp_path / "out"

    def run(**changes: object) -> None:
        options = BatchOptions(**changes)  # type: ignore[arg-type]
        watcher = BatchView(quiet=True)
        run_batch("galaxy-moonlit", [tmp_path / "t.target.toml"], out=out, options=options, watcher=watcher)

    run()
    run()
    told = json.loads((out / "batch.json").read_text())
    for key in ("seal", "outputs"):
        del told[key]
    (out / "batch.json").write_text(json.dumps(told, indent=2))
    run()
    for name in ("index.html", "batch.csv", "batch.json"):
        with (out / name).open("a") as file:
            file.write(" ")
        if name == "batch.json":
            (out / name).write_text((out / name).read_text().replace('"counts"', '"count"'))
        with pytest.raises(FaultList, match=name):
            run()
        run(overwrite=True)


@pytest.mark.parametrize(
    ("text", "fine"),
    [
        ("", True),
        ('{"time": "a", "event": "b", "target": "c"}\n', True),
        ('{"time": "a", "event": "b", "target": "c"}\n{"time": "a", "ev', True),
        ('{"time": "a", "event": "b"}\n', False),
        ("SIMPLE  =                    T", False),
        ('{"time": "a", "event": "b", "target": "c"}\nclouds from two on\n', False),
    ],
)
def test_a_log_goes_on_only_where_it_is_one(tmp_path: Path, text: str, fine: bool) -> None:
    path = tmp_path / "a.log"
    path.write_text(text)
    log = EventLog(path)
    if not fine:
        with pytest.raises(FaultList, match="in the way"):
            log.begin()
        assert path.read_text() == text
        return
    log.begin([path])
    log.warnings("t", ["w"])
    assert path.read_text().startswith(text)
    assert json.loads(path.read_text().splitlines()[-1])["warning"] == "w"
    EventLog(path).begin()


def test_a_log_by_another_name_of_an_input_is_refused_and_a_stream_is_not(tmp_path: Path) -> None:
    light = tmp_path / "light.fits"
    light.write_text("")
    os.link(light, tmp_path / "hard.log")
    (tmp_path / "soft.log").symlink_to(light)
    for name in ("hard.log", "soft.log", "light.fits"):
        with pytest.raises(FaultList, match="the command reads"):
            EventLog(tmp_path / name).begin([tmp_path / name, light])
    EventLog(Path(os.devnull)).begin([light])


def test_a_store_takes_away_nothing_but_its_own_entries(tmp_path: Path) -> None:
    night = tmp_path / "2026-11-25"
    night.mkdir()
    (night / "light.fits").write_bytes(b"0" * 5000)
    (tmp_path / "arrays").mkdir()
    (tmp_path / "arrays" / "flat.npy").write_bytes(b"0" * 5000)
    store = DiskStore(tmp_path, most_bytes=6000)
    for number in range(3):
        store.save(f"k{number}", {}, {"a": np.zeros(1000, dtype=np.float32)})
    assert (night / "light.fits").exists() and (tmp_path / "arrays" / "flat.npy").exists()
    assert [store.load(f"k{number}") is None for number in range(3)] == [True, True, False]
