"""Promises of DEVELOPERS.md under faults: kills at random moments, a full disk, changed files, two batches at once.

    python tests/faults.py [--kills N] [--seed N]

Draws two tiny nights, makes one undisturbed batch of them, then disturbs others. After each fault: every file under
a final name is whole, inputs are untouched, and a run to the end leaves the bytes of the undisturbed batch. Prints a
line a fault and the sum; ends with 1 when a promise was broken.

`blend run` is started by a fork of this process, in which everything is imported and compiled, so that a run takes a
second and a kill meets reading, working and writing rather than imports. Of ten kills eight meet such a run, one a
whole `blend batch` and one a worker of a batch; both are started from nothing. Do not edit the package meanwhile: the
record holds a hash of the code.
"""

from __future__ import annotations

import argparse
import gc
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
from functools import partial
from pathlib import Path

from blend.app.cli import main as blend_main
from blend.app.demo import write_night
from blend.science.simulate import SceneOptions, simulate_night

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]
BATCH = ["batch", "galaxy-moonlit", "night", "--out", "out", "--jobs", "2", "--quiet"]
RUN = ["run", "galaxy-moonlit", "night/t-0/lantern-spiral.target.toml", "--out", "out/t-0", "--threads", "1"]
PATIENCE_S = 600.0


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


class Forked:
    """A `blend` of its own process group, forked from this process; what it says goes to a file."""

    def __init__(self, words: list[str], *, folder: Path, said: Path, before: Callable[[], None]) -> None:
        self.said = said
        gc.freeze()
        self.pid = os.fork()
        if self.pid == 0:
            try:
                os.setsid()
                os.chdir(folder)
                handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                os.dup2(handle, 1)
                os.dup2(handle, 2)
                before()
                sys.argv = ["blend", *words]
                blend_main()
            finally:
                os._exit(70)

    def end(self) -> tuple[int, str]:
        """Wait; return the exit code (a signal's number is negative) and all it said."""
        _, status = os.waitpid(self.pid, 0)
        return os.waitstatus_to_exitcode(status), self.said.read_text(errors="replace")


class Bench:
    """A folder with nights, the undisturbed results, and the findings so far."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.random = folder, random.Random(seed)
        self.out = folder / "out"
        self.cases, self.longest, self.largest = 0, 0.0, 0.0
        self.broken: list[str] = []
        for index in range(2):
            night = simulate_night(SceneOptions(seed=index + 1, rows=300, columns=450))
            file = write_night(night, folder / "night" / f"t-{index}")
            file.write_text(file.read_text().replace("lantern-spiral", f"t-{index}", 1))
        self.inputs = {path: digest(path) for path in (folder / "night").rglob("*") if path.is_file()}
        self.warm()
        start = time.monotonic()
        code, said = self.call(BATCH)
        self.usual = time.monotonic() - start
        self.right = results(self.out)
        assert code == 0 and len(self.right) >= 14, (code, said, self.right)
        shutil.move(self.out, folder / "right")
        start = time.monotonic()
        code, said = self.run(RUN)
        self.usual_run = time.monotonic() - start
        assert code == 0, said
        self.complete("an undisturbed run")

    def warm(self) -> None:
        """Import and compile in this process whatever a run needs, without leaving threads behind."""
        from blend.app.batchjob import Job, do_job

        place = self.folder / "night" / "t-0" / "lantern-spiral.target.toml"
        out = str(self.folder / "warm")
        verdict = do_job(Job(name="t-0", recipe="galaxy-moonlit", target=str(place), out=out))
        assert verdict.state == "done", verdict.reason

    def start(self, words: list[str]) -> subprocess.Popen[str]:
        """Start blend from nothing, in a session of its own."""
        pipe = subprocess.PIPE
        return subprocess.Popen(
            [*BLEND, *words], cwd=self.folder, text=True, stdout=pipe, stderr=pipe, start_new_session=True
        )

    def fork(self, words: list[str], before: Callable[[], None] = lambda: None) -> Forked:
        """Start blend by a fork of this process."""
        return Forked(words, folder=self.folder, said=self.folder / "said", before=before)

    def run(self, words: list[str], before: Callable[[], None] = lambda: None) -> tuple[int, str]:
        """Run a forked blend to its end; return the exit code and all it said."""
        start = time.monotonic()
        ended = self.fork(words, before).end()
        self.note(start)
        return ended

    def call(self, words: list[str]) -> tuple[int, str]:
        """Run blend from nothing to its end; return the exit code and all it said."""
        start = time.monotonic()
        child = self.start(words)
        said = "".join(child.communicate(timeout=PATIENCE_S))
        self.note(start)
        return child.returncode, said

    def note(self, start: float) -> None:
        """Remember the longest and the largest."""
        self.longest = max(self.longest, time.monotonic() - start)
        self.largest = max(self.largest, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024)

    def expect(self, truth: object, what: str) -> None:
        """Note a broken promise."""
        if not truth:
            self.broken.append(what)
            print(f"BROKEN: {what}", flush=True)

    def look(self, what: str) -> None:
        """Hold what is there against the promises."""
        self.cases += 1
        now = results(self.out)
        wrong = [name for name, found in now.items() if self.right.get(name) != found]
        self.expect(not wrong, f"{what}: not whole or not right: {wrong}")
        for path in self.out.glob("t-*/record.json"):
            for entry in json.loads(path.read_text())["outputs"]:
                file = path.parent / entry["path"]
                whole = file.is_file() and hashlib.sha256(file.read_bytes()).hexdigest() == entry["sha256"]
                self.expect(whole, f"{what}: {path} vouches for {entry['path']}, which is not that")
        touched = [str(path) for path, found in self.inputs.items() if digest(path) != found]
        self.expect(not touched, f"{what}: inputs changed: {touched}")

    def complete(self, what: str, *, batch: bool = False) -> None:
        """Run to the end, hold against the undisturbed batch, and start anew."""
        code, said = self.call(BATCH) if batch else self.run(RUN)
        self.expect(code == 0, f"{what}: the run afterwards ended with {code}: {said[-500:]}")
        right = {name: found for name, found in self.right.items() if batch or name.startswith("t-0")}
        now = results(self.out)
        other = sorted(name for name in right.keys() | now.keys() if right.get(name) != now.get(name))
        self.expect(not other, f"{what}: other bytes afterwards: {other}")
        left = [str(path) for path in self.out.glob("*/.blend-*")]
        self.expect(not left, f"{what}: left over: {left}")
        shutil.rmtree(self.out, ignore_errors=True)


def kills(bench: Bench, count: int) -> None:
    """Kill runs, batches and workers at random moments."""
    for number in range(count):
        kind = {4: "batch", 9: "worker"}.get(number % 10, "run")
        if kind == "run":
            kill_run(bench)
        elif kind == "batch":
            kill_batch(bench)
        else:
            kill_worker(bench)
        bench.look(f"kill {number} of a {kind}")
        # after a run the next one resumes what this one left, until the third
        if kind != "run" or number % 10 in (3, 8) or number == count - 1:
            bench.complete(f"kill {number} of a {kind}", batch=kind != "run")


def kill_run(bench: Bench) -> None:
    """Kill a run somewhere; half of them late, when results are written."""
    child = bench.fork(RUN)
    early = bench.random.random() < 0.5
    time.sleep(bench.random.uniform(0.0 if early else 0.6, 1.05) * bench.usual_run)
    os.kill(child.pid, signal.SIGKILL)
    child.end()


def kill_batch(bench: Bench) -> None:
    """Kill a batch somewhere; its workers must end with it."""
    child = bench.start(BATCH)
    time.sleep(bench.random.uniform(0.3, 1.0) * bench.usual)
    child.kill()
    child.communicate(timeout=PATIENCE_S)
    deadline = time.monotonic() + 60.0
    while alive(child.pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    bench.expect(not alive(child.pid), "batch killed: workers live on")


def kill_worker(bench: Bench) -> None:
    """Kill a worker somewhere; its target gets one more try."""
    child = bench.start(BATCH)
    time.sleep(bench.random.uniform(0.3, 1.0) * bench.usual)
    inner = Path(f"/proc/{child.pid}/task/{child.pid}/children")
    found = inner.read_text().split() if inner.exists() else []
    if found:
        os.kill(int(bench.random.choice(found)), signal.SIGKILL)
    said = "".join(child.communicate(timeout=PATIENCE_S))
    bench.expect(child.returncode == 0, f"worker killed: ended with {child.returncode}: {said[-300:]}")


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
    """Files may not grow beyond a limit, the smallest, a middle and the largest result."""
    sizes = sorted(path.stat().st_size for path in (bench.folder / "right" / "t-0").iterdir())
    for limit in (1_000, sizes[len(sizes) // 2], sizes[-1] - 1):
        code, said = bench.run(RUN, partial(resource.setrlimit, resource.RLIMIT_FSIZE, (limit, limit)))
        bench.expect(code == 5, f"file size limit {limit}: ended with {code}: {said[-300:]}")
        bench.expect("Traceback" not in said, f"file size limit {limit}: a traceback")
        bench.look(f"file size limit {limit}")
    bench.complete("file size limit")


def small_tmpfs(bench: Bench) -> None:
    """A file system of 1 MB, where a mount namespace may be made."""
    bench.out.mkdir()
    script = 'mount -t tmpfs -o size=1m tmpfs out && exec "$@"'
    words = ["unshare", "-Urm", "sh", "-c", script, "sh", *BLEND, *RUN]
    try:
        done = subprocess.run(words, cwd=bench.folder, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        done = subprocess.CompletedProcess(words, 1, "", "unshare: not there")
    if "unshare:" in done.stderr or "mount:" in done.stderr:
        print("small tmpfs: not possible here, left out")
    else:
        bench.expect(done.returncode == 5, f"small tmpfs: ended with {done.returncode}: {done.stderr[-300:]}")
        bench.expect("Traceback" not in done.stderr, "small tmpfs: a traceback")
        bench.cases += 1
    bench.complete("small tmpfs")


def changed_inputs(bench: Bench) -> None:
    """Truncated and flipped bytes, an empty file, one replaced while it is read."""
    path = bench.folder / "night" / "t-0" / "rgb-light.fits"
    data = path.read_bytes()
    flipped = bytearray(data)
    flipped[30] ^= 0xFF
    for what, made in (("truncated", data[: len(data) // 2]), ("flipped", bytes(flipped)), ("emptied", b"")):
        path.write_bytes(made)
        code, said = bench.run(RUN)
        path.write_bytes(data)
        bench.expect(code == 3 and "rgb-light" in said, f"{what} input: ended with {code}: {said[-300:]}")
        bench.look(f"{what} input")
    child = bench.fork(RUN)
    deadline = time.monotonic() + PATIENCE_S
    while "calibrate" not in child.said.read_text(errors="replace") and time.monotonic() < deadline:
        time.sleep(0.01)
    other = path.with_suffix(".new")
    other.write_bytes(bytes(data[:-4]) + b"\0\0\0\1")
    other.replace(path)
    code, said = child.end()
    path.write_bytes(data)
    bench.expect(code == 3, f"replaced input: ended with {code}: {said[-300:]}")
    bench.expect("replaced" in said, "replaced input: not told")
    bench.look("replaced input")
    bench.complete("replaced input")


def two_batches(bench: Bench) -> None:
    """A second batch on the same folder is refused, the first goes on."""
    first = bench.start(BATCH)
    deadline = time.monotonic() + PATIENCE_S
    while not list(bench.out.glob("t-*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    code, said = bench.run(BATCH)
    told = "another batch works in this folder" in said
    bench.expect(code == 5 and told, f"two batches: {code}: {said[-300:]}")
    first.communicate()
    bench.expect(first.returncode == 0, f"two batches: the first ended with {first.returncode}")
    bench.look("two batches")
    bench.expect(results(bench.out) == bench.right, "two batches: other bytes")
    shutil.rmtree(bench.out)


def moved_clock(bench: Bench) -> None:
    """Results from tomorrow and from 1980 are judged by their bytes, not by their dates."""
    shutil.copytree(bench.folder / "right", bench.out)
    for moved in (86_400.0, -1.4e9):
        for path in bench.out.rglob("*"):
            os.utime(path, (time.time() + moved,) * 2)
        code, said = bench.run(BATCH)
        bench.expect(code == 0 and "2 unchanged" in said, f"moved clock: {code}: {said[-300:]}")
        bench.look("moved clock")
    broken = bench.out / "t-0" / "linear.fits"
    data = bytearray(broken.read_bytes())
    data[-9] ^= 1
    broken.write_bytes(data)
    bench.cases += 1
    bench.complete("a result with a flipped bit", batch=True)


def forbidden(bench: Bench) -> None:
    """No permission to write; as root this needs another user, and is left out without one."""
    bench.out.mkdir()
    bench.out.chmod(0o555)
    bench.folder.chmod(0o755)

    def nobody() -> None:
        if os.getuid() == 0:
            os.setgid(65534)
            os.setuid(65534)

    code, said = bench.run(RUN, nobody)
    bench.out.chmod(0o755)
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
        used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        print(
            f"faults: {bench.cases} cases, {options.kills} of them kills; faults found {len(bench.broken)}; "
            f"longest {bench.longest:.1f} s; largest memory {bench.largest:.0f} MiB; "
            f"{sum(u.ru_utime + u.ru_stime for u in used):.0f} s of processor time"
        )
        raise SystemExit(1 if bench.broken else 0)


if __name__ == "__main__":
    main()
