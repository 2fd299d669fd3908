"""A log of what happened: one line of JSON an event."""

from __future__ import annotations

import datetime as dt
import json
import resource
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from blend.files.whole import writing


class StepEvent(Protocol):
    """What the log takes from an event of a run."""

    @property
    def step(self) -> str:
        """The step that begins."""

    @property
    def what(self) -> str:
        """In words."""

    @property
    def share(self) -> float:
        """How far the run is, 0 to 1."""


class EventLog:
    """Appends to a file; every line is whole and flushed, so that a log ends with the last thing that happened.

    Parameters
    ----------
    path : Path or None
        None: nothing is written.

    Raises
    ------
    OutputError
        The file cannot be written.
    """

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._begun: dict[str, tuple[str, float]] = {}
        if path is not None:
            with writing(path), path.open("ab"):
                pass

    def step(self, target: str, event: StepEvent) -> None:
        """Tell that a step begins, and with it how long the one before it took."""
        now = time.perf_counter()
        before = self._begun.get(target)
        self._begun[target] = (event.step, now)
        told: dict[str, Any] = {"event": "step", "target": target, "step": event.step, "share": event.share}
        if before is not None and before[0] != event.step:
            told |= {"after": before[0], "seconds": round(now - before[1], 3)}
        self._write(told)

    def verdict(
        self,
        target: str,
        state: str,
        *,
        seconds: float,
        rss_mib: float,
        reason: str = "",
        warnings: Sequence[str] = (),
    ) -> None:
        """Tell what became of a target, and each of its warnings."""
        self.warnings(target, warnings)
        told: dict[str, Any] = {"event": state, "target": target, "seconds": round(seconds, 3)}
        told["memory_mib"] = rss_mib
        if reason:
            told["reason"] = reason
        self._write(told)
        self._begun.pop(target, None)

    def warnings(self, target: str, texts: Sequence[str]) -> None:
        """Tell the warnings of a target, a line each."""
        for text in texts:
            self._write({"event": "warning", "target": target, "warning": text})

    @contextmanager
    def run(self, target: str) -> Iterator[None]:
        """Tell what becomes of the run in the body, whether it ends well or not."""
        start = time.perf_counter()
        reason = "interrupted"
        try:
            yield
            reason = ""
        except Exception as fault:
            reason = str(fault)
            raise
        finally:
            state = "failed" if reason else "done"
            seconds = time.perf_counter() - start
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            self.verdict(target, state, seconds=seconds, rss_mib=round(peak, 1), reason=reason)

    def _write(self, told: dict[str, Any]) -> None:
        if self._path is None:
            return
        line = {"time": dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"), **told}
        data = json.dumps(line, ensure_ascii=True, allow_nan=False) + "\n"
        with writing(self._path), self._path.open("ab", buffering=0) as file:
            file.write(data.encode("ascii"))
