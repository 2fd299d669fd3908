"""What may be written: no input by any name, nothing of others, everything of an earlier run, killed or not."""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path

import pytest

from blend.base.errors import FaultList
from blend.files.claim import Claim, manifest_name, refuse_paths, tidy_up
from blend.files.record import record_text, seal_of
from blend.files.whole import WholeFolder

TEXT = {"a.fits": "a", "stages/b.fits": "b", "c.png": "c"}


def never(path: Path) -> bool:
    return False


def refused(path: Path, *reads: Path, overwrite: bool | None = False) -> str:
    """Return why a path may not be written; empty where it may."""
    try:
        refuse_paths([(path, never)], reads=reads, overwrite=overwrite)
    except FaultList as fault:
        assert fault.exit_code == 2
        return str(fault)
    return ""


def write(out: Path, texts: dict[str, str], *, claim: Claim | None = None, kill_after: int = 99) -> None:
    """Publish results and their record as a run does; stop dead before one of the renames where it is asked for."""
    claim = claim or Claim(out, record="record.json")
    claim.check([*texts, "record.json"])
    renames = 0

    def count() -> None:
        nonlocal renames
        renames += 1
        if renames > kill_after:
            os._exit(9)

    def run() -> None:
        with WholeFolder(out, guard=claim) as folder:
            outputs = []
            for name, text in texts.items():
                folder.path_for(name).write_text(text)
                outputs.append({"path": name, "sha256": hashlib.sha256(text.encode()).hexdigest()})
            record = {"version": 1, "recipe": {}, "inputs": [], "outputs": outputs, "note": "as it was"}
            text = record_text({**record, "seal": seal_of(record)})
            folder.path_for("record.json").write_text(text)
            if kill_after < 99:
                replace = Path.replace
                Path.replace = lambda self, to: (count(), replace(self, to))[1]  # type: ignore[assignment,method-assign]

    if kill_after == 99:
        run()
        return
    child = os.fork()
    if child == 0:
        try:
            run()
        finally:
            os._exit(0)
    os.waitpid(child, 0)


def test_an_input_is_known_by_any_name_and_no_option_gives_it_up(tmp_path: Path) -> None:
    light = tmp_path / "rgb.fits"
    light.write_text("the night")
    (tmp_path / "soft").symlink_to(light)
    os.link(light, tmp_path / "hard")
    (tmp_path / "folder").symlink_to(tmp_path)
    (tmp_path / "x").mkdir()
    names = ("rgb.fits", "soft", "hard", "folder/rgb.fits", "folder/hard", "x/../rgb.fits")
    for name in names:
        for read in (light, tmp_path / "soft", tmp_path / "folder" / "hard"):
            assert "the command reads" in refused(tmp_path / name, read, overwrite=True)
    assert light.name in refused(tmp_path / "hard", light)
    # what is not there yet, such as a log, counts by its name
    assert refused(tmp_path / "new", tmp_path / "folder" / "new")
    assert not refused(tmp_path / "new", light)


def test_what_is_in_the_way_is_told_and_what_may_be_allowed(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    (tmp_path / "folder").mkdir()
    (tmp_path / "dangling").symlink_to("nowhere")
    os.mkfifo(tmp_path / "pipe")
    for name, words, allowed in (
        ("file", "a file is in the way", True),
        ("dangling", "a link is in the way", True),
        ("folder", "a folder of that name", False),
        ("pipe", "a device or a pipe", False),
        ("file/below", "in the way of a folder", False),
        ("dangling/below", "in the way of a folder", False),
    ):
        assert words in refused(tmp_path / name)
        assert bool(refused(tmp_path / name, overwrite=True)) == (not allowed)
    assert "--overwrite" in refused(tmp_path / "file")
    assert "--overwrite" not in refused(tmp_path / "file", overwrite=None)


def test_every_fault_is_told_and_no_two_results_share_a_place(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).write_text("mine")
    wanted = [(tmp_path / name, never) for name in ("a", "b", "c", "x/../c")]
    (tmp_path / "x").mkdir()
    with pytest.raises(FaultList) as fault:
        refuse_paths(wanted)
    assert len(str(fault.value).splitlines()) == 3
    assert "two results" in str(fault.value)


def test_results_of_a_run_are_replaced_and_stale_ones_go(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, TEXT)
    (out / "mine.txt").write_text("mine")
    write(out, {"a.fits": "A"})
    assert (out / "a.fits").read_text() == "A"
    assert sorted(path.name for path in out.rglob("*") if path.is_file()) == [
        "a.fits",
        "mine.txt",
        "record.json",
    ]


@pytest.mark.parametrize("name", ["a.fits", "stages/b.fits", "record.json"])
def test_a_result_that_its_user_changed_is_kept_unless_allowed(tmp_path: Path, name: str) -> None:
    write(tmp_path, TEXT)
    path = tmp_path / name
    path.write_text(path.read_text().replace("as it was", "of mine") + " ")
    text = path.read_text()
    with pytest.raises(FaultList, match=r"changed since.*--overwrite"):
        write(tmp_path, TEXT)
    assert path.read_text() == text
    write(tmp_path, TEXT, claim=Claim(tmp_path, record="record.json", overwrite=True))
    assert path.read_text() != text


def test_a_file_that_comes_into_the_way_during_a_run_is_kept(tmp_path: Path) -> None:
    claim = Claim(tmp_path, record="record.json")
    claim.check(TEXT)
    with pytest.raises(FaultList, match="in the way"), WholeFolder(tmp_path, guard=claim) as folder:
        folder.path_for("a.fits").write_text("new")
        (tmp_path / "a.fits").write_text("mine")
    assert [path.name for path in tmp_path.iterdir()] == ["a.fits"]
    assert (tmp_path / "a.fits").read_text() == "mine"


def test_a_stale_result_that_is_read_or_changed_stays(tmp_path: Path) -> None:
    write(tmp_path, TEXT)
    (tmp_path / "c.png").write_text("mine")
    claim = Claim(tmp_path, record="record.json", reads=[tmp_path / "stages" / "b.fits"])
    write(tmp_path, {"a.fits": "A"}, claim=claim)
    assert (tmp_path / "c.png").read_text() == "mine"
    assert (tmp_path / "stages" / "b.fits").read_text() == "b"


@pytest.mark.parametrize("again", [False, True])
def test_a_run_killed_between_any_two_renames_can_be_run_again(tmp_path: Path, again: bool) -> None:
    new = {name: text.upper() for name, text in TEXT.items()}
    for number in range(len(TEXT) + 2):
        out = tmp_path / str(number)
        if again:
            write(out, {**TEXT, "stale.png": "s"})
        write(out, new, kill_after=number)
        left = (out / manifest_name("record.json")).exists()
        # the manifest is the first of all renames
        assert left == (number > 0)
        for name in TEXT:
            assert not (out / name).exists() or (out / name).read_text() in (TEXT[name], new[name])
        if number % 2:
            write(out, new, kill_after=2)
        write(out, new)
        found = sorted(str(path.relative_to(out)) for path in out.rglob("*") if path.is_file())
        assert found == sorted([*TEXT, "record.json"])
        assert all((out / name).read_text() == text for name, text in new.items())


def test_what_a_killed_run_left_and_its_user_changed_is_kept(tmp_path: Path) -> None:
    write(tmp_path, TEXT, kill_after=2)
    assert (tmp_path / "a.fits").exists() and not (tmp_path / "record.json").exists()
    (tmp_path / "a.fits").write_text("mine")
    with pytest.raises(FaultList, match="changed since"):
        write(tmp_path, TEXT)
    assert (tmp_path / "a.fits").read_text() == "mine"


def test_a_fault_after_a_killed_run_forgets_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, TEXT, kill_after=2)
    replace, calls = Path.replace, []

    def fail(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == 3:
            raise OSError(28, "No space left on device")
        return replace(self, target)

    with monkeypatch.context() as patch, pytest.raises(Exception, match="no space left"):
        patch.setattr(Path, "replace", fail)
        write(tmp_path, TEXT)
    write(tmp_path, TEXT)
    assert not (tmp_path / manifest_name("record.json")).exists()


def test_a_fault_leaves_no_new_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    replace, calls = Path.replace, []

    def fail(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == 3:
            raise OSError(28, "No space left on device")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(Exception, match="no space left"):
        write(tmp_path / "out", {"a": "1", "b": "2"})
    assert not (tmp_path / "out").exists()


def test_results_of_earlier_versions_are_known_by_their_records(tmp_path: Path) -> None:
    write(tmp_path, TEXT)
    path = tmp_path / "record.json"
    record = json.loads(path.read_text())
    del record["seal"]
    path.write_text(record_text(record))
    (tmp_path / "linear.fits").write_text("a master of the user's")
    os.utime(tmp_path / "linear.fits", (0, 0))
    with pytest.raises(FaultList, match=r"linear\.fits"):
        write(tmp_path, {**TEXT, "linear.fits": "new"})
    write(tmp_path, TEXT)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"version": 1}',
        "\xff",
        '{"version": 1, "recipe": 0, "inputs": 7, "outputs": [3, {}]}',
    ],
)
def test_a_file_that_is_no_record_vouches_for_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / "a.fits").write_text("mine")
    (tmp_path / "record.json").write_bytes(text.encode("latin-1"))
    with pytest.raises(FaultList, match=r"a\.fits"):
        write(tmp_path, {"a.fits": "new"})


def test_tidying_up_removes_the_manifest_of_a_run_that_was_through(tmp_path: Path) -> None:
    write(tmp_path, TEXT)
    (tmp_path / manifest_name("record.json")).write_text("{}")
    tidy_up(tmp_path)
    assert not (tmp_path / manifest_name("record.json")).exists()
