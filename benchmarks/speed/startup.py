"""How long `blend --help` takes to start, beside a bare interpreter and one that imports numpy.

    python benchmarks/speed/startup.py

The bar is 0.25 s on an idle machine. Best of ten, seconds.
"""

from __future__ import annotations

import subprocess
import sys
import time

COMMANDS = {
    "python alone": ["-c", "pass"],
    "import numpy": ["-c", "import numpy"],
    "blend --help": ["-m", "blend", "--help"],
}


def best_of(words: list[str], turns: int = 10) -> float:
    """Return the shortest of some runs, s."""
    best = float("inf")
    for _ in range(turns):
        start = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
        best = min(best, time.perf_counter() - start)
    return best


if __name__ == "__main__":
    for name, words in COMMANDS.items():
        print(f"{name:14} {best_of(words):.3f} s")
