"""Memory that a process has had is kept for its next arrays.

A full-frame array is asked of the system anew each time, and comes as pages of zeros that the first writing has to
fetch one by one: a fifth of the processor time of a large run. Freed memory that stays with the process is used again
at once; the peak is what it was.
"""

from __future__ import annotations

import ctypes
import sys

# numbers of the GNU C library's malloc.h
_TRIM_THRESHOLD, _MMAP_MAX, _ARENA_MAX = -1, -4, -8


def keep_freed_memory() -> bool:
    """Let the C library keep what is freed, in one pool for all threads; tell whether it could be asked.

    For a process that works through one job: what it keeps, others cannot have until it ends. Where the C library is
    another than GNU's, nothing changes.
    """
    if not sys.platform.startswith("linux"):
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return False
    settings = ((_MMAP_MAX, 0), (_TRIM_THRESHOLD, 2**31 - 1), (_ARENA_MAX, 1))
    answers = [mallopt(name, value) for name, value in settings]
    return all(answer == 1 for answer in answers)
