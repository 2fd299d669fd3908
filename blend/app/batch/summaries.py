"""What a batch leaves beside its targets: the verdicts as JSON, as CSV and as a page of cards."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from blend.app.batch.job import Verdict, plain_verdict
from blend.app.batch.judged import LABELS
from blend.base.formats import picture_to_look_at
from blend.files.claim import Claim
from blend.files.record import seal_of
from blend.files.whole import WholeFolder, put_bytes
from blend.pages.batch import batch_page
from blend.pages.fill_template import link_to
from blend.pages.numbers import COLUMNS as NUMBERS
from blend.pages.plain import page_or_plain

VERSION = 1
"""Of the summary's layout: counted up when a reader of the last one would misread it."""
COLUMNS = ("target", "verdict", "exit_code", "seconds", "peak_mib", "reason", "warnings", "file", "out")
"""Of batch.csv; behind them stand the label and the numbers of `NUMBERS`."""
SUMMARIES = ("batch.csv", "index.html", "batch.json")


def write_summaries(
    out: Path,
    recipe: str,
    verdicts: Sequence[Verdict],
    *,
    seconds: float,
    claim: Claim,
    logs: Iterable[Path] = (),
) -> None:
    """Write ``batch.csv``, ``index.html`` and, last, ``batch.json`` into ``out``, all of them or none.

    ``logs`` are files of events that the page links.
    """
    page, _ = page_or_plain(
        lambda: batch_page(
            recipe,
            [_card(verdict) for verdict in verdicts],
            counts(verdicts),
            log=next((link_to(log, page=out) for log in logs if log.is_file()), ""),
        ),
        title="page of the batch",
        beside="the targets' results, batch.csv and batch.json",
    )
    texts = {
        "batch.csv": batch_csv(verdicts),
        "index.html": page,
    }
    hashes = {name: hashlib.sha256(text.encode()).hexdigest() for name, text in texts.items()}
    texts["batch.json"] = batch_json(recipe, verdicts, seconds=seconds, hashes=hashes)
    with WholeFolder(out, record="batch.json", guard=claim) as folder:
        for name, text in texts.items():
            put_bytes(folder.path_for(name), text.encode())


def batch_json(recipe: str, verdicts: Sequence[Verdict], *, seconds: float, hashes: Mapping[str, str]) -> str:
    """Return the text of ``batch.json``, which holds the hashes of the files beside it."""
    told: dict[str, Any] = {
        "version": VERSION,
        "recipe": recipe,
        "counts": counts(verdicts),
        "labels": labels(verdicts),
        "seconds": round(seconds, 3),
        "targets": [plain_verdict(verdict) for verdict in verdicts],
        "outputs": [{"path": name, "sha256": digest} for name, digest in hashes.items()],
    }
    told["seal"] = seal_of(told)
    return json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def batch_csv(verdicts: Sequence[Verdict]) -> str:
    """Return the verdicts as CSV; a cell that a spreadsheet would take for a formula begins with an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    numbers = [column.key for column in NUMBERS]
    writer.writerow([*COLUMNS, "label", *numbers])
    for verdict in verdicts:
        told = plain_verdict(verdict)
        told["warnings"] = " | ".join(told["warnings"])
        cells = [told[column] for column in (*COLUMNS, "label")]
        writer.writerow([safe_cell(cell) for cell in [*cells, *map(verdict.judged.numbers.get, numbers)]])
    return text.getvalue()


def safe_cell(value: object) -> object:
    """Return a cell that no spreadsheet computes and that holds no control character.

    Examples
    --------
    >>> safe_cell("=1+1"), safe_cell(-2.5), safe_cell("a\\x1b[31m")
    ("'=1+1", -2.5, 'a?[31m')
    """
    if not isinstance(value, str):
        return value
    plain = "".join(c if c.isprintable() else " " if c in "\n\t\r" else "?" for c in value)
    return f"'{plain}" if plain.lstrip().startswith(("=", "+", "-", "@")) else plain


def counts(verdicts: Sequence[Verdict]) -> dict[str, int]:
    """Return how many targets came to each verdict."""
    states = ("done", "skipped", "failed")
    return {state: sum(verdict.state == state for verdict in verdicts) for state in states}


def labels(verdicts: Sequence[Verdict]) -> dict[str, int]:
    """Return how many targets are called by each word of `LABELS`."""
    return {label: sum(verdict.judged.label == label for verdict in verdicts) for label in LABELS}


def _card(verdict: Verdict) -> dict[str, object]:
    folder = Path(verdict.out)
    there = [path.name for path in folder.iterdir()] if verdict.state != "failed" and folder.is_dir() else []
    shown = {
        "thumbnail": picture_to_look_at(there, browser=True),
        "report": "report.html" if "report.html" in there else None,
        "record": "record.json" if "record.json" in there else None,
    }
    return {
        "name": verdict.name,
        "label": verdict.judged.label,
        "state": verdict.state,
        "reason": verdict.reason,
        "reasons": verdict.judged.reasons,
        "seconds": verdict.seconds,
        "values": dict(verdict.judged.numbers),
        **{key: f"{quote(folder.name)}/{name}" if name else "" for key, name in shown.items()},
    }
