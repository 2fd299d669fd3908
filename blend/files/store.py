"""Arrays kept between runs under the hash of what they were made from: whole, checked, and limited in size.

An entry is a folder of plain ``.npy`` files and one ``entry.json`` with their checksums. It is written in a hidden
folder and renamed, so that another process sees all of it or nothing; what is read is checked, so that a damaged
entry counts as none.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import shutil
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.files.whole import PREFIX, hold_lock, remove_left_over, writing

Arrays = Mapping[str, NDArray[Any]]

ENTRY = "entry.json"
FOLDER = "narrowband-blend"
DEFAULT_GIB = 8.0
"""Room for the steps of a few targets of 24 megapixels, at 0.1 GB a plane (chosen)."""


def store_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Return where results are kept: ``BLEND_STORE``, else the user's cache folder (XDG base directories).

    Examples
    --------
    >>> store_folder({"XDG_CACHE_HOME": "/var/cache/me"}).as_posix()
    '/var/cache/me/narrowband-blend'
    """
    if environment.get("BLEND_STORE"):
        return Path(environment["BLEND_STORE"])
    cache = environment.get("XDG_CACHE_HOME", "")
    # Relative paths in this variable are to be ignored, says the specification.
    base = Path(cache) if cache.startswith("/") else Path.home() / ".cache"
    return base / FOLDER


class DiskStore:
    """Entries of arrays under content keys, in one folder, the least recently used taken away first."""

    def __init__(self, folder: Path, *, most_bytes: int = int(DEFAULT_GIB * 2**30)) -> None:
        self.folder = Path(folder)
        self.most_bytes = most_bytes

    def load(self, key: str) -> tuple[dict[str, Any], dict[str, NDArray[Any]]] | None:
        """Return the document and the arrays kept under ``key``, or None where there is no sound entry."""
        entry = self.folder / key
        try:
            text = (entry / ENTRY).read_bytes()
            head = json.loads(text)
            if head["key"] != key or head["sum"] != _sum_of(head):
                return None
            with ThreadPoolExecutor(max_workers=2) as pool:
                names = head["arrays"]
                read = pool.map(lambda name: _read(entry / f"{name}.npy", names[name]), names)
                arrays = dict(zip(names, read, strict=True))
        except (OSError, ValueError, KeyError, TypeError, EOFError):
            # Gone while it was read, or damaged: what is not sound is not there.
            return None
        with suppress(OSError):
            os.utime(entry / ENTRY)
        return head["document"], arrays

    def save(self, key: str, document: Mapping[str, Any], arrays: Arrays) -> None:
        """Keep a document and arrays under ``key``, all or nothing."""
        size = sum(array.nbytes for array in arrays.values())
        if size > self.most_bytes:
            return
        with writing(self.folder):
            self.folder.mkdir(parents=True, exist_ok=True)
            with hold_lock(self.folder):
                remove_left_over(self.folder)
                self._make_room(size, keep=key)
                hidden = self.folder / f"{PREFIX}{secrets.token_hex(6)}"
                hidden.mkdir()
            with hold_lock(hidden):
                try:
                    self._write(hidden, key, document, arrays)
                    if (self.folder / key).exists() and self.load(key) is None:
                        shutil.rmtree(self.folder / key, ignore_errors=True)
                    try:
                        hidden.rename(self.folder / key)
                    except OSError:  # one that another process has put there meanwhile is as good
                        if self.load(key) is None:
                            raise
                finally:
                    shutil.rmtree(hidden, ignore_errors=True)

    def _write(self, hidden: Path, key: str, document: Mapping[str, Any], arrays: Arrays) -> None:
        with ThreadPoolExecutor(max_workers=2) as pool:
            sums = pool.map(lambda item: _save(hidden / f"{item[0]}.npy", item[1]), arrays.items())
            kept = dict(zip(arrays, sums, strict=True))
            head: dict[str, Any] = {"key": key, "document": document, "arrays": kept}
        # What is written is what the sum was taken of: tuples have become lists, keys texts.
        head = json.loads(json.dumps(head))
        head["sum"] = _sum_of(head)
        (hidden / ENTRY).write_text(json.dumps(head), encoding="utf-8")

    def _make_room(self, needed: int, *, keep: str) -> None:
        """Take away the entries that were not used for longest, until ``needed`` bytes fit."""
        entries = []
        for entry in self.folder.iterdir():
            if entry.name.startswith(PREFIX) or entry.name == keep or not _is_entry(entry):
                continue
            with suppress(OSError):
                size = sum(file.stat().st_size for file in entry.iterdir())
                entries.append(((entry / ENTRY).stat().st_mtime, size, entry))
        total = sum(size for _, size, _ in entries)
        for _, size, entry in sorted(entries):
            if total + needed <= self.most_bytes:
                return
            # Renamed first: a reader finds all of an entry or none of it.
            gone = self.folder / f"{PREFIX}{secrets.token_hex(6)}"
            with suppress(OSError):
                entry.rename(gone)
                shutil.rmtree(gone, ignore_errors=True)
            total -= size


def _is_entry(place: Path) -> bool:
    """Return whether a folder holds what an entry holds and nothing else: a store may be anywhere, beside anything."""
    with suppress(OSError):
        if not place.is_symlink() and (place / ENTRY).is_file():
            return all(file.name == ENTRY or file.suffix == ".npy" for file in place.iterdir())
    return False


def _sum_of(head: Mapping[str, Any]) -> str:
    body = {name: value for name, value in head.items() if name != "sum"}
    return hashlib.sha256(json.dumps(body, sort_keys=True).encode()).hexdigest()


def _save(path: Path, array: NDArray[Any]) -> dict[str, Any]:
    """Write an array and return what reading it has to find: the sum of the file's bytes, type and shape."""
    whole = np.ascontiguousarray(array)
    with path.open("xb") as file:
        np.save(file, whole, allow_pickle=False)
    return {"sum": _digest(np.fromfile(path, np.uint8)), "type": whole.dtype.str, "shape": list(whole.shape)}


def _read(path: Path, known: Mapping[str, Any]) -> NDArray[Any]:
    # The file's own header is not parsed: a damaged one could promise anything.
    raw = np.fromfile(path, np.uint8)
    if _digest(raw) != known["sum"]:
        raise ValueError(f"{path} is damaged")
    kind = np.dtype(known["type"])
    count = int(np.prod(known["shape"], dtype=np.int64)) * kind.itemsize
    array: NDArray[Any] = raw[raw.size - count :].view(kind).reshape(known["shape"])
    return array


def _digest(raw: NDArray[np.uint8]) -> str:
    return hashlib.sha256(raw.data).hexdigest()
