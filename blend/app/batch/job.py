"""One target of a batch, as a worker does it: from a few words that travel between processes to a verdict."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from blend.app.batch.judged import Judged, judge
from blend.base.errors import BlendError
from blend.base.quiet import quiet
from blend.base.system import held_mib, peak_mib
from blend.recipe.state import Event

State = Literal["done", "skipped", "failed"]


@dataclass(frozen=True, kw_only=True)
class Job:
    """What a worker needs to know of one target: paths and words, no pixels."""

    name: str
    recipe: str
    target: str
    out: str
    root: str | None = None
    threads: int = 1
    command: str = ""
    overwrite: bool = False


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What became of one target."""

    name: str
    target: str
    out: str
    state: State
    exit_code: int = 0  # as `blend run` would have ended
    reason: str = ""  # why it failed, in one line or several
    # seconds and rss_mib: time in the worker, and the worker's memory when it was through
    seconds: float = 0.0
    peak_mib: int = 0
    rss_mib: float = 0.0
    steps: Mapping[str, float] = field(default_factory=dict)  # seconds of each step
    warnings: tuple[str, ...] = ()
    # the word for it, why it has to be looked at, and its numbers
    judged: Judged = field(default_factory=lambda: Judged(label="failed"))


_one_at_a_time = threading.Lock()


def do_job(job: Job, listener: Callable[[Event], None] | None = None) -> Verdict:
    """Run one target and return what became of it; no fault of a target is raised.

    Two jobs handed to one process at once run one after the other: finding stars is not safe on two threads.
    """
    from blend.app.run import claim_results, open_recipe, open_target, recipe_files, run_target
    from blend.base.rowblocks import limit_threads
    from blend.base.system import keep_freed_memory

    # Measured at 1.5 megapixels and two threads: else a worker held 629 MiB after one target and 884 after three.
    keep_freed_memory()
    with _one_at_a_time, quiet():
        start = time.perf_counter()
        try:
            root = Path(job.root) if job.root is not None else None
            target = open_target(Path(job.target), root=root)
            recipe = open_recipe(job.recipe, target=target)
            claim = claim_results(
                recipe,
                target,
                out=Path(job.out),
                reads=(Path(job.target), *recipe_files(job.recipe)),
                overwrite=job.overwrite,
            )
            with limit_threads(job.threads):
                outcome = run_target(
                    recipe,
                    target,
                    out=Path(job.out),
                    listener=listener,
                    command=job.command,
                    claim=claim,
                )
        except Exception as fault:  # noqa: BLE001 - whatever it is, the other targets go on
            code, reason = explain_fault(fault)
            return failed(job, code, reason, seconds=time.perf_counter() - start)
    return Verdict(
        name=job.name,
        target=job.target,
        out=job.out,
        state="done",
        seconds=round(time.perf_counter() - start, 3),
        peak_mib=peak_mib() or 0,
        rss_mib=held_mib() or 0.0,
        steps=dict(outcome.record["seconds"]),
        warnings=tuple(text for _, text in outcome.warnings),
        judged=judge(outcome.record),
    )


def failed(job: Job, code: int, reason: str, *, seconds: float = 0.0) -> Verdict:
    """Return the verdict of a target that could not be done."""
    return Verdict(
        name=job.name,
        target=job.target,
        out=job.out,
        state="failed",
        exit_code=code,
        reason=reason,
        seconds=round(seconds, 3),
        peak_mib=peak_mib() or 0,
        rss_mib=held_mib() or 0.0,
    )


def explain_fault(fault: BaseException) -> tuple[int, str]:
    """Return the exit code and the words of a fault, as `blend run` would tell it."""
    if isinstance(fault, BlendError):
        return fault.exit_code, str(fault)
    if isinstance(fault, MemoryError):
        return 4, "not enough memory for masters of this size"
    return 1, f"unexpected fault: {type(fault).__name__}: {fault}"


def plain_verdict(verdict: Verdict) -> dict[str, Any]:
    """Return a verdict as JSON has it."""
    return {
        "target": verdict.name,
        "file": verdict.target,
        "out": verdict.out,
        "verdict": verdict.state,
        "exit_code": verdict.exit_code,
        "reason": verdict.reason,
        "seconds": verdict.seconds,
        "peak_mib": verdict.peak_mib,
        "rss_mib": verdict.rss_mib,
        "steps": dict(verdict.steps),
        "warnings": list(verdict.warnings),
        "label": verdict.judged.label,
        "look_at": list(verdict.judged.reasons),
        "numbers": dict(verdict.judged.numbers),
    }
