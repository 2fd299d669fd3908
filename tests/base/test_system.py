"""What systems do differently: freed memory is used again, and each other way works where the first is taken away."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from blend.app.demo.demo import write_night
from blend.base import system
from blend.files.whole import WholeFolder, hold_lock, only_one, remove_left_over
from blend.science.simulated.night import SceneOptions, simulate_night

COUNT = """
import resource, sys
import numpy as np
from blend.base.system import keep_freed_memory

def resident():
    return int(open("/proc/self/statm").read().split()[1]) * resource.getpagesize()

assert keep_freed_memory()
for _ in range(3):
    faults, held = resource.getrusage(resource.RUSAGE_SELF).ru_minflt, resident()
    np.ones(int(sys.argv[1]), dtype=np.float32)
    print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - faults, resident() - held)
"""


def counted(pixels: int) -> list[list[int]]:
    """Return page faults and bytes that stay of three arrays of float32, each made and freed before the next."""
    done = subprocess.run(
        [sys.executable, "-c", COUNT, str(pixels)], capture_output=True, text=True, check=True
    )
    return [[int(word) for word in line.split()] for line in done.stdout.splitlines()]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the GNU C library's settings")
def test_a_freed_band_s_pages_serve_the_next_one_and_a_plane_s_go_back() -> None:
    (first, _), *later = counted(2_000_000)  # 8 MB
    assert first > 3
    assert max(faults for faults, _ in later) <= first / 4
    # of 48 MB none stays: in the pool they would leave holes
    assert max(held for _, held in counted(12_000_000)) < 4_000_000


BARE = """
import builtins, io, os, signal, sys
for name in ("resource", "fcntl"):
    sys.modules[name] = None
for name in ("O_NOFOLLOW", "O_CLOEXEC", "O_DIRECTORY", "sched_getaffinity"):
    if hasattr(os, name):
        delattr(os, name)
del signal.pthread_sigmask
real = io.open
def no_proc(file, *words, **named):
    if str(file).startswith("/proc") and str(file) != "/proc/self/maps":  # which threadpoolctl reads on Linux alone
        raise FileNotFoundError(file)
    return real(file, *words, **named)
io.open = builtins.open = no_proc
"""
"""Python's own start runs this in the process and in all that it starts: what Windows and macOS do not have is gone."""

COMMAND = [sys.executable, "-c", "from blend.app.cli import main; main()"]


def test_a_batch_leaves_the_same_picture_where_the_system_has_little(tmp_path: Path) -> None:
    """On macOS and Windows nothing was run; this shows that no module needs what they lack, and no pixel either."""
    target = write_night(simulate_night(SceneOptions(rows=320, columns=480, seed=2)), tmp_path / "night")
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "sitecustomize.py").write_text(BARE)
    path = os.pathsep.join((str(tmp_path / "bare"), *sys.path))
    bare = {**os.environ, "PYTHONPATH": path}
    probe = [sys.executable, "-c", "import os, signal, blend; print(hasattr(os, 'O_NOFOLLOW'))"]
    assert subprocess.run(probe, env=bare, capture_output=True, text=True, check=True).stdout == "False\n"
    words = [
        "batch",
        "galaxy-moonlit",
        str(target),
        "--out",
        str(tmp_path / "out"),
        "--log",
        str(tmp_path / "log"),
    ]
    done = subprocess.run([*COMMAND, *words], env=bare, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    one = [*COMMAND, "run", "galaxy-moonlit", str(target), "--quiet", "--out", str(tmp_path / "plain")]
    subprocess.run(one, check=True, capture_output=True)
    (made,) = (tmp_path / "out").glob("*/result.fits")
    assert made.read_bytes() == (tmp_path / "plain" / "result.fits").read_bytes()
    assert '"peak_mib": null' in made.with_name("record.json").read_text()
    assert '"peak_mib": null' not in (tmp_path / "plain" / "record.json").read_text()
    assert [entry.name for entry in (tmp_path / "out").glob(".blend-*")] in ([], [".blend-lock"])


@pytest.fixture
def like_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Give locks as Windows does: of a byte of an open file; folders cannot be opened."""
    flock, mode = system._fcntl.flock, system._fcntl.LOCK_EX | system._fcntl.LOCK_NB

    class Locks:
        LK_LOCK, LK_NBLCK = 1, 2

        @staticmethod
        def locking(handle: int, how: int, count: int) -> None:
            flock(handle, mode)

    monkeypatch.setattr(system, "_fcntl", None)
    monkeypatch.setattr(system, "_msvcrt", Locks)


def test_a_folder_is_locked_by_a_file_where_folders_cannot_be(like_windows: None, tmp_path: Path) -> None:
    hidden = tmp_path / ".blend-abc"
    hidden.mkdir()
    for folder, place in ((tmp_path, tmp_path / ".blend-hold"), (hidden, tmp_path / ".blend-hold.blend-abc")):
        with hold_lock(folder) as mine:
            assert mine and place.is_file()
            with hold_lock(folder, wait=False) as theirs:
                assert not theirs
        assert not place.exists()


def test_results_appear_whole_by_such_locks_too(like_windows: None, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with WholeFolder(out) as folder:
        folder.path_for("a.txt").write_text("a")
        remove_left_over(out)  # as another run would: this one lives
        assert folder.path_for("a.txt").read_text() == "a"
    assert [path.name for path in out.iterdir()] == ["a.txt"]
    (out / ".blend-dead00beef00").mkdir()
    (out / ".blend-dead00beef00" / "part").write_text("x")
    remove_left_over(out)
    assert [path.name for path in out.iterdir()] == ["a.txt"]
    with only_one(out), pytest.raises(Exception, match="another batch"), only_one(out):
        pass


def test_without_any_locks_what_others_may_need_is_left_alone(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(system, "_fcntl", None)
    (tmp_path / ".blend-dead00beef00").mkdir()
    remove_left_over(tmp_path)
    assert (tmp_path / ".blend-dead00beef00").is_dir()
    with only_one(tmp_path):
        pass


def test_a_link_is_no_lock_file(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "lock").symlink_to(tmp_path / "elsewhere")
    for _ in range(2):
        with pytest.raises(OSError), system.lock_file(tmp_path / "lock", wait=False):
            pass
        monkeypatch.delattr(os, "O_NOFOLLOW", raising=False)
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize(("name", "unit"), [("linux", 1024), ("darwin", 1)])
def test_the_peak_is_in_mib_whatever_the_system_counts_in(
    name: str, unit: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    usage = SimpleNamespace(ru_maxrss=300 * 2**20 // unit)
    fake = SimpleNamespace(RUSAGE_SELF=0, getrusage=lambda _: usage)
    monkeypatch.setattr(system, "_resource", fake)
    monkeypatch.setattr(sys, "platform", name)
    assert system.peak_mib() == 300


def test_windows_is_asked_for_its_working_set(monkeypatch: pytest.MonkeyPatch) -> None:
    class Call:
        def __init__(self, function: Any) -> None:
            self.function = function

        def __call__(self, *words: Any) -> Any:
            return self.function(*words)

    def fill(process: ctypes.c_void_p, counters: Any, size: int) -> int:
        assert size == ctypes.sizeof(system._Counters) == 8 + 8 * ctypes.sizeof(ctypes.c_size_t)
        counters._obj.WorkingSetSize, counters._obj.PeakWorkingSetSize = 100 * 2**20, 250 * 2**20
        return 1

    kernel = SimpleNamespace(GetCurrentProcess=Call(lambda: -1), K32GetProcessMemoryInfo=Call(fill))
    monkeypatch.setattr(ctypes, "windll", SimpleNamespace(kernel32=kernel), raising=False)
    monkeypatch.setattr(system, "_resource", None)
    monkeypatch.setattr(Path, "read_text", lambda *_, **__: "")  # no /proc
    assert (system.held_mib(), system.peak_mib()) == (100.0, 250)
    kernel.K32GetProcessMemoryInfo = Call(lambda *_: 0)
    assert (system.held_mib(), system.peak_mib()) == (None, None)


def test_memory_held_and_most_memory_are_of_one_kind() -> None:
    held, most = system.held_mib(), system.peak_mib()
    assert held is not None and most is not None
    assert 10.0 < held <= most + 1.0


def test_interrupts_come_back_after_a_start(monkeypatch: pytest.MonkeyPatch) -> None:
    before = signal.getsignal(signal.SIGINT)
    monkeypatch.delattr(signal, "pthread_sigmask")
    with system.deaf_to_interrupts():
        assert signal.getsignal(signal.SIGINT) == signal.SIG_IGN
    assert signal.getsignal(signal.SIGINT) == before


def test_a_target_called_like_a_device_gets_a_folder_of_another_name(tmp_path: Path) -> None:
    from blend.app.batch.plan import BatchOptions, plan_batch

    file = tmp_path / "con.target.toml"
    file.write_text('name = "con"\n[masters.rgb]\nlight = "a.fits"\n')
    (planned,) = plan_batch("galaxy-moonlit", [file], out=tmp_path, options=BatchOptions())
    assert Path(planned.job.out) == tmp_path / "con-target"
