"""The command that lays two runs side by side: `blend compare`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from blend.app.cli.words import PATH, overwrite_option
from blend.base.errors import printable


@click.command()
@click.argument("a", type=PATH)
@click.argument("b", type=PATH)
@click.option("--out", type=PATH, default=Path("compare"), show_default=True, help="Folder for the page.")
@click.option("--any-target", is_flag=True, help="Compare runs of different targets, too.")
@click.option("--json", "as_json", is_flag=True, help="Print compare.json instead of the table.")
@overwrite_option
def compare(a: Path, b: Path, out: Path, any_target: bool, as_json: bool, overwrite: bool) -> None:
    """Compare two runs of a target: recipes, numbers, and a page to wipe between the pictures.

    A and B are folders of results, or record.json files: two nights, two recipes, a run and its earlier self.
    """
    from blend.app.inspect import compare_runs
    from blend.files.record import record_text

    told = compare_runs(a, b, out=out, any_target=any_target, overwrite=overwrite)
    click.echo(record_text(told).rstrip() if as_json else printable(table(told, out)))


def table(told: Mapping[str, Any], out: Path) -> str:
    """Return what differs: recipe, files, numbers, warnings and what to know, and where the page is."""
    from blend.app.run import aligned
    from blend.pages.compare import SAME, compare_title, number_rows

    lines = [compare_title(told)]
    lines += [f"{letter.upper()}  {told[letter]['label']}  {told[letter]['record']}" for letter in ("a", "b")]
    for what, key in (("recipe", "recipe"), ("files and versions", "files")):
        changes = [(row["key"], row["a"], row["b"]) for row in told[key]]
        lines += ["", *(aligned([(what, "A", "B"), *changes]) if changes else [f"{what}: no difference"])]
    rows = number_rows(told["numbers"])
    cells = [tuple(row.values()) for row in rows if row["change"] != SAME]
    lines += [
        "",
        *(aligned([("numbers", "A", "B", "B less A", ""), *cells]) if cells else ["numbers: no difference"]),
    ]
    if same := len(rows) - len(cells):
        lines.append(f"{same} numbers are the same in both")
    for letter in ("a", "b"):
        lines += [f"{letter.upper()} alone warns: {text}" for text in told["warnings"][letter]]
    lines += ["", *(f"Note: {note}" for note in told["notes"]), f"look at {out / 'compare.html'}"]
    return "\n".join(lines)
