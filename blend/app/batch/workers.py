"""Worker processes of this machine: started by spawn, fed one job at a time, replaced when one dies."""

from __future__ import annotations

import multiprocessing as mp
import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from blend.app.batch.job import Job, Verdict, do_job, failed
from blend.base.quiet import silence_process
from blend.base.system import deaf_to_interrupts, ignore_interrupts, signal_name
from blend.files.whole import remove_left_over
from blend.recipe.state import Event

MOST_TRIES = 2
"""A worker that dies may have been killed for want of memory while others ran: the job gets one more try."""

Told = Callable[[Job, Event], None]


@dataclass(frozen=True, kw_only=True)
class Piece:
    """A job and the memory it is expected to need."""

    job: Job
    mib: float


@dataclass(eq=False, kw_only=True)
class _Worker:
    process: BaseProcess
    pipe: Connection
    piece: Piece | None = None
    tries: int = 0


def run_pieces(
    pieces: Sequence[Piece], *, workers: int, memory_mib: float | None, told: Told
) -> Iterator[Verdict]:
    """Give the verdict of each piece as it becomes known; those that run together need at most ``memory_mib``.

    One that would not fit waits; one too large by itself runs alone.
    """
    waiting = [(piece, 0) for piece in pieces]
    crew: list[_Worker] = []
    try:
        while waiting or any(worker.piece for worker in crew):
            _hand_out(waiting, crew, workers=workers, memory_mib=memory_mib)
            busy = [worker for worker in crew if worker.piece]
            ready = set(wait([worker.pipe for worker in busy]))
            for worker in busy:
                if worker.pipe in ready:
                    yield from _listen(worker, crew, waiting, told)
    finally:
        for worker in crew:
            _dismiss(worker, quick=worker.piece is not None)


def _hand_out(
    waiting: list[tuple[Piece, int]], crew: list[_Worker], *, workers: int, memory_mib: float | None
) -> None:
    while waiting:
        held = sum(worker.piece.mib for worker in crew if worker.piece)
        fits = (
            index
            for index, (piece, _) in enumerate(waiting)
            if memory_mib is None or held == 0.0 or held + piece.mib <= memory_mib
        )
        index = next(fits, None)
        idle = next((worker for worker in crew if worker.piece is None), None)
        if index is None or (idle is None and len(crew) >= workers):
            return
        if idle is None:
            idle = _hire()
            crew.append(idle)
        piece, tries = waiting.pop(index)
        idle.piece, idle.tries = piece, tries + 1
        with suppress(OSError):  # a worker that died idle shows when it is listened to
            idle.pipe.send(piece.job)


def _listen(
    worker: _Worker, crew: list[_Worker], waiting: list[tuple[Piece, int]], told: Told
) -> Iterator[Verdict]:
    piece = worker.piece
    assert piece is not None
    try:
        message = worker.pipe.recv()
    except (EOFError, OSError):
        crew.remove(worker)
        worker.process.join()
        if worker.tries < MOST_TRIES:
            waiting.append((piece, worker.tries))
        else:
            clear_after(piece.job)
            yield failed(piece.job, 4, _how_it_died(worker.process.exitcode, worker.tries))
        return
    if isinstance(message, Verdict):
        worker.piece = None
        yield message
    else:
        told(piece.job, message)


def _how_it_died(code: int | None, tries: int) -> str:
    how = f"ended with {code}"
    if code is not None and code < 0:
        how = f"was killed by {signal_name(-code)}"
    return f"the worker process {how}, {tries} times in a row; perhaps memory ran out: give --memory or fewer --jobs"


def _hire() -> _Worker:
    # spawn: a forked child would inherit the locks of threads that do not exist in it
    context = mp.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs,), daemon=True)
    # an interrupt from the keyboard reaches the batch alone, also while workers import
    with deaf_to_interrupts(), _script_left_out():
        process.start()
    theirs.close()
    return _Worker(process=process, pipe=ours)


@contextmanager
def _script_left_out() -> Iterator[None]:
    """Keep a new process from importing the script that began this one: it would begin the batch once more."""
    script = sys.modules["__main__"]
    known = {name: vars(script).pop(name, None) for name in ("__spec__", "__file__")}
    script.__spec__ = None
    try:
        yield
    finally:
        vars(script).update({name: value for name, value in known.items() if name == "__spec__" or value})


def _dismiss(worker: _Worker, *, quick: bool) -> None:
    with suppress(OSError):
        worker.pipe.close()
    if quick:
        worker.process.terminate()
    worker.process.join(timeout=5.0)
    if worker.process.is_alive():
        worker.process.kill()
        worker.process.join()
    if worker.piece is not None:
        clear_after(worker.piece.job)


def clear_after(job: Job) -> None:
    """Remove what a worker that was ended has left of its target: a hidden folder, and a folder with nothing else."""
    out = Path(job.out)
    with suppress(OSError):
        remove_left_over(out)
        out.rmdir()  # succeeds only where it is empty


def _serve(pipe: Any) -> None:
    """Do jobs until the pipe closes; end at once when the batch itself is gone."""
    silence_process()
    ignore_interrupts()  # an interrupt is for the batch, which then ends its workers
    parent = mp.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()
    with suppress(EOFError, OSError):
        while True:
            pipe.send(do_job(pipe.recv(), pipe.send))


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
