"""How long a moved slider takes to redraw the page to try weights on, in a headless browser.

    python benchmarks/speed/redraw.py PAGE

PAGE is an explore.html, or another page, of which its size and the time it takes to open are printed; the layers of
24-megapixel masters have 1.4 megapixels. Each value is moved nine times, at half the size as while a slider moves, and
in full as when it is let go. Printed are the milliseconds from the moved value to the drawn canvas, median and
shortest, and the CPU time that the page's process spent on it, all threads together: the same on a busy machine, where
the others are not.
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

READY = (
    "document.documentElement?.dataset.ready === 'yes'"
    " || document.readyState === 'complete' && !document.getElementById('engine')"
)
MOVED = {"stretch.sky_level": 0.002, "finish.contrast": 0.02, "finish.saturation": 0.02}


def redraw_times(page: Path, *, turns: int = 9) -> dict[str, tuple[float, float, float]] | None:
    """Return milliseconds of a redraw by what was moved: median, shortest, CPU; None without a browser."""
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        return None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        tab = Tab(program, Path(profile))
        try:
            tab.open(page.resolve(), until=READY)
            print(
                f"{page}: {page.stat().st_size / 1e6:.1f} MB (bar: a report 6, a page to try weights on 12)"
            )
            if not tab.run("Boolean(document.getElementById('engine'))"):
                ended = tab.run("performance.getEntriesByType('navigation')[0].loadEventEnd")
                print(f"opened after {ended:.0f} ms (bar 2000)")
                return {}
            shown, ready = tab.run("[Number(document.documentElement.dataset.shown), performance.now()]")
            print(f"opened: at half size after {shown:.0f} ms, in full after {ready:.0f} ms (bar 2000)")
            tab.call("Performance.enable")
            keys = tab.run("Object.keys(values).filter((key) => key.endsWith('.amount'))")
            moved = {**dict.fromkeys(keys, 0.02), **MOVED}
            times = {}
            for half in (True, False):
                for key, step in moved.items():
                    size = "half size" if half else "in full"
                    _timed(tab, key, step, 4, half)  # compiles the loops
                    times[f"{key}, {size}"] = _timed(tab, key, step, turns, half)
            return times
        finally:
            tab.close()


def _timed(tab: Tab, key: str, step: float, turns: int, half: bool) -> tuple[float, float, float]:
    before = _cpu_seconds(tab)
    times = tab.run(f"blendPage.measure({json.dumps(key)}, {step}, {turns}, {json.dumps(half)})")
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
    if times:
        print(f"redraws of {page}, ms: median, shortest, CPU of all threads (bar at half size: 33 ms)")
    for name, (median, shortest, cpu) in times.items():
        print(f"  {name:<44} {median:6.1f} {shortest:6.1f} {cpu:6.1f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path)
    print_redraw_times(parser.parse_args().page)
