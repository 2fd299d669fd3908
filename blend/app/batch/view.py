"""What a person sees of a batch: a live table on a terminal, plain lines elsewhere, and tables of text."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any

from blend.app.batch.job import Verdict
from blend.app.batch.judged import LABELS
from blend.app.batch.plan import START_SECONDS, Planned
from blend.app.batch.summaries import counts, labels
from blend.app.run import OnTerminal, aligned
from blend.base.errors import printable
from blend.pages.numbers import shown_columns
from blend.recipe.state import Event

LAST_SHOWN = 8
"""Ended targets in the live table: the latest, for a terminal has few lines."""


class BatchView(OnTerminal):
    """Shows a batch: a live table, or a line for each step of a target."""

    def __init__(self, *, quiet: bool) -> None:
        super().__init__(quiet=quiet)
        self._rows: dict[str, tuple[str, float, str]] = {}
        self._ended: list[str] = []

    def _made(self, console: Any) -> Any:
        from rich.live import Live

        return Live(console=console, get_renderable=self._table, refresh_per_second=4, transient=True)

    def begin(self, plan: Sequence[Planned]) -> None:
        """Show what will be done."""
        self._rows = {planned.job.target: ("waiting", 0.0, "") for planned in plan}
        self._names = {planned.job.target: planned.job.name for planned in plan}
        self._by_name = {planned.job.name: planned.job.target for planned in plan if not planned.fault}
        self._line(f"{len(plan)} targets")

    def event(self, name: str, event: Event) -> None:
        """Show a step of one target."""
        key = self._by_name[name]
        step, since, _ = self._rows[key]
        if step != event.step:
            begun = since if step != "waiting" else time.monotonic()
            self._rows[key] = (event.step, begun, "")
            self._line(f"{name}: {event.step}")

    def verdict(self, verdict: Verdict) -> None:
        """Show what became of one target."""
        label = verdict.judged.label
        self._rows[verdict.target] = (label, 0.0, _time(verdict))
        self._ended.append(verdict.target)
        why = verdict.reason.splitlines() or list(verdict.judged.reasons)
        unchanged = ", unchanged" if verdict.state == "skipped" else ""
        self._line(f"{verdict.name}: {label}{unchanged}" + (f": {why[0]}" if why else ""))

    def _table(self) -> Any:
        from rich.console import Group
        from rich.table import Table
        from rich.text import Text

        table = Table("target", "step", "time", "verdict", box=None)
        states = (*LABELS, "waiting")
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


def _time(verdict: Verdict) -> str:
    return "unchanged" if verdict.state == "skipped" else f"{verdict.seconds:.1f} s"


def verdict_table(verdicts: Sequence[Verdict]) -> str:
    """Return the table that a batch ends with: most urgent first, the reasons of failures and of looks below it."""
    order = sorted(verdicts, key=lambda verdict: LABELS.index(verdict.judged.label))
    columns = shown_columns([v.judged.numbers for v in order])
    rows = [("target", "", "time", *(column.what for column in columns))]
    rows += [
        (v.name, v.judged.label, _time(v), *(c.text(v.judged.numbers.get(c.key)) for c in columns))
        for v in order
    ]
    lines = aligned(rows)
    for v in order:
        why = v.reason.splitlines() or v.judged.reasons
        head = f"{v.name} (exit code {v.exit_code}):" if v.reason else f"{v.name}, to look at:"
        lines += ["", head, *(f"  {line}" for line in why)] if why else []
    unchanged = counts(verdicts)["skipped"]
    tally = ", ".join(f"{count} {label}" for label, count in labels(verdicts).items())
    lines += ["", tally + (f"; {unchanged} unchanged" if unchanged else "")]
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
