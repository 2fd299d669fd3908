"""Room for many frames of one size: in memory where they fit, else in a temporary folder, read back row by row."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import OutputError
from blend.files.source import in_words
from blend.files.whole import writing


class FrameStore:
    """Hold frames of one shape, and give the same rows of all of them.

    Use as a context manager: the temporary folder is gone afterwards.

    Parameters
    ----------
    count : int
        Most frames.
    shape : (planes, rows, columns)
    memory_bytes : int
        Frames are kept in memory where all of them fit into this.
    folder : Path, optional
        Where to make the temporary folder; the system's place for such without.
    whole : bool
        Frames hold whole numbers from 0 to 65535 and are kept in two bytes a pixel; one that does not takes four.

    Raises
    ------
    OutputError
        The disk has too little room, said before anything is written.

    Examples
    --------
    >>> with FrameStore(2, (1, 4, 3), memory_bytes=1000) as store:
    ...     store.put(0, np.zeros((1, 4, 3))), store.put(1, np.ones((1, 4, 3)))
    ...     store.rows(0, slice(1, 3), [0, 1]).mean(axis=(1, 2)).tolist()
    (None, None)
    [0.0, 1.0]
    """

    def __init__(
        self,
        count: int,
        shape: tuple[int, int, int],
        *,
        memory_bytes: int,
        folder: Path | None = None,
        whole: bool = False,
    ) -> None:
        self.count, self.shape, self.folder, self.whole = count, shape, folder, whole
        self.frame_bytes = (2 if whole else 4) * shape[0] * shape[1] * shape[2]
        self.disk_bytes = 0 if count * self.frame_bytes <= memory_bytes else count * self.frame_bytes
        self._held: dict[int, NDArray[Any]] = {}
        self._types: dict[int, np.dtype[Any]] = {}
        self._place: Path | None = None

    def __enter__(self) -> Self:
        if self.disk_bytes:
            with writing(self.folder or Path(tempfile.gettempdir())):
                self._place = Path(tempfile.mkdtemp(prefix=".blend-frames-", dir=self.folder))
                free = shutil.disk_usage(self._place).free
            if free < self.disk_bytes:
                shutil.rmtree(self._place, ignore_errors=True)
                raise OutputError(
                    str(self._place.parent),
                    found=f"{in_words(free)} are free",
                    expected=f"{in_words(self.disk_bytes)} for {self.count} frames while they are stacked",
                    advice="make room, name another folder with --temp, or allow more --memory",
                )
        return self

    def __exit__(self, *ended: object) -> None:
        self._held.clear()
        if self._place is not None:
            shutil.rmtree(self._place, ignore_errors=True)
            self._place = None

    def put(self, index: int, pixels: NDArray[Any]) -> None:
        """Keep a frame (planes, rows, columns); an earlier one of that index is replaced.

        Raises
        ------
        ValueError
            A frame of another shape.
        """
        if pixels.shape != self.shape:
            raise ValueError(f"a frame of shape {pixels.shape} does not fit {self.shape}")
        kept = _in_two_bytes(pixels) if self.whole else np.ascontiguousarray(pixels, dtype=np.float32)
        if self._place is None:
            self._held[index] = kept.copy() if kept is pixels else kept
            return
        with writing(self._place / str(index)):
            kept.tofile(self._place / str(index))
        self._types[index] = kept.dtype

    def get(self, index: int) -> NDArray[np.float32]:
        """Return a frame; not to be written to."""
        if self._place is None:
            held = self._held[index]
        else:
            held = np.fromfile(self._place / str(index), dtype=self._types[index]).reshape(self.shape)
        return held.astype(np.float32, copy=False)

    def rows(self, plane: int, rows: slice, chosen: list[int]) -> NDArray[np.float32]:
        """Return rows of one plane of the chosen frames, (frames, rows, columns)."""
        columns = self.shape[2]
        height = rows.stop - rows.start
        tile = np.empty((len(chosen), height, columns), dtype=np.float32)
        for place, index in enumerate(chosen):
            if self._place is None:
                tile[place] = self._held[index][plane, rows]
                continue
            kind = self._types[index]
            offset = kind.itemsize * columns * (plane * self.shape[1] + rows.start)
            path = self._place / str(index)
            tile[place] = np.fromfile(path, kind, count=height * columns, offset=offset).reshape(
                height, columns
            )
        return tile


def _in_two_bytes(pixels: NDArray[Any]) -> NDArray[Any]:
    """Return a frame as whole numbers of 16 bits, or as float32 where that would change a value."""
    with np.errstate(invalid="ignore"):
        packed = np.ascontiguousarray(pixels, dtype=np.uint16)
    if packed is pixels or np.array_equal(packed, pixels):
        return packed
    return np.ascontiguousarray(pixels, dtype=np.float32)
