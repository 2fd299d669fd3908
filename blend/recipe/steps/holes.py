"""Holes inside masters: flagged on the common grid, left out of every measurement, filled before the blends; and what a
crop to what all masters cover leaves out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Flag, Master
from blend.base.rowblocks import map_row_blocks
from blend.recipe.state import Line, Plane, Work, frozen
from blend.science.grid import full_coverage_box
from blend.science.picture import describe_holes, fill_holes, find_holes

Box = tuple[int, int, int, int]

FILLS = 0.5
"""Of the frame: a target's box that takes more is cut by every camera angle but one (chosen, not measured)."""

WORTH_TELLING = 0.05
"""Of the frame: a crop that takes less is what any dithered stack loses at its rim."""


ELLIPSE_STEPS = 200
"""A side of the grid on which the target's ellipse is counted: good to a hundredth."""


def flag_holes(work: Work) -> Work:
    """Return the work with `Flag.HOLE` beside ``NO_DATA`` where a registered master has data all round, and told."""
    masters = dict(work.masters)
    for name, master in work.masters.items():
        holes = find_holes(master.has(Flag.NO_DATA))
        if holes is None:
            continue
        flags = master.flags.copy()
        flags[holes] |= np.uint8(Flag.HOLE)
        masters[name] = master.with_(flags=flags)
        found = describe_holes(holes)
        one = found.count == 1
        text = (
            f"{name} holds no data inside: {found.count} hole{'' if one else 's'} of {found.pixels} px, "
            f"{found.pixels / holes.size:.2%} of the frame, {'' if one else 'the largest '}{found.width} x "
            f"{found.height} px around ({found.x:.0f}, {found.y:.0f}); pictures are filled there from what lies round "
            "it, FITS of linear light and emission hold no number"
        )
        work = work.warn(("hole-filled", text))
    return work.with_(masters=masters)


def holes_of(work: Work, *names: str) -> NDArray[np.bool_] | None:
    """Return where any of these masters has a hole, or None where none has."""
    flags = [work.masters[name].flags for name in dict.fromkeys(names)]

    def any_hole(rows: slice) -> bool:
        return any(bool((plane[rows] & np.uint8(Flag.HOLE)).any()) for plane in flags)

    if not any(map_row_blocks(any_hole, work.rgb.shape[0])):
        return None
    return np.asarray((np.bitwise_or.reduce(flags) & np.uint8(Flag.HOLE)) != 0)


def with_holes_filled(work: Work) -> Work:
    """Return balanced work whose colour and lines have light in their holes, from what lies round them; flags stay.

    An emission needs both masters, and is filled where either has a hole.
    """
    if holes_of(work, *work.masters) is None:
        return work
    masters = {name: _filled(work, name, master) for name, master in work.masters.items()}
    lines: dict[str, Line] = {}
    for name, line in work.lines.items():
        both = holes_of(work, "rgb", name)
        emission = line.emission
        if both is not None and emission is not None:
            emission = fill_holes(np.asarray(emission), both)
        lines[name] = replace(line, scaled=masters[name].pixels[0], emission=emission)
    return work.with_(masters=frozen(masters), lines=frozen(lines))


def _filled(work: Work, name: str, master: Master) -> Master:
    holes = holes_of(work, name)
    if holes is None:
        return master
    planes: list[Plane] = [fill_holes(plane, holes) for plane in master.pixels]
    return master.with_(pixels=np.stack(planes))


def coverage_box(work: Work) -> Box:
    """Return the largest box (x, y, width, height) that every master covers; a hole inside is no border."""
    return full_coverage_box([_outline(master) for master in work.masters.values()])


def _outline(master: Master) -> NDArray[np.bool_]:
    """Return what a master covers, its holes among it."""
    covered = np.empty(master.shape, dtype=np.bool_)
    both = np.uint8(Flag.NO_DATA | Flag.HOLE)

    def fill_rows(rows: slice) -> None:
        np.not_equal(master.flags[rows] & both, np.uint8(Flag.NO_DATA), out=covered[rows])

    map_row_blocks(fill_rows, len(covered))
    return covered


def crop_cost(work: Work, box: Box, setting: str) -> list[tuple[str, str]]:
    """Return what to say of a crop to what all masters cover: nothing where it takes up to 5 % of frame and target.

    Parameters
    ----------
    work : Work
        Before it is cropped.
    box : (x, y, width, height)
    setting : str
        What asks for the crop.
    """
    rows, columns = work.rgb.shape
    lost = 1.0 - box[2] * box[3] / (rows * columns)
    if lost <= WORTH_TELLING:
        return _target_cut(work, box, setting)
    overlaps = {name: float(_outline(master).mean()) for name, master in work.masters.items()}
    parts = ", ".join(f"{name} {share:.0%}" for name, share in overlaps.items())
    text = (
        f"{setting} leaves out {lost:.0%} of the frame: {box[2]} x {box[3]} of {columns} x {rows} px are the largest "
        f"rectangle in which all masters overlap; of the frame they hold: {parts}"
    )
    return [("crop-cost", text), *_target_cut(work, box, setting)]


def _target_cut(work: Work, box: Box, setting: str) -> list[tuple[str, str]]:
    target = None if work.target_light is None else work.target_light.box
    rows, columns = work.rgb.shape
    if target is None or target[2] * target[3] > FILLS * rows * columns:
        return []
    # An ellipse in the box around its light: a galaxy has none in the corners.
    x, y = ((np.arange(ELLIPSE_STEPS) + 0.5) / ELLIPSE_STEPS * target[k + 2] + target[k] for k in (0, 1))
    within = [(at >= box[k]) & (at < box[k] + box[k + 2]) for k, at in ((0, x), (1, y))]
    from_middle = 2.0 * (np.arange(ELLIPSE_STEPS) + 0.5) / ELLIPSE_STEPS - 1.0
    ellipse = from_middle[:, None] ** 2 + from_middle[None] ** 2 < 1.0
    lost = 1.0 - float((ellipse & within[1][:, None] & within[0][None]).sum() / ellipse.sum())
    if lost <= WORTH_TELLING:
        return []
    text = (
        f"{setting} cuts the target: of an ellipse of {target[2]} x {target[3]} px around its light {lost:.0%} lies "
        'outside the overlap of all masters; output.crop = "none" keeps it'
    )
    return [("target-cut", text)]
