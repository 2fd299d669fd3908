"""Whole or not at all: success, every way to fail, and what a killed run leaves."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from blend.base.errors import InputError, OutputError
from blend.files import whole
from blend.files.fits import write_fits
from blend.files.whole import WholeFolder, write_whole, writing


def names(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def earlier(out: Path) -> dict[str, str]:
    out.mkdir()
    files = {"a.txt": "old a", "b.txt": "old b", "record.json": "old record"}
    for name, text in files.items():
        (out / name).write_text(text)
    return files


def contents(out: Path) -> dict[str, str]:
    return {name: (out / name).read_text() for name in names(out) if (out / name).is_file()}


def test_results_appear_together_and_the_hidden_folder_goes(tmp_path: Path) -> None:
    out = tmp_path / "new" / "out"
    with WholeFolder(out) as results:
        for name in ("record.json", "a.txt", "stages/b.txt"):
            results.path_for(name).write_text(name)
        assert [name for name in names(out) if not name.startswith(".blend-")] == []
        results.path_for("never-written.txt")
        assert results.names == ("record.json", "a.txt", "stages/b.txt")
    assert names(out) == ["a.txt", "record.json", "stages", "stages/b.txt"]
    assert (out / "stages" / "b.txt").read_text() == "stages/b.txt"


def test_the_record_is_renamed_last_and_taken_away_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier(tmp_path / "out")
    seen = []
    replace = Path.replace

    def watch(self: Path, target: Path) -> Path:
        seen.append((target.name, (tmp_path / "out" / "record.json").exists()))
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", watch)
    with WholeFolder(tmp_path / "out") as results:
        for name in ("record.json", "b.txt", "a.txt"):
            results.path_for(name).write_text("new")
    assert seen == [("b.txt", False), ("a.txt", False), ("record.json", False)]


@pytest.mark.parametrize(
    "fault", [ValueError("x"), KeyboardInterrupt(), SystemExit(1), InputError("a", found="b")]
)
def test_anything_raised_leaves_earlier_results(tmp_path: Path, fault: BaseException) -> None:
    out = tmp_path / "out"
    files = earlier(out)
    with pytest.raises(type(fault)), WholeFolder(out) as results:
        results.path_for("a.txt").write_text("new a")
        raise fault
    assert contents(out) == files and names(out) == sorted(files)


def test_a_failed_first_run_leaves_no_folder(tmp_path: Path) -> None:
    with pytest.raises(RuntimeError), WholeFolder(tmp_path / "out") as results:
        results.path_for("a.txt").write_text("new")
        raise RuntimeError
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("kind", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("step", [1, 2, 3])
def test_a_fault_between_two_renames_puts_everything_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: BaseException, step: int
) -> None:
    out = tmp_path / "out"
    files = earlier(out)
    replace, calls = Path.replace, []

    def fail(self: Path, target: Path) -> Path:
        calls.append(target)
        if len(calls) == step:
            raise kind
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", fail)
    wanted = OutputError if isinstance(kind, OSError) else KeyboardInterrupt
    with pytest.raises(wanted), WholeFolder(out) as results:
        for name in ("a.txt", "new.txt", "record.json"):
            results.path_for(name).write_text("new")
    assert contents(out) == files


def test_a_folder_in_the_way_is_found_before_anything_is_replaced(tmp_path: Path) -> None:
    out = tmp_path / "out"
    files = earlier(out)
    (out / "z.txt").mkdir()
    with pytest.raises(OutputError) as fault, WholeFolder(out) as results:
        results.path_for("a.txt").write_text("new a")
        results.path_for("z.txt").write_text("new z")
    assert fault.value.where == str(out / "z.txt")
    assert fault.value.found == "a folder of that name is in the way"
    assert contents(out) == files


def test_a_file_in_the_way_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    for out in (tmp_path / "file", tmp_path / "file" / "out"):
        with pytest.raises(OutputError, match="in the way of a folder") as fault, WholeFolder(out):
            pass
        assert fault.value.exit_code == 5
    assert (tmp_path / "file").read_text() == "mine"
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "stages").write_text("mine")
    with pytest.raises(OutputError, match="in the way"), WholeFolder(tmp_path / "out") as results:
        results.path_for("stages/a.txt").write_text("x")


@pytest.mark.parametrize("name", ["", ".", "..", "../a", "/tmp/a", "a/../../b", ".blend-x/a", "a\0b"])
def test_names_that_leave_the_folder_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(OutputError), WholeFolder(tmp_path / "out") as results:
        results.path_for(name)


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "out" / "stages").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(OutputError, match="a link leads out"), WholeFolder(tmp_path / "out") as results:
        results.path_for("stages/a.txt")
    assert names(tmp_path / "elsewhere") == []


def test_a_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, *_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)  # an administrator may write everywhere: pretend
    with pytest.raises(OutputError, match="permission denied"), WholeFolder(tmp_path / "out"):
        pass


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_full_disk_is_an_output_error_of_the_writer(tmp_path: Path) -> None:
    (tmp_path / "full.fits").symlink_to("/dev/full")
    with pytest.raises(OutputError, match="no space left on device"):
        write_fits(tmp_path / "full.fits", np.zeros((300, 300)), planes=("ha",))


def test_a_fault_of_an_input_inside_the_body_stays_what_it_is(tmp_path: Path) -> None:
    with pytest.raises(PermissionError), WholeFolder(tmp_path / "out"):
        raise PermissionError(13, "Permission denied", "input.fits")


def test_messages_do_not_show_the_hidden_folder(tmp_path: Path) -> None:
    with pytest.raises(OutputError) as fault, writing(tmp_path / ".blend-0123" / "a.fits"):
        raise OSError(5, "Input/output error")
    assert str(fault.value) == (
        f"{tmp_path / 'a.fits'}: it could not be written (input/output error); expected to write a result "
        "there. Do this: make room, or choose another folder."
    )


def test_what_a_killed_run_left_goes_with_the_next_and_a_living_run_stays(tmp_path: Path) -> None:
    out = tmp_path / "out"
    files = earlier(out)
    script = (
        "import sys, time; from pathlib import Path; from blend.files.whole import WholeFolder\n"
        "with WholeFolder(Path(sys.argv[1])) as results:\n"
        "    results.path_for('a.txt').write_text('half'); print('ready', flush=True); time.sleep(60)\n"
    )
    root = str(Path(whole.__file__).parents[2])
    with subprocess.Popen(
        [sys.executable, "-c", script, str(out)],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": root},
    ) as run:
        assert run.stdout is not None and run.stdout.readline() == b"ready\n"
        with WholeFolder(out):
            assert len(list(out.glob(".blend-*"))) == 2
        assert len(list(out.glob(".blend-*"))) == 1
        run.send_signal(signal.SIGKILL)
    assert contents(out).keys() > files.keys()
    with WholeFolder(out) as results:
        results.path_for("b.txt").write_text("new b")
    assert contents(out) == files | {"b.txt": "new b"}


def test_an_old_part_goes_and_a_young_one_stays(tmp_path: Path) -> None:
    for name, age in (("old", 7200.0), ("young", 10.0)):
        part = tmp_path / f".blend-{name}.part"
        part.write_text("half")
        os.utime(part, (time.time() - age,) * 2)
    (tmp_path / ".blend-link").symlink_to(tmp_path)
    with WholeFolder(tmp_path):
        pass
    assert names(tmp_path) == [".blend-link", ".blend-young.part"]


def test_one_file_is_written_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "new" / "a.bin"
    write_whole(path, b"first")
    write_whole(path, b"second")
    assert path.read_bytes() == b"second" and names(path.parent) == ["a.bin"]
    assert path.stat().st_mode & 0o777 == 0o666 & ~_umask()

    def fail(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match="no space left on device"):
        write_whole(path, b"third")
    assert path.read_bytes() == b"second" and names(path.parent) == ["a.bin"]
    with pytest.raises(OutputError, match="a folder of that name is in the way"):
        monkeypatch.undo()
        write_whole(tmp_path / "new", b"x")


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
