"""How long the main job takes and how much memory it needs, as a user meets it: whole processes, timed from outside.

    python benchmarks/speed/main_job.py [--folder DIR] [--small]
    python benchmarks/speed/main_job.py --beside SCRIPT [--beside SCRIPT ...] [--rounds 5]
    python benchmarks/speed/main_job.py --sizes 1.5,6,24,60 [--rounds 5]
    python benchmarks/speed/main_job.py --floor

Draws the masters once into DIR (24 megapixels, 1.5 GB with their darks, flats and biases), runs the shipped recipe
three times, and prints the second run: wall seconds, CPU seconds, peak memory, and the seconds of each step; of the
third the core-seconds of each step, those of files written beside it included. Kernels are compiled in the first run.
`blend --help` is timed beside a bare start of Python.

With ``--beside`` the masters are whole numbers of 16 bits, as cameras' stacks are, and the run alternates with other
scripts for the same job, each called as SCRIPT FOLDER OUT on a folder that holds rgb, rgb-dark, rgb-flat, ha, ha-dark
and ha-flat as FITS; medians and ratios are printed. Results of the round before are taken away first.

With ``--sizes`` the same masters are drawn in so many megapixels, and the medians of the runs are held against the
straight line through the smallest and the largest: a fixed part, and what a megapixel takes.

With ``--floor`` the core-seconds of each step stand beside the bytes it moves and the time these need at the speed of
this machine's memory (see ``floor.py``).
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
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from floor import tell_floor

from blend.app.demo.demo import write_night
from blend.science.simulated.night import SceneOptions, simulate_night

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]
COUNTED = """
import time, types
import blend.recipe.pipeline as pipeline
pipeline.time = types.SimpleNamespace(perf_counter=time.process_time)
from blend.app.cli import main
main()
"""
"""The command with the CPU's clock in place of the wall's for the seconds of steps in its record."""

TARGET = "lantern-spiral.target.toml"
FULL = 65535
"""Full scale of 16 bits."""


def timed(command: list[str]) -> tuple[float, float, float]:
    """Return wall seconds, CPU seconds and peak MiB of a process."""
    # an installed copy has its modules as byte code
    kept = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=kept)
    _, status, usage = os.wait4(child.pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit(f"{' '.join(command)} ended with {os.waitstatus_to_exitcode(status)}")
    return time.perf_counter() - start, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def best_start(command: list[str], *, runs: int = 7) -> float:
    """Return the shortest wall time of several starts."""
    return min(timed(command)[0] for _ in range(runs))


def tell_run(what: str, words: list[str], out: Path) -> None:
    """Run twice, so that kernels are compiled, and print the second run; once more for core-seconds."""
    job = ["run", "galaxy-moonlit", *words, "--out", str(out), "--quiet"]
    run = [*BLEND, *job]
    timed(run)
    wall, cpu, peak = timed(run)
    record = json.loads((out / "record.json").read_text())
    cores = len(os.sched_getaffinity(0))
    print(f"{what}: {wall:.1f} s wall, {cpu:.1f} s of CPU on {cores} cores, {peak:.0f} MiB at most")
    print(f"  {_by_step(record)}")
    timed([sys.executable, "-c", COUNTED, *job])
    print(f"  core-seconds: {_by_step(json.loads((out / 'record.json').read_text()))}")


def _by_step(record: dict[str, Any]) -> str:
    return ", ".join(f"{step} {seconds:.1f}" for step, seconds in record["seconds"].items())


def write_whole_numbers(source: Path, folder: Path) -> None:
    """Write a night's masters anew with 16 bits a pixel, and under the names that other scripts read."""
    folder.mkdir(parents=True, exist_ok=True)
    for path in source.glob("*.fits"):
        pixels, header = fits.getdata(path), fits.getheader(path)
        header["SATURATE"] = FULL
        codes = np.clip(np.rint(pixels * float(FULL)), 0, FULL).astype(np.uint16)
        fits.PrimaryHDU(codes, header).writeto(folder / path.name, overwrite=True)
        plain = folder / path.name.replace("-light", "")
        if not plain.exists():
            plain.symlink_to(path.name)
    (folder / TARGET).write_text((source / TARGET).read_text())


def tell_beside(folder: Path, scripts: list[Path], rounds: int) -> None:
    """Alternate the run with other scripts, and print the median of each and its ratio to the run."""
    own = ["run", "galaxy-moonlit", str(folder / TARGET), "--out", str(folder / "out"), "--quiet"]
    jobs = {"blend run": [*BLEND, *own]}
    for script in scripts:
        jobs[script.name] = [sys.executable, str(script), str(folder), str(folder / f"out-{script.stem}.tif")]
    timed(jobs["blend run"])  # kernels are compiled
    found: dict[str, list[tuple[float, float, float]]] = {name: [] for name in jobs}
    for _ in range(rounds):
        for name, command in jobs.items():
            for left in folder.glob("out*"):
                shutil.rmtree(left) if left.is_dir() else left.unlink()
            found[name].append(timed(command))
    middle = {name: np.median(np.array(rows), axis=0) for name, rows in found.items()}
    for name, (wall, cpu, peak) in middle.items():
        ratio = wall / middle["blend run"][0]
        print(
            f"{name}: {wall:.1f} s wall, {cpu:.1f} s of CPU, {peak:.0f} MiB at most, {ratio:.2f} of the run"
        )


def tell_steps(folder: Path) -> None:
    """Print what each step takes beside what it moves."""
    target, out = str(folder / TARGET), folder / "out"
    job = ["run", "galaxy-moonlit", target, "--out", str(out), "--quiet"]
    timed([*BLEND, *job])  # kernels are compiled
    timed([sys.executable, "-c", COUNTED, *job])
    seconds = json.loads((out / "record.json").read_text())["seconds"]
    counter = [sys.executable, str(Path(__file__).parent / "floor.py"), target, str(out)]
    tell_floor(seconds, json.loads(subprocess.run(counter, capture_output=True, check=True).stdout))


def _draw(place: Path, megapixels: float) -> None:
    """Write a night's masters of so many megapixels, as whole numbers alone."""
    rows = round((megapixels * 1e6 / 1.5) ** 0.5)
    write_night(simulate_night(SceneOptions(rows=rows, columns=round(1.5 * rows), seed=7)), place)
    write_whole_numbers(place, place / "codes")
    for path in place.glob("*.fits"):
        path.unlink()


def tell_sizes(folder: Path, sizes: list[float], rounds: int) -> None:
    """Print what a run takes at several sizes, and how far that is from a straight line."""
    found = []
    for size in sizes:
        place = folder / f"{size:g}-megapixels"
        if not (place / "codes" / TARGET).is_file():
            print(f"drawing {size:g} megapixels into {place} ...", flush=True)
            # In a process of its own: a child's peak begins with its parent's.
            drawing = get_context("spawn").Process(target=_draw, args=(place, size))
            drawing.start()
            drawing.join()
        words = [
            "run",
            "galaxy-moonlit",
            str(place / "codes" / TARGET),
            "--out",
            str(place / "out"),
            "--quiet",
        ]
        timed([*BLEND, *words])
        found.append(np.median([timed([*BLEND, *words]) for _ in range(rounds)], axis=0))
    first, last = found[0][1], found[-1][1]
    slope = (last - first) / (sizes[-1] - sizes[0])
    fixed = first - slope * sizes[0]
    print(f"core-s: {fixed:.1f} and {slope:.3f} a megapixel")
    for size, (wall, cpu, peak) in zip(sizes, found, strict=True):
        line = fixed + slope * size
        print(
            f"{size:6g} Mpx: {wall:6.1f} s wall, {cpu:6.1f} core-s ({100 * (cpu / line - 1):+.0f} %), {peak:6.0f} MiB"
        )


def main() -> None:
    """Draw, run, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir()) / "blend-main-job")
    parser.add_argument("--small", action="store_true", help="1.5 megapixels")
    parser.add_argument("--beside", type=Path, action="append", default=[], help="a script for the same job")
    parser.add_argument("--rounds", type=int, default=5, help="of a comparison")
    parser.add_argument("--sizes", help="megapixels, rising, parted by commas")
    parser.add_argument("--floor", action="store_true", help="what each step moves through memory")
    options = parser.parse_args()
    if options.sizes:
        tell_sizes(options.folder, [float(size) for size in options.sizes.split(",")], options.rounds)
        return
    size = "small" if options.small else "full"
    folder = options.folder / size
    if not (folder / TARGET).is_file():
        print(f"drawing masters into {folder} ...")
        write_night(simulate_night(SceneOptions.sized(size, seed=7)), folder)
    if options.beside or options.floor:
        if not (folder / "codes" / TARGET).is_file():
            write_whole_numbers(folder, folder / "codes")
        if options.floor:
            tell_steps(folder / "codes")
        else:
            tell_beside(folder / "codes", options.beside, options.rounds)
        return
    if not (folder / "bare" / TARGET).is_file():
        write_night(simulate_night(SceneOptions.sized(size, seed=7, calibrated=True)), folder / "bare")
    tell_run(f"{size}, calibrated masters", [str(folder / "bare" / TARGET)], folder / "bare" / "out")
    tell_run(f"{size}, with dark, flat and bias each", [str(folder / TARGET)], folder / "out")
    bare = best_start([sys.executable, "-c", "pass"])
    print(f"--help: {best_start([*BLEND, '--help']):.3f} s; a bare start of Python: {bare:.3f} s")


if __name__ == "__main__":
    main()
