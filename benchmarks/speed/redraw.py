"""How long a moved slider takes to redraw the page to look with, in a headless browser without a GPU.

    python benchmarks/speed/redraw.py PAGE

PAGE is an explore.html; the layers of 24-megapixel masters have 1.7 megapixels. Each slider is moved nine times; the
median of the time from the moved value to the drawn canvas is printed, in milliseconds.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.pages.conftest import Tab

READY = "document.documentElement?.dataset.ready === 'yes'"


def redraw_times(page: Path, *, turns: int = 9) -> dict[str, float] | None:
    """Return milliseconds of a redraw by the slider that was moved, and ``pixels``; None without a browser."""
    program = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if program is None:
        return None
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        tab = Tab(program, Path(profile))
        try:
            tab.open(page.resolve(), until=READY)
            tab.run("blendPage.measure(3)")  # compiles the loops
            times: dict[str, float] = tab.run(f"blendPage.measure({turns})")
        finally:
            tab.close()
    return times


def print_redraw_times(page: Path) -> None:
    """Print what `redraw_times` finds, a line a slider."""
    times = redraw_times(page)
    if times is None:
        print("no Chromium is installed: the page's redraw was not timed")
        return
    print(f"{times.pop('pixels') / 1e6:.2f} Mpx in {page}")
    for name, milliseconds in times.items():
        print(f"  {name:<28} {milliseconds:6.1f} ms")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("page", type=Path)
    print_redraw_times(parser.parse_args().page)
