"""A centred bowl in a sky: what the stars say to it, and in which words it is told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Flag
from blend.recipe.state import Work
from blend.recipe.tables import Gradient
from blend.science.sky import FlatFault, Fluxes, StarBowl, compare_bowl
from blend.science.stars import find_stars, star_fluxes, typical_fwhm

APERTURE_FWHM = 1.5
"""Radius of a star's circle over the wider of the two widths."""


@dataclass(frozen=True)
class Bowl:
    """A bowl in the sky of one plane, and what the stars say to it.

    ``sure``: the stars show what the sky shows. ``corrected``: it is divided out.
    """

    fault: FlatFault
    stars: StarBowl | None
    sure: bool = False
    corrected: bool = False

    def entry(self) -> dict[str, Any]:
        """Return what the record keeps of it."""
        seen = None if self.stars is None else {"share": self.stars.share, "error": self.stars.error}
        return {
            "kind": self.fault.kind,
            "percent": self.fault.percent,
            "sigma": self.fault.sigma,
            "sure": self.sure,
            "corrected": self.corrected,
            "stars": seen,
        }


def judge_bowls(work: Work, name: str, faults: Sequence[FlatFault | None]) -> list[Bowl | None]:
    """Hold the bowls in the planes of a master against star fluxes.

    The planes went through one optical train: where one plane's stars show the bowl and no plane's deny it, all are
    faults of the flat. Only then they may be divided out, all or none, so that no colour is laid over the frame.
    """
    settings = work.recipe.gradient.for_master(name)
    seen = [
        None if fault is None else _seen_by_stars(work, name, plane, fault)
        for plane, fault in enumerate(faults)
    ]
    told = [one for one in seen if one is not None]
    sure = any(one.agrees for one in told) and not any(one.denies for one in told)
    corrected = sure and settings.flat_fault == "correct"
    return [
        None if fault is None else Bowl(fault, stars, sure, corrected)
        for fault, stars in zip(faults, seen, strict=True)
    ]


def _seen_by_stars(work: Work, name: str, plane: int, fault: FlatFault) -> StarBowl | None:
    """Compare star fluxes with those in a master of another flat; None where there is none, or no stars."""
    others = [other for other in work.masters if other != name and work.masters[other].domain == "linear"]
    if not others or work.masters[name].domain != "linear":
        return None
    other = work.masters[others[0]]
    index = other.planes.index("red") if "red" in other.planes else 0
    blind = Flag.NO_DATA | Flag.SATURATED
    unusable = work.masters[name].has(blind) | other.has(blind)
    stars = work.stars if work.stars is not None else find_stars(other.pixels[index], invalid=unusable)
    width = max([typical_fwhm(stars), *(work.fwhm_px.get(key, 0.0) for key in (name, others[0]))])
    if len(stars) == 0 or not width > 0.0:
        return None

    def measured(pixels: NDArray[np.float32]) -> Fluxes:
        return star_fluxes(pixels, stars.xy, radius_px=APERTURE_FWHM * width, invalid=unusable)

    rows, columns = work.rgb.shape
    away = np.square(2.0 * stars.xy - (columns - 1.0, rows - 1.0)).sum(axis=1)
    # Of a colour master the two other planes tell the stars' colours; of a line the colour master's outer two do.
    spread = [one for i, one in enumerate(work.rgb.pixels) if name != "rgb" or i != plane]
    colour = (measured(spread[0]), measured(spread[-1])) if len(spread) > 1 else None
    return compare_bowl(
        measured(work.masters[name].pixels[plane]),
        measured(other.pixels[index]),
        fault.factor(away / (rows**2 + columns**2)),
        against=others[0],
        colour=colour,
    )


def bowl_warnings(name: str, bowls: Mapping[str, Bowl], settings: Gradient) -> list[tuple[str, str]]:
    """Return what a master's bowls have to warn of: those that were divided out, are faults, or could be."""
    if not bowls:
        return []
    first = next(iter(bowls.values()))
    code, words = ("flat-fault", _SURE) if first.sure else ("flat-or-outskirts", _OPEN)
    if first.corrected:
        code, words = "flat-fault-corrected", _CORRECTED
    numbers = ", ".join(f"{plane} {_number(bowl)}" for plane, bowl in bowls.items())
    text = f"{name}: " + words.format(kind=first.fault.kind, numbers=numbers)
    if code == "flat-or-outskirts" and settings.flat_fault == "correct":
        text += ". It was not divided out, since that would spoil a target's outskirts"
    return [(code, text)]


_CORRECTED = "a centred {kind} in the sky was divided out as a fault of the flat ({numbers})"
_SURE = (
    "a centred {kind} in the sky is a fault of the flat, not moonlight, for the stars show it too ({numbers}); the"
    ' sky is level all the same, but not what shines before it. Mend the flat, or set flat_fault = "correct"'
)
_OPEN = (
    "a centred {kind} in the sky could be a fault of the flat or the outskirts of the target ({numbers}); it was taken"
    " out with the sky. If the target is smaller than the frame, look at the flat; if not, mark sky_boxes"
)


def _number(bowl: Bowl) -> str:
    fault, stars = bowl.fault, bowl.stars
    told = f"{fault.edge_percent:+.1f} % at the corners, {fault.percent:.1f} % in all"
    if stars is None:
        return f"{told}, too few stars to tell"
    return f"{told}, {stars.stars} stars show {stars.share:.1f} +- {stars.error:.1f} of it against {stars.against}"
