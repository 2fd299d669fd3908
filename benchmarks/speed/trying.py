"""Time variants of a recipe on one target: first and later tiles, at a preview's size and in full, and a repeated try.

Run: python benchmarks/speed/trying.py TARGET [--scale full] [--variants 12]

CPU seconds of this process beside wall seconds; writing pictures is left out. The store lies in a temporary folder.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from blend.app.bench import Bench
from blend.app.layers import parse_view
from blend.app.load import open_target, recipe_text
from blend.app.variants import Variation, make_variants
from blend.files.store import DiskStore
from blend.recipe.target import Target


def timed_tiles(
    target: Target, scale: str, amounts: tuple[float, ...], store: DiskStore
) -> list[list[float]]:
    """Return [wall, cpu] seconds up to each tile, from the one before."""
    text, where = recipe_text("galaxy-moonlit")
    varied = [Variation("blend.red.amount", amounts)]
    variants = make_variants(text, varied, where=where, target=target, settings={})
    bench = Bench(target, parse_view(scale, ""), store=store)
    spent, start = [], (time.perf_counter(), time.process_time())
    for _ in bench.pictures([variant.recipe for variant in variants]):
        now = (time.perf_counter(), time.process_time())
        spent.append([after - before for after, before in zip(now, start, strict=True)])
        start = now
    bench.close()
    return spent


def main() -> None:
    """Print the seconds of every tile of a first and of a repeated try."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", type=Path)
    parser.add_argument("--scale", default="preview")
    parser.add_argument("--variants", type=int, default=12)
    given = parser.parse_args()
    target = open_target(given.target)
    amounts = tuple(round(index / given.variants, 4) for index in range(given.variants))
    with tempfile.TemporaryDirectory() as folder:
        store = DiskStore(Path(folder))
        for name, shift in (("first", 0.0), ("repeated, other weights", 1.0)):
            tiles = timed_tiles(target, given.scale, tuple(a + shift for a in amounts), store)
            later = tiles[1:]
            print(f"{name}: first tile {tiles[0][0]:.2f} s wall, {tiles[0][1]:.2f} s CPU")
            if later:
                wall, cpu = (sum(tile[i] for tile in later) / len(later) for i in (0, 1))
                print(f"  later tiles {wall:.3f} s wall, {cpu:.3f} s CPU each")


if __name__ == "__main__":
    main()
