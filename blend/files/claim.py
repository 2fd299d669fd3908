"""What a command may write: never a file that it reads, and without leave none that it did not make itself."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from blend.base.errors import FaultList, InputError, RecipeError
from blend.files.record import read_json, seal_holds
from blend.files.source import mark_of
from blend.files.whole import PREFIX, flush_result, remove_left_over

Ours = Callable[[Path], bool]
"""Tells of a file in the way whether blend wrote it and nobody has changed it since."""

_BESIDE = {"trial.json": ("sheet.png", "explore.html"), "batch.json": ("batch.csv", "index.html")}
"""What records without a seal, of earlier versions, always had beside them and told no hash of."""
_SIGNS = {
    "record.json": ("recipe", "inputs", "outputs"),
    "trial.json": ("recipe", "vary", "tiles"),
    "batch.json": ("recipe", "counts", "targets"),
}
"""Keys by which such a record is known."""


def refuse_paths(
    wanted: Iterable[tuple[Path, Ours]], *, reads: Iterable[Path] = (), overwrite: bool | None = False
) -> None:
    """Refuse a command that would write where it must not, before it has written anything.

    ``wanted`` are the paths it will write, each with what tells whether a file in the way is of an earlier run;
    ``reads`` what it uses otherwise, links and other spellings of names followed: those are never lost, nor folders.
    ``overwrite`` allows the loss of other files; None: no option of the command does.

    Raises
    ------
    FaultList
        Every path that may not be written, and why.
    """
    pairs = list(wanted)
    used = _Used(reads)
    with ThreadPoolExecutor(max_workers=4) as pool:  # a file in the way may have to be hashed
        faults = list(pool.map(lambda pair: _fault(pair[0], pair[1], used, overwrite=overwrite), pairs))
    seen: set[str] = set()
    for path, _ in pairs:
        place = os.path.realpath(path)
        if place in seen:
            faults.append(_refusal(path, "two results would be written there", advice="name two files"))
        seen.add(place)
    found = {str(fault): fault for fault in faults if fault is not None}
    if found:
        raise FaultList(list(found.values()))


class _Used:
    """Files by their place on the disk and by their resolved paths, those that are not there yet included."""

    def __init__(self, paths: Iterable[Path]) -> None:
        self._names: dict[object, Path] = {}
        for path in paths:
            self._names[os.path.realpath(path)] = path
            with suppress(OSError, ValueError):
                self._names[_identity(path)] = path

    def find(self, path: Path) -> Path | None:
        """Return the used file that is the one at ``path``, links followed."""
        found = self._names.get(os.path.realpath(path))
        with suppress(OSError, ValueError):
            found = found or self._names.get(_identity(path))
        return found


def _identity(path: Path) -> tuple[int, int]:
    told = path.stat()
    return (told.st_dev, told.st_ino)


def _fault(path: Path, ours: Ours, used: _Used, *, overwrite: bool | None) -> RecipeError | None:
    """Return why a path may not be written, or None."""
    blocking = next((p for p in path.parents if os.path.lexists(p) and not p.is_dir()), None)
    if blocking is not None:
        return _refusal(blocking, "this file is in the way of a folder")
    other = used.find(path)
    if other is not None:
        same = os.path.abspath(other) == os.path.abspath(path)  # noqa: PTH100 - the names, no link followed
        found = f"the command reads {'this file' if same else f'{other}, which is this file'}"
        return _refusal(path, found, advice="choose another folder or name for what is written")
    if not os.path.lexists(path):
        return None
    mode = path.lstat().st_mode
    if stat.S_ISDIR(mode):
        return _refusal(path, "a folder of that name is in the way")
    if not (stat.S_ISREG(mode) or stat.S_ISLNK(mode)):
        return _refusal(path, "it is a device or a pipe, not a file")
    if overwrite or (stat.S_ISREG(mode) and ours(path)):
        return None
    what = "a link" if stat.S_ISLNK(mode) else "a file"
    found = f"{what} is in the way that blend did not write, or that was changed since"
    allow = "" if overwrite is None else ", or allow its loss with --overwrite"
    return _refusal(path, found, advice=f"move it, or choose another folder or name{allow}")


def _refusal(
    path: Path, found: str, advice: str = "move it, or choose another folder or name"
) -> RecipeError:
    return RecipeError(str(path), found=found, expected="a free place to write to", advice=advice)


class Claim:
    """A folder that a run writes into: what it may replace there, and how a killed run's files are known again.

    An earlier run's files are known by the hashes in its record. While a run gives its results their final names
    there may be no record; a manifest, written before the first of them, then holds the hashes of old and new.
    """

    def __init__(
        self, out: Path, *, record: str, reads: Iterable[Path] = (), overwrite: bool = False
    ) -> None:
        self.out = Path(out)
        self.record = record
        self.overwrite = overwrite
        self.reads = tuple(reads)
        self._manifest = self.out / manifest_name(record)
        self._left = False
        self._known: dict[str, set[str]] = {}
        self._seen: dict[Path, tuple[tuple[int, ...] | None, str]] = {}

    def check(self, names: Iterable[str]) -> None:
        """Raise `FaultList` where a result of one of these names may not be written.

        Raises
        ------
        FaultList
            Every file in the way that may not be replaced.
        """
        wanted = self.wanted(names)
        faults = [*self._left_over_inputs(), *self._links_out(path for path, _ in wanted)]
        if faults:
            raise FaultList(faults)
        refuse_paths(wanted, reads=self.reads, overwrite=self.overwrite)

    def _left_over_inputs(self) -> Iterator[RecipeError]:
        """Give faults of inputs that lie in a killed run's hidden folder, which a run removes."""
        for path in self.reads:
            hidden = path.resolve().parent
            if hidden.name.startswith(PREFIX) and hidden.parent == self.out.resolve():
                found = "the command reads this file, which a killed run has left and a new run removes"
                yield _refusal(path, found, advice="move it out of that folder first")

    def _links_out(self, paths: Iterable[Path]) -> Iterator[RecipeError]:
        for path in paths:
            if not path.parent.resolve().is_relative_to(self.out.resolve()):
                yield _refusal(path, "a link leads out of the folder", advice="remove the link")

    def wanted(self, names: Iterable[str]) -> list[tuple[Path, Ours]]:
        """Return the paths of results, for `refuse_paths`."""
        self._known = known_files(self.out, self.record)
        return [(self.out / name, self._is_ours) for name in names]

    def begin(self, made: Mapping[str, str], *, hidden: Path) -> None:
        """Put the manifest in place: names and hashes of the results about to appear, and of those before them."""
        self._left = self._manifest.exists()
        files = {name: sorted(hashes) for name, hashes in self._known.items()}
        for name, digest in made.items():
            files[name] = sorted({*files.get(name, ()), digest})
        new = hidden / self._manifest.name
        new.write_text(json.dumps({"version": 1, "files": files}), encoding="utf-8")
        flush_result(new)
        new.replace(self._manifest)
        flush_result(self.out)

    def undo(self) -> None:
        """Take the manifest away after a fault that put everything back, unless a killed run had left one before."""
        if not self._left:
            self._manifest.unlink(missing_ok=True)

    def end(self, names: Iterable[str]) -> None:
        """Remove what earlier runs have made, this one did not make anew and nobody has changed; then the manifest."""
        kept, used = set(names), _Used(self.reads)
        for name in self._known.keys() - kept:
            path = self.out / name
            inside = path.resolve().is_relative_to(self.out.resolve())
            plain = path.is_file() and not path.is_symlink() and used.find(path) is None
            if inside and plain and self._is_ours(path):
                path.unlink()
        self._manifest.unlink(missing_ok=True)

    def _is_ours(self, path: Path) -> bool:
        mark, digest = self._seen.get(path, (None, ""))
        if mark is None or mark != mark_of(path):
            mark, digest = mark_of(path), hash_of(path)
            self._seen[path] = (mark, digest)
        return bool(digest) and digest in self._known.get(path.relative_to(self.out).as_posix(), ())


def tidy_up(out: Path) -> None:
    """Remove what a run leaves in a folder that was killed when all was in place."""
    remove_left_over(out)
    with suppress(OSError):
        (out / manifest_name("record.json")).unlink(missing_ok=True)


def manifest_name(record: str) -> str:
    """Return the name of the manifest that stands in for a record while it is not there."""
    return f"{PREFIX}{record}"


def known_files(out: Path, record: str) -> dict[str, set[str]]:
    """Return the names of files that earlier runs have made in a folder, each with the hashes it may have."""
    known: dict[str, set[str]] = {}
    for name, digest in (*_in_manifest(out / manifest_name(record)), *_in_record(out, record)):
        known.setdefault(name, set()).add(digest)
    return known


def _in_manifest(path: Path) -> Iterator[tuple[str, str]]:
    files = _read_table(path).get("files")
    for name, hashes in files.items() if isinstance(files, dict) else ():
        for digest in hashes if isinstance(hashes, list) else ():
            yield name, str(digest)


def _in_record(out: Path, record: str) -> Iterator[tuple[str, str]]:
    """Give what a record vouches for, and the record itself where nobody has edited it."""
    told = _read_table(out / record)
    if told.get("version") != 1 or not all(key in told for key in _SIGNS.get(record, ())):
        return
    for entry in (*_entries(told.get("outputs")), *_entries(told.get("tiles"))):
        name, digest = entry.get("path", entry.get("file")), entry.get("sha256")
        if isinstance(name, str) and isinstance(digest, str):
            yield name, digest
    if "seal" in told:
        if seal_holds(told):
            yield record, hash_of(out / record)
        return
    # an earlier version's: it was written last, and what always lies beside it has no later date
    for name in (record, *_BESIDE.get(record, ())):
        with suppress(OSError):
            if (out / name).stat().st_mtime_ns <= (out / record).stat().st_mtime_ns:
                yield name, hash_of(out / name)


def _entries(value: Any) -> list[dict[str, Any]]:
    return [entry for entry in value if isinstance(entry, dict)] if isinstance(value, list) else []


def _read_table(path: Path) -> dict[str, Any]:
    try:
        told = read_json(path, "a record", expected="")
    except InputError:
        return {}
    return told if isinstance(told, dict) else {}


def hash_of(path: Path) -> str:
    """Return a file's SHA-256; of one that cannot be read nothing, which is no file's hash."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""
