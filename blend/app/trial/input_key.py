"""What a kept state depends on beside the recipe: the bytes of the inputs, the facts, the code and the libraries."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from blend.base.errors import OutputError
from blend.files.record import sha256_of, versions
from blend.files.source import mark_of
from blend.files.whole import write_whole
from blend.recipe.target import Target

PACKAGE = Path(__file__).parent.parent.parent
CODE = (
    *("base", "science", "recipe", "files"),
    *(f"app/{name}.py" for name in ("run/load", "trial/layers", "run/preview", "run/outputs")),
)
"""What a state is computed by, and read by: folders and files of the package."""

SETTLED_S = 2.0
"""A file changed so lately may change again within one tick of the file system's clock; its hash is not remembered."""


def target_key(target: Target, memo: Path | None) -> str:
    """Return the hash of all that a target's states depend on beside the recipe."""
    paths = [
        (f"{name}.{role}", path) for name, files in target.masters.items() for role, path in files.paths()
    ]
    with ThreadPoolExecutor(max_workers=2) as pool:
        hashes = list(pool.map(lambda item: input_hash(item[1], memo), paths))
    facts = {name: files.described() for name, files in target.masters.items()}
    about: dict[str, Any] = {
        "inputs": [[role, digest] for (role, _), digest in zip(paths, hashes, strict=True)],
        "facts": facts,
        "code": code_hash(PACKAGE / name for name in CODE),
        "versions": versions(),
    }
    return key_of(about)


def key_of(value: Any) -> str:
    """Return the hash of plain values."""
    return hashlib.sha256(json.dumps(value, sort_keys=True).encode()).hexdigest()


def code_hash(places: Iterable[Path]) -> str:
    """Return the hash of Python sources: files, and folders with all below them."""
    found = hashlib.sha256()
    for place in places:
        for path in sorted(place.rglob("*.py")) if place.is_dir() else [place]:
            text = path.read_bytes()
            found.update(f"{path.relative_to(place.parent).as_posix()} {len(text)}\n".encode())
            found.update(text)
    return found.hexdigest()


def input_hash(path: Path, memo: Path | None) -> str:
    """Return the SHA-256 of a file, remembered while the file system says that nobody has touched it."""
    if memo is None:
        return sha256_of(path)
    note = memo / f"{hashlib.sha256(str(path.resolve()).encode()).hexdigest()}.json"
    before = mark_of(path)
    try:
        known = json.loads(note.read_text(encoding="utf-8"))
        if before and known["signs"] == list(before) and len(known["sha256"]) == 64:
            return str(known["sha256"])
    except (OSError, ValueError, KeyError, TypeError):
        pass
    digest = sha256_of(path)
    if before and before == mark_of(path) and time.time() - max(before[3], before[4]) * 1e-9 > SETTLED_S:
        try:
            write_whole(note, json.dumps({"signs": before, "sha256": digest}).encode())
        except OutputError:
            return digest
    return digest
