"""Results that appear whole or not at all: written in a hidden folder, flushed to disk, renamed."""

from __future__ import annotations

import hashlib
import re
import secrets
import shutil
import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path, PurePath
from typing import Protocol, Self

from blend.base.errors import OutputError
from blend.base.system import flush_to_disk, give_second_name, lock_file, lock_folder

PREFIX = ".blend-"
RECORD = "record.json"
LOCK = ".blend-lock"
_PART_IS_DEAD_S = 3600.0
"""Age from which a file half written is left over: no single result takes an hour to write."""
_HIDDEN = re.compile(rf"{re.escape(PREFIX)}[0-9a-f]{{12}}")


class Guard(Protocol):
    """Who says which results may be put in place; `blend.files.claim.Claim` does."""

    def check(self, names: Iterable[str]) -> None:
        """Raise where one of them may not be written."""

    def begin(self, made: Mapping[str, str], *, hidden: Path) -> None:
        """Take in names and SHA-256 of the results before the first leaves the hidden folder for its final name."""

    def undo(self) -> None:
        """Take in that everything was put back."""

    def end(self, names: Iterable[str]) -> None:
        """Take in that all are in place."""


class WholeFolder:
    """Write a run's files so that they appear together, the record last, or not at all.

    Use as a context manager. Files are written to `path_for`; when the body ends well each is flushed to the
    disk and renamed into the folder. When anything is raised, an interrupt too, the earlier results stay.

    Parameters
    ----------
    out : Path
        Created with its parents where it is missing.
    record : str
        The file that is renamed last, and taken away first: where it is, the results beside it are complete.
    guard : Guard, optional
        Asked once more before the first result is put in place.

    Raises
    ------
    OutputError
        The folder cannot be created or written, or something is in the way of a result.

    Notes
    -----
    The hidden folder is locked while its run lives. A folder that nobody locks belongs to a run that was
    killed, and the next run removes it.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, WholeFolder(Path(folder) / "m33") as results:
    ...     _ = results.path_for("stages/flat.txt").write_text("done")
    """

    def __init__(self, out: Path, *, record: str = RECORD, guard: Guard | None = None) -> None:
        self.out = Path(out)
        self.record = record
        self._guard = guard
        self._hashes: dict[str, str] = {}
        self._names: dict[str, None] = {}
        self._hidden: Path | None = None
        self._stack = ExitStack()
        self._created = False

    def __enter__(self) -> Self:
        self._names.clear()
        self._hashes.clear()
        with writing(self.out):
            self._created = not self.out.exists()
            self.out.mkdir(parents=True, exist_ok=True)
            with hold_lock(self.out):
                remove_left_over(self.out)
                self._hidden = self.out / f"{PREFIX}{secrets.token_hex(6)}"
                self._hidden.mkdir()
                self._stack.enter_context(hold_lock(self._hidden))
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is None:
                self._publish()
        finally:
            if self._hidden is not None:
                shutil.rmtree(self._hidden, ignore_errors=True)
            self._stack.close()
            self._hidden = None
            if self._created:
                with suppress(OSError):
                    self.out.rmdir()  # succeeds only where nothing was published

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the results that have been written so far, in the order they were asked for."""
        hidden = self._hidden
        return () if hidden is None else tuple(name for name in self._names if (hidden / name).exists())

    def path_for(self, name: str) -> Path:
        """Return where to write the result ``name``, a relative path such as ``stages/rgb-flattened.fits``.

        Raises
        ------
        OutputError
            The name leads out of the folder.
        """
        if self._hidden is None:
            raise ValueError("path_for is for the body of the with statement")
        pure = PurePath(name)
        parts = pure.parts
        if not parts or pure.is_absolute() or ".." in parts or "\0" in name or parts[0].startswith(PREFIX):
            raise OutputError(
                str(name), found="a result may not be written there", expected=f"a name inside {self.out}"
            )
        if not (self.out / pure).parent.resolve().is_relative_to(self.out.resolve()):
            found = "a link leads out of the folder"
            expected = f"a name inside {self.out}"
            raise OutputError(str(self.out / pure), found=found, expected=expected, advice="remove the link")
        path = self._hidden / pure
        with writing(path):
            path.parent.mkdir(parents=True, exist_ok=True)
        self._names[str(pure)] = None
        return path

    def know(self, name: str, digest: str) -> None:
        """Take the SHA-256 of a result that is written, so that it need not be read again."""
        self._hashes[name] = digest

    def _publish(self) -> None:
        hidden = self._hidden
        assert hidden is not None
        names = list(self.names)
        # Together: a disk orders its queue better than we could.
        with ThreadPoolExecutor(max_workers=4) as pool:
            list(pool.map(flush_result, [hidden / name for name in names]))
            made = dict(zip(names, pool.map(self._hash, names), strict=True)) if self._guard else {}
        with writing(self.out), hold_lock(self.out), ExitStack() as undo:
            if self._guard is not None:
                self._guard.check(names)
            self._clear_the_way(names)
            if self._guard is not None:
                undo.callback(self._guard.undo)
                self._guard.begin(made, hidden=hidden)
            if self.record in names:
                # An old record must not vouch for new pictures, even if the power fails between two renames.
                names.remove(self.record)
                names.append(self.record)
                _keep(self.out / self.record, hidden, undo)
                (self.out / self.record).unlink(missing_ok=True)
            for name in names:
                with writing(self.out / name):
                    _keep(self.out / name, hidden, undo)
                    (hidden / name).replace(self.out / name)
            for folder in sorted({(self.out / name).parent for name in names} | {self.out}):
                flush_to_disk(folder)
            undo.pop_all()
            if self._guard is not None:
                self._guard.end(names)

    def _hash(self, name: str) -> str:
        assert self._hidden is not None
        if name not in self._hashes:
            path = self._hidden / name
            with writing(path), path.open("rb") as file:
                self._hashes[name] = hashlib.file_digest(file, "sha256").hexdigest()
        return self._hashes[name]

    def _clear_the_way(self, names: list[str]) -> None:
        """Make folders, and find what is in the way before the first result is replaced."""
        for name in names:
            target = self.out / name
            with writing(target):
                target.parent.mkdir(parents=True, exist_ok=True)
                if target.is_dir() and not target.is_symlink():
                    raise IsADirectoryError(str(target))


def write_whole(path: Path, data: bytes) -> None:
    """Write one file so that it appears whole or not at all.

    Raises
    ------
    OutputError
        The file could not be written; an earlier one of that name is as it was.
    """
    with whole_file(path) as part, part.open("xb") as file:
        file.write(data)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give the body a path to write one file to, which gets its name when the body ends well, or not at all.

    Raises
    ------
    OutputError
        The file could not be written; an earlier one of that name is as it was.
    """
    path = Path(path)
    part = path.with_name(f"{PREFIX}{secrets.token_hex(6)}.part")
    with writing(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            yield part
            flush_to_disk(part)
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
        flush_to_disk(path.parent)


@contextmanager
def only_one(out: Path) -> Iterator[None]:
    """Keep a folder for the body, made if missing; a second process that asks for it is refused.

    The lock ends with its process, however that ends. A folder made here and left empty is taken away again.

    Raises
    ------
    OutputError
        Another process has the folder, or it cannot be written.
    """
    path = out / LOCK
    created = not out.exists()
    with writing(path):
        out.mkdir(parents=True, exist_ok=True)
    with ExitStack() as held:
        held.callback(_leave_no_empty_folder, out, created)
        with writing(path):
            mine = held.enter_context(lock_file(path, wait=False))
        if mine is False:
            found = "another batch works in this folder"
            advice = "wait until it has ended, or choose another --out"
            raise OutputError(str(out), found=found, expected="a folder of its own for each", advice=advice)
        yield


def _leave_no_empty_folder(out: Path, created: bool) -> None:
    if created and [entry.name for entry in out.iterdir()] == [LOCK]:
        with suppress(OSError):
            (out / LOCK).unlink(missing_ok=True)
            out.rmdir()


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """Turn a fault of the disk inside the body into an `OutputError` that names the result.

    Only what runs in the body counts, whatever its error number: the same number from an input file is no
    fault of the output.

    Raises
    ------
    OutputError
        What the system refuses inside, as a fault of that place.
    """
    try:
        yield
    except OSError as error:
        where = Path(*(part for part in path.parts if not part.startswith(PREFIX)))
        found, advice = _explain(where, error)
        raise OutputError(
            str(where), found=found, expected="to write a result there", advice=advice
        ) from error


def put_bytes(path: Path, data: bytes) -> None:
    """Write a file inside a folder that appears whole, or raise `OutputError`."""
    with writing(path):
        path.write_bytes(data)


def _explain(where: Path, error: OSError) -> tuple[str, str]:
    blocking = next((parent for parent in where.parents if parent.exists() and not parent.is_dir()), None)
    if blocking is not None:
        return f"the file {blocking} is in the way of a folder", "move it, or choose another folder"
    if isinstance(error, FileExistsError) and where.is_file():
        return "a file of that name is in the way of a folder", "move it, or choose another folder"
    if isinstance(error, IsADirectoryError):
        return "a folder of that name is in the way", "move it, or choose another folder"
    if isinstance(error, PermissionError):
        return "the folder may not be written (permission denied)", "choose another folder"
    words = error.strerror or str(error).strip() or type(error).__name__
    return f"it could not be written ({words[:1].lower()}{words[1:]})", "make room, or choose another folder"


def flush_result(path: Path) -> None:
    """Wait until a written result is on the disk.

    Raises
    ------
    OutputError
        The disk could not take it.
    """
    with writing(path):
        flush_to_disk(path)


def _keep(target: Path, hidden: Path, undo: ExitStack) -> None:
    """Remember an earlier result by a second name, and put it back unless all results come into place."""
    if target.exists():
        kept = hidden / f"earlier-{secrets.token_hex(6)}"
        if give_second_name(target, kept):  # without one nothing can be put back
            undo.callback(_put_back, kept, target)
    else:
        undo.callback(target.unlink, missing_ok=True)


def _put_back(kept: Path, target: Path) -> None:
    with suppress(OSError):
        kept.replace(target)


@contextmanager
def hold_lock(folder: Path, *, wait: bool = True) -> Iterator[bool]:
    """Hold a lock on a folder for the body; yields whether it is held. It ends with its process."""
    with lock_folder(folder, wait=wait) as held:
        yield held is True


def remove_left_over(out: Path) -> None:
    """Remove what killed runs have left in a folder: hidden folders that nobody locks, and old parts of files."""
    for entry in sorted(out.glob(f"{PREFIX}*")):
        with suppress(OSError):
            if entry.is_symlink():
                continue
            if entry.is_dir() and _HIDDEN.fullmatch(entry.name):
                with hold_lock(entry, wait=False) as dead:
                    pass
                if dead:
                    shutil.rmtree(entry, ignore_errors=True)
            elif entry.suffix == ".part" and time.time() - entry.stat().st_mtime > _PART_IS_DEAD_S:
                entry.unlink()
