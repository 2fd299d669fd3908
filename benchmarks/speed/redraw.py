"""How long a moved slider takes to redraw the page to look with, in a headless browser without a GPU.

    python benchmarks/speed/redraw.py PAGE

PAGE is an explore.html; the layers of 24-megapixel masters have 1.4 megapixels. Each slider is moved nine times, every
formula chosen by turns. Printed are the milliseconds from the moved value to the drawn canvas, median and shortest, and
the CPU time that the page's process spent on it, all threads together: the same on a busy machine, where the others are
not.
"""

from __future__ import annotations

import argparse
import json
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.pages.conftest import Tab

READY = "document.documentElement?.dataset.ready === 'yes'"


def redraw_times(page: Path, *, turns: int = 9) -> dict[str, tuple[float, float, float]] | None:
    """Return milliseconds of a redraw by what was moved: median, shortest, CPU; None without a browser."""
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        return None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        tab = Tab(program, Path(profile))
        try:
            tab.open(page.resolve(), until=READY)
            tab.call("Performance.enable")
            names = tab.run("blendPage.moves()")
            for name in names:  # compiles the loops
                tab.run(f"blendPage.measure({json.dumps(name)}, 4)")
            return {name: _timed(tab, name, turns) for name in names}
        finally:
            tab.close()


def _timed(tab: Tab, name: str, turns: int) -> tuple[float, float, float]:
    before = _cpu_seconds(tab)
    times = tab.run(f"blendPage.measure({json.dumps(name)}, {turns})")
    cpu = 1e3 * (_cpu_seconds(tab) - before) / turns
    return statistics.median(times), min(times), cpu


def _cpu_seconds(tab: Tab) -> float:
    metrics = tab.call("Performance.getMetrics")["metrics"]
    return float(next(entry["value"] for entry in metrics if entry["name"] == "ProcessTime"))


def print_redraw_times(page: Path) -> None:
    """Print what `redraw_times` finds, a line for everything that was moved."""
    times = redraw_times(page)
    if times is None:
        print("no Chromium is installed: the page's redraw was not timed")
        return
    print(f"redraws of {page}, ms: median, shortest, CPU of all threads")
    for name, (median, shortest, cpu) in times.items():
        print(f"  {name:<44} {median:6.1f} {shortest:6.1f} {cpu:6.1f}")
    print(f"slowest: {max(median for median, _, _ in times.values()):.1f} ms (bar without a GPU: 70 ms)")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path)
    print_redraw_times(parser.parse_args().page)
