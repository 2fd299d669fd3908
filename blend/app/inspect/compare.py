"""Two runs side by side: what their recipes, inputs, numbers and warnings differ in, and both pictures on one page."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blend.app.inspect.compared_pictures import both_pictures
from blend.base.errors import InputError, RecipeError
from blend.files.claim import Claim
from blend.files.record import read_record, record_text, seal_holds, seal_of, sha256_of
from blend.files.whole import WholeFolder, put_bytes
from blend.pages.compare import compare_page
from blend.pages.fill_template import link_to
from blend.pages.numbers import Number, run_numbers, table_at
from blend.pages.plain import page_or_plain
from blend.pages.verdict import run_state
from blend.recipe.old_keys import new_names
from blend.recipe.toml import flatten, toml_value

COMPARED, PAGE = "compare.json", "compare.html"
VERSION = 1
"""Of compare.json's layout, as `summaries.VERSION`."""
SAME_FIELD_DEG = 0.5
"""Pointings this close are of one field under any name: from night to night a mount finds its target within arcminutes
(common practice)."""
SIGMAS = 2.0
"""Differences beyond so many standard errors are marked: 1 of 20 such by chance."""


@dataclass(frozen=True)
class Run:
    """One of the two: its record, where that lies, and what it is called in text and on the page."""

    letter: str
    path: Path
    record: Mapping[str, Any]

    @property
    def target(self) -> str:
        """Return the target's name, or the folder's where an old record has none."""
        return str(self.record.get("target") or self.path.parent.name)

    @property
    def state(self) -> str:
        """Return the word that page and batch have for it."""
        try:
            return run_state(self.record)
        except (KeyError, TypeError, ValueError, AttributeError):
            return "look"


def compare_runs(
    a: Path, b: Path, *, out: Path, any_target: bool = False, overwrite: bool = False
) -> dict[str, Any]:
    """Compare two runs and write ``compare.html`` and ``compare.json`` into ``out``, both or neither.

    Parameters
    ----------
    a, b : Path
        Folders of results, or records; the records' pictures are looked for beside them.
    out : Path
        Made if missing.
    any_target : bool
        The two may be of different targets.
    overwrite : bool
        Files in the way may be lost that no comparison has left.

    Returns
    -------
    dict
        The contents of ``compare.json``.

    Raises
    ------
    InputError
        One of the two is no record.
    RecipeError
        Both are one record, their targets differ, or a file is in the way.
    OutputError
        The folder cannot be written.
    """
    runs = _opened("A", a), _opened("B", b)
    _refuse_pair(*runs, any_target=any_target)
    pictures = both_pictures(*((run.letter, run.path.parent, run.record) for run in runs))
    claim = Claim(
        out, record=COMPARED, reads=[*(run.path for run in runs), *pictures.files], overwrite=overwrite
    )
    claim.check([PAGE, COMPARED])
    told: dict[str, Any] = {"version": VERSION}
    for run in runs:
        report = run.path.parent / "report.html"
        link = link_to(report, page=out) if report.is_file() else ""
        told[run.letter.lower()] = {**_about(run), "report": link}
    one, other = (run.record for run in runs)
    told["recipe"] = _changes(_settings(one), _settings(other))
    told["files"] = _changes(_files(one), _files(other))
    told["numbers"] = _numbers(run_numbers(one), run_numbers(other))
    a_warned, b_warned = (_warned(record) for record in (one, other))
    told["warnings"] = {
        "a": [text for text in a_warned if text not in b_warned],
        "b": [text for text in b_warned if text not in a_warned],
    }
    told["notes"] = [*_doubts(*runs), *pictures.notes]
    page, why = page_or_plain(
        lambda: compare_page(told, pictures.urls), title="comparison", beside="compare.json and both runs"
    )
    if why:
        told["notes"].append(f"{PAGE} could not be drawn: {why}")
    with WholeFolder(out, record=COMPARED, guard=claim) as folder:
        put_bytes(folder.path_for(PAGE), page.encode())
        told["outputs"] = [{"path": PAGE, "sha256": sha256_of(folder.path_for(PAGE))}]
        told["seal"] = seal_of(told)
        put_bytes(folder.path_for(COMPARED), record_text(told).encode())
    return told


def _opened(letter: str, path: Path) -> Run:
    file = path / "record.json" if path.is_dir() else path
    if path.is_dir() and not file.is_file():
        raise InputError(
            str(path),
            found="the folder holds no record.json: no run ended here",
            expected="a folder of results, or a record.json",
            advice="give the folder that blend run wrote to",
        )
    return Run(letter, file, read_record(file))


def _refuse_pair(a: Run, b: Run, *, any_target: bool) -> None:
    if a.path.resolve() == b.path.resolve():
        advice = "keep an earlier run in a folder of its own"
        raise RecipeError(str(b.path), found="A and B are one record", expected="two runs", advice=advice)
    if a.target == b.target or any_target or _one_field(a.record, b.record):
        return
    found = f"B is of {b.target}, A of {a.target}"
    advice = "check the folders; --any-target compares them all the same"
    raise RecipeError(str(b.path), found=found, expected="two runs of one target", advice=advice)


def _one_field(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    """Tell whether both records know where they point, and it is the same field."""
    places = [table_at(record, "taken", "rgb").get("pointing") for record in (a, b)]
    try:
        (ra, dec), (other_ra, other_dec) = (tuple(map(math.radians, place or ())) for place in places)
    except (TypeError, ValueError):
        return False
    across = math.cos(dec) * math.cos(other_dec) * math.cos(ra - other_ra)
    cosine = math.sin(dec) * math.sin(other_dec) + across
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine)))) <= SAME_FIELD_DEG


def _about(run: Run) -> dict[str, Any]:
    taken = {name: table_at(run.record, "taken", name) for name in table_at(run.record, "taken")}
    return {
        "record": str(run.path),
        "target": run.target,
        "label": run.state,
        "title": str(table_at(run.record, "recipe").get("title") or ""),
        "taken": {
            name: ", ".join(
                f"{facts[key]:g} {unit}".strip() if isinstance(facts[key], (int, float)) else str(facts[key])
                for key, unit in (("date_obs", ""), ("frames", "frames"), ("exposure_s", "s"))
                if facts.get(key) is not None
            )
            for name, facts in taken.items()
        },
    }


def _settings(record: Mapping[str, Any]) -> dict[str, str]:
    """Return every value of the recipe and of what the target file says of the filters, as text."""
    tables = {
        **new_names(table_at(record, "recipe")),
        **{f"masters.{k}": v for k, v in table_at(record, "setup").items()},
    }
    told = {key: toml_value(value) for key, value in flatten(tables).items()}
    # blends run in the order of their tables
    return {**told, "order of the blends": ", ".join(table_at(record, "recipe", "blend"))}


def _files(record: Mapping[str, Any]) -> dict[str, str]:
    told = {entry["role"]: f"{Path(entry['path']).name} {entry['sha256'][:8]}" for entry in record["inputs"]}
    made = table_at(record, "versions")
    return {**told, **{f"version of {name}": str(value) for name, value in made.items()}}


def _changes(a: Mapping[str, str], b: Mapping[str, str]) -> list[dict[str, str]]:
    """Return what differs, a row a key, "-" where one has none; files that only moved do not differ."""
    keys = [*a, *(key for key in b if key not in a)]
    return [{"key": k, "a": a.get(k, "-"), "b": b.get(k, "-")} for k in keys if a.get(k) != b.get(k)]


def _numbers(a: list[Number], b: list[Number]) -> list[dict[str, Any]]:
    """Return both runs' numbers, the difference and its error, and whether it is beyond `SIGMAS` of that."""
    mine, theirs = ({(n.group, n.what): n for n in numbers} for numbers in (a, b))
    rows = []
    for key in [*mine, *(key for key in theirs if key not in mine)]:
        one, other = mine.get(key), theirs.get(key)
        row: dict[str, Any] = {"of": key[0], "what": key[1], "unit": (one or other).unit}  # type: ignore[union-attr]
        for letter, number in (("a", one), ("b", other)):
            row[letter] = None if number is None else number.value
            row[f"{letter}_error"] = None if number is None else number.error
        row |= _difference(one, other)
        rows.append(row)
    return rows


def _difference(one: Number | None, other: Number | None) -> dict[str, Any]:
    if one is None or other is None:
        return {"difference": None, "difference_error": None, "percent": None, "beyond_error": None}
    difference, error, beyond = other.value - one.value, None, None
    if one.error is not None and other.error is not None:
        error = math.hypot(one.error, other.error)
        beyond = abs(difference) > SIGMAS * error
    percent = 100.0 * difference / abs(one.value) if one.value else None
    return {"difference": difference, "difference_error": error, "percent": percent, "beyond_error": beyond}


def _warned(record: Mapping[str, Any]) -> list[str]:
    entries = record.get("warnings")
    found = entries if isinstance(entries, list) else []
    return [str(entry["text"]) for entry in found if isinstance(entry, dict) and "text" in entry]


def _doubts(*runs: Run) -> list[str]:
    """Return what keeps the two from being compared as they seem."""
    told = [
        f"{run.letter}'s record was changed after its run: its numbers may not be its own"
        for run in runs
        if "seal" in run.record and not seal_holds(run.record)
    ]
    a, b = runs
    if a.target != b.target:
        told.append(f"A is called {a.target}, B {b.target}")
    if a.record.get("code") != b.record.get("code"):
        told.append("different versions of blend made the two: some differences may come from that")
    return told
