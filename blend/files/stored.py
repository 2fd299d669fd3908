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
            LazyPlane(shape=(rows, columns), read=partial(self._part, plane)) for plane in range(count)
        )
        return LazyPlanes(parts, partial(room_for, self.path, WORK_BYTES * count * rows * columns))

    def _part(
        self, plane: int, key: Any, divisor: float, out: NDArray[np.float32] | None
    ) -> NDArray[np.float32]:
        """Return (stored + zero) / divisor of a part of a plane, in ``out`` where it is given."""
        try:
            together = isinstance(key, slice) and key.step == 1
            stored = self._band(plane, key) if together else self._mapped(plane, key)
        except (OSError, ValueError) as error:
            raise InputError(str(self.path), found=f"it cannot be read any more ({error})") from error
        pixels = np.empty(stored.shape, dtype=np.float32) if out is None else out
        if self.kind.itemsize == 2:
            # of signed numbers the sign's bit is turned, so that one loop is for both
            turn = 0x8000 if self.kind.kind == "i" else 0
            bits, zero = stored.view(np.uint16).reshape(-1), np.float32(self.zero - turn)
            swapped = not self.kind.isnative
            _convert(bits, swapped, np.uint16(turn), zero, np.float32(divisor), pixels.reshape(-1))
        else:
            stored = stored.astype(self.kind.newbyteorder("="), copy=False)
            # float64 holds every 32-bit number: the offset rounds once, the divisor again, as for an array
            np.add(stored, self.zero, out=pixels, dtype=np.float64, casting="same_kind")
            pixels /= np.float32(divisor)
        return pixels

    def _band(self, plane: int, rows: slice) -> NDArray[Any]:
        """Return a copy of rows that follow one another, as they are stored, (n, columns)."""
        width, item = self.shape[2] * self.samples, self.kind.itemsize
        first = rows.start if self.samples > 1 else plane * self.shape[1] + rows.start
        stored = np.empty((rows.stop - rows.start, width), dtype=self.kind)
        # without a buffer of Python's: a run reads some thousand bands
        with self.path.open("rb", buffering=0) as file:
            file.seek(self.offset + first * width * item)
            refuse_truncated(
                self.path, promised=stored.nbytes, held=file.readinto(stored.view(np.uint8).data)
            )
        return stored[:, plane % self.samples :: self.samples]

    def _mapped(self, plane: int, key: Any) -> NDArray[Any]:
        """Return a copy of what a key picks, as it is stored; the file is mapped, and no page between is fetched."""
        count, rows, columns = self.shape
        shape = (1, rows, columns, self.samples) if self.samples > 1 else (count, rows, columns, 1)
        mapped = np.memmap(str(self.path), mode="r", dtype=self.kind, offset=self.offset, shape=shape)
        one = mapped[0, ..., plane] if self.samples > 1 else mapped[plane, ..., 0]
        return np.array(one[key], order="C")


@kernel
def _convert(bits: Any, swapped: bool, turn: Any, zero: Any, divisor: Any, out: Any) -> None:
    if swapped:
        for x in range(out.size):
            out[x] = (np.float32(np.uint16((bits[x] << 8) | (bits[x] >> 8)) ^ turn) + zero) / divisor
    else:
        for x in range(out.size):
            out[x] = (np.float32(bits[x] ^ turn) + zero) / divisor
