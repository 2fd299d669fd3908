"""How long a moved slider takes to redraw the page to look with, in a headless browser.

    python benchmarks/speed/redraw.py PAGE

PAGE is an explore.html; the layers of 24-megapixel masters have 1.4 megapixels. Each slider is moved nine times, every
formula chosen by turns. Printed are the milliseconds from the moved value to the drawn canvas, median and shortest, and
the CPU time that the page's process spent on it, all threads together: the same on a busy machine, where the others are
not. First as the page draws where there is no GPU, on the processors; then by its shader, which the browser imitates on
the same processors: what a GPU takes cannot be seen so, but all that the page adds to it can, in the last column. A GPU
that takes more than 33 ms gives way to the processors.
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


def redraw_times(page: Path, *, shader: bool, turns: int = 9) -> dict[str, tuple[float, float, float]] | None:
    """Return milliseconds of a redraw by what was moved: median, shortest, CPU; None without a browser."""
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        return None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        tab = Tab(program, Path(profile))
        try:
            tab.open(page.resolve(), until=READY, part="imitated-chip" if shader else "")
            tab.call("Performance.enable")
            names = tab.run("blendPage.moves()")
            for name in names:  # compiles the loops
                tab.run(f"blendPage.measure({json.dumps(name)}, 4)")
            times = {name: _timed(tab, name, turns) for name in names}
            assert tab.run("blendPage.onChip()") == shader, "the page did not draw as it was asked to"
            return times
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
    plain = redraw_times(page, shader=False)
    if plain is None:
        print("no Chromium is installed: the page's redraw was not timed")
        return
    print(f"redraws of {page} on the processors, ms: median, shortest, CPU of all threads")
    _print_times(plain)
    print(f"slowest: {max(median for median, _, _ in plain.values()):.1f} ms (bar without a GPU: 70 ms)")
    imitated = redraw_times(page, shader=True, turns=5)
    assert imitated is not None
    print("by the shader, imitated on the processors, ms: median, shortest, CPU of the page's own part")
    _print_times(imitated)
    own = max(cpu for _, _, cpu in imitated.values())
    print(f"own part at most {own:.1f} ms, beside which a GPU draws (bar with a GPU, both together: 33 ms)")


def _print_times(times: dict[str, tuple[float, float, float]]) -> None:
    for name, (median, shortest, cpu) in times.items():
        print(f"  {name:<44} {median:6.1f} {shortest:6.1f} {cpu:6.1f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path)
    print_redraw_times(parser.parse_args().page)
