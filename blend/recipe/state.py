"""What passes from step to step: the masters so far, and what has been learnt on the way."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blend.base.lazyplanes import LazyPlane, derived_plane
from blend.base.master import Flag, Master
from blend.base.rowblocks import map_row_blocks

if TYPE_CHECKING:
    from blend.recipe.blendtable import Blend
    from blend.recipe.tables import Recipe
    from blend.recipe.target import Target
    from blend.science.grid import Alignment
    from blend.science.line import Choice, FilterHalo, Scale
    from blend.science.picture import Formula, SolvedStretch, TargetLight
    from blend.science.sky import SkyFit
    from blend.science.stars import Stars

Plane = NDArray[np.float32]
COLOUR = ("red", "green", "blue")


@dataclass(frozen=True, kw_only=True, eq=False)
class Source:
    """One master as it was read: its light in one file or in one file a plane, and its calibration frames.

    Every Master in it is linear and in fractions of full scale, unless the target file calls it ``display``. Where
    there is no bias frame, ``bias_level`` may tell what it would show, in fractions of full scale.
    """

    lights: tuple[Master, ...]
    dark: Master | None = None
    flat: Master | None = None
    bias: Master | None = None
    flat_dark: Master | None = None
    bias_level: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class EmissionLayers:
    """A line's light as data, each (rows, columns) float32: signed and unfaded, its weight, its standard error.

    The error is None where no file of it is wanted; then the layers go with the balance step.
    """

    light: Plane
    weight: Plane
    sigma: Plane | None = None

    def passed(self) -> LazyPlane:
        """Return light times weight, what blends use, worked out where it is asked for."""
        light, weight = self.light, self.weight
        return derived_plane(light.shape, lambda part: light[part] * weight[part])


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """A line master's light once its continuum is known."""

    # Planes (rows, columns) float32; in a run, up to the blends, `LazyPlane`.
    # the line master scaled so that stars match the broad plane, in counts of the balanced plane
    scaled: Plane
    # what blends use: its light without continuum times ``weight``, in counts of the balanced plane; None where a
    # master is already stretched and has no linear light to part
    emission: Plane | None
    sigma: float  # noise of one sky pixel of the emission before fading, same counts
    scaled_sigma: float  # noise of one sky pixel of ``scaled``
    broad: str  # the plane that the continuum was taken from
    # (rows / 4, columns / 4) float32, or None; means of 4 x 4 pixels of the emission before fading, whose noise
    # is whole; same counts
    unfaded: Plane | None = None
    measured: EmissionLayers | None = None  # the whole light with its weight and its stated error
    # (n,) bool, or None; which of the stars shine in this line more than a star may
    knots: NDArray[np.bool_] | None = None
    # the highest significance of the emission outside stars; None where nothing is faded, which tells none
    strongest: float | None = None
    share: float = 1.0  # share of the frame in which some of the emission passes
    held: float | None = None  # share of the light standing out of the noise that the weight holds back
    halos: tuple[FilterHalo, ...] = ()  # discs of the filter's reflections, where nothing passes
    found: bool = True  # False where none of the emission is light of the line for sure
    # How ``scaled`` was scaled. None after the balance step, or where a master is already stretched.
    scale: Scale | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Behind:
    """The picture without stars, where stars are: what the same blends make of the light around them."""

    places: NDArray[np.int64]  # (n,) int; the pixels of the star mask, row * columns + column, in that order
    # (3, 1, n) float32; what stands there in the stars' place, in the units of the picture it belongs to
    planes: Plane


@dataclass(frozen=True, eq=False)
class SkyView:
    """What the report draws of one plane: means over ``size`` x ``size`` pixels, before and after, and the noise."""

    before: Plane
    after: Plane
    size: int
    noise: float


@dataclass(frozen=True, kw_only=True, eq=False)
class AppliedBlend:
    """One blend as it was made: its amount a number, chosen by ``choice`` where the recipe left it open.

    ``out_of_gamut`` is the share of pixels that had to be brought back into the gamut, None where that is not known.
    """

    name: str
    blend: Blend
    formula: Formula
    choice: Choice | None = None
    out_of_gamut: float | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Work:
    """The state of one target between two steps; a step returns a changed copy.

    What a later step needs of an earlier one has a field of its own: ``alignments`` by master and the number of its
    light, ``skies`` by master and plane, ``stretches`` by master, ``blended`` in the order made. ``sky_views`` is for
    the report alone. ``residual`` (rows, columns) is the luma that passed for noise, only where it is to be shown.
    ``catalogue`` (n, 3) holds right ascension, declination (degrees, ICRS) and B - V of stars. ``recorded`` holds the
    sections of the run's record: steps write it and none reads it, so that no pixel depends on it. Without ``figures``
    a step may leave out of the record what it would measure for it alone. ``alone`` tells that nobody else holds the
    pixels: from the balance on a step then writes what it makes over what it was given.
    """

    recipe: Recipe
    target: Target
    sources: Mapping[str, Source] = field(default_factory=lambda: MappingProxyType({}))
    masters: Mapping[str, Master] = field(default_factory=lambda: MappingProxyType({}))
    lines: Mapping[str, Line] = field(default_factory=lambda: MappingProxyType({}))
    objects: NDArray[np.bool_] | None = None
    stars: Stars | None = None
    fwhm_px: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    linear: Plane | None = None
    display: Plane | None = None
    star_mask: Plane | None = None
    alignments: Mapping[tuple[str, int], Alignment] = field(default_factory=lambda: MappingProxyType({}))
    skies: Mapping[str, Mapping[str, SkyFit]] = field(default_factory=lambda: MappingProxyType({}))
    sky_views: Mapping[str, Mapping[str, SkyView]] = field(default_factory=lambda: MappingProxyType({}))
    stretches: Mapping[str, SolvedStretch] = field(default_factory=lambda: MappingProxyType({}))
    blended: tuple[AppliedBlend, ...] = ()
    catalogue: NDArray[np.float64] | None = None
    behind: Behind | None = None
    residual: Plane | None = None
    target_light: TargetLight | None = None
    recorded: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[tuple[str, str], ...] = ()
    figures: bool = True
    alone: bool = False

    def __repr__(self) -> str:
        fields = ("sources", "masters", "lines", "linear", "display")
        filled = [name for name in fields if (value := getattr(self, name)) is not None and len(value)]
        names = ", ".join(self.masters or self.sources)
        return f"<Work on {names}: {', '.join(filled)}; {len(self.warnings)} warnings>"

    def held(self, plane: LazyPlane) -> Any:
        """Return a plane as it is where the state is ``alone``, else all of its pixels."""
        return plane if self.alone else np.asarray(plane)

    def with_(self, **changes: Any) -> Work:
        """Return a copy with fields replaced."""
        return replace(self, **changes)

    def tell(self, section: str, key: str | None, value: Any) -> Work:
        """Return a copy whose record has ``section[key] = value``, or ``section = value`` where ``key`` is None."""
        old = dict(self.recorded)
        old[section] = value if key is None else {**old.get(section, {}), key: value}
        return replace(self, recorded=MappingProxyType(old))

    def add(self, section: str, key: str, values: Mapping[str, Any]) -> Work:
        """Return a copy whose record has ``values`` in ``section[key]`` beside what stands there, tables joined."""
        return self.tell(section, key, _joined(self.recorded.get(section, {}).get(key, {}), values))

    def warn(self, *pairs: tuple[str, str]) -> Work:
        """Return a copy with warnings (code, text) added; one already given is not repeated."""
        fresh = tuple(pair for pair in dict.fromkeys(pairs) if pair not in self.warnings)
        return replace(self, warnings=self.warnings + fresh)

    @property
    def rgb(self) -> Master:
        """The colour master."""
        return self.masters["rgb"]

    @property
    def line_names(self) -> tuple[str, ...]:
        """The names of the line masters, in the order of the target file."""
        return tuple(name for name in self.target.masters if name != "rgb")

    def pixel_side(self, name: str) -> float:
        """Return the side of a pixel of a master as it was, in pixels of the grid that all lie on."""
        alignment = self.alignments.get((name, 0))
        return 1.0 if alignment is None else alignment.scale

    def broad_noise(self, name: str, plane: str = "") -> float:
        """Return the noise a pixel, as large areas show it, of a master's plane on the common grid; the first's."""
        facts, plane = self.masters[name].facts, plane or self.masters[name].planes[0]
        noise = facts.broad_noise.get(plane) or facts.noise.get(plane, {}).get(1, np.nan)
        return float(noise * self.pixel_side(name))

    def field_stars(self) -> Stars:
        """Return the stars without what shines in a line more than a star may: compact knots of gas.

        Known once the lines' continuum is; before, all.
        """
        assert self.stars is not None
        known = [line.knots for line in self.lines.values() if line.knots is not None]
        return self.stars.select(~np.logical_or.reduce(known)) if known else self.stars

    def invalid(self) -> NDArray[np.bool_]:
        """Return where any registered master has no data, (rows, columns)."""
        flags = [master.flags for master in self.masters.values()]
        out = np.empty(flags[0].shape, dtype=np.bool_)

        def block(rows: slice) -> None:
            every = np.bitwise_or.reduce([plane[rows] for plane in flags])
            np.not_equal(every & np.uint8(Flag.NO_DATA), 0, out=out[rows])

        map_row_blocks(block, len(out))
        return out


@dataclass(frozen=True)
class Event:
    """Something to show while a run works: which step, on what, and how far the whole run is (0 to 1)."""

    step: str
    what: str
    share: float


Listener = Callable[[Event], None]


def say(listener: Listener | None, step: str, what: str, share: float) -> None:
    """Tell who listens, if anybody does, what is done now."""
    if listener is not None:
        listener(Event(step, what, share))


def frozen(mapping: Mapping[Any, Any]) -> Mapping[Any, Any]:
    """Return a read-only copy."""
    return MappingProxyType(dict(mapping))


def _joined(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, Any]:
    both = {key: old[key] for key, value in new.items() if isinstance(value, Mapping) and key in old}
    return {**old, **new, **{key: _joined(table, new[key]) for key, table in both.items()}}
