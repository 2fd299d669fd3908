"""Time variants of a recipe on one target: first and later tiles, at a preview's size and in full, and a repeated try.

Run: python benchmarks/speed/trying.py TARGET [--scale full] [--variants 12]

CPU seconds of this process beside wall seconds; writing pictures is left out. Later tiles stand beside as many runs
of the stretch and the blends on the same layers, finish not among them. At a preview's size the command itself is run
again with other weights, and its seconds are those from the start of its process to the line that tells of the first
tile, and to its end. The store lies in a temporary folder. At the
end `redraw.py` times the trial's page in a browser.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from blend.app.run.load import open_target, recipe_text
from blend.app.trial.layers import parse_view
from blend.app.trial.step_cache import StepCache
from blend.app.trial.variants import Variation, make_variants
from blend.base.rowblocks import limit_threads
from blend.files.store import DiskStore
from blend.recipe.pipeline import PICTURE_STEPS
from blend.recipe.state import Work
from blend.recipe.target import Target

Seconds = tuple[float, float]
RECIPE = "galaxy-moonlit"


def now() -> Seconds:
    """Return wall and CPU seconds."""
    return time.perf_counter(), time.process_time()


def since(start: Seconds) -> Seconds:
    """Return wall and CPU seconds since ``start``."""
    wall, cpu = now()
    return wall - start[0], cpu - start[1]


def timed_tiles(
    target: Target, scale: str, amounts: tuple[float, ...], store: DiskStore
) -> tuple[list[Seconds], Work]:
    """Return the seconds up to each tile, from the one before, and the layers that all were made of."""
    text, where = recipe_text(RECIPE)
    varied = [Variation("blend.red.amount", amounts)]
    variants = make_variants(text, varied, where=where, target=target, settings={})
    cache = StepCache(target, parse_view(scale, ""), store=store)
    spent, start = [], now()
    for _, layers, work, _ in cache.pictures([variant.recipe for variant in variants]):
        spent.append(since(start))
        last = layers.with_(recipe=work.recipe)
        del layers, work  # the next picture needs their room
        start = now()
    cache.close()
    return spent, last


def stretch_and_blend(layers: Work) -> Seconds:
    """Return the seconds that a run's stretch and blends take on balanced layers."""
    spent: list[Seconds] = []
    for step in PICTURE_STEPS[:-1]:
        start = now()
        layers = step.change(layers)
        spent.append(since(start))
    return sum(s[0] for s in spent), sum(s[1] for s in spent)


def cpu_of(process: int) -> float:
    """Return the CPU seconds that another process has used so far; NaN where the system does not tell."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return float("nan")
    return (int(fields[11]) + int(fields[12])) / float(os.sysconf("SC_CLK_TCK"))


def timed_command(target: Path, folder: Path, amounts: str) -> tuple[float, float, float]:
    """Return the seconds from the start of `blend try` to its first tile, wall and CPU, and to its end."""
    # As installed: with the byte code that an installation leaves.
    environment = {**os.environ, "PYTHONPYCACHEPREFIX": str(folder / "byte-code"), "PYTHONUNBUFFERED": "1"}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    words = [sys.executable, "-c", "from blend.app.cli import main; main()", "try", RECIPE, str(target)]
    words += ["--vary", f"blend.red.amount={amounts}", "--out", str(folder / "trial")]
    words += ["--store", str(folder / "store")]
    first, cpu, start = float("nan"), float("nan"), time.perf_counter()
    with subprocess.Popen(
        words, env=environment, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
    ) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if "tile 1 of" in line:
                first, cpu = time.perf_counter() - start, cpu_of(process.pid)
    return first, cpu, time.perf_counter() - start


def main() -> None:
    """Print the seconds of every tile of a first and of a repeated try."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", type=Path)
    parser.add_argument("--scale", default="preview")
    parser.add_argument("--variants", type=int, default=12)
    given = parser.parse_args()
    target = open_target(given.target)
    amounts = tuple(round(index / given.variants, 4) for index in range(given.variants))
    with tempfile.TemporaryDirectory() as name, limit_threads(0):
        folder = Path(name)
        store = DiskStore(folder / "store")
        for what, shift in (("first", 0.0), ("repeated, other weights", 1.0)):
            tiles, layers = timed_tiles(target, given.scale, tuple(a + shift for a in amounts), store)
            print(f"{what}: first tile {tiles[0][0]:.2f} s wall, {tiles[0][1]:.2f} s CPU")
            later = tiles[1:]
            if later:
                wall, cpu = (sum(tile[i] for tile in later) / len(later) for i in (0, 1))
                print(f"  later tiles {wall:.3f} s wall, {cpu:.3f} s CPU each")
                runs = [stretch_and_blend(layers) for _ in later]
                own = [sum(run[i] for run in runs) / len(runs) for i in (0, 1)]
                print(f"  a run's stretch and blends {own[0]:.3f} s wall, {own[1]:.3f} s CPU each:", end=" ")
                print(f"a later tile takes {wall / own[0]:.2f} times that in wall, {cpu / own[1]:.2f} in CPU")
            del layers
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        print(f"peak {peak} MiB, the work up to the layers included")
        if given.scale == "preview":
            timed_command(given.target, folder, "0.05,0.15")
            for turn in range(3):
                first, cpu, whole = timed_command(
                    given.target, folder, f"0.{turn + 2}1,0.{turn + 3}2,0.{turn + 4}3"
                )
                print(
                    f"`blend try` repeated, 3 tiles: first after {first:.2f} s, all done after {whole:.2f} s"
                )
            page = folder / "trial" / "explore.html"
            subprocess.run(
                [sys.executable, str(Path(__file__).with_name("redraw.py")), str(page)], check=False
            )


if __name__ == "__main__":
    main()
