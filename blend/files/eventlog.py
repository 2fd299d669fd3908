"""A log of what happened: one line of JSON an event."""

from __future__ import annotations

import datetime as dt
import json
import os
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from blend.base.system import peak_mib
from blend.files.claim import refuse_paths
from blend.files.whole import writing

MOST_LINE_BYTES = 2**20
"""No event is longer, by far."""


class EventLog:
    """Appends to a file; every line is whole and flushed, so that a log ends with the last thing that happened."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._begun: dict[str, tuple[str, float]] = {}

    @property
    def files(self) -> tuple[Path, ...]:
        """The file of the log, if there is one."""
        return () if self._path is None else (self._path,)

    def begin(self, reads: Iterable[Path] = ()) -> None:
        """Open the file, which is new, empty, a stream or a log."""
        path = self._path
        if path is None:
            return
        others = list(reads)
        if path in others:  # once: it is there as what the results must not replace
            others.remove(path)
        real = Path(os.path.realpath(path))
        if not (real.is_char_device() or real.is_fifo()):
            refuse_paths([(real, is_log)], reads=others, overwrite=None)
        with writing(path), path.open("ab") as file:
            if real.is_file() and not _ends_whole(real):
                file.write(b"\n")

    def step(self, target: str, step: str, share: float) -> None:
        """Tell that a step begins, how far the run is (0 to 1), and how long the step before it took."""
        now = time.perf_counter()
        before = self._begun.get(target)
        self._begun[target] = (step, now)
        told: dict[str, Any] = {"event": "step", "target": target, "step": step, "share": share}
        if before is not None and before[0] != step:
            told |= {"after": before[0], "seconds": round(now - before[1], 3)}
        self._write(told)

    def verdict(
        self,
        target: str,
        state: str,
        *,
        seconds: float,
        rss_mib: float | None,
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
            self.verdict(target, state, seconds=seconds, rss_mib=peak_mib(), reason=reason)

    def _write(self, told: dict[str, Any]) -> None:
        if self._path is None:
            return
        line = {"time": dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"), **told}
        data = json.dumps(line, ensure_ascii=True, allow_nan=False) + "\n"
        with writing(self._path), self._path.open("ab", buffering=0) as file:
            file.write(data.encode("ascii"))


def is_log(path: Path) -> bool:
    """Return whether a file is empty, or each of its lines is an event; one that was cut short by a fault may be."""
    try:
        with path.open("rb") as file:
            lines = iter(lambda: file.readline(MOST_LINE_BYTES + 1), b"")
            return all(_is_event(line) for line in lines)
    except OSError:
        return False


def _is_event(line: bytes) -> bool:
    if not line.startswith(b'{"time": "') or len(line) > MOST_LINE_BYTES:
        return line == b"\n"
    try:
        told = json.loads(line)
    except ValueError:
        return True
    return isinstance(told, dict) and {"event", "target"} <= told.keys()


def _ends_whole(path: Path) -> bool:
    with path.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - 1))
        return file.read() in (b"", b"\n")
