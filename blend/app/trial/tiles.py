"""The tiles of a trial: each rendered, measured and written, files and page beside the rendering of the next."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import copy_context
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from blend.app.run import crop_box, target_part, turner
from blend.app.trial.layers import shown
from blend.app.trial.step_cache import StepCache, plain_picture
from blend.app.trial.tile_numbers import Yardstick
from blend.app.trial.variants import Variant
from blend.files.png import thumbnail, write_codes
from blend.files.record import sha256_of
from blend.files.srgb import code_values
from blend.files.whole import WholeFolder, put_bytes
from blend.pages.plain import page_or_plain
from blend.pages.sheet import Picture
from blend.recipe.state import Listener, Work, say

PAGE = "explore.html"
MOST_WAITING = 4
"""Jobs that wait to be written: the codes of a 24-megapixel picture take 72 MB."""


@dataclass(frozen=True, eq=False)
class Tiles:
    """All tiles in their order: what ``trial.json`` says of them, thumbnails, and warnings (code, text)."""

    tiles: list[dict[str, Any]]
    thumbnails: list[Picture]
    warnings: tuple[tuple[str, str], ...]


def make_tiles(
    cache: StepCache,
    variants: Sequence[Variant],
    folder: WholeFolder,
    *,
    page_of: int,
    page: Mapping[str, Any],
    edge: int,
    listener: Listener | None = None,
) -> Tiles:
    """Write the picture of every variant, and the page of the layers of the variant ``page_of``."""
    measure = _Measure(cache)
    tiles: dict[int, dict[str, Any]] = {}
    small: dict[int, Picture] = {}
    warnings: dict[tuple[str, str], None] = {}
    notes: list[tuple[str, str]] = []
    with _Beside() as beside:
        for index, layers, work, seconds in cache.pictures([variant.recipe for variant in variants]):
            say(listener, "try", f"tile {len(tiles) + 1} of {len(variants)}", len(tiles) / len(variants))
            picture = turner(work)(shown(work, cache.view, cache.factor))
            small[index] = thumbnail(picture if cache.view.crop else measure.part(layers, work), edge)
            codes = code_values(picture, bits=8)
            tiles[index] = {
                "tile": index + 1,
                "values": dict(variants[index].values),
                "file": f"tiles/{index + 1}.png",
                "numbers": measure(layers, work),
                "seconds": round(seconds, 4),
            }
            beside.call(_write_tile, folder, tiles[index], codes)
            if index == page_of:
                whole = cache.factor == 1 and not cache.view.crop
                told = {**page, "factor": cache.factor, "box": crop_box(layers) if whole else None}
                at_opening = layers.with_(recipe=variants[index].recipe)
                beside.call(_write_page, folder, at_opening, told, notes)
                del at_opening
            warnings |= dict.fromkeys(
                (code, f"tile {index + 1}: {text}" if code == "blend-loss" else text)
                for code, text in work.warnings
            )
            del layers, work, picture
    order = range(len(variants))
    return Tiles([tiles[i] for i in order], [small[i] for i in order], (*warnings, *notes))


def _write_tile(folder: WholeFolder, tile: dict[str, Any], codes: NDArray[np.uint8]) -> None:
    path = folder.path_for(tile["file"])
    write_codes(path, codes)
    tile["sha256"] = sha256_of(path)
    folder.know(tile["file"], tile["sha256"])


def _write_page(
    folder: WholeFolder, layers: Work, told: Mapping[str, Any], notes: list[tuple[str, str]]
) -> None:
    from blend.app.trial.explore import explore_page

    page, reason = page_or_plain(
        lambda: explore_page(layers, **told),
        title=f"page of the trial of {layers.target.name}",
        beside="the tiles and trial.json",
    )
    put_bytes(folder.path_for(PAGE), page.encode())
    if reason:
        notes.append(("report-failed", f"{PAGE} could not be drawn: {reason}"))


class _Beside:
    """One thread that writes while the caller renders on, a few jobs behind at most."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(max_workers=1)
        self._jobs: list[Future[None]] = []

    def __enter__(self) -> Self:
        return self

    def call(self, job: Callable[..., None], *arguments: Any) -> None:
        """Have a job done after those before it; a fault of theirs rises here, or at the end."""
        while len(self._jobs) >= MOST_WAITING:
            self._jobs.pop(0).result()
        self._jobs.append(self._pool.submit(copy_context().run, job, *arguments))

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._pool.shutdown(cancel_futures=kind is not None)
        if kind is None:
            for job in self._jobs:
                job.result()


class _Measure:
    """Measures tiles; the picture without blends is made once for all that share all but their blends."""

    def __init__(self, cache: StepCache) -> None:
        self._cache = cache
        self._plain: tuple[Any, Work] | None = None
        self._stick: Yardstick | None = None

    def part(self, layers: Work, work: Work) -> Picture:
        """Return the part of a finished picture that holds the target, upright."""
        factor = self._cache.factor
        whole = self._cache.box if factor > 1 else crop_box(layers)
        left, top = whole[:2] if factor > 1 else (0, 0)
        x, y, width, height = target_part(layers, whole)
        rows = slice((y - top) // factor, -(-(y - top + height) // factor))
        columns = slice((x - left) // factor, -(-(x - left + width) // factor))
        assert work.display is not None
        return turner(work)(work.display[:, rows, columns])

    def __call__(self, layers: Work, work: Work) -> dict[str, Any]:
        start = time.perf_counter()
        if self._stick is None or self._stick.layers is not layers:
            self._stick, self._plain = Yardstick(layers, self._cache.factor), None
        looks = (work.recipe.stretch, work.recipe.finish)
        if self._plain is None or self._plain[0] != looks:
            self._plain = (looks, plain_picture(layers, work.recipe))
        numbers = self._stick.measure(work, self._plain[1])
        spent = self._cache.seconds.get("numbers", 0.0)
        self._cache.seconds["numbers"] = spent + time.perf_counter() - start
        return numbers
