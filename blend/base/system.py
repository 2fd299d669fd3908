"""What operating systems do differently: memory, cores, locks, flushing, second names, interrupts, streams.

Every function here has a way for Linux, macOS and Windows, or says that there is none. What a system lacks is found by
asking for it, not by the system's name, so that the other ways can be tried where the first one is taken away.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import ModuleType
from typing import Any, TextIO


def _module(name: str) -> ModuleType | None:
    """Return a module of the standard library that only some systems have."""
    try:
        return __import__(name)
    except ImportError:
        return None


# resource and fcntl are missing on Windows, msvcrt everywhere else
_resource: Any = _module("resource")
_fcntl: Any = _module("fcntl")
_msvcrt: Any = _module("msvcrt")

LOCK_FILE = ".blend-hold"
"""What stands for a lock on a folder where folders themselves cannot be locked."""

# --- cores and memory -----------------------------------------------------------------------------------------


def cores() -> int:
    """Return how many cores this process may use, where the system tells; else how many there are."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def peak_mib() -> int | None:
    """Return the most memory that this process has held, in MiB; None where the system does not tell.

    ``ru_maxrss`` is counted in bytes on macOS and in KiB on Linux and the BSDs, as their manual pages say.
    """
    if _resource is not None:
        unit = 2**20 if sys.platform == "darwin" else 2**10
        return int(_resource.getrusage(_resource.RUSAGE_SELF).ru_maxrss) // unit
    found = _working_set()
    return None if found is None else found[1] // 2**20


def held_mib() -> float | None:
    """Return the memory that this process holds now, in MiB; its peak, or None, where the system does not tell."""
    with suppress(OSError, ValueError, IndexError, AttributeError):
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        return round(pages * os.sysconf("SC_PAGE_SIZE") / 2**20, 1)
    found = _working_set()
    if found is not None:
        return round(found[0] / 2**20, 1)
    peak = peak_mib()
    return None if peak is None else float(peak)


class _Counters(ctypes.Structure):
    """PROCESS_MEMORY_COUNTERS of Windows' psapi.h; from memory, not tried on Windows."""

    _fields_ = (
        ("cb", ctypes.c_uint32),
        ("PageFaultCount", ctypes.c_uint32),
        ("PeakWorkingSetSize", ctypes.c_size_t),
        ("WorkingSetSize", ctypes.c_size_t),
        ("others", ctypes.c_size_t * 6),
    )


def _working_set() -> tuple[int, int] | None:
    """Return bytes held now and at most, as Windows counts them; None on other systems."""
    windll: Any = getattr(ctypes, "windll", None)
    if windll is None:
        return None
    counters = _Counters(cb=ctypes.sizeof(_Counters))
    windll.kernel32.GetCurrentProcess.restype = ctypes.c_void_p
    process = ctypes.c_void_p(windll.kernel32.GetCurrentProcess())
    if not windll.kernel32.K32GetProcessMemoryInfo(process, ctypes.byref(counters), counters.cb):
        return None
    return int(counters.WorkingSetSize), int(counters.PeakWorkingSetSize)


# numbers of the GNU C library's malloc.h
_TRIM_THRESHOLD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -3, -8

_WHOLE_PLANE = 8 * 2**20
"""Bytes: more than 64 rows of a full frame, less than a byte a pixel of 9 megapixels. Of 24 megapixels 2 MiB took 4 s
of system time more, and 24 and 32 left holes of 100 MB (measured)."""


def keep_freed_memory() -> bool:
    """Let the C library keep what is freed, in one pool for all threads; tell whether it could be asked.

    What is asked of the system comes as pages of zeros that the first writing has to fetch one by one: a fifth of the
    processor time of a large run. Freed memory that stays with the process is used again at once. Whole planes alone
    are asked of the system each time: in one pool with the rest, they leave holes of 300 MB at 24 megapixels. For a
    process that works through one job: what it keeps, others cannot have until it ends. Where the C library is another
    than GNU's, nothing changes.
    """
    if not sys.platform.startswith("linux"):
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):
        return False
    settings = ((_MMAP_THRESHOLD, _WHOLE_PLANE), (_TRIM_THRESHOLD, 2**31 - 1), (_ARENA_MAX, 1))
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
    if _resource is None:
        return None
    try:
        limit, _ = _resource.getrlimit(_resource.RLIMIT_AS)
        if limit == _resource.RLIM_INFINITY:
            return None
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        return int(limit) - pages * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
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


# --- the disk -------------------------------------------------------------------------------------------------


@contextmanager
def lock_file(path: Path, *, wait: bool) -> Iterator[bool | None]:
    """Hold a lock on a file for the body, made if missing; the lock ends with its process.

    Yields True where it is held, False where another process has it, None where there are no locks.

    Raises
    ------
    OSError
        The file cannot be opened, or is a link.
    """
    no_links = getattr(os, "O_NOFOLLOW", 0)
    if not no_links and path.is_symlink():
        raise OSError(f"{path} is a link")
    handle = os.open(path, os.O_RDWR | os.O_CREAT | no_links, 0o644)
    try:
        yield _lock(handle, wait=wait)
    finally:
        os.close(handle)


@contextmanager
def lock_folder(folder: Path, *, wait: bool) -> Iterator[bool | None]:
    """Hold a lock on a folder for the body; yields as `lock_file` does.

    Where folders cannot be locked a file stands for it: inside, or beside a hidden folder, which may be renamed while
    it is held.
    """
    if _fcntl is not None:
        handle = os.open(folder, os.O_RDONLY)
        try:
            yield _lock(handle, wait=wait)
        finally:
            os.close(handle)
        return
    if _msvcrt is None:
        yield None
        return
    hidden = folder.name.startswith(".")
    path = folder.with_name(f"{LOCK_FILE}{folder.name}") if hidden else folder / LOCK_FILE
    with lock_file(path, wait=wait) as held:
        yield held
    with suppress(OSError):  # another process may have it by now
        path.unlink()


def _lock(handle: int, *, wait: bool) -> bool | None:
    """Lock an open file; see `lock_file` for the answer."""
    if _fcntl is not None:
        try:
            _fcntl.flock(handle, _fcntl.LOCK_EX | (0 if wait else _fcntl.LOCK_NB))
        except BlockingIOError:
            return False
        except OSError:
            return None  # a file system without locks
        return True
    if _msvcrt is not None:
        while True:
            try:
                _msvcrt.locking(handle, _msvcrt.LK_LOCK if wait else _msvcrt.LK_NBLCK, 1)
            except OSError:
                if wait:
                    continue  # it gives up after ten seconds
                return False
            return True
    return None


def flush_to_disk(path: Path) -> None:
    """Wait until a file, or the entries of a folder, are on the disk.

    A file system that cannot flush folders, and Windows, which cannot open them, keep their entries in order on their
    own.

    Raises
    ------
    OSError
        The disk could not take a file.
    """
    if path.is_dir():
        with suppress(OSError):
            _flush(path, os.O_RDONLY)
    else:
        # Windows flushes only what is open for writing.
        _flush(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)


def _flush(path: Path, how: int) -> None:
    handle = os.open(path, how)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def give_second_name(path: Path, second: Path) -> bool:
    """Give a file a second name, and tell whether its file system has such."""
    try:
        os.link(path, second)
    except (OSError, AttributeError, NotImplementedError):
        return False
    return True


# --- interrupts and the terminal ------------------------------------------------------------------------------


@contextmanager
def deaf_to_interrupts() -> Iterator[None]:
    """Processes that are started in the body do not hear an interrupt from the keyboard, where the system can do that.

    With a signal mask an interrupt waits for the end of the body; without one it is lost if it comes within the few
    milliseconds that a start takes. On Windows the new process hears it until it calls `ignore_interrupts`.
    """
    if hasattr(signal, "pthread_sigmask"):
        masked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            yield
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, masked)
        return
    try:
        before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    except ValueError:  # handlers belong to the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def ignore_interrupts() -> None:
    """Do not hear an interrupt from the keyboard any more."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def signal_name(code: int) -> str:
    """Return what a signal is called, or its number where the system has no name for it."""
    try:
        return signal.Signals(code).name
    except ValueError:
        return f"signal {code}"


def is_terminal(stream: TextIO | None) -> bool:
    """Return whether somebody looks at a stream; a program without a console has none."""
    return stream is not None and stream.isatty()


def send_nowhere(stream: TextIO) -> None:
    """Let what is written to a stream whose reader has gone disappear."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def put_null_device(number: int) -> None:
    """Open the null device under the number of a stream that is closed, so that no file is opened in its place."""
    null = os.open(os.devnull, os.O_RDWR)
    if null != number:
        os.dup2(null, number)
        os.close(null)
