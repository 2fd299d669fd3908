"""What a run took for granted stands in its last word, and a run that knows all it needs is done."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make, night, run_words


def _widths(*, stated: bool) -> Make:
    """Return a run of the night with the widths of its filters in the target file, or without."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        lines = target.read_text(encoding="utf-8").splitlines()
        kept = [line for line in lines if stated or "width_nm" not in line]
        target.write_text("\n".join(kept), encoding="utf-8")
        return run_words(target)

    return make


CASES = [
    Case(
        name="filters whose widths nobody states",
        wrong=_widths(stated=False),
        right=_widths(stated=True),
        warning="width-assumed",
        says="the filter is taken to be 7 nm wide",
    ),
]
