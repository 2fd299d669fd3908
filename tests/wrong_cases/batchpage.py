"""Runs that cannot be compared, beside such as can."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from wrong_cases.cases import Case, Make

RECORD: dict[str, Any] = {
    "version": 1,
    "recipe": {"version": 1, "title": "made up"},
    "inputs": [],
    "outputs": [],
    "target": "spiral",
    "star_tint": {"median": 0.2},
}


def _pair(spoil: Callable[[Path], None] | None = None, **changes: Any) -> Make:
    """Return a comparison of two small records, the second one changed."""

    def make(folder: Path) -> list[str]:
        for name, more in (("a", {}), ("b", changes)):
            (folder / name).mkdir()
            (folder / name / "record.json").write_text(json.dumps({**RECORD, **more}), encoding="utf-8")
        if spoil is not None:
            spoil(folder / "b" / "record.json")
        return ["compare", str(folder / "a"), str(folder / "b"), "--out", str(folder / "out")]

    return make


CASES = [
    Case(
        name="a comparison of two targets",
        wrong=_pair(target="nebula"),
        right=_pair(),
        code=2,
        says="expected two runs of one target",
        short=True,
    ),
    Case(
        name="a comparison with a folder in which no run ended",
        wrong=_pair(Path.unlink),
        right=_pair(),
        code=3,
        says="holds no record.json",
    ),
    Case(
        name="a comparison with a record cut short",
        wrong=_pair(lambda path: path.write_text(path.read_text()[:40]) and None),
        right=_pair(),
        code=3,
        says="it is not JSON",
    ),
    Case(
        name="a comparison with a record that was edited",
        wrong=_pair(seal="0" * 64),
        right=_pair(),
        says="was changed after its run",
    ),
]
