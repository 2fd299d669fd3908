"""Promises of DEVELOPERS.md under faults: kills at random moments, a full disk, changed files, two batches at once.

    python tests/faults.py [--kills N] [--seed N]

Draws two small nights, makes one undisturbed batch of them, then disturbs others. After each fault: every file under
a final name is whole, inputs are untouched, and a run to the end leaves the bytes of the undisturbed batch. Prints a
line a fault and the sum; ends with 1 when a promise was broken.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from blend.app.demo import write_night
from blend.science.simulate import SceneOptions, simulate_night

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]
BATCH = ["batch", "galaxy-moonlit", "night", "--out", "out", "--jobs", "2", "--quiet"]
RUN = ["run", "galaxy-moonlit", "night/t-0/lantern-spiral.target.toml", "--out", "out/t-0", "--quiet"]


def digest(path: Path) -> str:
    """Return a file's SHA-256, of a record without what may vary."""
    data = path.read_bytes()
    if path.name == "record.json":
        told = json.loads(data)
        for key in ("seconds", "peak_mib"):
            told.pop(key)
        # the page tells the command, and differs between run and batch
        told["outputs"] = [entry for entry in told["outputs"] if entry["path"] != "report.html"]
        data = json.dumps(told).encode()
    return hashlib.sha256(data).hexdigest()


def results(out: Path) -> dict[str, str]:
    """Return what stands under final names in the folders of the targets."""
    found = {}
    for path in sorted(out.glob("t-*/**/*")):
        inside = path.relative_to(out)
        hidden = any(part.startswith(".blend-") for part in inside.parts)
        if path.is_file() and not hidden and path.name != "report.html":
            found[str(inside)] = digest(path)
    return found


class Bench:
    """A folder with nights, the undisturbed results, and the findings so far."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.random = folder, random.Random(seed)
        self.cases, self.broken, self.longest, self.largest = 0, [], 0.0, 0.0
        for index in range(2):
            night = simulate_night(SceneOptions(seed=index + 1, rows=300, columns=450))
            file = write_night(night, folder / "night" / f"t-{index}")
            file.write_text(file.read_text().replace("lantern-spiral", f"t-{index}", 1))
        self.inputs = {path: digest(path) for path in (folder / "night").rglob("*") if path.is_file()}
        self.call(BATCH)  # compiles what is not compiled yet
        shutil.rmtree(folder / "out")
        start = time.monotonic()
        self.call(BATCH)
        self.usual = time.monotonic() - start
        self.right = results(folder / "out")
        assert len(self.right) >= 14, self.right
        shutil.move(folder / "out", folder / "right")

    def start(self, words: list[str], **more: object) -> subprocess.Popen[str]:
        """Start blend in a session of its own."""
        return subprocess.Popen(
            [*BLEND, *words],
            cwd=self.folder,
            text=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
            **more,  # type: ignore[call-overload]
        )

    def call(self, words: list[str], **more: object) -> tuple[int, str]:
        """Run blend to its end; return the exit code and all it said."""
        start = time.monotonic()
        child = self.start(words, **more)
        said = "".join(child.communicate(timeout=600))
        self.longest = max(self.longest, time.monotonic() - start)
        self.largest = max(self.largest, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)
        return child.returncode, said

    def expect(self, truth: object, what: str) -> None:
        """Note a broken promise."""
        if not truth:
            self.broken.append(what)
            print(f"BROKEN: {what}", flush=True)

    def look(self, what: str) -> None:
        """Hold what is there against the promises."""
        self.cases += 1
        now = results(self.folder / "out")
        wrong = [name for name, found in now.items() if self.right.get(name) != found]
        self.expect(not wrong, f"{what}: not whole or not right: {wrong}")
        for path in (self.folder / "out").glob("t-*/record.json"):
            for entry in json.loads(path.read_text())["outputs"]:
                file = path.parent / entry["path"]
                whole = file.is_file() and hashlib.sha256(file.read_bytes()).hexdigest() == entry["sha256"]
                self.expect(whole, f"{what}: {path} vouches for {entry['path']}, which is not that")
        touched = [str(path) for path, found in self.inputs.items() if digest(path) != found]
        self.expect(not touched, f"{what}: inputs changed: {touched}")

    def complete(self, what: str) -> None:
        """Run to the end and hold against the undisturbed batch."""
        code, said = self.call(BATCH)
        self.expect(code == 0, f"{what}: the run afterwards ended with {code}: {said[-500:]}")
        self.expect(results(self.folder / "out") == self.right, f"{what}: other bytes afterwards")
        left = [str(path) for path in (self.folder / "out").glob("*/.blend-*")]
        self.expect(not left, f"{what}: left over: {left}")
        shutil.rmtree(self.folder / "out", ignore_errors=True)


def kills(bench: Bench, count: int) -> None:
    """Kill runs, batches and workers at random moments."""
    for number in range(count):
        kind = ("batch", "run", "worker")[number % 3]
        child = bench.start(RUN if kind == "run" else BATCH)
        time.sleep(bench.random.uniform(0.2, bench.usual))
        if kind == "worker":
            inner = Path(f"/proc/{child.pid}/task/{child.pid}/children")
            found = inner.read_text().split() if inner.exists() else []
            if found:
                os.kill(int(bench.random.choice(found)), signal.SIGKILL)
            child.communicate(timeout=600)
            bench.expect(child.returncode in (0, 4), f"worker killed: ended with {child.returncode}")
        else:
            child.kill()
            child.communicate(timeout=60)
            deadline = time.monotonic() + 60.0
            while alive(child.pid) and time.monotonic() < deadline:
                time.sleep(0.05)
            bench.expect(not alive(child.pid), f"{kind} killed: workers live on")
        bench.look(f"kill {number} of a {kind}")
        if number % 5 == 4 or number == count - 1:
            bench.complete(f"kill {number} of a {kind}")


def alive(group: int) -> bool:
    """Return whether a process of the group is there that is no zombie."""
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == group and fields[0] != "Z":
            return True
    return False


def full_disk(bench: Bench) -> None:
    """Files may not grow beyond a limit."""
    for limit in (1_000, 200_000, 1_000_000):
        code, said = bench.call(
            BATCH, preexec_fn=lambda limit=limit: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        )
        bench.expect(code in (4, 5), f"file size limit {limit}: ended with {code}: {said[-300:]}")
        bench.expect("Traceback" not in said, f"file size limit {limit}: a traceback")
        bench.look(f"file size limit {limit}")
    bench.complete("file size limit")


def small_tmpfs(bench: Bench) -> None:
    """A file system of 3 MB, where a mount namespace may be made."""
    (bench.folder / "out").mkdir()
    script = 'mount -t tmpfs -o size=3m tmpfs out && exec "$@"'
    words = ["unshare", "-Urm", "sh", "-c", script, "sh", *BLEND, *BATCH]
    done = subprocess.run(words, cwd=bench.folder, capture_output=True, text=True, check=False)
    if "unshare" in done.stderr or "mount:" in done.stderr:
        print("small tmpfs: not possible here, left out")
    else:
        bench.expect(done.returncode in (4, 5), f"small tmpfs: ended with {done.returncode}")
        bench.expect("Traceback" not in done.stderr, "small tmpfs: a traceback")
        bench.cases += 1
    bench.complete("small tmpfs")


def changed_inputs(bench: Bench) -> None:
    """Truncated and flipped bytes, a missing file, one replaced while it is read."""
    path = bench.folder / "night" / "t-0" / "rgb-light.fits"
    data = path.read_bytes()
    flipped = bytearray(data)
    flipped[30] ^= 0xFF
    for what, made in (("truncated", data[: len(data) // 2]), ("flipped", bytes(flipped)), ("emptied", b"")):
        path.write_bytes(made)
        code, said = bench.call(BATCH)
        path.write_bytes(data)
        bench.expect(code == 4 and "t-0" in said, f"{what} input: ended with {code}: {said[-300:]}")
        bench.expect(
            "1 done" in said or "1 unchanged" in said, f"{what} input: the other target was not done"
        )
        bench.look(f"{what} input")
    bench.complete("changed inputs")
    words = [word for word in RUN if word != "--quiet"]
    child = bench.start(words)
    assert child.stderr is not None
    for line in child.stderr:
        if "calibrate" in line:
            other = path.with_suffix(".new")
            other.write_bytes(bytes(data[:-4]) + b"\0\0\0\1")
            other.replace(path)
            break
    said = "".join(child.communicate())
    path.write_bytes(data)
    bench.expect(child.returncode == 3, f"replaced input: ended with {child.returncode}: {said[-300:]}")
    bench.expect("replaced" in said, "replaced input: not told")
    bench.look("replaced input")
    bench.complete("replaced input")


def two_batches(bench: Bench) -> None:
    """A second batch on the same folder is refused, the first goes on."""
    first = bench.start(BATCH)
    deadline = time.monotonic() + 120.0
    while not list((bench.folder / "out").glob("t-*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    code, said = bench.call(BATCH)
    bench.expect(
        code == 5 and "another batch works in this folder" in said, f"two batches: {code}: {said[-300:]}"
    )
    first.communicate()
    bench.expect(first.returncode == 0, f"two batches: the first ended with {first.returncode}")
    bench.look("two batches")
    bench.complete("two batches")


def moved_clock(bench: Bench) -> None:
    """Results from tomorrow and from 1980 are judged by their bytes, not by their dates."""
    shutil.copytree(bench.folder / "right", bench.folder / "out")
    for moved in (86_400.0, -1.4e9):
        for path in (bench.folder / "out").rglob("*"):
            os.utime(path, (time.time() + moved,) * 2)
        code, said = bench.call(BATCH)
        bench.expect(code == 0 and "2 unchanged" in said, f"moved clock: {code}: {said[-300:]}")
        bench.look("moved clock")
    broken = bench.folder / "out" / "t-0" / "linear.fits"
    data = bytearray(broken.read_bytes())
    data[-9] ^= 1
    broken.write_bytes(data)
    bench.cases += 1
    bench.complete("a result with a flipped bit")


def forbidden(bench: Bench) -> None:
    """No permission to write or to read; as root this needs another user, and is left out without one."""
    out = bench.folder / "out"
    out.mkdir()
    out.chmod(0o555)
    bench.folder.chmod(0o755)
    more: dict[str, object] = {}
    if os.getuid() == 0:
        more = {"user": 65534, "group": 65534, "env": {**os.environ, "HOME": "/nonexistent"}}
    code, said = bench.call(BATCH, **more)
    out.chmod(0o755)
    if code == 1 and "Permission" in said and "Traceback" in said:
        print("no permission: no other user can start python here, left out")
    else:
        bench.expect(code == 5, f"no permission: ended with {code}: {said[-300:]}")
        bench.look("no permission")
    bench.complete("no permission")


def main() -> None:
    """Disturb, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="blend-faults-") as name:
        bench = Bench(Path(name), options.seed)
        trials: tuple[Callable[[Bench], None], ...] = (
            full_disk,
            small_tmpfs,
            changed_inputs,
            two_batches,
            moved_clock,
            forbidden,
        )
        for trial in trials:
            before = len(bench.broken)
            trial(bench)
            print(f"{trial.__name__}: {'kept' if len(bench.broken) == before else 'BROKEN'}", flush=True)
        kills(bench, options.kills)
        print(
            f"faults: {bench.cases} cases, {options.kills} of them kills; faults found {len(bench.broken)}; "
            f"longest {bench.longest:.1f} s; largest memory {bench.largest:.0f} MiB"
        )
        raise SystemExit(1 if bench.broken else 0)


if __name__ == "__main__":
    main()
