"""How many targets an hour a batch does, and how much memory it holds, against targets and jobs.

    python benchmarks/speed/batch.py [--targets 24] [--mpx 1.5] [--jobs 1x1,1,2] [--cluster ADDRESS] [--folder DIR]
    python benchmarks/speed/batch.py --flat [--targets 200]

``1x1`` is one job of one thread, ``1`` one job with all threads, ``2`` two jobs. ``--flat`` runs many tiny targets and
prints how the workers' memory grows from the 20th target to the last. Each row: wall seconds, processor seconds of all
processes, targets an hour, and the largest memory of one process. Few nights are drawn, and their masters linked.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from blend.app.demo import write_night
from blend.science.simulate import SceneOptions, simulate_night

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]
NIGHTS = 4


def draw(folder: Path, *, targets: int, megapixels: float) -> Path:
    """Write target files over a few nights, drawn once, and return their folder."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5)
    nights = folder / f"nights-{rows}"
    for seed in range(1, NIGHTS + 1):
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
    told = json.loads((out / "batch.json").read_text())
    peak = max(entry["peak_mib"] for entry in told["targets"])
    return wall, usage.ru_utime + usage.ru_stime, peak


def main() -> None:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--targets", type=int)
    parser.add_argument("--mpx", type=float, default=1.5)
    parser.add_argument("--jobs", default="1x1,1,2")
    parser.add_argument("--cluster", help="measure a running cluster too")
    parser.add_argument("--flat", action="store_true", help="memory over many tiny targets")
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "blend-batch")
    options = parser.parse_args()
    out = options.folder / "out"
    if options.flat:
        count = options.targets or 200
        run(draw(options.folder, targets=count, megapixels=0.06), out, ["--jobs", "1"])
        held = [entry["rss_mib"] for entry in json.loads((out / "batch.json").read_text())["targets"]]
        early, late = held[min(19, count - 1)], held[-1]
        print(f"memory of the worker: {early:.0f} MiB after target 20, {late:.0f} MiB after target {count}")
        print(f"growth {100 * (late / early - 1):.1f} %")
        return
    count = options.targets or 24
    targets = draw(options.folder, targets=count, megapixels=options.mpx)
    rows = []
    for word in options.jobs.split(","):
        jobs, _, threads = word.partition("x")
        rows.append((word, ["--jobs", jobs, *(["--threads", threads] if threads else [])]))
    if options.cluster:
        rows.append(("cluster", ["--cluster", options.cluster]))
    print(f"{count} targets of {options.mpx:g} megapixels on {len(os.sched_getaffinity(0))} cores")
    for word, words in rows:
        wall, cpu, peak = run(targets, out, words)
        each = 3600 * count / wall
        print(
            f"jobs {word:>8}: {wall:6.1f} s, {cpu:6.1f} s of CPU, {each:5.0f} targets an hour, {peak:.0f} MiB"
        )


if __name__ == "__main__":
    main()
