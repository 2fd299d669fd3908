"""Two runs side by side: what differs, what cannot be compared, and pictures laid star on star."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from blend.app.batch.judged import judge_folder
from blend.app.cli.commands import blend
from blend.app.inspect.compare import compare_runs
from blend.app.inspect.worth import worth_report
from blend.app.run.replay import replay_record
from blend.base.errors import FaultList, InputError, RecipeError
from blend.files.record import record_text, seal_of, sha256_of
from blend.recipe.old_keys import RENAMED

Change = Callable[[dict[str, Any]], None]


def nothing(record: dict[str, Any]) -> None:
    """Leave a record as it is."""


@pytest.fixture
def kept(small_demo: Path, tmp_path: Path) -> Callable[..., Path]:
    """Return what makes a folder with a copy of the demonstration's record and picture, changed as a run would be."""

    def make(name: str, change: Change = nothing, *, turned: bool = False, seal: bool = True) -> Path:
        folder = tmp_path / name
        folder.mkdir()
        record = json.loads((small_demo / "result" / "record.json").read_text(encoding="utf-8"))
        shutil.copy(small_demo / "result" / "preview.png", folder)
        if turned:
            with Image.open(folder / "preview.png") as image:
                Image.fromarray(np.rot90(np.asarray(image))[:, 40:]).save(folder / "preview.png")
        for entry in record["outputs"]:
            if entry["path"] == "preview.png":
                entry["sha256"] = sha256_of(folder / "preview.png")
        change(record)
        if seal:
            record["seal"] = seal_of(record)
        (folder / "record.json").write_text(record_text(record), encoding="utf-8")
        return folder

    return make


def told_of(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(blend, ["compare", *map(str, words)], catch_exceptions=True)
    fault = done.exception
    code = getattr(fault, "exit_code", done.exit_code)
    return code, done.output + str(fault or "")


def test_recipes_files_numbers_and_warnings_that_differ_are_told(
    kept: Callable[..., Path], tmp_path: Path
) -> None:
    def change(record: dict[str, Any]) -> None:
        record["recipe"]["blend"]["red"]["amount"] = 0.5
        record["inputs"][0]["sha256"] = "0" * 64
        record["worth"]["ha"]["exposure_factor"] *= 2.0
        record["star_tint"]["median"] += 1e-9
        record["warnings"] = [{"code": "x", "text": "the flat is old"}]

    a, b = kept("a"), kept("b", change)
    told = compare_runs(a, b / "record.json", out=tmp_path / "out")
    assert told["recipe"] == [{"key": "blend.red.amount", "a": "1.0", "b": "0.5"}]
    assert [row["key"] for row in told["files"]] == [
        json.loads((a / "record.json").read_text())["inputs"][0]["role"]
    ]
    rows = {(row["of"], row["what"]): row for row in told["numbers"]}
    worth = rows["ha", "exposure gained"]
    assert worth["beyond_error"] and worth["percent"] == pytest.approx(100.0)
    assert worth["difference_error"] == pytest.approx(np.hypot(worth["a_error"], worth["b_error"]))
    assert rows["rgb.red", "sky"]["difference"] == 0.0 and rows["rgb.red", "sky"]["beyond_error"] is None
    assert told["warnings"] == {"a": [], "b": ["the flat is old"]}
    assert told["b"]["label"] == "look"
    code, said = told_of(a, b, "--out", tmp_path / "out")
    assert code == 0 and "B alone warns: the flat is old" in said and "numbers are the same in both" in said
    code, said = told_of(a, b, "--out", tmp_path / "out", "--json")
    assert code == 0 and json.loads(said) == json.loads((tmp_path / "out" / "compare.json").read_text())


def test_a_turned_and_cropped_picture_is_laid_star_on_star(kept: Callable[..., Path], tmp_path: Path) -> None:
    told = compare_runs(kept("a"), kept("b", turned=True), out=tmp_path / "out")
    words = " ".join(told["notes"])
    assert "unequal size" in words and "star on star" in words
    page = (tmp_path / "out" / "compare.html").read_text()
    assert page.count('src="data:image/jpeg;base64,') == 2


def test_the_same_bytes_twice_and_nothing_of_others_is_replaced(
    kept: Callable[..., Path], tmp_path: Path
) -> None:
    a, b, out = kept("a"), kept("b", turned=True), tmp_path / "out"
    compare_runs(a, b, out=out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    assert sorted(before) == ["compare.html", "compare.json"]
    compare_runs(a, b, out=out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    (out / "compare.html").write_text("mine")
    with pytest.raises(FaultList, match="blend did not write"):
        compare_runs(a, b, out=out)
    compare_runs(a, b, out=out, overwrite=True)
    # never what it reads
    (tmp_path / "c").mkdir()
    shutil.copy(b / "record.json", tmp_path / "c" / "compare.json")
    with pytest.raises(FaultList, match="reads"):
        compare_runs(a, tmp_path / "c" / "compare.json", out=tmp_path / "c", overwrite=True)


def test_other_targets_are_refused_but_for_one_field_under_two_names(
    kept: Callable[..., Path], tmp_path: Path
) -> None:
    def at(name: str, ra: float) -> Change:
        def change(record: dict[str, Any]) -> None:
            record["target"] = name
            record["taken"]["rgb"]["pointing"] = [ra, 47.2]

        return change

    a, out = kept("a", at("spiral-monday", 202.5)), tmp_path / "out"
    told = compare_runs(a, kept("b", at("spiral-friday", 202.6)), out=out)
    assert "A is called spiral-monday, B spiral-friday" in told["notes"]
    other = kept("c", at("nebula", 83.8))
    with pytest.raises(
        RecipeError, match="B is of nebula, A of spiral-monday; expected two runs of one target"
    ):
        compare_runs(a, other, out=out)
    compare_runs(a, other, out=out, any_target=True)


def test_what_is_no_run_is_refused(kept: Callable[..., Path], tmp_path: Path) -> None:
    a, out = kept("a"), tmp_path / "out"
    (tmp_path / "empty").mkdir()
    (tmp_path / "broken.json").write_text('{"version": 1, "recipe"')
    with pytest.raises(InputError, match=r"holds no record\.json: no run ended here"):
        compare_runs(a, tmp_path / "empty", out=out)
    with pytest.raises(InputError, match="it is not JSON"):
        compare_runs(a, tmp_path / "broken.json", out=out)
    with pytest.raises(InputError, match="cannot be read"):
        compare_runs(a, tmp_path / "gone", out=out)
    with pytest.raises(RecipeError, match="A and B are one record"):
        compare_runs(a, a / "record.json", out=out)
    assert not out.exists()


def test_numbers_are_compared_where_pictures_are_gone_or_others(
    kept: Callable[..., Path], tmp_path: Path
) -> None:
    a, b, c = kept("a"), kept("b"), kept("c")
    (b / "preview.png").unlink()
    (c / "preview.png").write_bytes(b"another")
    for folder, word in ((b, "cannot be read"), (c, "not the one that this run wrote")):
        told = compare_runs(a, folder, out=tmp_path / "out")
        assert any(word in note for note in told["notes"]) and told["numbers"]
        assert "<img" not in (tmp_path / "out" / "compare.html").read_text()


@pytest.mark.parametrize(
    "key", ["register", "masters", "worth", "star_tint", "warnings", "taken", "seal", "setup"]
)
@pytest.mark.parametrize("odd", [[1], "x", None, {"ha": 3}])
def test_a_damaged_record_is_compared_as_far_as_it_goes_or_refused(
    kept: Callable[..., Path], tmp_path: Path, key: str, odd: Any
) -> None:
    a, b = kept("a"), kept("b", lambda record: record.update({key: odd}), seal=False)
    if key == "setup":
        with pytest.raises(InputError, match="setup"):
            compare_runs(a, b, out=tmp_path / "out")
        return
    told = compare_runs(a, b, out=tmp_path / "out")
    assert any("B's record was changed after its run" in note for note in told["notes"])


def with_older_names(record: dict[str, Any]) -> None:
    """Call keys of a record as earlier versions did."""
    for section, renamed in RENAMED.items():
        for table in record["recipe"][section].values():
            for old, new in renamed.items():
                table[old] = table.pop(new)
    for made in record["blend"].values():
        for table, old, new in (
            (made, "share", "into_other_planes"),
            (made.get("auto", {}), "for", "optimise_for"),
        ):
            if new in table:
                table[old] = table.pop(new)


def test_a_record_of_an_earlier_version_is_read(kept: Callable[..., Path], tmp_path: Path) -> None:
    old = kept("old", with_older_names)
    assert compare_runs(kept("new"), old, out=tmp_path / "out")["recipe"] == []
    assert "ha in red: as colour exposed" in worth_report([old])
    assert judge_folder(old) == judge_folder(tmp_path / "new")
    done = replay_record(old / "record.json")
    assert dict(done.outputs)["result.fits"] == dict(done.outputs)["preview.png"] == "same bytes"
    assert not [line for line in done.differences if line.startswith("input")]
