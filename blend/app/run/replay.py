"""A run once more from its record, compared output by output."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blend.app.run.job import claim_results, run_target
from blend.base.errors import InputError, RecipeError
from blend.files.record import WRITTEN, code_digest, read_record, sha256_of, versions
from blend.recipe.model import load_recipe
from blend.recipe.state import Listener
from blend.recipe.target import Target, load_target
from blend.recipe.toml import to_toml

VARIES = frozenset(("report.html",))
"""Outputs whose bytes tell paths, times and the command; they are written anew but not judged."""


@dataclass(frozen=True, kw_only=True)
class Replay:
    """What a replay found: each output's verdict, and what differs between then and now."""

    outputs: tuple[tuple[str, str], ...]
    differences: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether every judged output has the same bytes."""
        return all(word in ("same bytes", "not judged") for _, word in self.outputs)

    def text(self) -> str:
        """Return the findings as lines of text."""
        wide = max((len(name) for name, _ in self.outputs), default=0)
        lines = [f"{name:<{wide}}  {word}" for name, word in self.outputs]
        if self.differences:
            lines += ["", "Then and now differ in:", *(f"  {line}" for line in self.differences)]
        elif not self.same:
            alike = "Inputs, recipe, code and versions are the same; the processor may be another type."
            lines += ["", alike]
        return "\n".join(lines)


def replay_record(
    path: Path,
    *,
    folders: Sequence[Path] = (),
    out: Path | None = None,
    listener: Listener | None = None,
    overwrite: bool = False,
) -> Replay:
    """Run again what a record tells, and compare.

    Parameters
    ----------
    path : Path
        A ``record.json``.
    folders : sequence of Path
        Where inputs are looked for, by their hash, when they are not where the record says or not the same.
    out : Path, optional
        Keeps the new results; without it they are thrown away.
    overwrite : bool
        Files in the way may be lost that no run has left; the record and the inputs never.

    Raises
    ------
    FaultList
        The results would replace the record, an input, or a file that no run has left there.
    InputError
        No record, an input that is nowhere, or a record of a release that did not tell enough to replay it.
    BlendError
        As the run itself.
    """
    record = read_record(path)
    found, differences = _find_inputs(record, folders)
    try:
        target = _target(record, found, where=str(path))
        recipe = load_recipe(to_toml(record["recipe"]), where=str(path))
    except (RecipeError, TypeError, ValueError) as fault:
        found_there = f"what it says of recipe or masters cannot be read ({fault})"
        raise InputError(str(path), found=found_there, advice=WRITTEN) from None
    differences += _other_versions(record)
    with ExitStack() as stack:
        folder = out or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="blend-replay-")))
        stages = any(entry["path"].startswith("stages/") for entry in record["outputs"])
        claim = claim_results(recipe, target, out=folder, stages=stages, reads=[path], overwrite=overwrite)
        done = run_target(recipe, target, out=folder, stages=stages, listener=listener, claim=claim)
    now = {entry["path"]: entry["sha256"] for entry in done.record["outputs"]}
    outputs = [(entry["path"], _word(entry, now)) for entry in record["outputs"]]
    outputs += [(name, "new, not in the record") for name in now if name not in dict(outputs)]
    return Replay(outputs=tuple(outputs), differences=tuple(differences))


def _word(entry: dict[str, str], now: dict[str, str]) -> str:
    name = entry["path"]
    if name in VARIES:
        return "not judged"
    if name not in now:
        return "not made any more"
    return "same bytes" if now[name] == entry["sha256"] else "other bytes"


def _find_inputs(record: dict[str, Any], folders: Sequence[Path]) -> tuple[dict[str, Path], list[str]]:
    """Return each role's file, by path if its bytes are the same, else by hash, else by path with a difference told."""
    found, differences = {}, []
    by_hash: dict[str, Path] | None = None
    for entry in record["inputs"]:
        path = Path(entry["path"])
        digest = sha256_of(path) if path.is_file() else None
        if digest != entry["sha256"]:
            if by_hash is None:
                by_hash = _hashes(folders, {int(e.get("bytes", -1)) for e in record["inputs"]})
            if entry["sha256"] in by_hash:
                path = by_hash[entry["sha256"]]
            elif digest is None:
                raise InputError(
                    str(path),
                    found="this input of the record is not there, nor in the folders named by --find",
                    expected=f"a file with SHA-256 {entry['sha256'][:16]}...",
                    advice="name its folder with --find",
                )
            else:
                differences.append(f"input {entry['role']}: {path} has other bytes than then")
        found[entry["role"]] = path
    return found, differences


def _hashes(folders: Sequence[Path], sizes: set[int]) -> dict[str, Path]:
    files = (path for folder in folders for path in sorted(folder.rglob("*")) if path.is_file())
    return {sha256_of(path): path for path in files if path.stat().st_size in sizes}


def _target(record: dict[str, Any], found: dict[str, Path], *, where: str) -> Target:
    setup = record.get("setup")
    if not isinstance(setup, dict) or not all(isinstance(table, dict) for table in setup.values()):
        raise InputError(
            where, found="it does not say how the masters were described", advice="run the target again"
        )
    masters: dict[str, dict[str, Any]] = {name: dict(table) for name, table in setup.items()}
    for role, path in found.items():
        name, _, kind = role.partition(".")
        kind, _, plane = kind.partition(".")
        table = masters.setdefault(name, {})
        if plane:
            table.setdefault(kind, {})[plane] = str(path.absolute())
        else:
            table[kind] = str(path.absolute())
    text = to_toml({"name": str(record.get("target", "replay")), "masters": masters})
    return load_target(text, where=where, folder=Path.cwd())


def _other_versions(record: dict[str, Any]) -> list[str]:
    told = record.get("versions")
    then: dict[str, Any] = {**(told if isinstance(told, dict) else {}), "code of blend": record.get("code")}
    now = {**versions(), "code of blend": code_digest()}
    return [
        f"{name}: {then.get(name) or 'absent'} then, {now.get(name) or 'absent'} now"
        for name in sorted(then.keys() | now.keys())
        if then.get(name) != now.get(name)
    ]
