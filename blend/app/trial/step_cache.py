"""Many pictures of one target, every step done once for all variants that agree up to it."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextvars import copy_context
from pathlib import Path
from threading import Lock
from typing import Any

from blend.app.run import load_sources
from blend.app.trial.input_key import key_of, target_key
from blend.app.trial.layers import Box, View, view_of
from blend.base.errors import OutputError
from blend.base.jit import load_compiler
from blend.base.rowblocks import map_together, one_thread
from blend.files.store import DiskStore
from blend.recipe.model import resolved
from blend.recipe.packing import pack_work, unpack_work
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all, run_steps
from blend.recipe.state import Listener, Work, say
from blend.recipe.steps.protect_stars import begin_blends, begin_settings, guard_lines
from blend.recipe.stepsettings import step_settings
from blend.recipe.tables import Recipe
from blend.recipe.target import Target

VIEW = len(STEPS) - len(PICTURE_STEPS)
"""The place, among the stages of a picture, at which balanced layers are cut and averaged for the view."""

MEMO = "inputs"

TOGETHER_PIXELS = 4_000_000
"""Pictures up to this size are made two at a time; of larger ones two would take too much memory."""

States = dict[int, tuple[tuple[str, ...], Work]]


class StepCache:
    """Makes pictures of one target under one view."""

    def __init__(
        self, target: Target, view: View, *, store: DiskStore | None, listener: Listener | None = None
    ) -> None:
        self.target = target
        self.view = view
        self.store = store
        self.listener = listener
        # what the store had: "layers" as viewed, a "state" before the view or a varied step, or nothing
        self.found = ""
        self.notes: list[tuple[str, str]] = []  # what went wrong with the store, which is no reason to stop
        self.factor = 1
        self.box: Box = (0, 0, 0, 0)
        self.seconds: dict[str, float] = {}
        self._saving: list[Future[None]] = []
        self._pool = ThreadPoolExecutor(max_workers=1)
        self._base: str | None = None
        self._begun: tuple[Any, Work] | None = None
        self._beginning = Lock()

    def pictures(self, recipes: Sequence[Recipe]) -> Iterator[tuple[int, Work, Work, float]]:
        """Yield (index, viewed layers, finished work, seconds) of every recipe, in the order that costs least.

        The seconds are those of the stages that this picture did not share with an earlier one. Small pictures are made
        two at a time, each on its own core: their seconds are half of both's. The record in their works lacks what
        steps measure for it alone.
        """
        chains = [self._chain(recipe) for recipe in recipes]
        varied = [len({chain[depth] for chain in chains}) > 1 for depth in range(len(STEPS) + 1)]
        shared = min([depth for depth, differs in enumerate(varied) if differs] + [VIEW + 1])
        start = time.perf_counter()
        work = self.begin(recipes[0], shared)
        self.seconds["shared"] = time.perf_counter() - start
        kept: States = {shared: (chains[0][:shared], work)}
        order = sorted(range(len(recipes)), key=lambda i: chains[i])
        small = shared == VIEW + 1 and work.rgb.pixels[0].size <= TOGETHER_PIXELS
        del work
        together = 2 if small else 1
        # The first alone: it calls every kernel for the first time, and is what somebody waits for.
        groups = [order[:1], *(order[i : i + together] for i in range(1, len(order), together))]
        for group in groups:
            start = time.perf_counter()

            def tail(index: int, known: States = kept, alone: bool = len(group) == 1) -> tuple[Work, States]:
                if alone:
                    return self._tail(recipes[index], chains[index], varied, known)
                with one_thread():
                    return self._tail(recipes[index], chains[index], varied, known)

            done = map_together(tail, group)
            kept = done[-1][1]
            spent = (time.perf_counter() - start) / len(group)
            for index, (finished, states) in zip(group, done, strict=True):
                yield index, states[VIEW + 1][1], finished, spent
            del done, finished, states

    def _tail(
        self, recipe: Recipe, chain: tuple[str, ...], varied: Sequence[bool], known: States
    ) -> tuple[Work, States]:
        """Return the finished work, and the states on its way that others may begin at, by the stages done."""
        depth = max(d for d, (prefix, _) in known.items() if chain[:d] == prefix)
        kept = {d: pair for d, pair in known.items() if d <= depth and chain[:d] == pair[0]}
        work = kept[depth][1].with_(recipe=recipe, figures=False)
        for stage in range(depth, len(STEPS) + 1):
            work = self._begin_blends(work, chain[:stage]) if stage == VIEW + 1 else work
            work = self._stage(work, stage)
            if stage == VIEW or (stage < len(STEPS) and varied[stage + 1]):
                kept[stage + 1] = (chain[: stage + 1], work)
        return work, kept

    def begin(self, recipe: Recipe, depth: int = VIEW + 1) -> Work:
        """Return the state after ``depth`` stages, from the store or by working up to it."""
        chain = self._chain(recipe)[:depth]
        viewed = depth == VIEW + 1
        key = self._key(chain) if self.store is not None and depth > 0 else ""
        if key and not (viewed and self.view.scale == "full"):
            work = self._load(key, recipe, "layers" if viewed else "state")
            if work is not None:
                return work
        if viewed:
            work = self._stage(self.begin(recipe, VIEW), VIEW)
            if self.view.scale != "full":
                self._save(key, work, viewed=True)
            return work
        work = self._work_up(recipe, depth)
        self._save(key, work, viewed=False)
        return work

    def close(self) -> None:
        """Wait until the store has what it was given, and note what it could not take."""
        for job in self._saving:
            try:
                job.result()
            except OutputError as fault:
                note = ("store", f"nothing was kept for the next time: {fault.sentence()}")
                if note not in self.notes:
                    self.notes.append(note)
        self._saving.clear()
        self._pool.shutdown()

    def _begin_blends(self, layers: Work, prefix: tuple[str, ...]) -> Work:
        """Return layers as their first blend finds them, worked out once for all recipes that agree there."""
        settings = (prefix, begin_settings(layers.recipe))
        # Two tiles at once would both do it, and the second is to have what the first has made.
        with self._beginning:
            if self._begun is None or self._begun[0] != settings:
                self._begun = None  # its pictures make room for the next
                self._begun = (settings, begin_blends(guard_lines(layers)))
            return self._begun[1].with_(recipe=layers.recipe)

    def _stage(self, work: Work, depth: int) -> Work:
        if depth != VIEW:
            return STEPS[depth if depth < VIEW else depth - 1].change(work)
        layers = view_of(work, self.view, box=self.box if any(self.box) else None)
        self.factor, self.box = layers.factor, layers.box
        return layers.work

    def _chain(self, recipe: Recipe) -> tuple[str, ...]:
        texts = list(step_settings(recipe, self.target).values())
        crop = resolved(recipe)["output"]["crop"]
        return (*texts[:VIEW], f"{crop} {self.view}", *texts[VIEW:])

    def _key(self, chain: tuple[str, ...]) -> str:
        if self._base is None:
            memo: Path | None = None if self.store is None else self.store.folder / MEMO
            self._base = target_key(self.target, memo)
        return key_of([self._base, *chain])

    def _load(self, key: str, recipe: Recipe, what: str) -> Work | None:
        assert self.store is not None
        # The disk is read and checked beside the import of what the next step needs.
        reading = self._pool.submit(self.store.load, key)
        load_compiler()
        kept = reading.result()
        if kept is None:
            return None
        document, arrays = kept
        self.found = self.found or what
        if what == "layers":
            self.factor, self.box = document["factor"], tuple(document["box"])
        return unpack_work(document["work"], arrays, recipe=recipe, target=self.target)

    def _save(self, key: str, work: Work, *, viewed: bool) -> None:
        if self.store is None or not key:
            return
        packed, arrays = pack_work(work)
        document: dict[str, Any] = {"work": packed}
        if viewed:
            document |= {"factor": self.factor, "box": list(self.box)}
        # Beside the pictures: writing 600 MB to a disk takes longer than many of them.
        job = self._pool.submit(copy_context().run, self.store.save, key, document, arrays)
        self._saving.append(job)

    def _work_up(self, recipe: Recipe, depth: int) -> Work:
        say(self.listener, "read", f"{len(self.target.masters)} masters", 0.0)
        loaded = load_sources(self.target)
        first = Work(recipe=recipe, target=self.target, sources=loaded.sources, catalogue=loaded.catalogue)
        begin = [first.warn(*loaded.warnings)]
        del first
        del loaded
        if depth == 0:
            return begin.pop()
        work: Work | None = None
        for _, state in run_steps(begin.pop(), steps=STEPS[:depth], listener=self.listener):
            work = state
        assert work is not None
        return work


def plain_picture(layers: Work, recipe: Recipe) -> Work:
    """Return the picture of balanced layers under a recipe without its blends."""
    return run_all(layers.with_(recipe=recipe.model_copy(update={"blend": {}})), steps=PICTURE_STEPS)
