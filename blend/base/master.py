"""The value that passes between steps: one stacked picture, its bad pixels and what is known of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import IntFlag
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.arrays import UNITS, plain_array, refusal, take_apart
from blend.base.lazyplanes import LazyPlanes, spent_plane
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
    ``unit`` is that of the pixels, of `blend.base.arrays.UNITS`, where somebody stated it; fractions have none.
    ``file_planes`` is how many planes the file holds of which this is one; ``offset_out`` tells of a flat whether the
    sensor's offset was taken out of it, ``taken_out`` which of dark, bias and flat a light had when it was stacked.
    ``site`` is latitude and longitude in degrees and height in metres, 0 where
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
    unit: str = ""
    file_planes: int | None = None
    offset_out: bool | None = None
    taken_out: tuple[str, ...] = ()
    rows: Literal["bottom-up", "top-down"] = "top-down"
    sky: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    noise: Mapping[str, Mapping[int, float]] = field(default_factory=lambda: MappingProxyType({}))
    broad_noise: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    saturation: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    odd_cards: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, eq=False)
class Master:
    """A stacked picture. Made of plain arrays it shares their memory; `from_array` makes copies.

    Attributes
    ----------
    pixels : (planes, rows, columns) float32
        Read-only; of a frame that a run has opened and not yet read, `LazyPlanes`. NaN where there is no data, until
        a hole is filled. Linear: fraction of full scale. Display: sRGB
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
        if isinstance(self.pixels, LazyPlanes):
            return
        plain = plain_array(self.pixels, where="pixels", ndim=(2, 3))
        pixels = np.ascontiguousarray(plain, dtype=np.float32)
        if pixels.ndim != 3 or pixels.shape[0] != len(self.planes):
            raise ValueError(f"pixels of shape {pixels.shape} do not hold the planes {self.planes}")
        flags = np.ascontiguousarray(self.flags, dtype=np.uint8)
        if hasattr(self.pixels, "mask"):
            flags = flags | flags_of(pixels)
        if flags.shape != pixels.shape[1:]:
            raise ValueError(f"flags of shape {flags.shape} do not cover pixels of shape {pixels.shape}")
        object.__setattr__(self, "pixels", _frozen_view(pixels))
        object.__setattr__(self, "flags", _frozen_view(flags))

    @classmethod
    def from_array(
        cls,
        array: Any,
        *,
        planes: tuple[str, ...] | None = None,
        domain: Domain = "linear",
        facts: Facts | None = None,
    ) -> Master:
        """Return the master of an array, a copy of its own; masked and other odd pixels carry ``NO_DATA``.

        Parameters
        ----------
        array : (rows, columns) or (planes, rows, columns)
            Anything that `blend.base.arrays.plain_array` takes, also in adu or electrons. Floats without a unit, there
            or in ``facts``, are fractions of full scale; integers are in adu, and those of 8 and 16 bits count up to
            what their type holds.
        planes : tuple of str, optional
            Names; without, ``("red", "green", "blue")`` or ``("grey",)``.
        domain : "linear" or "display"
        facts : Facts, optional

        Raises
        ------
        ArrayError
            No numbers, another unit, or planes that are not as many as their names.

        Examples
        --------
        >>> Master.from_array(np.ma.masked_equal([[0, 500]], 0).astype(np.uint16), planes=("ha",))
        <Master ha, 1 x 2 pixels, linear, full scale 65535>
        """
        parts = take_apart(array, where="array")
        if parts.unit not in UNITS:
            raise refusal(
                "array", f"an array in {parts.unit}", "convert it to adu or electron, or divide its unit out"
            )
        plain = plain_array(parts.masked(), where="array", ndim=(2, 3))
        pixels = np.array(plain if plain.ndim == 3 else plain[None], dtype=np.float32, order="C")
        pixels[np.isinf(pixels)] = np.nan
        usual = {1: ("grey",), 3: ("red", "green", "blue")}
        names = usual.get(len(pixels), ()) if planes is None else tuple(planes)
        if len(names) != len(pixels):
            raise refusal("array", f"an array of shape {plain.shape}", f"name {len(pixels)} planes")
        facts = facts or Facts()
        kind = getattr(array, "dtype", np.dtype(float))
        whole = kind.kind in "iu"
        if facts.full_scale is None and whole and kind.itemsize <= 2:
            facts = replace(facts, full_scale=float(np.iinfo(kind).max))
        master = cls(pixels=pixels, flags=flags_of(pixels), planes=names, domain=domain, facts=facts)
        changes: dict[str, Any] = {"unit": parts.unit or facts.unit or ("adu" if whole else "")}
        if getattr(array, "wcs", None) is not None:
            changes["wcs"] = array.wcs
        if parts.sigma is not None:
            sigma = parts.sigma.reshape(pixels.shape)
            typical = (float(np.nanmedian(plane[master.flags == 0])) for plane in sigma)
            changes["noise"] = MappingProxyType(
                {plane: MappingProxyType({1: value}) for plane, value in zip(names, typical, strict=True)}
            )
        return master.with_facts(**changes)

    @classmethod
    def from_ccddata(
        cls, ccd: Any, *, planes: tuple[str, ...] | None = None, facts: Facts | None = None
    ) -> Master:
        """Return the master of an astropy ``CCDData``, a copy of its own.

        Parameters
        ----------
        ccd : astropy.nddata.CCDData
            (rows, columns) or (planes, rows, columns). Masked pixels carry ``NO_DATA``. The unit, adu, electron or none
            (fractions of full scale), becomes ``facts.unit``, and the WCS ``facts.wcs``. Of an uncertainty the median
            of each plane becomes its noise of one pixel. The header is not read:
            ``facts_from_cards(ccd.header, full_scale=...)`` does.
        planes : tuple of str, optional
            As for `from_array`.
        facts : Facts, optional
            What else is known; without, the first row is the bottom one, as in FITS.

        Raises
        ------
        ArrayError
            As `from_array`.

        Examples
        --------
        >>> from astropy.nddata import CCDData
        >>> ccd = CCDData(np.array([[100.0, 7.0]]), unit="adu", mask=[[False, True]])
        >>> master = Master.from_ccddata(ccd, planes=("ha",), facts=Facts(full_scale=65535.0))
        >>> master.pixels[0], master.facts.unit
        (array([[100.,  nan]], dtype=float32), 'adu')
        >>> master.to_ccddata().mask.tolist()
        [[False, True]]
        """
        return cls.from_array(ccd, planes=planes, facts=replace(facts or Facts(rows="bottom-up"), unit=""))

    def to_ccddata(self) -> Any:
        """Return an astropy ``CCDData`` with copies of the pixels, (rows, columns) where there is one plane.

        Masked where ``NO_DATA`` is set; the unit, the WCS, and where its noise is known the uncertainty of a pixel are
        as in ``facts``.
        """
        from astropy.nddata import CCDData, StdDevUncertainty

        pixels = self.pixels.copy() if len(self.planes) > 1 else self.pixels[0].copy()
        mask = np.broadcast_to(self.has(Flag.NO_DATA), pixels.shape).copy()
        noise = [self.facts.noise.get(plane, {}).get(1) for plane in self.planes]
        uncertainty = None
        if None not in noise:
            sigma = np.array(noise, dtype=np.float32)[:, None, None]
            uncertainty = StdDevUncertainty(
                np.broadcast_to(sigma, self.pixels.shape).reshape(pixels.shape).copy()
            )
        return CCDData(pixels, mask=mask, unit=self.facts.unit, uncertainty=uncertainty, wcs=self.facts.wcs)

    def __repr__(self) -> str:
        full = self.facts.full_scale
        words = "" if full is None else f", full scale {full:g}"
        rows, columns = self.shape
        return f"<Master {', '.join(self.planes)}, {rows} x {columns} pixels, {self.domain}{words}>"

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (int(self.pixels.shape[1]), int(self.pixels.shape[2]))

    def plane(self, name: str) -> NDArray[np.float32]:
        """Return one plane, (rows, columns), read-only."""
        view: NDArray[np.float32] = self.pixels[self.planes.index(name)]
        return view

    def writable(self) -> NDArray[np.float32]:
        """Return the pixels to be written to, for whoever alone holds them."""
        view = self.pixels.view()
        view.flags.writeable = True
        return view

    def spent(self) -> Master:
        """Return the master without pixels and flags, which are gone: to read them is a fault of the programmer."""
        gone = spent_plane(self.shape)
        return self.with_(pixels=LazyPlanes((gone,) * len(self.planes)), flags=gone)

    def has(self, flag: Flag) -> NDArray[np.bool_]:
        """Return where ``flag`` is set, (rows, columns)."""
        where = np.zeros(self.flags.shape, dtype=np.bool_)

        def fill_rows(block: slice) -> None:
            part = self.flags[block] & np.uint8(flag)
            if part.any():
                np.not_equal(part, 0, out=where[block])

        map_row_blocks(fill_rows, len(where))
        return where

    def unusable(self) -> NDArray[np.bool_] | None:
        """Return where there is no data, (rows, columns), or None where all is data."""
        lost = map_row_blocks(lambda rows: bool((self.flags[rows] & Flag.NO_DATA).any()), len(self.flags))
        return self.has(Flag.NO_DATA) if any(lost) else None

    def with_(self, **changes: Any) -> Master:
        """Return a copy with fields replaced; arrays that are not replaced are shared."""
        return replace(self, **changes)

    def with_facts(self, **changes: Any) -> Master:
        """Return a copy with facts replaced."""
        return replace(self, facts=replace(self.facts, **changes))


def flags_of(pixels: NDArray[np.floating] | LazyPlanes) -> NDArray[np.uint8]:
    """Return flags for fresh pixels (planes, rows, columns): ``NO_DATA`` where any plane is not finite."""
    # pages of zeros that nothing is written to take no memory, and most pictures are whole
    flags = np.zeros(pixels.shape[1:], dtype=np.uint8)
    if isinstance(pixels, LazyPlanes):
        return flags

    def fill_rows(block: slice) -> None:
        for plane in pixels:
            finite = np.isfinite(plane[block])
            if not finite.all():
                flags[block][~finite] = Flag.NO_DATA

    map_row_blocks(fill_rows, len(flags))
    return flags


def scaled(master: Master, divisor: float) -> Master:
    """Return the master with its pixels divided by ``divisor``, as fractions of full scale, unclipped.

    Raises
    ------
    ValueError
        A divisor that is not finite and above 0.
    """
    if not (np.isfinite(divisor) and divisor > 0.0):
        raise ValueError(f"pixels cannot be divided by {divisor}")
    if divisor == 1.0:
        return master
    if isinstance(master.pixels, LazyPlanes):
        return master.with_(pixels=master.pixels.divided(divisor))
    pixels = np.empty_like(master.pixels)

    def divide(rows: slice) -> None:
        np.divide(master.pixels[:, rows], np.float32(divisor), out=pixels[:, rows])

    map_row_blocks(divide, master.shape[0])
    return master.with_(pixels=pixels)


def _frozen_view(array: NDArray[Any]) -> NDArray[Any]:
    view = array.view()
    view.flags.writeable = False
    return view
