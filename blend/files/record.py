"""The record of a run: what went in, what was done, what came out. The same run writes the same record."""

from __future__ import annotations

import hashlib
import json
import math
import platform
from collections.abc import Mapping
from functools import lru_cache
from importlib import metadata
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from blend.base.errors import InputError
from blend.files.whole import writing

VERSION = 1
MOST_RECORD_BYTES = 64 * 2**20

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


def write_record(path: Path, record: Mapping[str, Any]) -> None:
    """Write a record as JSON, the same bytes for the same values.

    Parameters
    ----------
    path : Path
        Written as it stands; `WholeFolder` makes it appear whole, and last.
    record : mapping
        Numbers of numpy, arrays, paths and tuples are accepted. NaN and infinities become null. Keys are
        sorted, but for those of the recipe and the blends, whose order has a meaning.

    Raises
    ------
    OutputError
        The file could not be written.
    """
    text = record_text(record)
    with writing(path):
        path.write_text(text, encoding="utf-8", newline="\n")


def record_text(record: Mapping[str, Any]) -> str:
    """Return the text that `write_record` writes.

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


def read_record(path: Path) -> dict[str, Any]:
    """Read a record and check what replaying it relies on: its version, recipe, inputs and outputs.

    Raises
    ------
    InputError
        The file is missing, no record, or of another version.
    """
    where = str(path)
    expected = "a record.json that a run has left"
    try:
        if path.stat().st_size > MOST_RECORD_BYTES:
            raise InputError(where, found="the file is too large for a record", expected=expected)
        record = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse_constant)
    except OSError as error:
        raise InputError(
            where,
            found=f"it cannot be read ({error.strerror or error})",
            expected=expected,
            advice="check the path",
        ) from error
    except (ValueError, RecursionError) as error:
        raise InputError(where, found=f"it is not JSON ({error})", expected=expected) from error
    if not isinstance(record, dict):
        raise InputError(where, found="it holds no table of keys", expected=expected)
    _check_version(where, record)
    if not isinstance(record.get("recipe"), dict):
        raise InputError(where, found="it has no table 'recipe'", expected=expected)
    _check_files(where, record, "inputs", ("role", "path", "sha256"))
    _check_files(where, record, "outputs", ("path", "sha256"))
    return record


def versions() -> dict[str, str]:
    """Return the versions of Python and of the libraries a result can depend on, but for absent ones."""
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
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


def _check_files(where: str, record: dict[str, Any], key: str, fields: tuple[str, ...]) -> None:
    files = record.get(key)
    if not isinstance(files, list):
        raise InputError(where, found=f"it has no list '{key}'", expected="a record.json that a run has left")
    for index, entry in enumerate(files):
        missing = [
            name for name in fields if not isinstance(entry, dict) or not isinstance(entry.get(name), str)
        ]
        if missing:
            raise InputError(
                where, found=f"{key}[{index}] has no text '{missing[0]}'", expected=", ".join(fields)
            )


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
