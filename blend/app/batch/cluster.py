"""Jobs of a batch on a running Dask scheduler; what hands them out, and again when a worker dies, is Dask."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from blend.app.batch.job import Job, Verdict, do_job, explain_fault, failed
from blend.base.errors import RecipeError, StepError
from blend.base.system import cores
from blend.files.record import code_digest, versions
from blend.recipe.state import Event

RETRIES = 2
CONNECT_S = 10
HEARTBEAT_S = 30.0
LOOK_S = 5.0
GONE_S = 120.0
"""A cluster without a worker for so long is given up: a machine that starts again is back within a minute or two."""


def run_on_cluster(
    jobs: Sequence[Job], *, address: str, told: Callable[[str, Event], None]
) -> Iterator[Verdict]:
    """Give the verdict of each job as a cluster's workers come to it; paths must mean the same on every worker.

    Raises
    ------
    RecipeError
        Dask is not installed.
    StepError
        No scheduler answers, it has no workers, or a worker runs other versions or does not see the files.

    Notes
    -----
    When all workers or the scheduler have been gone for `GONE_S`, the targets that are left fail and say so.
    """
    try:
        from distributed import Client
    except ImportError:
        found = "the package distributed is not installed"
        advice = 'pip install "narrowband-blend[cluster]"'
        raise RecipeError("--cluster", found=found, advice=advice) from None
    try:
        client: Any = Client(address, timeout=CONNECT_S, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as fault:
        raise StepError(
            "--cluster",
            found=f"no scheduler answers at {address} ({type(fault).__name__})",
            expected="a running Dask scheduler",
            advice="start one, or check the address",
        ) from None
    with client:
        threads = check_workers(client, jobs)
        sent = {}
        done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        for job in jobs:
            future = client.submit(do_job, _shared(job, threads), pure=False, retries=RETRIES)
            sent[future] = job
            told(job.name, Event("handed-over", f"to {address}", 0.0))
            future.add_done_callback(done.put)
        pulse = _Pulse(client)
        while sent:
            try:
                future = done.get(timeout=LOOK_S)
            except queue.Empty:
                words = pulse.take(len(sent))
                if words:
                    told(next(iter(sent.values())).name, Event(words, "", 0.0))
                if pulse.gone:
                    yield from (failed(job, *explain_fault(_deserted(pulse))) for job in sent.values())
                    return
                continue
            job = sent.pop(future)
            try:
                verdict: Verdict = future.result()
            except Exception as fault:  # noqa: BLE001 - a worker that died thrice fails this target alone
                died = type(fault).__name__ == "KilledWorker"
                yield failed(job, *explain_fault(_gone(job) if died else fault))
                continue
            yield replace(verdict, target=job.target, out=job.out)


@dataclass
class _Pulse:
    """Feels whether a cluster lives: kernels compile on a worker's first job, which looks like death."""

    client: Any
    workers: int | None = None
    seen: float = field(default_factory=time.monotonic)
    said: float = field(default_factory=time.monotonic)

    def take(self, left: int) -> str:
        """Look once; return what to tell, nothing most of the time."""
        now = time.monotonic()
        try:
            self.workers = self.client.sync(self._count, callback_timeout=LOOK_S)
        except Exception:  # noqa: BLE001 - whatever it is, there is no answer
            self.workers = None
        if self.workers:
            self.seen = now
        if now - self.said < HEARTBEAT_S:
            return ""
        self.said = now
        if self.workers is None:
            return "the scheduler does not answer"
        return f"waiting for {left} targets, the scheduler has {self.workers} workers"

    async def _count(self) -> int:
        return len((await self.client.scheduler.identity(n_workers=-1))["workers"])

    @property
    def gone(self) -> bool:
        """Whether it has had no worker for long."""
        return time.monotonic() - self.seen > GONE_S


def check_workers(client: Any, jobs: Sequence[Job]) -> int:
    """Return how many threads a job may use on every worker, or refuse a cluster that cannot do the work.

    Raises
    ------
    StepError
        No workers, other versions than here, or a target file that a worker does not see.
    """
    workers = client.scheduler_info(n_workers=-1)["workers"]
    if not workers:
        raise StepError(
            "--cluster", found="the scheduler has no workers", advice="start some with dask worker ADDRESS"
        )
    here = {**versions(), "code of blend": code_digest()}
    files = [_absolute(job.target) for job in jobs]
    faults: list[str] = []
    counts: list[int] = []
    for worker, (there, unseen, count) in client.run(state_of_worker, files, workers=list(workers)).items():
        counts.append(count)
        names = sorted(name for name in here.keys() | there.keys() if here.get(name) != there.get(name))
        faults += [f"{worker}: {name} is {there.get(name)}, here {here.get(name)}" for name in names]
        faults += [f"{worker}: it does not see {path}" for path in unseen]
    if faults:
        expected = "the same versions on every worker, and one file system"
        advice = "install the same versions on all of them"
        raise StepError("--cluster", found="; ".join(faults[:20]), expected=expected, advice=advice)
    hosts = [entry["host"] for entry in workers.values()]
    return max(1, min(count // hosts.count(host) for host, count in zip(hosts, counts, strict=True)))


def state_of_worker(files: Sequence[str]) -> tuple[dict[str, str], list[str], int]:
    """Return the versions of a worker, those of the files that it does not see, and its cores."""
    unseen = [path for path in files if not Path(path).is_file()]
    return {**versions(), "code of blend": code_digest()}, unseen, cores()


def _shared(job: Job, threads: int) -> Job:
    """Return a job whose paths mean the same in any working folder."""
    return replace(
        job,
        threads=threads,
        recipe=_absolute(job.recipe) if Path(job.recipe).is_file() else job.recipe,
        target=_absolute(job.target),
        out=_absolute(job.out),
        root=None if job.root is None else _absolute(job.root),
    )


def _absolute(path: str) -> str:
    return str(Path(path).absolute())


def _deserted(pulse: _Pulse) -> StepError:
    who = "the scheduler has not answered" if pulse.workers is None else "the scheduler has had no workers"
    found = f"{who} for {GONE_S:.0f} s, and the target was not done"
    advice = "start them, and run the same command again: what is done stays done"
    return StepError("--cluster", found=found, expected="a cluster with workers", advice=advice)


def _gone(job: Job) -> StepError:
    found = f"the workers that tried it died, {RETRIES + 1} of them"
    return StepError(job.name, found=found, advice="look at their memory")
