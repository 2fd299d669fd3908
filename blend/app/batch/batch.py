"""Many targets, one recipe: plan, hand out, listen, and leave a summary that tells the truth."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from blend.app.batch.job import Verdict, failed
from blend.app.batch.judged import judge_folder
from blend.app.batch.plan import BatchOptions, Planned, claim_batch, plan_batch, shares
from blend.app.batch.summaries import write_summaries
from blend.app.batch.workers import Piece, run_pieces
from blend.files.claim import tidy_up
from blend.files.eventlog import EventLog
from blend.files.whole import only_one
from blend.recipe.state import Event


class Watcher(Protocol):
    """Who looks on while a batch runs."""

    def begin(self, plan: Sequence[Planned]) -> None:
        """Take in what will be done."""

    def event(self, name: str, event: Event) -> None:
        """Take in a step of one target."""

    def verdict(self, verdict: Verdict) -> None:
        """Take in what became of one target."""


def run_batch(
    recipe: str,
    targets: Sequence[Path],
    *,
    out: Path,
    options: BatchOptions,
    watcher: Watcher,
    log: EventLog | None = None,
) -> list[Verdict]:
    """Run a recipe on many targets and return a verdict each, in the order of the plan.

    One target's failure never stops another. ``out`` gets a folder a target, and ``batch.json``, ``batch.csv`` and
    ``index.html``, written when all is over.

    Raises
    ------
    BlendError
        The recipe is at fault, no target is found, another batch works in ``out``, a file is in the way of a result,
        or the summary cannot be written.
    """
    log = log or EventLog(None)
    plan = plan_batch(recipe, targets, out=out, options=options)
    claim = claim_batch(plan, recipe, out=out, overwrite=options.overwrite, logs=log.files)
    log.begin(claim.reads)
    with only_one(out):
        watcher.begin(plan)
        start = time.perf_counter()
        known: dict[int, Verdict] = {}
        places = {planned.job.target: index for index, planned in enumerate(plan)}

        def told(name: str, event: Event) -> None:
            log.step(name, event.step, event.share)
            watcher.event(name, event)

        for verdict in _all_verdicts(plan, options, told):
            known[places[verdict.target]] = verdict
            log.verdict(
                verdict.name,
                verdict.state,
                seconds=verdict.seconds,
                rss_mib=verdict.rss_mib,
                reason=verdict.reason,
                warnings=verdict.warnings,
            )
            watcher.verdict(verdict)
        verdicts = [known[index] for index in range(len(plan))]
        write_summaries(
            out, recipe, verdicts, seconds=time.perf_counter() - start, claim=claim, logs=log.files
        )
    return verdicts


def _all_verdicts(
    plan: Sequence[Planned], options: BatchOptions, told: Callable[[str, Event], None]
) -> Iterator[Verdict]:
    left = []
    for planned in plan:
        job = planned.job
        if planned.fault is not None:
            code, reason = planned.fault
            yield replace(failed(job, code, reason), peak_mib=0, rss_mib=0.0)
        elif planned.done:
            # killed between its last rename and its end, a run is done and has not tidied up
            tidy_up(Path(job.out))
            judged = judge_folder(Path(job.out))
            yield Verdict(name=job.name, target=job.target, out=job.out, state="skipped", judged=judged)
        else:
            left.append(Piece(job=job, mib=planned.mib))
    if options.cluster is not None:
        from blend.app.batch.cluster import run_on_cluster

        yield from run_on_cluster([piece.job for piece in left], address=options.cluster, told=told)
        return
    workers, _ = shares(options)
    memory = None if options.memory_bytes is None else options.memory_bytes / 2**20
    yield from run_pieces(
        left,
        workers=min(workers, len(left)),
        memory_mib=memory,
        told=lambda job, event: told(job.name, event),
    )
