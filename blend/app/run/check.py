"""Read a recipe and a target, no pixels, and list every fault in one go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from blend.app.run.load import open_recipe, open_target
from blend.base.errors import BlendError, Faults
from blend.files.cards import odd_card_note
from blend.files.catalogue import read_catalogue
from blend.files.reader import peek
from blend.files.source import Peek
from blend.recipe.check import assumptions
from blend.recipe.line_in_filter import passband_words
from blend.recipe.mastertable import CALIBRATION
from blend.recipe.tables import Recipe
from blend.recipe.target import Target
from blend.science.sensor import unlike, wrong_size


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
    headers: dict[str, Peek] = {}
    opened = None
    if target is not None:
        try:
            opened = open_target(target, root=root)
            headers = _headers(opened, lines, faults)
        except Faults as several:
            faults += several.faults
        except BlendError as fault:
            faults.append(fault)
    try:
        read = open_recipe(recipe, settings=settings, target=opened)
        lines.insert(0, f"{recipe}: {len(read.blend)} blends, no faults")
        if opened is not None:
            lines += [line for name in opened.masters for line in _doubts(read, opened, name, headers)]
            lines += [
                f"{'note' if code == 'key-renamed' else 'assumed'}: {text}"
                for code, text in assumptions(read, opened)
            ]
            lines += passband_words(opened)
    except Faults as several:
        faults += several.faults
    except BlendError as fault:
        faults.append(fault)
    if faults:
        raise Faults(faults)
    return lines


def _headers(target: Target, lines: list[str], faults: list[BlendError]) -> dict[str, Peek]:
    """Return what the headers of all pictures say, tell it in ``lines``, and add what cannot work to ``faults``."""
    lines.append(f"{target.name}: {len(target.masters)} masters")
    headers: dict[str, Peek] = {}
    notes: list[str] = []
    for name, path in target.paths():
        try:
            if name.endswith(".catalogue"):
                lines.append(f"  {name:<16} {path.name}: {len(read_catalogue(path))} stars")
                continue
            seen = headers[name] = peek(path)
        except BlendError as fault:
            faults.append(fault)
            continue
        rows, columns = seen.shape
        notes += [f"note: {text}" for _, text in odd_card_note(seen.facts, path.name)]
        lines.append(f"  {name:<16} {path.name}: {seen.planes} x {rows} x {columns}, {seen.depth}")
    lines += notes
    for name in target.masters:
        place, light = f"masters.{name}", _light(name, headers)
        for role in CALIBRATION:
            frame = headers.get(f"{place}.{role}")
            if light is not None and frame is not None and frame.shape != light.shape:
                found, expected = ((len(one.planes), *one.shape) for one in (frame, light))
                faults.append(wrong_size(f"{place}.{role}", role, found=found, expected=expected))
    return headers


def _light(name: str, headers: dict[str, Peek]) -> Peek | None:
    return next((seen for where, seen in headers.items() if where.startswith(f"masters.{name}.light")), None)


def _doubts(recipe: Recipe, target: Target, name: str, headers: dict[str, Peek]) -> list[str]:
    """Say in what the dark of a master is not as the light was taken."""
    light, frame = _light(name, headers), headers.get(f"masters.{name}.dark")
    if light is None or frame is None:
        return []
    known, dark = replace(light.facts, **target.masters[name].facts.given()), frame.facts
    if name != "rgb":
        known = replace(known, file_planes=len(light.planes))
        dark = replace(dark, file_planes=len(frame.planes))
    settings = recipe.calibrate.for_master(name)
    found = unlike(known, dark, scaled=settings.dark_scaling == "exposure")
    return [f"doubt: masters.{name}.dark may be that of other lights: {text}" for text in found]
