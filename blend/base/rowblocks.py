"""One thread pool over fixed blocks of 64 rows, and over whole things that do not need each other.

The blocks never depend on the number of threads and their results come back in order, so a sum over blocks is the
same to the bit on one thread and on sixteen.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, nullcontext
from contextvars import ContextVar, copy_context
from functools import lru_cache
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from blend.base.system import cores

ROWS_PER_BLOCK = 64
"""Of a full frame 1.5 MB a plane. Whatever is summed is summed by blocks, so that another number changes last bits."""

MOST_THREADS = 64
"""Threads that are kept; where more are asked for, the work is shared among fewer."""

Item = TypeVar("Item")
Result = TypeVar("Result")

_threads: ContextVar[int] = ContextVar("threads", default=0)


def thread_count() -> int:
    """Return how many threads row blocks are spread over."""
    chosen = _threads.get()
    return chosen if chosen > 0 else cores()


@contextmanager
def limit_threads(count: int | None) -> Iterator[None]:
    """Run the body with ``count`` threads for row blocks and one for linear algebra; 0 means one a core.

    None leaves the threads for row blocks as they are.
    """
    from threadpoolctl import threadpool_limits

    token = _threads.set(_threads.get() if count is None else count)
    try:
        with threadpool_limits(limits=1, user_api="blas"):
            yield
    finally:
        _threads.reset(token)


@contextmanager
def one_thread() -> Iterator[None]:
    """Run the body's row blocks on the caller's thread alone: for work that runs beside its like."""
    token = _threads.set(1)
    try:
        yield
    finally:
        _threads.reset(token)


def row_blocks(rows: int, *, height: int = ROWS_PER_BLOCK) -> list[slice]:
    """Return the slices that cut ``rows`` rows into blocks of ``height``, the last one shorter.

    Examples
    --------
    >>> row_blocks(130)
    [slice(0, 64, None), slice(64, 128, None), slice(128, 130, None)]
    """
    return [slice(start, min(start + height, rows)) for start in range(0, rows, height)]


def map_row_blocks(
    task: Callable[[slice], Result], rows: int, *, height: int = ROWS_PER_BLOCK
) -> list[Result]:
    """Call ``task`` on every block of rows and return the results in order of the rows.

    Parameters
    ----------
    task : callable
        Takes a slice of rows. Must touch only its own rows of any array it fills, and should release the
        interpreter lock (numpy and ``jit`` kernels do).
    rows : int
    height : int
        Rows in a block. Results that are summed must use a fixed value.
    """
    blocks = row_blocks(rows, height=height)
    workers = min(thread_count(), len(blocks))
    # What a block shares out in its turn stays on its thread: all cores have work already.
    return _shared_out(task, blocks, workers=workers, alone=True)


def copy_planes(planes: Sequence[NDArray[np.float32]] | NDArray[np.float32]) -> NDArray[np.float32]:
    """Return a new (planes, rows, columns) array with the planes in it, copied by all threads.

    Fresh memory costs more than the copying, and a core can fetch it beside another.
    """
    out = np.empty((len(planes), *planes[0].shape), dtype=np.float32)

    def fill_rows(rows: slice) -> None:
        for plane, place in zip(planes, out, strict=True):
            place[rows] = plane[rows]

    map_row_blocks(fill_rows, out.shape[1])
    return out


def map_together(task: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Call ``task`` on whole things, such as masters or planes, two at a time; results in their order.

    Parts of the work that hold the interpreter lock, or that use one core, then run beside another's. More than two
    would hold more pictures in memory at once, and gain little: row blocks inside use all cores already.
    """
    return _shared_out(task, list(items), workers=min(2, thread_count()))


def _shared_out(
    task: Callable[[Item], Result], items: list[Item], *, workers: int, alone: bool = False
) -> list[Result]:
    """Call ``task`` on every item, here and on threads that are kept: starting one costs as much as a block's work.

    Each takes the next item, and none waits for another to begin: calls inside calls cannot hold each other up. The
    first item's fault is raised once nothing runs any more.
    """
    if min(workers, len(items)) <= 1:
        return [task(item) for item in items]
    done: dict[int, Result] = {}
    faults: dict[int, BaseException] = {}
    turn = itertools.count()

    def work() -> None:
        with one_thread() if alone else nullcontext():
            while not faults and (index := next(turn)) < len(items):
                try:
                    done[index] = task(items[index])
                except BaseException as fault:  # noqa: BLE001  raised by the caller's thread
                    faults[index] = fault

    begin = _pool(os.getpid(), thread_count()).submit
    helpers = [begin(copy_context().run, work) for _ in range(min(workers, len(items)) - 1)]
    work()
    for helper in helpers:
        if not helper.cancel():
            helper.result()
    if faults:
        raise faults[min(faults)]
    return [done[index] for index in range(len(items))]


@lru_cache(maxsize=4)
def _pool(_process: int, count: int) -> ThreadPoolExecutor:
    """Return the threads of this process beside the caller's own; a forked one has none of its parent's.

    No more than are asked for, or they would wait for one another's turn at the interpreter.
    """
    return ThreadPoolExecutor(max_workers=max(1, min(MOST_THREADS, count) - 1))
