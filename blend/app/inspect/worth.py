"""Was it worth it: what the line masters of runs stand for, as exposure of colour, and what the Moon cost."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from blend.base.errors import InputError
from blend.files.record import read_record
from blend.recipe.record_words import worth_words


def worth_report(paths: Sequence[Path]) -> str:
    """Return what the line masters of each run brought, a paragraph a record.

    Parameters
    ----------
    paths : sequence of Path
        ``record.json`` files, or folders of results.

    Raises
    ------
    InputError
        A path is no record.
    """
    return "\n".join(line for path in paths for line in _lines(path))


def _lines(path: Path) -> list[str]:
    record = read_record(path / "record.json" if path.is_dir() else path)
    worth, name = record.get("worth"), record.get("target", path)
    if not isinstance(worth, dict):
        found = "its run measured no worth of its lines"
        expected = "a record of this version or a later one"
        raise InputError(str(path), found=found, expected=expected, advice="run it again with blend replay")
    if not worth:
        return [f"{name}: no line's emission was put into a colour plane before the stretch"]
    taken = record.get("taken", {}).get("rgb", {})
    try:
        return [f"{name}: {worth_words(entry, line, taken)}" for line, entry in worth.items()]
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            str(path), found=f"its worth makes no sense ({error})", expected="an unchanged record"
        ) from None
