"""The store: what is read is what was saved, or nothing."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import numpy as np
import pytest

from blend.base.errors import OutputError
from blend.files.store import ENTRY, DiskStore

ARRAYS = {"a": np.arange(12, dtype=np.float32).reshape(3, 4), "b": np.ones(5, dtype=np.uint8)}
DOCUMENT = {"x": 0.1, "names": ["red"]}


def test_what_is_saved_is_loaded_to_the_bit(tmp_path: Path) -> None:
    store = DiskStore(tmp_path)
    store.save("k", DOCUMENT, ARRAYS)
    document, arrays = store.load("k") or ({}, {})
    assert document == DOCUMENT
    assert all(np.array_equal(arrays[name], ARRAYS[name]) for name in ARRAYS)
    assert store.load("other") is None


@pytest.mark.parametrize("name", ["a.npy", "b.npy", ENTRY])
def test_any_damaged_byte_counts_as_no_entry(tmp_path: Path, name: str) -> None:
    store = DiskStore(tmp_path)
    store.save("k", DOCUMENT, ARRAYS)
    path = tmp_path / "k" / name
    sound = path.read_bytes()
    for place in (0, len(sound) // 2, len(sound) - 2):
        path.write_bytes(sound[:place] + bytes([sound[place] ^ 1]) + sound[place + 1 :])
        assert store.load("k") is None
    path.write_bytes(sound[:-1])
    assert store.load("k") is None
    store.save("k", DOCUMENT, ARRAYS)
    assert store.load("k") is not None, "a damaged entry is replaced"


def test_the_least_recently_used_entries_go_first(tmp_path: Path) -> None:
    big = {"a": np.zeros(1000, dtype=np.float32)}
    store = DiskStore(tmp_path, most_bytes=14_000)  # room for three, each 4128 bytes and its entry.json
    for age, key in enumerate(("first", "second", "third")):
        store.save(key, {}, big)
        os.utime(tmp_path / key / ENTRY, (1000 + age, 1000 + age))
    assert store.load("first") is not None  # now the most recently used
    store.save("fourth", {}, big)
    assert [store.load(key) is None for key in ("first", "second", "fourth")] == [False, True, False]
    store.save("huge", {}, {"a": np.zeros(10_000, dtype=np.float32)})
    assert store.load("huge") is None, "what is larger than the store is not kept"


def test_a_store_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError):
        DiskStore(tmp_path / "file" / "store").save("k", DOCUMENT, ARRAYS)


FULL_DISK = """
    import resource, signal, sys
    from pathlib import Path
    import numpy as np
    from blend.base.errors import OutputError
    from blend.files.store import DiskStore
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), int(sys.argv[2])))
    try:
        DiskStore(Path(sys.argv[1])).save("k", {}, {"a": np.ones(2000, np.float32), "b": np.ones(9000, np.float32)})
    except OutputError as fault:
        print(fault)
"""


@pytest.mark.parametrize("most_bytes", [0, 100, 8128, 20_000])
def test_a_disk_that_fills_at_any_byte_is_told_and_leaves_nothing(tmp_path: Path, most_bytes: int) -> None:
    # The system refuses to let a file grow, as a full disk does: in the first array, at its end, in the second.
    code = [sys.executable, "-c", textwrap.dedent(FULL_DISK), str(tmp_path), str(most_bytes)]
    told = subprocess.run(code, capture_output=True, text=True, check=True).stdout
    assert str(tmp_path) in told and "could not be written" in told and "make room" in told
    assert list(tmp_path.iterdir()) == []
    store = DiskStore(tmp_path)
    assert store.load("k") is None
    store.save("k", DOCUMENT, ARRAYS)
    assert store.load("k") is not None, "the next one that finds room is kept"


def test_a_rename_that_fails_is_told_unless_another_was_faster(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = DiskStore(tmp_path)
    rename = Path.rename

    def refuse(self: Path, target: Path) -> Path:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    def be_late(self: Path, target: Path) -> Path:
        monkeypatch.setattr(Path, "rename", rename)
        DiskStore(tmp_path).save("k", DOCUMENT, ARRAYS)
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", refuse)
    with pytest.raises(OutputError, match="no space left"):
        store.save("k", DOCUMENT, ARRAYS)
    monkeypatch.setattr(Path, "rename", be_late)
    store.save("k", DOCUMENT, ARRAYS)
    assert [path.name for path in tmp_path.iterdir()] == ["k"]
    assert store.load("k") is not None


KILLED_AT_EVERY_CALL = """
    import os, signal, sys
    from pathlib import Path
    import numpy as np
    from blend.files.store import DiskStore
    wanted = np.arange(5000, dtype=np.float32)
    last, killed = 0, True
    while killed:
        last += 1
        store = DiskStore(Path(sys.argv[1]) / str(last))
        child = os.fork()
        if child == 0:
            left = [last]
            def count(event, arguments):
                if event == "open" or event.startswith(("os.", "shutil.", "fcntl.")):
                    left[0] -= 1
                    if left[0] == 0:
                        os.kill(os.getpid(), signal.SIGKILL)
            sys.addaudithook(count)
            store.save("k", {}, {"a": wanted, "b": wanted[:9]})
            os._exit(0)
        killed = os.waitpid(child, 0)[1] != 0
        kept = store.load("k")
        assert kept is None or (kept[1]["a"] == wanted).all()
        print(int(killed), int(kept is not None))
        store.save("k", {}, {"a": wanted, "b": wanted[:9]})
        assert store.load("k") is not None
        assert [path.name for path in store.folder.iterdir()] == ["k"], "left over"
"""


def test_a_writer_killed_at_any_call_to_the_system_leaves_all_or_nothing(tmp_path: Path) -> None:
    code = [sys.executable, "-c", textwrap.dedent(KILLED_AT_EVERY_CALL), str(tmp_path)]
    done = subprocess.run(code, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    told = [line.split() for line in done.stdout.splitlines()]
    # Killed before the entry was in place, killed after it, and in the end not killed.
    assert ["1", "0"] in told and ["1", "1"] in told and told[-1] == ["0", "1"]
    assert len(told) > 12


SAVE_FOREVER = """
    import sys
    from pathlib import Path
    import numpy as np
    from blend.files.store import DiskStore
    store = DiskStore(Path(sys.argv[1]), most_bytes=30_000_000)
    print("ready", flush=True)
    for turn in range(1000):
        store.save(f"k{turn % 5}", {"turn": turn}, {"a": np.full(200_000, turn % 5, np.float32)})
"""


def test_killed_and_simultaneous_writers_leave_only_whole_entries(tmp_path: Path) -> None:
    code = [sys.executable, "-c", textwrap.dedent(SAVE_FOREVER), str(tmp_path)]
    writers = [subprocess.Popen(code, stdout=subprocess.PIPE) for _ in range(2)]
    for writer in writers:
        assert writer.stdout is not None and writer.stdout.readline() == b"ready\n"
    store, seen = DiskStore(tmp_path, most_bytes=30_000_000), 0
    end = time.monotonic() + 60.0
    while seen < 10 and time.monotonic() < end:
        for turn in range(5):
            loaded = store.load(f"k{turn}")
            if loaded is not None:
                seen += 1
                assert (loaded[1]["a"] == turn).all()
    for writer in writers:
        writer.send_signal(signal.SIGKILL)
        writer.wait()
    assert seen >= 10
    store.save("after", DOCUMENT, ARRAYS)
    left = [path.name for path in tmp_path.iterdir() if path.name.startswith(".blend-")]
    assert left == [], "what killed writers left is taken away by the next"
