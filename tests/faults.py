"""Promises of docs/faults.md: kills at random moments, a full disk, changed files, two batches at once.

    python tests/faults.py [--kills N] [--seed N]

Draws two tiny nights, makes one undisturbed batch of them, then disturbs others. After each fault: every file under
a final name is whole, inputs are untouched, and a run to the end leaves the bytes of the undisturbed batch. Prints a
line a fault and the sum; ends with 1 when a promise was broken.

Most are started by a fork of this process, in which everything is imported and compiled: a run then takes a second,
and a kill meets reading, working and writing rather than imports. Of twenty kills fourteen meet a `blend run`, half of
these while it writes its results or renames them, three a `blend batch` and three a worker of one; one of each three is
started from nothing, its workers by spawn. Do not edit the package meanwhile: the record holds a hash of the code.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import hashlib
import json
import multiprocessing as mp
import os
import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path

from blend.app.cli import main as blend_main
from blend.app.demo.demo import write_night
from blend.science.simulated.night import SceneOptions, simulate_night

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]
BATCH = ["batch", "recipe.toml", "night", "--out", "out", "--jobs", "2", "--quiet"]
RUN = ["run", "recipe.toml", "night/t-0/lantern-spiral.target.toml", "--out", "out/t-0", "--threads"]
PATIENCE_S = 600.0
KINDS = {
    3: "batch from nothing",
    6: "batch",
    9: "worker",
    13: "worker from nothing",
    16: "batch",
    19: "worker",
}
# Every step that writes something, and none that thinks long: what is tried here are files.
RECIPE = """version = 1
[gradient]
model = "none"
[continuum.ha]
from = "red"
scale = 0.2
[blend.red]
into = "red"
from = "ha.emission"
formula = "emission-add"
[output]
formats = ["fits", "tiff", "png"]
"""


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


def fork_workers() -> None:
    """Have the workers of a batch forked from it, warm as it is; for a process that does nothing else."""
    fork = mp.get_context("fork")
    mp.get_context = lambda method=None: fork  # type: ignore[assignment]


class Forked:
    """A `blend` of its own process group, forked from this process; what it says goes to a file."""

    def __init__(self, words: list[str], *, folder: Path, said: Path, before: Callable[[], object]) -> None:
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
                fork_workers()
                before()
                sys.argv = ["blend", *words]
                blend_main()
            finally:
                os._exit(70)

    def end(self) -> tuple[int, str]:
        """Wait; return the exit code (a signal's number is negative) and all it said."""
        _, status = os.waitpid(self.pid, 0)
        return os.waitstatus_to_exitcode(status), self.heard()

    def heard(self) -> str:
        """Return what it has said so far."""
        return self.said.read_text(errors="replace") if self.said.exists() else ""

    def reach(self, word: str) -> None:
        """Wait until it has said a word, or has ended."""
        deadline = time.monotonic() + PATIENCE_S
        while word not in self.heard() and time.monotonic() < deadline:
            if self.over():
                return
            time.sleep(0.002)

    def over(self) -> bool:
        """Return whether it has ended; its exit code is still to be had."""
        return os.waitid(os.P_PID, self.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


Started = Forked | subprocess.Popen[str]


class StepCache:
    """A folder with nights, the undisturbed results, and the findings so far."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.random = folder, random.Random(seed)
        self.out = folder / "out"
        self.cases, self.longest, self.largest = 0, 0.0, 0.0
        self.forks, self.met, self.met_writing, self.met_renaming = 0, 0, 0, 0
        self.broken: list[str] = []
        (folder / "recipe.toml").write_text(RECIPE)
        for index in range(2):
            night = simulate_night(SceneOptions(seed=index + 1, rows=200, columns=300))
            file = write_night(night, folder / "night" / f"t-{index}")
            file.write_text(file.read_text().replace("lantern-spiral", f"t-{index}", 1))
        self.inputs = {path: digest(path) for path in (folder / "night").rglob("*") if path.is_file()}
        self.warm()
        start = time.monotonic()
        code, said = self.call([*BATCH, "--jobs", "1"])
        self.usual_from_nothing = time.monotonic() - start
        self.right = results(self.out)
        assert code == 0 and len(self.right) >= 14, (code, said, self.right)
        shutil.move(self.out, folder / "right")
        self.usual_run, self.usual_write = self.measure()
        start = time.monotonic()
        self.complete("an undisturbed batch", batch=True)
        self.usual = time.monotonic() - start

    def measure(self) -> tuple[float, float]:
        """Return the seconds of an undisturbed run, and of its writing."""
        start = time.monotonic()
        child = self.fork([*RUN, "2"])
        child.reach("write")
        begun = time.monotonic()
        code, said = child.end()
        assert code == 0, said
        ended = time.monotonic()
        self.complete("an undisturbed run")
        return ended - start, ended - begun

    def warm(self) -> None:
        """Import and compile in this process whatever a run needs, without leaving threads behind."""
        from blend.app.batch.job import Job, do_job

        place = self.folder / "night" / "t-0" / "lantern-spiral.target.toml"
        out = str(self.folder / "warm")
        verdict = do_job(Job(name="t-0", recipe=str(self.folder / "recipe.toml"), target=str(place), out=out))
        assert verdict.state == "done", verdict.reason

    def start(self, words: list[str]) -> subprocess.Popen[str]:
        """Start blend from nothing, in a session of its own."""
        pipe = subprocess.PIPE
        return subprocess.Popen(
            [*BLEND, *words], cwd=self.folder, text=True, stdout=pipe, stderr=pipe, start_new_session=True
        )

    def fork(self, words: list[str], before: Callable[[], object] = lambda: None) -> Forked:
        """Start blend by a fork of this process; a run takes one thread or two by turns."""
        rest = words[len(RUN) :]
        if words[: len(RUN)] == RUN and not (rest and rest[0].isdigit()):
            words = [*RUN, str(1 + self.cases % 2), *rest]
        self.forks += 1
        said = self.folder / f"said-{self.forks}"
        return Forked(words, folder=self.folder, said=said, before=before)

    def run(self, words: list[str], before: Callable[[], object] = lambda: None) -> tuple[int, str]:
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

    def complete(self, what: str, *, batch: bool = False, more: Sequence[str] = ()) -> None:
        """Run to the end, hold against the undisturbed batch, and start anew."""
        code, said = self.run([*(BATCH if batch else RUN), *more])
        self.expect(code == 0, f"{what}: the run afterwards ended with {code}: {said[-500:]}")
        right = {name: found for name, found in self.right.items() if batch or name.startswith("t-0")}
        now = results(self.out)
        other = sorted(name for name in right.keys() | now.keys() if right.get(name) != now.get(name))
        self.expect(not other, f"{what}: other bytes afterwards: {other}")
        left = [str(path) for path in self.out.glob("*/.blend-*")]
        self.expect(not left, f"{what}: left over: {left}")
        shutil.rmtree(self.out, ignore_errors=True)


def kills(bench: StepCache, count: int) -> None:
    """Kill runs, batches and workers at random moments."""
    for number in range(count):
        kind = KINDS.get(number % 20, "run")
        child = bench.start(BATCH) if "nothing" in kind else bench.fork(RUN if kind == "run" else BATCH)
        if kind == "run":
            kill_run(bench, child, when=("write", "", "rename", "")[number % 4])
        elif kind.startswith("batch"):
            kill_batch(bench, child)
        else:
            kill_worker(bench, child)
        bench.look(f"kill {number} of a {kind}")
        # after a run the next one resumes what this one left
        if kind != "run" or number % 20 in (1, 5, 8, 11, 15, 18) or number == count - 1:
            bench.complete(f"kill {number} of a {kind}", batch=kind != "run")


def kill_run(bench: StepCache, child: Started, *, when: str) -> None:
    """Kill a run somewhere, or while it writes, or about the moment when its results get their final names."""
    assert isinstance(child, Forked)
    if when == "write":
        child.reach("write")
        time.sleep(bench.random.uniform(0.0, 1.0) * bench.usual_write)
    elif when == "rename":
        child.reach("write")
        deadline = time.monotonic() + PATIENCE_S
        # no rest between two looks: all names are given within a few milliseconds
        while not (bench.out / "t-0" / "linear.fits").exists() and time.monotonic() < deadline:
            if child.over():
                break
        time.sleep(bench.random.uniform(0.0, 0.001))
    else:
        time.sleep(bench.random.uniform(0.0, 1.0) * bench.usual_run)
    os.kill(child.pid, signal.SIGKILL)
    code, said = child.end()
    bench.met += code == -signal.SIGKILL
    bench.met_writing += code == -signal.SIGKILL and "write" in said
    bench.met_renaming += renaming(bench.out / "t-0")


def renaming(out: Path) -> bool:
    """Return whether results stand in a folder without the record that vouches for them."""
    there = {path.name for path in out.iterdir() if not path.name.startswith(".")} if out.exists() else set()
    return bool(there) and "record.json" not in there


def kill_batch(bench: StepCache, child: Started) -> None:
    """Kill a batch somewhere; its workers must end with it."""
    wait_a_while(bench, child)
    os.kill(child.pid, signal.SIGKILL)
    bench.met += ended(child)[0] == -signal.SIGKILL
    deadline = time.monotonic() + 60.0
    while alive(child.pid) and time.monotonic() < deadline:
        time.sleep(0.02)
    bench.expect(not alive(child.pid), "batch killed: workers live on")


def kill_worker(bench: StepCache, child: Started) -> None:
    """Kill a worker somewhere; its target gets one more try."""
    wait_a_while(bench, child)
    found = []
    with suppress(OSError):
        found = Path(f"/proc/{child.pid}/task/{child.pid}/children").read_text().split()
    workers = [pid for pid in found if is_worker(pid, spawned=not isinstance(child, Forked))]
    if workers:
        bench.met += 1
        with suppress(ProcessLookupError):
            os.kill(int(bench.random.choice(workers)), signal.SIGKILL)
    code, said = ended(child)
    bench.expect(code == 0, f"worker killed: ended with {code}: {said[-300:]}")


def wait_a_while(bench: StepCache, child: Started) -> None:
    """Sleep until somewhere in a batch, past the imports of one that is started from nothing."""
    warm = isinstance(child, Forked)
    usual = bench.usual if warm else bench.usual_from_nothing
    time.sleep(bench.random.uniform(0.1 if warm else 0.4, 0.9) * usual)


def is_worker(pid: str, *, spawned: bool) -> bool:
    """Return whether a child of a batch is one of its workers; spawning needs a process of its own beside them."""
    try:
        return not spawned or "spawn_main" in Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        return False


def ended(child: Started) -> tuple[int, str]:
    """Wait; return the exit code and all it said."""
    if isinstance(child, Forked):
        return child.end()
    said = "".join(child.communicate(timeout=PATIENCE_S))
    return child.returncode, said


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


def full_disk(bench: StepCache) -> None:
    """Files may not grow beyond a limit, the smallest, a middle and the largest result."""
    sizes = sorted(path.stat().st_size for path in (bench.folder / "right" / "t-0").iterdir())
    for limit in (1_000, sizes[len(sizes) // 2], sizes[-1] - 1):
        code, said = bench.run(RUN, partial(resource.setrlimit, resource.RLIMIT_FSIZE, (limit, limit)))
        bench.expect(code == 5, f"file size limit {limit}: ended with {code}: {said[-300:]}")
        bench.expect("Traceback" not in said, f"file size limit {limit}: a traceback")
        bench.look(f"file size limit {limit}")
    bench.complete("file size limit")


def small_tmpfs(bench: StepCache) -> None:
    """A file system of 200 kB, where a mount namespace may be made."""
    bench.out.mkdir()
    told = bench.folder / "no-tmpfs"

    def mount() -> None:
        user, group = os.getuid(), os.getgid()
        libc = ctypes.CDLL(None, use_errno=True)
        new_user, new_mount = 0x10000000, 0x00020000
        if libc.unshare(new_user | new_mount):
            told.write_text(os.strerror(ctypes.get_errno()))
            os._exit(0)
        Path("/proc/self/setgroups").write_text("deny")
        Path("/proc/self/uid_map").write_text(f"0 {user} 1")
        Path("/proc/self/gid_map").write_text(f"0 {group} 1")
        if libc.mount(b"tmpfs", str(bench.out).encode(), b"tmpfs", 0, b"size=200k"):
            told.write_text(os.strerror(ctypes.get_errno()))
            os._exit(0)

    code, said = bench.run(RUN, mount)
    if told.exists():
        print(f"small tmpfs: not possible here, left out ({told.read_text()})")
    else:
        bench.expect(code == 5, f"small tmpfs: ended with {code}: {said[-300:]}")
        bench.expect("Traceback" not in said, "small tmpfs: a traceback")
        bench.look("small tmpfs")
    bench.complete("small tmpfs")


def changed_inputs(bench: StepCache) -> None:
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
    child.reach("calibrate")
    other = path.with_suffix(".new")
    other.write_bytes(bytes(data[:-4]) + b"\0\0\0\1")
    other.replace(path)
    code, said = child.end()
    path.write_bytes(data)
    bench.expect(code == 3, f"replaced input: ended with {code}: {said[-300:]}")
    bench.expect("replaced" in said, "replaced input: not told")
    bench.look("replaced input")
    bench.complete("replaced input")


def two_batches(bench: StepCache) -> None:
    """A second batch on the same folder is refused, the first goes on."""
    first = bench.fork(BATCH)
    deadline = time.monotonic() + PATIENCE_S
    while not list(bench.out.glob("t-*")) and time.monotonic() < deadline:
        time.sleep(0.02)
    code, said = bench.run(BATCH)
    told = "another batch works in this folder" in said
    bench.expect(code == 5 and told, f"two batches: {code}: {said[-300:]}")
    code, said = first.end()
    bench.expect(code == 0, f"two batches: the first ended with {code}: {said[-300:]}")
    bench.look("two batches")
    bench.expect(results(bench.out) == bench.right, "two batches: other bytes")
    shutil.rmtree(bench.out)


def interrupted(bench: StepCache) -> None:
    """Ctrl-C in the middle of a batch: exit code 130, and no hidden folder is left."""
    for word in ("t-0: register", "t-1: write"):
        # a process in the background is started deaf to the keyboard
        hear = partial(signal.signal, signal.SIGINT, signal.default_int_handler)
        child = bench.fork([part for part in BATCH if part != "--quiet"], hear)
        child.reach(word)
        os.killpg(child.pid, signal.SIGINT)
        code, said = child.end()
        bench.expect(code == 130, f"interrupted batch: ended with {code}: {said[-300:]}")
        bench.expect("Traceback" not in said, "interrupted batch: a traceback")
        left = [str(path) for path in bench.out.glob("**/.blend-*") if path.is_dir()]
        bench.expect(not left, f"interrupted batch: left over: {left}")
        bench.look("interrupted batch")
    bench.complete("interrupted batch", batch=True)


def moved_clock(bench: StepCache) -> None:
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
    refused(bench, broken, "a result with a flipped bit", batch=True)
    bench.complete("a result with a flipped bit", batch=True, more=["--overwrite"])


def refused(bench: StepCache, path: Path, what: str, *, batch: bool = False) -> None:
    """A result that somebody has changed is not replaced, but for ``--overwrite``."""
    data = path.read_bytes()
    code, said = bench.run(BATCH if batch else RUN)
    bench.expect(code == 2 and path.name in said, f"{what}: ended with {code}: {said[-300:]}")
    bench.expect(path.read_bytes() == data, f"{what}: replaced")


def killed_between_renames(bench: StepCache) -> None:
    """Killed before each rename in turn, a run is run again: its manifest tells what is its own, and what is not."""
    manifest = bench.out / "t-0" / ".blend-record.json"
    count = len([name for name in bench.right if name.startswith("t-0")]) + 2  # the page and the manifest
    for number in range(count):
        bench.run(RUN, partial(kill_before_rename, number))
        bench.expect(manifest.exists() == (number > 0), f"killed before rename {number}: no manifest")
        bench.expect(not (manifest.parent / "record.json").exists(), f"before rename {number}: a record")
        bench.look(f"killed before rename {number}")
        if number % 2:
            bench.complete(f"killed before rename {number}")
    path = next(path for path in manifest.parent.glob("*.fits"))
    path.write_bytes(b"of the user")
    refused(bench, path, "changed after a kill")
    bench.complete("changed after a kill", more=["--overwrite"])


def kill_before_rename(number: int) -> None:
    """Have this process killed in place of its rename ``number``, from 0."""
    replace, done = Path.replace, []

    def counted(self: Path, target: Path) -> Path:
        done.append(target)
        if len(done) > number:
            os.kill(os.getpid(), signal.SIGKILL)
        return replace(self, target)

    Path.replace = counted  # type: ignore[assignment,method-assign]


def forbidden(bench: StepCache) -> None:
    """No permission to write."""
    bench.out.mkdir()
    bench.out.chmod(0o555)
    code, said = bench.run(RUN, obey_modes)
    bench.out.chmod(0o755)
    bench.expect(code == 5, f"no permission: ended with {code}: {said[-300:]}")
    bench.look("no permission")
    bench.complete("no permission")


def obey_modes() -> None:
    """Have a folder that may not be written refuse root as well, who still reads all that a run has yet to import.

    CAP_DAC_OVERRIDE is what root may write everywhere by; see capabilities(7). Another user would not do: a clone
    may lie where only its owner may enter.
    """
    if os.getuid() != 0:
        return
    libc = ctypes.CDLL(None, use_errno=True)
    version_3, dac_override = 0x20080522, 1
    head = (ctypes.c_uint32 * 2)(version_3, 0)
    sets = (ctypes.c_uint32 * 6)()  # effective, permitted and inheritable, of 32 capabilities and of the rest
    told = libc.capget(head, sets)
    for place in range(3):
        sets[place] &= ~(1 << dac_override)
    if told or libc.capset(head, sets):
        raise OSError(ctypes.get_errno(), "rights cannot be given up")


def main() -> None:
    """Disturb, look, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="blend-faults-") as name:
        bench = StepCache(Path(name), options.seed)
        trials: tuple[Callable[[StepCache], None], ...] = (
            full_disk,
            small_tmpfs,
            changed_inputs,
            two_batches,
            interrupted,
            moved_clock,
            killed_between_renames,
            forbidden,
        )
        for trial in trials:
            before = len(bench.broken)
            trial(bench)
            print(f"{trial.__name__}: {'kept' if len(bench.broken) == before else 'BROKEN'}", flush=True)
        kills(bench, options.kills)
        used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        print(
            f"faults: {bench.cases} cases; {options.kills} kills, of which {bench.met} met what they were for, "
            f"{bench.met_writing} of them a run that wrote, {bench.met_renaming} one that renamed; "
            f"faults found {len(bench.broken)}; "
            f"longest {bench.longest:.1f} s; largest memory {bench.largest:.0f} MiB; "
            f"{sum(u.ru_utime + u.ru_stime for u in used):.0f} s of processor time"
        )
        raise SystemExit(1 if bench.broken else 0)


if __name__ == "__main__":
    main()
