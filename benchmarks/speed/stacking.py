"""How fast, and in how much memory, many frames are stacked with clipping; beside the same job with astropy.

    python benchmarks/speed/stacking.py [--frames 40] [--mpx 24] [--memory 2GiB] [--share 1.0]

Darks of noise with outliers are written as raws in a temporary folder. Two processes, one after the other, make a
master of them: read every raw once, put its counts aside on the disk, go over them strip by strip, clip at 3 standard
deviations about the median in at most 5 rounds, take the mean, write FITS. One is `stack_frames`, which also looks for
light leaks, stars and warm frames, and tells how much was rejected where. The other is what a careful person writes
with rawpy, numpy and `astropy.stats.sigma_clip`, its fast way (a named centre and spread, no masks, no copies); its
strips are as large as half the memory allows. Both processes' seconds, processor seconds and peaks are printed.

``--share`` clips only that share of the rows with astropy and scales its clipping, for a quick look.
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
from typing import Any

import numpy as np

from blend.app.frames.groups import parse_memory

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "examples"))

from raw_camera import write_dng


def write_frames(folder: Path, frames: int, shape: tuple[int, int]) -> None:
    """Write darks of noise with a few cosmic rays."""
    for number in range(frames):
        rng = np.random.default_rng(number)
        counts = (512.0 + 20.0 * rng.standard_normal(shape, dtype=np.float32)).astype(np.uint16)
        hit = rng.integers(0, counts.size, counts.size // 2000)
        counts.ravel()[hit] += 900
        write_dng(folder / f"dark-{number:03d}.dng", counts, pattern="RGGB", exposure_s=60.0)


def stack_all(folder: Path, memory: int) -> dict[str, Any]:
    """Stack the frames of a folder with `stack_frames`."""
    from blend.app.frames.stack import stack_frames
    from blend.app.frames.stacked import StackOptions
    from blend.base.system import keep_freed_memory

    keep_freed_memory()  # as the command does first
    options = StackOptions(memory_bytes=memory, temp=folder, method="clip")
    done = stack_frames("dark", sorted(folder.glob("*.dng")), out=folder / "blend.fits", options=options)
    return {"disk": done.facts["temporary_bytes"]}


def stack_with_astropy(folder: Path, memory: int, share: float) -> dict[str, Any]:
    """Stack the frames of a folder with rawpy, numpy and astropy."""
    import rawpy
    from astropy.io import fits
    from astropy.stats import sigma_clip

    files = sorted(folder.glob("*.dng"))
    aside = folder / "counts"
    shape: tuple[int, int] = (0, 0)
    with aside.open("wb") as file:
        for path in files:
            with rawpy.imread(str(path)) as raw:
                shape = raw.raw_image_visible.shape
                raw.raw_image_visible.tofile(file)
    rows, columns = shape
    # clipping holds the strip, a sorted copy and masks at once
    height = max(1, memory // 2 // (3 * 4 * columns * len(files)))
    master = np.zeros(shape, dtype=np.float32)
    start = time.perf_counter(), time.process_time()
    for top in range(0, max(1, round(share * rows)), height):
        part = slice(top, min(top + height, rows))
        strip = np.empty((len(files), part.stop - top, columns), dtype=np.float32)
        for number in range(len(files)):
            place = 2 * columns * (number * rows + top)
            counts = np.fromfile(aside, np.uint16, count=strip[number].size, offset=place)
            strip[number] = counts.reshape(strip[number].shape)
        clipped = sigma_clip(
            strip, sigma=3.0, maxiters=5, cenfunc="median", stdfunc="std", axis=0, masked=False, copy=False
        )
        master[part] = np.nanmean(clipped, axis=0)
    more = rows / part.stop - 1.0
    late = [more * (time.perf_counter() - start[0]), more * (time.process_time() - start[1])]
    fits.PrimaryHDU(master).writeto(folder / "astropy.fits")
    return {"disk": aside.stat().st_size, "rows": part.stop, "late": late}


def one_job(name: str, folder: Path, memory: int, share: float) -> None:
    """Do one of the two jobs, and print what it took as JSON."""
    start = time.perf_counter()
    told = stack_all(folder, memory) if name == "blend" else stack_with_astropy(folder, memory, share)
    whole = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    late = told.get("late", [0.0, 0.0])
    told |= {
        "seconds": time.perf_counter() - start + late[0],
        "processor_s": sum(one.ru_utime + one.ru_stime for one in whole) + late[1],
        "peak_mib": sum(one.ru_maxrss for one in whole) / 1024.0,
    }
    print(json.dumps(told))


def run_job(name: str, folder: Path, chosen: argparse.Namespace) -> dict[str, Any]:
    """Do one job in a process of its own, so that its peak of memory is its own."""
    command = [sys.executable, __file__, "--job", name, "--folder", str(folder)]
    command += ["--memory", chosen.memory, "--share", str(chosen.share)]
    told = subprocess.run(command, check=True, capture_output=True, text=True, env=os.environ).stdout
    done: dict[str, Any] = json.loads(told.strip().splitlines()[-1])
    return done


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=40)
    parser.add_argument("--mpx", type=float, default=24.0)
    parser.add_argument("--share", type=float, default=1.0, help="of the rows that astropy clips")
    parser.add_argument("--memory", default="2GiB")
    parser.add_argument(
        "--folder", type=Path, help="where the frames are written; default the system's place"
    )
    parser.add_argument("--job", choices=("blend", "astropy"), help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    memory = parse_memory(chosen.memory)
    if chosen.job:
        one_job(chosen.job, chosen.folder, memory, chosen.share)
        return 0
    rows = 2 * round((chosen.mpx * 1e6 / 1.5) ** 0.5 / 2)
    columns = 2 * round(1.5 * rows / 2)
    with tempfile.TemporaryDirectory(dir=chosen.folder) as name:
        folder = Path(name)
        # kernels are compiled once and kept; a first run of a new version would count that
        small = folder / "small"
        small.mkdir()
        write_frames(small, 3, (64, 96))
        run_job("blend", small, chosen)
        write_frames(folder, chosen.frames, (rows, columns))
        done = {job: run_job(job, folder, chosen) for job in ("blend", "astropy")}
        apart = _difference(folder, done["astropy"]["rows"])
    return _tell(done, memory, f"{chosen.frames} frames of {rows * columns / 1e6:.1f} Mpx", apart)


def _difference(folder: Path, rows: int) -> float:
    from astropy.io import fits

    mine, theirs = (fits.getdata(folder / f"{name}.fits")[:rows] for name in ("blend", "astropy"))
    return float(np.abs(mine - theirs).mean())


def _tell(done: dict[str, dict[str, Any]], memory: int, what: str, apart: float) -> int:
    mine, theirs = done["blend"], done["astropy"]
    print(f"{what}, raws to a FITS master, clipped at 3 sigma")
    for name, one in done.items():
        print(
            f"  {name:<8} {one['seconds']:7.1f} s   processor {one['processor_s']:7.1f} s   "
            f"peak {one['peak_mib']:5.0f} MiB   disk for a while {one['disk'] / 2**30:.2f} GiB"
        )
    print(
        f"  blend is {theirs['seconds'] / mine['seconds']:.1f} times as fast by the clock, "
        f"{theirs['processor_s'] / mine['processor_s']:.1f} times by processor time"
    )
    print(f"  mean difference of the masters {apart:.2g} counts")
    within = mine["peak_mib"] <= memory / 2**20
    print(f"  peak of memory {'within' if within else 'BEYOND'} {memory / 2**20:.0f} MiB")
    return 0 if within and theirs["seconds"] >= 4.0 * mine["seconds"] else 4


if __name__ == "__main__":
    raise SystemExit(main())
