"""The value that passes between steps: one stacked picture, its bad pixels and what is known of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntFlag
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import map_row_blocks

Domain = Literal["linear", "display"]


class Flag(IntFlag):
    """Bits of a master's ``flags`` plane."""

    NO_DATA = 1
    REPAIRED = 2
    SATURATED = 4
    HOLE = 8
    """Beside ``NO_DATA``: inside what the master covers; filled after balance, and nothing is measured there."""


@dataclass(frozen=True, kw_only=True)
class Facts:
    """What is known of a master; a fact nobody stated is None, never a guess.

    ``sky`` and ``noise`` are measured, a value a plane: the level taken out by the gradient step (fraction of full
    scale), and the noise of one pixel before resampling. ``saturation`` is the level at which a plane's pixels pile up.
    ``odd_cards`` are the header's cards that make no sense, each as it stands, ``"EXPTIME = 1000,5"``.
    ``broad_noise`` is the noise of one pixel for statements about large areas, of planes whose pixels share their noise
    (smoothed, resampled, demosaiced); where it is absent, ``noise`` at 1 px is.
    ``file_planes`` is how many planes the file holds of which this is one; ``offset_out`` tells of a flat whether the
    sensor's offset was taken out of it. ``site`` is latitude and longitude in degrees and height in metres, 0 where
    none is stated; ``pointing`` is right ascension and declination in degrees, as a telescope told them.
    """

    exposure_s: float | None = None
    frames: int | None = None
    temperature_c: float | None = None
    iso: float | None = None
    gain_e: float | None = None
    full_scale: float | None = None
    date_obs: str | None = None
    filter: str | None = None
    site: tuple[float, float, float] | None = None
    pointing: tuple[float, float] | None = None
    wcs: Any = None
    file_planes: int | None = None
    offset_out: bool | None = None
    rows: Literal["bottom-up", "top-down"] = "top-down"
    sky: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    noise: Mapping[str, Mapping[int, float]] = field(default_factory=lambda: MappingProxyType({}))
    broad_noise: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    saturation: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    odd_cards: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Master:
    """A stacked picture.

    Attributes
    ----------
    pixels : (planes, rows, columns) float32
        Read-only. NaN where there is no data, until a hole is filled. Linear: fraction of full scale. Display: sRGB
        code value, 0 to 1.
    flags : (rows, columns) uint8
        Read-only. Bits of `Flag`. A pixel that is NaN in any plane carries ``NO_DATA``.
    planes : tuple of str
        ``("red", "green", "blue")`` or the name of the line.
    domain : "linear" or "display"
    facts : Facts
    """

    pixels: NDArray[np.float32]
    flags: NDArray[np.uint8]
    planes: tuple[str, ...]
    domain: Domain = "linear"
    facts: Facts = field(default_factory=Facts)

    def __post_init__(self) -> None:
        pixels = np.ascontiguousarray(self.pixels, dtype=np.float32)
        if pixels.ndim != 3 or pixels.shape[0] != len(self.planes):
            raise ValueError(f"pixels of shape {pixels.shape} do not hold the planes {self.planes}")
        flags = np.ascontiguousarray(self.flags, dtype=np.uint8)
        if flags.shape != pixels.shape[1:]:
            raise ValueError(f"flags of shape {flags.shape} do not cover pixels of shape {pixels.shape}")
        object.__setattr__(self, "pixels", _frozen_view(pixels))
        object.__setattr__(self, "flags", _frozen_view(flags))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (int(self.pixels.shape[1]), int(self.pixels.shape[2]))

    def plane(self, name: str) -> NDArray[np.float32]:
        """Return one plane, (rows, columns), read-only."""
        view: NDArray[np.float32] = self.pixels[self.planes.index(name)]
        return view

    def has(self, flag: Flag) -> NDArray[np.bool_]:
        """Return where ``flag`` is set, (rows, columns)."""
        where = np.empty(self.flags.shape, dtype=np.bool_)

        def fill_rows(block: slice) -> None:
            np.not_equal(self.flags[block] & np.uint8(flag), 0, out=where[block])

        map_row_blocks(fill_rows, len(where))
        return where

    def with_(self, **changes: Any) -> Master:
        """Return a copy with fields replaced; arrays that are not replaced are shared."""
        return replace(self, **changes)

    def with_facts(self, **changes: Any) -> Master:
        """Return a copy with facts replaced."""
        return replace(self, facts=replace(self.facts, **changes))


def flags_of(pixels: NDArray[np.floating]) -> NDArray[np.uint8]:
    """Return flags for fresh pixels (planes, rows, columns): ``NO_DATA`` where any plane is not finite."""
    # pages of zeros that nothing is written to take no memory, and most pictures are whole
    flags = np.zeros(pixels.shape[1:], dtype=np.uint8)

    def fill_rows(block: slice) -> None:
        for plane in pixels:
            finite = np.isfinite(plane[block])
            if not finite.all():
                flags[block][~finite] = Flag.NO_DATA

    map_row_blocks(fill_rows, len(flags))
    return flags


def _frozen_view(array: NDArray[Any]) -> NDArray[Any]:
    view = array.view()
    view.flags.writeable = False
    return view
