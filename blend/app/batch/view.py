"""What a person sees of a batch: a live table on a terminal, plain lines elsewhere, and tables of text."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Any

from blend.app.batch.job import Verdict
from blend.app.batch.plan import START_SECONDS, Planned
from blend.app.batch.summaries import counts
from blend.app.run import printable
from blend.base.system import is_terminal
from blend.recipe.state import Event

LAST_SHOWN = 8
"""Ended targets in the live table: the latest, for a terminal has few lines."""


class BatchView:
    """Shows a batch on standard error.

    Parameters
    ----------
    quiet : bool
        Show nothing.
    """

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._live: Any = None
        self._rows: dict[str, tuple[str, float, str]] = {}
        self._ended: list[str] = []

    def __enter__(self) -> BatchView:
        if not self._quiet and is_terminal(sys.stderr):
            from rich.console import Console
            from rich.live import Live

            self._live = Live(
                console=Console(stderr=True), get_renderable=self._table, refresh_per_second=4, transient=True
            )
            self._live.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._live is not None:
            self._live.stop()

    def begin(self, plan: Sequence[Planned]) -> None:
        """Show what will be done."""
        self._rows = {planned.job.target: ("waiting", 0.0, "") for planned in plan}
        self._names = {planned.job.target: planned.job.name for planned in plan}
        self._by_name = {planned.job.name: planned.job.target for planned in plan if not planned.fault}
        self._say(f"{len(plan)} targets")

    def event(self, name: str, event: Event) -> None:
        """Show a step of one target."""
        key = self._by_name[name]
        step, since, _ = self._rows[key]
        if step != event.step:
            begun = since if step != "waiting" else time.monotonic()
            self._rows[key] = (event.step, begun, "")
            self._say(f"{name}: {event.step}")

    def verdict(self, verdict: Verdict) -> None:
        """Show what became of one target."""
        self._rows[verdict.target] = (verdict.state, 0.0, f"{verdict.seconds:.1f} s")
        self._ended.append(verdict.target)
        lines = verdict.reason.splitlines()
        self._say(f"{verdict.name}: {verdict.state}" + (f": {lines[0]}" if lines else ""))

    def _say(self, text: str) -> None:
        if not self._quiet and self._live is None:
            sys.stderr.write(printable(text) + "\n")
            sys.stderr.flush()

    def _table(self) -> Any:
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        table = Table("target", "step", "time", "verdict", box=None)
        states = ("done", "skipped", "failed", "waiting")
        shown = [(key, row) for key, row in self._rows.items() if row[0] not in states]
        cells = [
            (self._names[key], step, f"{time.monotonic() - since:.0f} s", "")
            for key, (step, since, _) in shown[:40]
        ]
        for key in self._ended[-LAST_SHOWN:]:
            state, _, seconds = self._rows[key]
            cells.append((self._names[key], "", seconds, state))
        for row in cells:
            # Text, never markup: a name must not choose its colours
            table.add_row(*(Text(printable(cell)) for cell in row))
        tally = ", ".join(
            f"{sum(row[0] == state for row in self._rows.values())} {state}" for state in states
        )
        return Group(table, Text(tally))


def verdict_table(verdicts: Sequence[Verdict]) -> str:
    """Return the table that a batch ends with, the reasons of failures below it."""
    wide = max((len(v.name) for v in verdicts), default=0)
    lines = [f"{v.name:<{wide}}  {v.state:<7}  {v.seconds:7.1f} s  {v.peak_mib:5d} MiB" for v in verdicts]
    for verdict in verdicts:
        if verdict.reason:
            lines += ["", f"{verdict.name} (exit code {verdict.exit_code}):"]
            lines += [f"  {line}" for line in verdict.reason.splitlines()]
    told = counts(verdicts)
    lines += ["", f"{told['done']} done, {told['skipped']} unchanged, {told['failed']} failed"]
    return printable("\n".join(lines))


def plan_table(plan: Sequence[Planned], *, workers: int, threads: int, memory_mib: float | None) -> str:
    """Return what a batch would do, with the time and memory it is expected to take."""
    wide = max((len(planned.job.name) for planned in plan), default=0)
    lines = []
    for planned in plan:
        if planned.fault is not None:
            words = f"cannot be done: {planned.fault[1].splitlines()[0]}"
        elif planned.done:
            words = "unchanged, will be left as it is"
        else:
            words = f"about {planned.seconds:.0f} s of processor time, {planned.mib:.0f} MiB"
        lines.append(f"{planned.job.name:<{wide}}  {words}")
    left = [planned for planned in plan if not planned.done and planned.fault is None]
    largest = sum(sorted((planned.mib for planned in left), reverse=True)[:workers])
    most = largest if memory_mib is None else min(largest, max([memory_mib, *(p.mib for p in left)]))
    seconds = sum(planned.seconds for planned in left) / max(1, workers * threads)
    seconds += START_SECONDS if left else 0.0
    lines.append(
        f"{len(left)} of {len(plan)} targets to do, {workers} workers of {threads} threads: "
        f"about {seconds:.0f} s, at most {most:.0f} MiB"
    )
    return printable("\n".join(lines))
