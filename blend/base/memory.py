"""Memory that a process has had is kept for its next arrays, and how much is free for more.

A full-frame array is asked of the system anew each time, and comes as pages of zeros that the first writing has to
fetch one by one: a fifth of the processor time of a large run. Freed memory that stays with the process is used again
at once; the peak is what it was.
"""

from __future__ import annotations

import ctypes
import os
import sys
from pathlib import Path

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


def free_memory() -> int | None:
    """Return how many bytes a new array may take, or None where nobody says.

    The least of what the system can give, what the control group leaves (both of its versions), and what a limit on the
    address space leaves; beside it, what this process has freed and kept for itself.

    References
    ----------
    proc(5), MemAvailable; Linux kernel documentation, Control Group v2, memory.max and memory.current, and Memory
    Resource Controller (v1), memory.limit_in_bytes and memory.usage_in_bytes; mallinfo2(3), fordblks.
    """
    left = [known for known in (_system_memory(), _group_memory(), _address_space()) if known is not None]
    return max(0, min(left)) + _kept() if left else None


def _system_memory() -> int | None:
    found = _numbers("/proc/meminfo").get("MemAvailable:")
    if found is not None:
        return found * 1024
    try:
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):
        return None


def _group_memory() -> int | None:
    """Return what the control groups of this process leave, the narrowest of them and of those above."""
    left = []
    for line in _lines("/proc/self/cgroup"):
        _, kinds, place = line.split(":", 2)
        if kinds and "memory" not in kinds.split(","):
            continue
        top = Path("/sys/fs/cgroup/memory" if kinds else "/sys/fs/cgroup")
        most, used = (
            ("memory.limit_in_bytes", "memory.usage_in_bytes") if kinds else ("memory.max", "memory.current")
        )
        folder = top / place.strip("/")
        for inside in (folder, *folder.parents):
            if not inside.is_relative_to(top):
                break
            limit, now = _number(inside / most), _number(inside / used)
            if limit is not None and now is not None:
                # pages of files that nobody has used of late are given back when room is asked for
                stat = _numbers(inside / "memory.stat")
                left.append(limit - now + stat.get("total_inactive_file", stat.get("inactive_file", 0)))
    return min(left, default=None)


def _address_space() -> int | None:
    try:
        import resource

        limit, _ = resource.getrlimit(resource.RLIMIT_AS)
        if limit == resource.RLIM_INFINITY:
            return None
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        return limit - pages * os.sysconf("SC_PAGE_SIZE")
    except (ImportError, OSError, ValueError, IndexError):
        return None


class _MallInfo(ctypes.Structure):
    # struct mallinfo2 of malloc.h: ten sizes, the last but one what is free and kept
    _fields_ = [(name, ctypes.c_size_t) for name in "abcdefgh"] + [
        ("fordblks", ctypes.c_size_t),
        ("keepcost", ctypes.c_size_t),
    ]


def _kept() -> int:
    """Return what the C library holds free for this process; 0 where it does not tell."""
    try:
        tell = ctypes.CDLL(None).mallinfo2
        tell.restype = _MallInfo
        return int(tell().fordblks)
    except (OSError, AttributeError):
        return 0


def _lines(path: str | Path) -> list[str]:
    try:
        return Path(path).read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return []


def _numbers(path: str | Path) -> dict[str, int]:
    words = [line.split() for line in _lines(path)]
    return {pair[0]: int(pair[1]) for pair in words if len(pair) > 1 and pair[1].isdecimal()}


def _number(path: Path) -> int | None:
    text = next(iter(_lines(path)), "")
    return int(text) if text.isdecimal() else None
