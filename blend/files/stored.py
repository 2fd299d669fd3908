"""Whole numbers that lie in a file uncompressed, row by row: read when they are asked for, in bands."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.base.jit import kernel
from blend.base.lazyplanes import LazyPlane, LazyPlanes
from blend.files.source import WORK_BYTES, refuse_truncated, room_for


@dataclass(frozen=True, kw_only=True)
class Stored:
    """Where the numbers lie, and what is added to them: pixel = stored + zero.

    ``samples`` is how many numbers a pixel has in a row: 1 where the planes follow one another.
    """

    path: Path
    offset: int
    kind: np.dtype[Any]
    shape: tuple[int, int, int]
    zero: float = 0.0
    samples: int = 1

    def planes(self) -> LazyPlanes:
        """Return the planes, no number of which is read yet."""
        count, rows, columns = self.shape
        parts = tuple(
            LazyPlane(shape=(rows, columns), read=partial(self._rows, plane)) for plane in range(count)
        )
        return LazyPlanes(parts, partial(room_for, self.path, WORK_BYTES * count * rows * columns))

    def _rows(
        self, plane: int, rows: slice, divisor: float, out: NDArray[np.float32] | None
    ) -> NDArray[np.float32]:
        """Return (stored + zero) / divisor of some rows, in ``out`` where it is given."""
        stored = self._band(plane, rows)
        if not self.kind.isnative:
            # in place, and then as a native type: several times faster than a cast that swaps
            stored = stored.byteswap(inplace=True).view(self.kind.newbyteorder("="))
        if self.samples > 1:
            stored = stored[:, plane :: self.samples]
        pixels = np.empty(stored.shape, dtype=np.float32) if out is None else out
        if self.kind.itemsize == 2:
            _convert(stored, np.float32(self.zero), np.float32(divisor), pixels)
        else:
            # float64 holds every 32-bit number: the offset rounds once, the divisor again, as for an array
            np.add(stored, self.zero, out=pixels, dtype=np.float64, casting="same_kind")
            pixels /= np.float32(divisor)
        return pixels

    def _band(self, plane: int, rows: slice) -> NDArray[Any]:
        """Return a copy of some rows as they are stored, (n, columns x samples)."""
        width, item = self.shape[2] * self.samples, self.kind.itemsize
        first = rows.start if self.samples > 1 else plane * self.shape[1] + rows.start
        count = (rows.stop - rows.start) * width
        place: dict[str, Any] = {"dtype": self.kind, "offset": self.offset + first * width * item}
        try:
            if rows.step == 1:
                stored = np.fromfile(self.path, count=count, **place)
                refuse_truncated(self.path, promised=count * item, held=stored.size * item)
                return stored.reshape(-1, width)
            # A row here and there: mapped, none of those between is fetched.
            mapped = np.memmap(self.path, mode="r", shape=(rows.stop - rows.start, width), **place)
            return np.array(mapped[:: rows.step])
        except (OSError, ValueError) as error:
            raise InputError(str(self.path), found=f"it cannot be read any more ({error})") from error


@kernel
def _convert(stored: Any, zero: Any, divisor: Any, out: Any) -> None:
    for y in range(out.shape[0]):
        here, there = stored[y], out[y]
        for x in range(here.shape[0]):
            there[x] = (np.float32(here[x]) + zero) / divisor
