"""How fast, and in how much memory, many frames are stacked with clipping; beside astropy's sigma clipping.

    python benchmarks/speed/stacking.py [--frames 40] [--mpx 24] [--rows N] [--memory 2GiB]

Frames of noise with outliers are written as raws in a temporary folder and stacked by `stack_frames`, in a process of
its own so that its peak of memory is its own. The same arithmetic, clipping at 3 standard deviations about the median
and a mean, is then timed with astropy on ``--rows`` rows of the same frames in memory and scaled to all rows: reading
and writing are not counted against it, and it would need all frames in memory at once. Both are printed.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from blend.app.frames import parse_memory
from blend.app.stack import StackOptions, stack_frames
from blend.files.dng import write_dng
from blend.files.raw import read_mosaic
from blend.science.stack import Rule, combine


def write_frames(folder: Path, frames: int, shape: tuple[int, int]) -> None:
    """Write darks of noise with a few cosmic rays."""
    for number in range(frames):
        rng = np.random.default_rng(number)
        counts = (512.0 + 20.0 * rng.standard_normal(shape, dtype=np.float32)).astype(np.uint16)
        hit = rng.integers(0, counts.size, counts.size // 2000)
        counts.ravel()[hit] += 900
        write_dng(folder / f"dark-{number:03d}.dng", counts, pattern="RGGB", exposure_s=60.0)


def stack_all(folder: Path, memory: int) -> None:
    """Stack the frames of a folder, and print seconds and peak of memory as JSON."""
    start = time.perf_counter()
    options = StackOptions(memory_bytes=memory, temp=folder, method="clip")
    done = stack_frames(
        "dark", sorted(folder.glob("*.dng")), out=folder / "out" / "dark.fits", options=options
    )
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(json.dumps({"seconds": seconds, "peak_mib": peak, "disk": done.facts["temporary_bytes"]}))


def astropy_seconds(tile: np.ndarray) -> tuple[float, np.ndarray]:
    """Return how long clipping and the mean take with astropy, and the mean."""
    from astropy.stats import sigma_clip

    start = time.perf_counter()
    clipped = sigma_clip(tile, sigma=3.0, maxiters=5, axis=0, masked=False, copy=True)
    mean = np.nanmean(clipped, axis=0)
    return time.perf_counter() - start, mean


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--mpx", type=float, default=24.0)
    parser.add_argument("--rows", type=int, default=128, help="rows that astropy is timed on")
    parser.add_argument("--memory", default="2GiB")
    parser.add_argument(
        "--folder", type=Path, help="where the frames are written; default the system's place"
    )
    parser.add_argument("--inner", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    memory = parse_memory(chosen.memory)
    if chosen.inner:
        stack_all(chosen.inner, memory)
        return 0
    rows = 2 * round((chosen.mpx * 1e6 / 1.5) ** 0.5 / 2)
    columns = 2 * round(1.5 * rows / 2)
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
        folder = Path(name)
        write_frames(folder, chosen.frames, (rows, columns))
        command = [sys.executable, __file__, "--inner", name, "--memory", chosen.memory]
        told = subprocess.run(command, check=True, capture_output=True, text=True, env=os.environ).stdout
        ours = json.loads(told.strip().splitlines()[-1])
        part = min(chosen.rows, rows)
        start = time.perf_counter()
        tile = np.stack([read_mosaic(p).pixels[:part] for p in sorted(folder.glob("*.dng"))])
        reading = time.perf_counter() - start
    combine(tile[:, :8], Rule(spread="std"))
    start = time.perf_counter()
    mine = combine(tile, Rule(spread="std")).values
    kernel = (time.perf_counter() - start) * rows / part
    seconds, theirs = astropy_seconds(tile)
    general = seconds * rows / part
    print(
        f"{chosen.frames} frames of {rows * columns / 1e6:.1f} Mpx ({columns} x {rows}), clipped at 3 sigma"
    )
    print(f"  blend stack, files to file  {ours['seconds']:8.1f} s   peak {ours['peak_mib']:.0f} MiB, "
          f"{ours['disk'] / 2**30:.2f} GiB of disk for a while")  # fmt: skip
    print(f"  blend, arithmetic alone     {kernel:8.1f} s")
    print(
        f"  astropy, arithmetic alone   {general:8.1f} s   (from {part} rows; reading alone {reading:.1f} s)"
    )
    both = (reading + general) / ours["seconds"]
    print(
        f"  arithmetic {general / kernel:.1f} times as fast as astropy; files to file {both:.1f} times as fast as"
    )
    print("  reading the frames once and clipping them with astropy")
    print(f"  largest difference of the means {np.abs(mine - theirs).max():.2g}")
    bound = memory / 2**20
    verdict = "within" if ours["peak_mib"] <= bound else "BEYOND"
    print(f"  peak of memory {verdict} {bound:.0f} MiB")
    return 0 if verdict == "within" else 4


if __name__ == "__main__":
    raise SystemExit(main())
