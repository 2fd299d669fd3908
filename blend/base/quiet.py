"""Warnings of libraries: kept from the user in any number of threads, and put back as they were."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any


class _Count:
    """How many bodies are quiet now, and what the first found and the last puts back."""

    def __init__(self) -> None:
        self.lock = Lock()
        self.inside = 0
        self.found = warnings.catch_warnings()

    def enter(self) -> None:
        with self.lock:
            if self.inside == 0:
                self.found = warnings.catch_warnings()
                self.found.__enter__()
                warnings.simplefilter("ignore")
            self.inside += 1

    def leave(self) -> None:
        with self.lock:
            self.inside -= 1
            if self.inside == 0:
                self.found.__exit__(None, None, None)


_count = _Count()


@contextmanager
def quiet() -> Iterator[None]:
    """Let no library warn in the body.

    Notes
    -----
    The filters of ``warnings.catch_warnings`` belong to the process: of two threads inside it the first to leave puts
    back what the other still needs, and the other what the first had set. Here the first to enter sets the filter and
    the last to leave puts back what was before. Other threads are quiet meanwhile too.
    """
    _count.enter()
    try:
        yield
    finally:
        _count.leave()


def silence_process() -> None:
    """Show no warning and no log of any library in this process from now on: for programs, not for a library.

    The filter alone would not do: a library that sets filters in two threads at once may leave any behind.
    """
    warnings.simplefilter("ignore")
    warnings.showwarning = _drop
    logging.disable(logging.CRITICAL)


def _drop(*args: Any, **kwargs: Any) -> None:
    """Take a warning and show nothing; what matters is said by the step that meets it."""
