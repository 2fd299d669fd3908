"""The record of a run: what went in, what was done, what came out. The same run writes the same record."""

from __future__ import annotations

import hashlib
import json
import math
import platform
import re
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from importlib import metadata
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from blend.base.errors import InputError, shortened

VERSION = 1
"""Of the record's layout: counted up when a reader of the last one would misread it."""
MOST_RECORD_BYTES, MOST_DEPTH, LONGEST_TEXT = 64 * 2**20, 30, 10_000
"""Bytes, levels and characters that are read of a record, which may come from anywhere: far more than any run writes
(tens of kB and a dozen levels), and nothing to exhaust a machine (chosen)."""
WRITTEN = "take the record as the run has left it, or run again"
_ROLE = r"[a-z][a-z0-9-]{0,60}\.(?:light(?:\.(?:red|green|blue))?|dark|flat|bias|flat_dark|catalogue)"
# 4096 is the longest path that Linux opens (PATH_MAX of limits.h)
_PATH = r"[^\x00\ud800-\udfff]{1,4096}"
_BROKEN = re.compile(r"[\x00\ud800-\udfff]")
_SHA256 = r"[0-9a-f]{64}"

_ORDER = (
    "version",
    "recipe",
    "inputs",
    "outputs",
    "masters",
    "register",
    "gradient",
    "continuum",
    "balance",
    "stretch",
    "protect",
    "blend",
    "warnings",
    "seconds",
    "peak_mib",
    "versions",
)
_KEPT_IN_ORDER = frozenset(("recipe", "blend"))  # blends run in the order of their tables
_NOT_SEALED = frozenset(("seconds", "peak_mib", "inputs", "outputs", "seal"))
_LIBRARIES = (
    "narrowband-blend",
    "numpy",
    "scipy",
    "astropy",
    "scikit-image",
    "tifffile",
    "imagecodecs",
    "rawpy",
    "numba",
    "llvmlite",
    "sep",
    "Pillow",
    "pydantic",
    "click",
    "rich",
    "jinja2",
    "matplotlib",
    "threadpoolctl",
)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes as 64 hexadecimal digits.

    Raises
    ------
    InputError
        The file cannot be read.
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputError(str(path), found=f"it cannot be read ({error.strerror or error})") from error


def record_text(record: Mapping[str, Any]) -> str:
    """Return a record as JSON, the same bytes for the same values.

    Examples
    --------
    >>> print(record_text({"b": np.float32(0.5), "version": 1, "a": float("nan")}), end="")
    {
      "version": 1,
      "a": null,
      "b": 0.5
    }
    """
    keys = [key for key in _ORDER if key in record] + sorted(set(record) - set(_ORDER))
    plain = {key: _plain(record[key], sort=key not in _KEPT_IN_ORDER) for key in keys}
    return json.dumps(plain, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def seal_of(record: Mapping[str, Any]) -> str:
    """Return the hash of what a record says, which it holds as ``seal``: a record that was edited shows by it.

    Left out is what two equal runs may say differently: seconds, memory, paths, and the outputs, which have hashes
    of their own.

    Examples
    --------
    >>> seal_of({"version": 1, "seconds": {"read": 1.0}}) == seal_of({"seconds": {}, "version": 1, "seal": ""})
    True
    """
    told = {key: value for key, value in record.items() if key not in _NOT_SEALED}
    told["inputs"] = [entry["sha256"] for entry in record.get("inputs", ())]
    return hashlib.sha256(record_text(told).encode()).hexdigest()


def seal_holds(record: Mapping[str, Any]) -> bool:
    """Return whether a record's ``seal`` is the hash of what it says; one that was edited may hold anything."""
    try:
        return bool(record["seal"] == seal_of(record))
    except (KeyError, TypeError, ValueError, RecursionError):
        return False


def read_record(path: Path) -> dict[str, Any]:
    """Read a record and check what replaying it relies on: its version, recipe, inputs and outputs.

    Raises
    ------
    InputError
        The file is missing, no record, or of another version.
    """
    where, expected = str(path), "a record.json that a run has left"
    record = read_json(path, "a record", expected=expected)
    if not isinstance(record, dict):
        raise InputError(where, found="it holds no table of keys", expected=expected)
    _check_version(where, record)
    try:
        _table(record.get("recipe"), "recipe")
        if "setup" in record:
            for name, table in _table(record["setup"], "setup").items():
                _table(table, f"setup.{name}")
        _refuse_odd_values({key: record.get(key) for key in ("recipe", "setup", "target")})
        _check_inputs(_list(record.get("inputs"), "inputs"))
        _check_outputs(_list(record.get("outputs"), "outputs"))
    except _Wrong as wrong:
        raise InputError(where, found=wrong.found, expected=wrong.expected, advice=WRITTEN) from None
    return record


def read_json(path: Path, what: str, *, expected: str) -> Any:
    """Return what a file of JSON holds; ``what`` it is to be stands in faults.

    Raises
    ------
    InputError
        The file cannot be read, is larger than any record, or is not JSON.
    """
    where = str(path)
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_RECORD_BYTES + 1)
        if len(raw) > MOST_RECORD_BYTES:
            raise InputError(where, found=f"the file is too large for {what}", expected=expected)
        return json.loads(raw.decode("utf-8"), parse_constant=_refuse_constant)
    except OSError as error:
        reason = f"it cannot be read ({error.strerror or error})"
        raise InputError(where, found=reason, expected=expected, advice="check the path") from error
    except (ValueError, RecursionError) as error:
        raise InputError(where, found=f"it is not JSON ({error})", expected=expected) from error


def versions() -> dict[str, str]:
    """Return the versions of Python and of the libraries a result can depend on, but for absent ones."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        with suppress(metadata.PackageNotFoundError):
            whole = metadata.distribution(name)
            # the parser of letters that would look for this line takes ten times as long
            line = re.search(r"^Version: (.*)$", whole.read_text("METADATA") or "", re.MULTILINE)
            found[name] = line[1] if line else whole.version
    return found


@lru_cache(maxsize=1)
def code_digest() -> str:
    """Return the SHA-256 of this package's own source, file by file in order of their names."""
    package = Path(__file__).parent.parent
    told = hashlib.sha256()
    for path in sorted(package.rglob("*")):
        if path.suffix in (".py", ".html", ".js", ".css") and path.is_file():
            told.update(str(path.relative_to(package)).encode() + b"\0" + path.read_bytes())
    return told.hexdigest()


def _check_version(where: str, record: dict[str, Any]) -> None:
    version = record.get("version")
    if type(version) is int and version == VERSION:
        return
    found = "it has no 'version'" if version is None else f"its version is {version!r}"
    raise InputError(
        where,
        found=found,
        expected=f"version {VERSION}",
        advice="use the release that wrote it, or run again",
    )


class _Wrong(Exception):
    """What is wrong at one place of a record, and what belongs there."""

    def __init__(self, place: str, value: Any, expected: str) -> None:
        words = "missing" if value is None else repr(value)
        self.found = f"{shortened(place, 120)} is {shortened(words, 60)}"
        self.expected = expected


def _table(value: Any, place: str) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise _Wrong(place, value, "a table")
    return value


def _list(value: Any, place: str) -> list[Any]:
    if not isinstance(value, list):
        raise _Wrong(place, value, "a list")
    return value


def _text(entry: dict[str, Any], key: str, place: str, *, like: str, words: str) -> str:
    value = entry.get(key)
    if not isinstance(value, str) or not re.fullmatch(like, value):
        raise _Wrong(f"{place}.{key}", value, words)
    return value


def _check_inputs(entries: list[Any]) -> None:
    roles: set[str] = set()
    for index, entry in enumerate(entries):
        place = f"inputs[{index}]"
        _table(entry, place)
        role = _text(
            entry, "role", place, like=_ROLE, words="a master and what the file is of it, like rgb.light"
        )
        _text(entry, "path", place, like=_PATH, words="the path of a file")
        _text(entry, "sha256", place, like=_SHA256, words="64 hexadecimal digits")
        size = entry.get("bytes", 0)
        if isinstance(size, bool) or not isinstance(size, int) or size < 0:
            raise _Wrong(f"{place}.bytes", size, "the size of the file, a whole number")
        whole = role.removesuffix(".red").removesuffix(".green").removesuffix(".blue")
        if (
            role in roles
            or (whole != role and whole in roles)
            or any(r.startswith(f"{role}.") for r in roles)
        ):
            raise _Wrong(f"{place}.role", role, "one file for each role, or one for each plane of it")
        roles.add(role)


def _check_outputs(entries: list[Any]) -> None:
    for index, entry in enumerate(entries):
        place = f"outputs[{index}]"
        _table(entry, place)
        path = _text(entry, "path", place, like=_PATH, words="the path of a file, from the record's folder")
        if PurePath(path).is_absolute() or ".." in PurePath(path).parts:
            raise _Wrong(f"{place}.path", path, "a path inside the record's folder")
        _text(entry, "sha256", place, like=_SHA256, words="64 hexadecimal digits")


def _refuse_odd_values(value: Any, place: str = "", depth: int = 0) -> None:
    """Raise `_Wrong` for what no recipe or target could hold: nothing at all, endless numbers, broken text, a tower."""
    if depth > MOST_DEPTH:
        raise _Wrong(place, "a tower of tables", f"at most {MOST_DEPTH} tables in one another")
    if isinstance(value, dict):
        for key, item in value.items():
            _refuse_odd_values(key, place, depth + 1)
            if item is not None or depth > 0:  # what a record of an earlier release does not tell
                _refuse_odd_values(item, f"{place}.{key}" if place else key, depth + 1)
    elif isinstance(value, list):
        for index, item in enumerate(value):
            _refuse_odd_values(item, f"{place}[{index}]", depth + 1)
    elif value is None:
        raise _Wrong(place, None, "a value")
    elif isinstance(value, int) and abs(value) >= 2**63:
        raise _Wrong(place, "a number of more than 64 bits", "a number that a recipe can hold")
    elif isinstance(value, str) and (_BROKEN.search(value) or len(value) > LONGEST_TEXT):
        raise _Wrong(place, value, f"a text of at most {LONGEST_TEXT} characters")


def _refuse_constant(name: str) -> Any:
    raise ValueError(f"{name} is no number of JSON")


def _plain(value: Any, *, sort: bool) -> Any:
    """Return a value as JSON has it."""
    if isinstance(value, (np.generic, np.ndarray)):
        value = value.tolist()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, Mapping):
        items = [(str(key), item) for key, item in value.items()]
        if sort:
            items.sort(key=lambda pair: _sort_key(pair[0]))
        return {key: _plain(item, sort=sort) for key, item in items}
    if isinstance(value, (set, frozenset)):
        return sorted(_plain(item, sort=sort) for item in value)
    if isinstance(value, (list, tuple)):
        return [_plain(item, sort=sort) for item in value]
    raise TypeError(f"a record cannot hold a {type(value).__name__}")


def _sort_key(key: str) -> tuple[int, int, str]:
    """Numbers first, by size: the noise at 4 px stands before that at 16."""
    return (0, int(key), "") if key.isdecimal() else (1, 0, key)
