"""Freed memory is used again: counted by the page faults of a process of its own."""

from __future__ import annotations

import subprocess
import sys

import pytest

COUNT = """
import resource, sys
import numpy as np
from blend.base.memory import keep_freed_memory

if sys.argv[1] == "keep":
    assert keep_freed_memory()
faults = []
for _ in range(3):
    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    np.ones(12_000_000, dtype=np.float32)
    faults.append(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
print(*faults)
"""


def faults(how: str) -> list[int]:
    """Return the page faults of three arrays of 48 MB, each made and freed before the next."""
    done = subprocess.run([sys.executable, "-c", COUNT, how], capture_output=True, text=True, check=True)
    return [int(word) for word in done.stdout.split()]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the GNU C library's settings")
def test_a_freed_array_s_pages_serve_the_next_one() -> None:
    first, *later = faults("keep")
    assert first > 8
    assert max(later) <= first / 4
    # without it each array is paid for again
    assert min(faults("no")) > 8
