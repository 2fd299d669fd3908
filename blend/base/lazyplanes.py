"""Planes that lie elsewhere and whose pixels become numbers when they are asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks

Guard = Callable[[], AbstractContextManager[Any]]


@dataclass(frozen=True, kw_only=True, eq=False)
class LazyPlane:
    """One plane of finite float32 pixels: any part of it is an array, ``np.asarray`` of it is all of them."""

    shape: tuple[int, int]  # (rows, columns)
    # takes a slice of rows with start, stop and a step above 0, or another key of an array (rows, columns); the
    # divisor; and of rows an array to fill, (n, columns) float32, or None; returns the array
    read: Callable[[Any, float, NDArray[np.float32] | None], NDArray[np.float32]]
    divisor: float = 1.0  # what the rows are divided by
    ndim = 2
    dtype = np.dtype(np.float32)

    @property
    def size(self) -> int:
        """Number of pixels."""
        return self.shape[0] * self.shape[1]

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, key: Any) -> Any:
        if isinstance(key, slice):
            start, stop, step = key.indices(self.shape[0])
            key = slice(start, max(start, stop), step)
        return self.read(key, self.divisor, None)

    def __iter__(self) -> Iterator[NDArray[np.float32]]:
        return (self[row : row + 1][0] for row in range(len(self)))

    def fill(self, out: NDArray[np.float32]) -> None:
        """Fill an array with the whole plane."""

        def fill_rows(block: slice) -> None:
            self.read(slice(block.start, block.stop, 1), self.divisor, out[block])

        map_row_blocks(fill_rows, self.shape[0])

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        out = np.empty(self.shape, dtype=np.float32)
        self.fill(out)
        return out if dtype is None else out.astype(dtype, copy=False)


def derived_plane(shape: tuple[int, int], make: Callable[[Any], NDArray[np.float32]]) -> LazyPlane:
    """Return the plane any part of which ``make`` works out: of rows, or of another key of an array."""

    def read(key: Any, _: float, out: NDArray[np.float32] | None) -> NDArray[np.float32]:
        if out is None:
            return make(key)
        out[...] = make(key)
        return out

    return LazyPlane(shape=shape, read=read)


def spent_plane(shape: tuple[int, int]) -> LazyPlane:
    """Return what stands for a plane that is gone; whoever reads it gets a `ValueError`."""

    def make(_: Any) -> NDArray[np.float32]:
        raise ValueError("these pixels have been let go")

    return derived_plane(shape, make)


AnyPlane: TypeAlias = "NDArray[np.floating] | LazyPlane"
"""A plane in memory or elsewhere: rows, columns, or any other part of it are asked for in one way."""


def float_rows(plane: AnyPlane, rows: slice) -> NDArray[np.float32]:
    """Return rows of a plane, read-only and contiguous, of an array of float32 a view: kernels are compiled once."""
    part = np.ascontiguousarray(plane[rows], dtype=np.float32).view()
    part.flags.writeable = False
    return part


@dataclass(frozen=True, eq=False)
class LazyPlanes(Sequence[LazyPlane]):
    """Planes of one size, (planes, rows, columns); ``guard`` is entered while all of them become one array."""

    parts: tuple[LazyPlane, ...]
    guard: Guard = nullcontext
    ndim = 3
    dtype = np.dtype(np.float32)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Planes, rows and columns."""
        return (len(self.parts), *self.parts[0].shape)

    def __len__(self) -> int:
        return len(self.parts)

    def __iter__(self) -> Iterator[LazyPlane]:
        return iter(self.parts)

    def __getitem__(self, key: Any) -> Any:
        return replace(self, parts=self.parts[key]) if isinstance(key, slice) else self.parts[key]

    def divided(self, divisor: float) -> LazyPlanes:
        """Return the planes divided by a number, in float32 as an array would be; once only.

        Raises
        ------
        ValueError
            The planes are divided already.
        """
        if any(part.divisor != 1.0 for part in self.parts):
            raise ValueError("planes are divided once")
        return replace(self, parts=tuple(replace(part, divisor=divisor) for part in self.parts))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        with self.guard():
            out = np.empty(self.shape, dtype=np.float32)
            for part, place in zip(self.parts, out, strict=True):
                part.fill(place)
        return out if dtype is None else out.astype(dtype, copy=False)


AnyPlanes: TypeAlias = "NDArray[np.floating] | LazyPlanes"
"""Planes of either kind."""
