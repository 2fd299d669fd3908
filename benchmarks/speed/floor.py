"""What the main job moves through memory, step by step, beside what it takes: called by ``main_job.py --floor``.

    python benchmarks/speed/floor.py TARGET OUT

runs the shipped recipe and prints as JSON, by step, how often row blocks covered the frame and the bytes that passed:
of each pass those of all arrays of the frame's size that its function names, itself or in lists, tables, masters and
functions that it calls, once each, read or written. A plane that lies in a file counts with the bytes it has there and
with the float32 they become. What a step does to whole planes outside row blocks is not seen, and neither is what a
processor fetches before it writes: the sum is what must move, not all that does.
"""

from __future__ import annotations

import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from blend.base import rowblocks
from blend.base.lazyplanes import LazyPlane, LazyPlanes
from blend.base.master import Master

DEEPEST = 5
"""Functions in functions and lists in lists that are followed; none of the steps goes deeper."""

COPIED, COPIES = 256 * 2**20, 7
"""Bytes that are copied to tell the memory's speed, eight times what a last cache holds, and how often."""


def bandwidth(threads: int) -> float:
    """Return the bytes a second, read and written, that copies by so many threads move; the best of several."""
    pairs = [
        (np.ones(COPIED // threads, np.uint8), np.zeros(COPIED // threads, np.uint8)) for _ in range(threads)
    ]
    best = np.inf
    with ThreadPoolExecutor(threads) as pool:
        for _ in range(COPIES):
            start = time.perf_counter()
            list(pool.map(lambda pair: np.copyto(pair[1], pair[0]), pairs))
            best = min(best, time.perf_counter() - start)
    return 2 * COPIED / best


def moved(task: Callable[..., Any], rows: int) -> int:
    """Return the bytes of the arrays with so many rows, or pixels in one, that a function names."""
    found: dict[int, int] = {}
    for array in _held(task, DEEPEST):
        if isinstance(array, LazyPlane):
            stored = getattr(getattr(getattr(array.read, "func", None), "__self__", None), "kind", None)
            size = array.size * (4 + (stored.itemsize if stored is not None else 0))
            found[id(array)] = size if len(array) == rows else 0
        elif rows in array.shape[-2:]:
            found[array.__array_interface__["data"][0]] = array.nbytes
    return sum(found.values())


def _held(value: Any, depth: int) -> Iterator[Any]:
    """Yield the arrays that a value names."""
    if isinstance(value, np.ndarray | LazyPlane):
        yield value
    if depth == 0 or isinstance(value, str | bytes | np.ndarray):
        return
    inside: list[Any] = []
    if isinstance(value, Master):
        inside = [value.pixels, value.flags]
    elif isinstance(value, LazyPlanes):
        inside = list(value.parts)
    elif isinstance(value, dict):
        inside = list(value.values())
    elif isinstance(value, list | tuple):
        inside = list(value)
    elif isinstance(value, partial):
        inside = [value.func, *value.args, *value.keywords.values()]
    elif isinstance(value, LazyPlane):
        inside = [value.read]
    elif callable(value) and getattr(value, "__closure__", None):
        inside = [cell.cell_contents for cell in value.__closure__ if _is_full(cell)]
    for part in inside:
        yield from _held(part, depth - 1)


def _is_full(cell: Any) -> bool:
    try:
        return cell.cell_contents is not None
    except ValueError:
        return False


def count_passes(target: Path, out: Path) -> dict[str, dict[str, float]]:
    """Run the shipped recipe and return by step its passes over the frame and the bytes they move."""
    plain = rowblocks.map_row_blocks
    passes: Counter[str] = Counter()
    traffic: Counter[str] = Counter()
    now = ["read"]
    shape: list[int] = []

    def over_rows(task: Callable[[slice], Any], rows: int, **named: Any) -> Any:
        if not shape or rows in shape:
            passes[now[0]] += 1
            traffic[now[0]] += moved(task, rows)
        return plain(task, rows, **named)

    rowblocks.map_row_blocks = over_rows  # before anybody takes it in
    from blend.app.run import open_recipe, open_target, run_target
    from blend.files.reader import peek

    opened = open_target(target)
    for rows, columns in {peek(path).shape for role, path in opened.paths() if "light" in role}:
        shape += [rows, rows * columns]  # whole rows, or pixels one after the other
    run_target(
        open_recipe("galaxy-moonlit", target=opened),
        opened,
        out=out,
        listener=lambda event: now.__setitem__(0, event.step),
    )
    return {step: {"passes": passes[step], "bytes": traffic[step]} for step in passes}


def tell_floor(seconds: dict[str, float], counted: dict[str, dict[str, float]]) -> None:
    """Print a table: core-seconds of each step, what it moves, and the seconds that takes on one thread and on two."""
    one, two = bandwidth(1), bandwidth(2)
    print(f"memory: {one / 1e9:.1f} GB/s by one thread, {two / 1e9:.1f} by two (read and written)")
    print("| step | core-s | passes | GB | s on one thread | s on two |")
    print("|---|---|---|---|---|---|")
    none = {"passes": 0, "bytes": 0}
    rows = [(step, spent, *counted.get(step, none).values()) for step, spent in seconds.items()]
    rows.append(("sum", *(sum(column) for column in list(zip(*rows, strict=True))[1:])))
    for step, spent, passes, size in rows:
        print(
            f"| {step} | {spent:.1f} | {passes:.0f} | {size / 1e9:.1f} | {size / one:.2f} | {size / two:.2f} |"
        )


if __name__ == "__main__":
    print(json.dumps(count_passes(Path(sys.argv[1]), Path(sys.argv[2]))))
