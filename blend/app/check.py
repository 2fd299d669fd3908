"""Read a recipe and a target, no pixels, and list every fault in one go."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from blend.app.load import MissingFiles, open_recipe, open_target
from blend.base.errors import BlendError, FaultList, Faults
from blend.files.cards import odd_card_note
from blend.files.catalogue import read_catalogue
from blend.files.reader import peek
from blend.recipe.check import assumptions
from blend.recipe.target import Target


def check_files(
    recipe: str, target: Path | None, *, settings: Sequence[str] = (), root: Path | None = None
) -> list[str]:
    """Return lines that say all is well, with what would be assumed.

    Raises
    ------
    BlendError
        Every fault of both files, joined; the exit code is that of the gravest, a fault of the texts first.
    """
    faults: list[BlendError] = []
    lines: list[str] = []
    opened = None
    if target is not None:
        try:
            opened = open_target(target, root=root)
            lines += _input_lines(opened, faults)
        except (FaultList, MissingFiles) as several:
            faults += several.faults
        except BlendError as fault:
            faults.append(fault)
    try:
        read = open_recipe(recipe, settings=settings, target=opened)
        lines.insert(0, f"{recipe}: {len(read.blend)} blends, no faults")
        if opened is not None:
            lines += [f"assumed: {text}" for _, text in assumptions(read, opened)]
    except FaultList as several:
        faults += several.faults
    except BlendError as fault:
        faults.append(fault)
    if faults:
        raise Faults(faults)
    return lines


def _input_lines(target: Target, faults: list[BlendError]) -> list[str]:
    lines, notes = [f"{target.name}: {len(target.masters)} masters"], []
    for name, path in target.paths():
        try:
            if name.endswith(".catalogue"):
                lines.append(f"  {name:<16} {path.name}: {len(read_catalogue(path))} stars")
                continue
            seen = peek(path)
        except BlendError as fault:
            faults.append(fault)
            continue
        rows, columns = seen.shape
        notes += [f"note: {text}" for _, text in odd_card_note(seen.facts, path.name)]
        lines.append(f"  {name:<16} {path.name}: {seen.planes} x {rows} x {columns}, {seen.depth}")
    return lines + notes
