"""Masters that share too little sky: what of the target falls outside is named, a plain border is not."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make, night, run_words


def _pointed(offset_px: tuple[float, float]) -> Make:
    def make(folder: Path) -> list[str]:
        return run_words(night(folder, ha_offset_px=offset_px))

    return make


CASES = [
    Case(
        name="the line's frame points beside the target",
        wrong=_pointed((840.0, -60.0)),
        right=_pointed((60.0, -8.7)),
        warning="target-cut",
    )
]
