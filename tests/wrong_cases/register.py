"""Masters that do not show one field, beside such as do."""

from __future__ import annotations

import shutil
from pathlib import Path

from wrong_cases.cases import Case, Make, night, run_words


def _line_of(seed: int) -> Make:
    """Return a run with the line master of a night of this seed; the target's own has 1."""

    def make(folder: Path) -> list[str]:
        target = night(folder, seed=1)
        other = folder / "other"
        other.mkdir()
        night(other, seed=seed)
        for path in other.glob("ha*.fits"):
            shutil.copy(path, folder / path.name)
        shutil.rmtree(other)
        return run_words(target)

    return make


CASES = [
    Case(
        name="a line master of another field",
        wrong=_line_of(2),
        right=_line_of(1),
        code=4,
        says="could not be matched by their stars",
    ),
]
