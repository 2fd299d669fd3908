"""What the main job costs in planes, passes and bytes, counted: a guard that needs no stopwatch.

Each bound stands a tenth above what was counted when it was set, and may only ever come down.
"""

from __future__ import annotations

import json
import shutil
import sys
import tracemalloc
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

import blend
from blend.app.demo.demo import write_night
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.base import rowblocks
from blend.science.simulated.night import SceneOptions, simulate_night

ROWS, COLUMNS = 1100, 1700
"""Wider than a preview, which of smaller pictures shares the pixels: steps write over none of those."""
PLANE = 4 * ROWS * COLUMNS
COUNTED = Path("/proc/self/io")

PLANES_AT_MOST = 14.8
"""Arrays alive at once, in planes of float32: the three colours and the line with all their layers, and what has one
size in every frame."""
PASSES_AT_MOST = 136
"""Times that row blocks covered a frame of full height, by a plane or by several."""
SKY_FITS, STAR_SEARCHES = 4, 9
"""Each plane once; each plane as read, calibrated and as a master's."""


@contextmanager
def counting(patch: pytest.MonkeyPatch) -> Iterator[Counter[str]]:
    """Count the passes over full frames and the calls of what is costly, wherever modules have taken it in."""
    counts: Counter[str] = Counter()
    plain = rowblocks.map_row_blocks

    def over_rows(task: Callable[[slice], Any], rows: int, **named: Any) -> Any:
        counts["passes"] += rows == ROWS
        return plain(task, rows, **named)

    _everywhere(patch, "map_row_blocks", plain, over_rows)
    for module, name in (
        ("blend.science.sky.gradient", "fit_sky"),
        ("blend.science.stars.detect", "find_candidates"),
    ):
        found = getattr(sys.modules[module], name)

        def counted(*values: Any, _found: Callable[..., Any] = found, _name: str = name, **named: Any) -> Any:
            counts[_name] += 1
            return _found(*values, **named)

        _everywhere(patch, name, found, counted)
    yield counts
    patch.undo()


def _everywhere(patch: pytest.MonkeyPatch, name: str, old: object, new: object) -> None:
    for module in list(sys.modules.values()):
        if getattr(module, "__name__", "").startswith(blend.__name__) and vars(module).get(name) is old:
            patch.setattr(module, name, new)


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a night of 1.9 megapixels, calibrated."""
    options = SceneOptions(rows=ROWS, columns=COLUMNS, ha_grid="same", calibrated=True)
    return write_night(simulate_night(options), tmp_path_factory.mktemp("night"))


def _run(target: Path, out: Path) -> dict[str, Any]:
    opened = open_target(target)
    with rowblocks.limit_threads(1):
        run_target(open_recipe("galaxy-moonlit", target=opened), opened, out=out)
    record: dict[str, Any] = json.loads((out / "record.json").read_text(encoding="utf-8"))
    return record


@dataclass(frozen=True)
class Cost:
    """What a run took: planes alive at once, what was counted, bytes beside those of its inputs and outputs."""

    planes: float
    counts: Counter[str]
    read: int
    written: int
    inputs: int
    outputs: int


@pytest.fixture(scope="module")
def cost(target: Path, tmp_path_factory: pytest.TempPathFactory) -> Cost:
    """Run twice, and count the second time: modules are loaded and kernels compiled in the first."""
    folder = tmp_path_factory.mktemp("out")
    _run(target, folder / "first")
    tracemalloc.start()
    try:
        with pytest.MonkeyPatch.context() as patch, counting(patch) as counts:
            tracemalloc.reset_peak()
            before, bytes_before = tracemalloc.get_traced_memory()[0], _bytes()
            record = _run(target, folder / "second")
            planes = (tracemalloc.get_traced_memory()[1] - before) / PLANE
            read, written = (now - then for now, then in zip(_bytes(), bytes_before, strict=True))
    finally:
        tracemalloc.stop()
    inputs = sum(entry["bytes"] for entry in record["inputs"])
    outputs = sum(path.stat().st_size for path in (folder / "second").iterdir())
    shutil.rmtree(folder)
    print(
        f"{planes:.1f} planes, {counts}; read {read / inputs:.2f} of inputs, written {written / outputs:.2f} of outputs"
    )
    return Cost(planes, counts, read, written, inputs, outputs)


def test_planes_and_passes(cost: Cost) -> None:
    assert cost.planes <= PLANES_AT_MOST
    assert cost.counts["passes"] <= PASSES_AT_MOST
    assert cost.counts["fit_sky"] <= SKY_FITS
    assert cost.counts["find_candidates"] <= STAR_SEARCHES


@pytest.mark.skipif(not COUNTED.exists(), reason="the system counts no bytes of a process")
def test_bytes_read_and_written(cost: Cost) -> None:
    # Masters are read for their pixels and for their hashes, pictures for their hashes; FITS is hashed in passing.
    assert cost.read <= 2.1 * cost.inputs + 0.25 * cost.outputs
    assert cost.written <= 1.02 * cost.outputs


def _bytes() -> tuple[int, int]:
    if not COUNTED.exists():
        return 0, 0
    fields = dict(line.split(": ") for line in COUNTED.read_text(encoding="ascii").splitlines())
    return int(fields["rchar"]), int(fields["wchar"])
