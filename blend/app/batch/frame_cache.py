"""Darks, flats and biases that targets share, kept in memory so that a worker reads each once."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Collection
from pathlib import Path
from threading import Lock

from blend.base.master import Master
from blend.files.reader import open_picture, read_picture
from blend.files.source import mark_of

MOST_BYTES = 512 * 2**20
"""A dark, a bias and a flat of 24 megapixels in one plane take 290 MB (chosen)."""


class FrameCache:
    """Frames by path and by the signs of a changed file, the oldest let go first.

    Parameters
    ----------
    most_bytes : int
        Of pixels kept. A frame larger than this is read and not kept.
    """

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self.most_bytes = most_bytes
        self.reads = 0
        self._lock = Lock()
        self._kept: OrderedDict[tuple[object, ...], Master] = OrderedDict()

    def reader(self, shared: Collection[str]) -> Callable[[Path], Master]:
        """Return what reads frames, and keeps those of ``shared``: a frame of one target would only fill memory."""
        return lambda path: self.read(path) if str(path.resolve()) in shared else open_picture(path)

    def read(self, path: Path) -> Master:
        """Return the picture of a file, from memory where the file is still the same."""
        key = (path.resolve(), mark_of(path))
        # masters are read two at a time
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        picture = read_picture(path)
        # a file that changed while it was read must not be taken for what it is now
        same = key[1] is not None and mark_of(path) == key[1]
        with self._lock:
            self.reads += 1
            if same and picture.pixels.nbytes <= self.most_bytes:
                self._kept[key] = picture
                while sum(kept.pixels.nbytes for kept in self._kept.values()) > self.most_bytes:
                    self._kept.popitem(last=False)
        return picture
