"""Words of the command line that are nearly right."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, night, run_words


def _misspelt(folder: Path) -> list[str]:
    return run_words(night(folder), "--set", "stretch.sky_levl=0.1")


def _sky_level(folder: Path) -> list[str]:
    return run_words(night(folder), "--set", "stretch.sky_level=0.1")


CASES = [
    Case(name="a misspelt key", wrong=_misspelt, right=_sky_level, code=2, says="did you mean", short=True),
]
