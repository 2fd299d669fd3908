"""What a person sees while a run works, and the lines at its end."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Self

from blend.base.errors import printable
from blend.base.formats import picture_to_look_at
from blend.base.system import is_terminal
from blend.pages.measured import measured
from blend.pages.notes import notes_of, warnings_of
from blend.pages.tiles import assumed, tiles
from blend.pages.verdict import STATE_WORDS, run_state
from blend.recipe.auto_words import amount_words, auto_words, held_words
from blend.recipe.record_words import scale_words, tone_words, worth_words
from blend.recipe.state import Event


class OnTerminal:
    """Shows work on standard error: something that moves on a terminal, plain lines elsewhere.

    Parameters
    ----------
    quiet : bool
        Show nothing.
    """

    def __init__(self, *, quiet: bool) -> None:
        self._quiet = quiet
        self._moving: Any = None

    def __enter__(self) -> Self:
        if not self._quiet and is_terminal(sys.stderr):
            from rich.console import Console

            self._moving = self._made(Console(stderr=True))
            self._moving.start()
        return self

    def __exit__(self, *ended: object) -> None:
        if self._moving is not None:
            self._moving.stop()

    def _made(self, console: Any) -> Any:
        """Return what moves, not yet started."""
        raise NotImplementedError

    def _line(self, text: str) -> None:
        """Write a line where nothing moves."""
        if not self._quiet and self._moving is None:
            sys.stderr.write(printable(text) + "\n")
            sys.stderr.flush()


class Progress(OnTerminal):
    """Shows the events of a run: one moving line, or a line each."""

    _last = ""

    def _made(self, console: Any) -> Any:
        from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as Bar

        columns = (
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f} %"),
            TimeElapsedColumn(),
        )
        bar = Bar(*columns, console=console, transient=True)
        self._task = bar.add_task("starting", total=1.0)
        return bar

    def show(self, event: Event) -> None:
        """Show one event."""
        text = printable(f"{event.step}: {event.what}")
        if self._moving is not None:
            self._moving.update(self._task, completed=event.share, description=text)
        elif text != self._last:
            self._line(f"[{100 * event.share:3.0f} %] {text}")
        self._last = text


def aligned(rows: Sequence[Sequence[str]], *, right: bool = False) -> list[str]:
    """Return the lines of a table of text, its cells under one another."""
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    form = str.rjust if right else str.ljust
    return ["  ".join(map(form, row, wide)).rstrip() for row in rows]


FEW_NOTES = 2
"""Notes in full at the end of a run on a terminal; the page has all of them."""
THREE = ("Alignment", "Residual gradient", "added", "Star colour shift", "Worth")
"""Ends of the names of tiles, the most telling first; a run's end tells the first three that were measured."""


def summary(record: Mapping[str, Any], out: Path) -> str:
    """Return what a run ends with: how it stands, its picture, its page, and three numbers, each on a line."""
    seconds = sum(record["seconds"].values())
    memory = "" if record["peak_mib"] is None else f", {record['peak_mib']} MiB"
    state = STATE_WORDS[run_state(record)]
    lines = [f"{record['target']}: {state}; {len(record['outputs'])} files, {seconds:.1f} s{memory}"]
    picture = picture_to_look_at(entry["path"] for entry in record["outputs"])
    lines += [f"  picture  {out / picture}"] if picture else []
    lines.append(f"  page     {out / 'report.html'}")
    found = [
        tile for end in THREE for tile in tiles(record) if tile.what.endswith(end) and tile.number != "-"
    ]
    said = [
        f"{tile.what}: {tile.number}" + ("" if tile.mark == "fine" else f" ({tile.word})")
        for tile in found[:3]
    ]
    lines += [f"  numbers  {'; '.join(said)}"] if said else []
    return printable("\n".join(lines))


def notes(record: Mapping[str, Any], *, few: bool) -> list[tuple[str, bool]]:
    """Return a run's warnings as lines, each with whether it asks for a look; of many the weightiest where few."""
    taken = assumed(record)
    warned = sorted((entry["text"] for entry in warnings_of(record)), key=lambda text: text not in taken)
    lines = [(printable(f"Look: {text}"), True) for text in warned]
    lines += [(printable(f"Note: {entry['text']}"), False) for entry in notes_of(record)]
    if few and len(lines) > FEW_NOTES:
        left = len(lines) - FEW_NOTES
        lines = [*lines[:FEW_NOTES], (f"Note: {left} more on the page, or with --verbose", False)]
    return lines


def details(record: Mapping[str, Any]) -> str:
    """Return the table of everything that a run measured."""
    rows = [("registration", name, _registration(entry)) for name, entry in record["register"].items()]
    rows += [
        ("gradient removed", f"{name}.{plane}", _gradient(entry))
        for name, planes in record["gradient"].items()
        for plane, entry in planes.items()
    ]
    rows += [("continuum", name, _continuum(entry)) for name, entry in record["continuum"].items()]
    rows += [("white", plane, f"x {gain:.3f}") for plane, gain in record["balance"]["gains"].items()]
    if "catalogue" in record["balance"]:
        rows.append(("", "", _catalogue(record["balance"])))
    rows += [("stretch", name, _stretch(entry)) for name, entry in record["stretch"].items()]
    rows += [("tone", "rgb", words) for words in (tone_words(record),) if words]
    for name, entry in record["blend"].items():
        rows.append(("blend", name, _blend(entry)))
        rows += [("", "", words) for words in (auto_words(entry),) if words]
    taken = record["taken"].get("rgb", {})
    rows += [("worth", line, worth_words(entry, line, taken)) for line, entry in record["worth"].items()]
    wide = max((len(name) for _, name, _ in rows), default=0)
    return printable("\n".join(f"{what:<16} {name:<{wide}}  {text}" for what, name, text in rows))


def _registration(entry: Mapping[str, Any]) -> str:
    mirrored = ", mirrored" if entry["mirrored"] else ""
    if entry["by"] == "grid":
        return "taken as already on one grid"
    covers = f"{entry['transform']}{mirrored}, overlap {100 * entry['overlap']:.0f} %"
    errs = ""
    if (error := entry["error_px"]) is not None:
        errs = f", errs by {error['centre']:.2f} px at the centre and at most {error['worst']:.2f}"
    how = f"by {entry['by']}"
    if entry["matched"]:
        how = f"{entry['matched']} stars, {entry['rms_px']:.3f} px rms"
    return f"{how}, {covers}{errs}"


def _catalogue(entry: Mapping[str, Any]) -> str:
    told, errors = entry["catalogue"], entry["errors"]
    return (
        f"white at B - V = {told['white_b_v']:g} by {entry['stars']} stars of the catalogue "
        f"({told['matched']} matched, {told['rms_px']:.2f} px rms), "
        f"+- {errors['red']:.3f} red, {errors['blue']:.3f} blue"
    )


def _gradient(entry: Mapping[str, Any]) -> str:
    left = entry["slope_left_sigma"]
    told = "" if left is None else f", residual {measured(left, None, 'sigma')} of a pixel"
    return f"degree {entry['degree']}, range {entry['amplitude']:.3g} across the frame{told}"


def _continuum(entry: Mapping[str, Any]) -> str:
    told = entry["line_light"]
    held = held_words(told) if told["found"] else "no line light found"
    outside = "" if entry.get("passband", {}).get("passes", True) else "the line may lie outside its filter"
    return "; ".join(words for words in (f"scale {scale_words(entry)}", held, outside) if words)


def _stretch(entry: Mapping[str, Any]) -> str:
    parameter = "" if entry["parameter"] is None else f" {entry['parameter']:.3g}"
    lowered = ", lowered for the noise" if entry["lowered"] else ""
    sky = f"sky at {entry['sky_level']:.3f}{lowered}, slope there {entry['sky_slope']:.3g}"
    return f"{entry['curve']}{parameter}, {sky}"


def _blend(entry: Mapping[str, Any]) -> str:
    return f"from {entry['from']} into {entry['into']} by {entry['formula']}, {amount_words(entry)}"
