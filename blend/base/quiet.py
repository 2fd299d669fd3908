"""Warnings of libraries: kept from the user in any number of threads, and put back as they were."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from threading import Lock
from typing import Any

_lock = Lock()
_inside: list[None] = []
"""An entry for every body that is quiet now."""
_found = ExitStack()
"""What puts the filters back that the first of them has found."""


@contextmanager
def quiet() -> Iterator[None]:
    """Let no library warn in the body.

    Notes
    -----
    The filters of ``warnings.catch_warnings`` belong to the process: of two threads inside it the first to leave puts
    back what the other still needs, and the other what the first had set. Here the first to enter sets the filter and
    the last to leave puts back what was before. Other threads are quiet meanwhile too.
    """
    with _lock:
        if not _inside:
            _found.enter_context(warnings.catch_warnings(action="ignore"))
        _inside.append(None)
    try:
        yield
    finally:
        with _lock:
            _inside.pop()
            if not _inside:
                _found.close()


def silence_process() -> None:
    """Show no warning and no log of any library in this process from now on: for programs, not for a library.

    The filter alone would not do: a library that sets filters in two threads at once may leave any behind.
    """
    warnings.simplefilter("ignore")
    warnings.showwarning = _drop
    logging.disable(logging.CRITICAL)


def _drop(*args: Any, **kwargs: Any) -> None:
    """Take a warning and show nothing; what matters is said by the step that meets it."""
