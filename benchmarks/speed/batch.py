"""How many targets an hour a batch does against jobs, how much memory it holds against targets, and what was foretold.

    python benchmarks/speed/batch.py [--quick] [--targets 24] [--mpx 1.5] [--jobs 1x1,1,2,cluster] [--tiny 200]
                                     [--sizes 0.135,0.375,1.5] [--cluster ADDRESS] [--folder DIR]

Three tables; an empty word leaves one out (``--jobs ''``, ``--tiny 0``, ``--sizes ''``), ``--quick`` makes all small.

1. Throughput: ``1x1`` is one job of one thread, ``1`` one job with all threads, ``2`` two jobs, ``cluster`` two Dask
   workers on this machine, or the cluster at ``--cluster``. Wall seconds, processor seconds of all processes, targets
   an hour, largest memory of a process; below, the ratios beside their bars.
2. Memory that workers hold after each of many tiny targets: the most of targets 11 to 20 against the most of the last
   ten, two jobs.
3. What `blend batch --dry-run` foretells of one target, against what a batch of it and one of four of its kind took.

Few nights are drawn, and their masters linked. Kernels are compiled before anything is measured.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

from blend.app.batch.plan import estimate
from blend.app.demo.demo import write_night
from blend.app.run.load import open_target
from blend.science.simulated.night import SceneOptions, simulate_night

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]
NIGHTS = 4
TINY_MPX = 0.135
QUICK = {"targets": 4, "tiny": 40, "sizes": "0.135,0.375"}
BARS = (("2", "1x1", 1.7), ("2", "1", 1.0), ("cluster", "2", 1.0 / 1.15))
"""Which is to be faster than which, by what factor at least."""


def draw(folder: Path, *, targets: int, megapixels: float) -> Path:
    """Write target files over a few nights, drawn once, and return their folder."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5)
    nights = folder / f"nights-{rows}"
    for seed in range(1, min(NIGHTS, targets) + 1):
        place = nights / f"night-{seed}"
        if not (place / "lantern-spiral.target.toml").is_file():
            write_night(simulate_night(SceneOptions(rows=rows, columns=rows * 3 // 2, seed=seed)), place)
    made = nights / f"targets-{targets}"
    shutil.rmtree(made, ignore_errors=True)
    for index in range(targets):
        place = made / f"t-{index:03d}"
        place.mkdir(parents=True)
        for file in (nights / f"night-{index % NIGHTS + 1}").iterdir():
            if file.suffix == ".fits":
                os.link(file, place / file.name)
            else:
                text = file.read_text().replace("lantern-spiral", place.name, 1)
                (place / f"{place.name}.target.toml").write_text(text)
    return made


def run(targets: Path, out: Path, words: list[str]) -> tuple[float, float, float]:
    """Run a batch; return wall seconds, processor seconds and the MiB of its largest process."""
    shutil.rmtree(out, ignore_errors=True)
    command = [*BLEND, "batch", "galaxy-moonlit", str(targets), "--out", str(out), "--quiet", *words]
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(child.pid, 0)
    if status:
        raise SystemExit(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)}")
    wall = time.perf_counter() - start
    peak = max(entry["peak_mib"] for entry in told(out))
    return wall, usage.ru_utime + usage.ru_stime, peak


def told(out: Path) -> list[dict[str, float]]:
    """Return what batch.json says of each target."""
    entries: list[dict[str, float]] = json.loads((out / "batch.json").read_text())["targets"]
    return entries


@contextmanager
def cluster(folder: Path, used: list[float]) -> Iterator[str]:
    """Start a Dask scheduler and two workers here; put their processor seconds into ``used`` when all is over."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    python = [sys.executable, "-m"]
    worker = [*python, "distributed.cli.dask_worker", address, "--nthreads", "1", "--memory-limit", "0"]
    worker += ["--no-dashboard", "--no-nanny", "--local-directory", str(folder)]
    scheduler = [*python, "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", str(port)]
    commands = [[*scheduler, "--no-dashboard"], worker, worker]
    silent = subprocess.DEVNULL
    started = [subprocess.Popen(words, stdout=silent, stderr=silent) for words in commands]
    try:
        from distributed import Client

        with Client(address, timeout=60, set_as_default=False) as client:  # type: ignore[no-untyped-call]
            client.wait_for_workers(2, timeout=120)
        yield address
    finally:
        for child in reversed(started):
            child.send_signal(signal.SIGTERM)
            _, _, usage = os.wait4(child.pid, 0)
            used.append(usage.ru_utime + usage.ru_stime)


def throughput(options: argparse.Namespace) -> None:
    """Print what a batch takes against jobs, and the ratios beside their bars."""
    count = options.targets
    targets = draw(options.folder, targets=count, megapixels=options.mpx)
    print(f"{count} targets of {options.mpx:g} megapixels on {len(os.sched_getaffinity(0))} cores")
    walls: dict[str, float] = {}
    for word in options.jobs.split(","):
        used: list[float] = []
        if word == "cluster" and not options.cluster and find_spec("distributed") is None:
            print("jobs  cluster: distributed is not installed (the extra cluster of pyproject.toml)")
            continue
        if word != "cluster":
            jobs, _, threads = word.partition("x")
            words = ["--jobs", jobs, *(["--threads", threads] if threads else [])]
            wall, cpu, peak = run(targets, options.out, words)
        elif options.cluster:
            wall, cpu, peak = run(targets, options.out, ["--cluster", options.cluster])
        else:
            with cluster(options.folder, used) as address:
                wall, cpu, peak = run(targets, options.out, ["--cluster", address])
        walls[word] = wall
        print(
            f"jobs {word:>8}: {wall:6.1f} s, {cpu + sum(used):6.1f} s of processor time, "
            f"{3600 * count / wall:5.0f} targets an hour, {peak:.0f} MiB",
            flush=True,
        )
    for fast, slow, bar in BARS:
        if fast in walls and slow in walls:
            gain = walls[slow] / walls[fast]
            verdict = "kept" if gain >= bar else "MISSED"
            print(f"jobs {fast} against {slow}: {gain:.2f} times as fast; bar {bar:.2f}: {verdict}")


def flatness(options: argparse.Namespace) -> None:
    """Print the memory that workers hold, against targets done."""
    count = options.tiny
    run(draw(options.folder, targets=count, megapixels=TINY_MPX), options.out, ["--jobs", "2"])
    held = [entry["rss_mib"] for entry in told(options.out)]
    print(f"\n{count} targets of {TINY_MPX:g} megapixels, memory of a worker when it was through:")
    print("  " + ", ".join(f"{max(held[at - 10 : at]):.0f} MiB to {at}" for at in range(10, count + 1, 10)))
    early, late = max(held[10:20]), max(held[-10:])
    growth = 100.0 * (late / early - 1.0)
    verdict = "kept" if growth < 5.0 else "MISSED"
    print(f"growth from target 20 to target {count}: {growth:.1f} %; bar 5 %: {verdict}", flush=True)


def foretold(options: argparse.Namespace) -> None:
    """Print estimates beside what was measured."""
    print("\nforetold and measured of a target, and the same after four in one worker")
    for size in map(float, options.sizes.split(",")):
        one = draw(options.folder, targets=1, megapixels=size)
        mib, seconds = estimate(open_target(next(one.rglob("*.toml"))))
        _, cpu, peak = run(one, options.out, ["--jobs", "1"])
        four = draw(options.folder, targets=4, megapixels=size)
        _, cpu_four, peak_four = run(four, options.out, ["--jobs", "1"])
        print(
            f"{size:6.3g} megapixels: {mib:5.0f} MiB foretold, {peak:5.0f} taken, {peak_four:5.0f} after four; "
            f"{seconds:5.1f} s of processor time foretold, {(cpu_four - cpu) / 3:5.1f} taken, "
            f"{cpu - (cpu_four - cpu) / 3:4.1f} to begin with",
            flush=True,
        )


def main() -> None:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="few targets of everything")
    parser.add_argument("--targets", type=int, default=24)
    parser.add_argument("--mpx", type=float, default=1.5)
    parser.add_argument("--jobs", default="1x1,1,2,cluster", help="empty: no throughput")
    parser.add_argument("--cluster", help="address of a running cluster, instead of two workers here")
    parser.add_argument(
        "--tiny", type=int, default=200, help="targets of the memory table, 20 at least; 0: none"
    )
    parser.add_argument("--sizes", default="0.135,0.375,1.5", help="megapixels; empty: no estimates")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "blend-batch")
    if "--quick" in sys.argv:
        parser.set_defaults(**QUICK)
    options = parser.parse_args()
    options.out = options.folder / "out"
    start = time.perf_counter()
    run(draw(options.folder, targets=1, megapixels=TINY_MPX), options.out, ["--jobs", "1"])
    if options.jobs:
        throughput(options)
    if options.tiny:
        flatness(options)
    if options.sizes:
        foretold(options)
    print(f"all of it: {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
