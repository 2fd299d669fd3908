"""What a run leaves on the disk: pictures upright, FITS results on the reference's own grid."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextvars import copy_context
from functools import partial

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.master import Flag, Master
from blend.base.rowblocks import thread_count
from blend.files.fits import write_fits
from blend.files.png import write_jpeg, write_png
from blend.files.reader import upright
from blend.files.tiff import write_tiff
from blend.files.whole import WholeFolder
from blend.recipe.steps.register import crop_master
from blend.recipe.work import COLOUR, Work
from blend.science.resample import full_coverage_box

Array = NDArray[np.float32]
Job = Callable[[], None]
Box = tuple[int, int, int, int]
PREVIEW_EDGE = 2048
PRINT_DPI = 300


def write_results(work: Work, folder: WholeFolder, *, box: Box) -> None:
    """Write every result the recipe asks for, cut to ``box``, into ``folder``, several files at a time."""
    formats = work.recipe.output.formats
    assert work.display is not None and work.linear is not None
    display = _cut(work.display, box)
    jobs = _fits_jobs(work, folder, box, display) if "fits" in formats else []
    picture = turner(work)(display)
    if "tiff" in formats:
        jobs.append(partial(write_tiff, folder.path_for("result.tif"), picture))
    if "print" in formats:
        path = folder.path_for("print.tif")
        jobs.append(partial(write_tiff, path, picture, resolution_dpi=PRINT_DPI))
    if "png" in formats:
        path = folder.path_for("preview.png")
        jobs.append(partial(write_png, path, picture, long_edge=PREVIEW_EDGE))
    if "jpeg" in formats:
        jobs.append(partial(write_jpeg, folder.path_for("web.jpg"), picture, long_edge=PREVIEW_EDGE))
    _run_together(jobs)


def _run_together(jobs: list[Job]) -> None:
    """Run jobs on as many threads as row blocks have, at most two: each holds a picture, and a disk gains no more."""
    # Pictures, which stand last, take longest: begun first, they do not run on alone.
    with ThreadPoolExecutor(max_workers=min(2, thread_count())) as pool:
        futures = [pool.submit(copy_context().run, job) for job in reversed(jobs)]
    for future in futures:
        future.result()


def check_output(work: Work) -> None:
    """Refuse, once the grid is known, an output the recipe asks for and this target cannot have.

    Raises
    ------
    StepError
        A crop box leaves the grid, or north is asked for and no coordinates are known.
    """
    if work.recipe.output.crop != "full-coverage":
        crop_box(work)
    turner(work)


def crop_box(work: Work) -> Box:
    """Return the box (x, y, width, height) of the reference's grid that results show."""
    crop = work.recipe.output.crop
    rows, columns = work.rgb.shape
    if crop == "none":
        return (0, 0, columns, rows)
    if crop == "full-coverage":
        return full_coverage_box([~master.has(Flag.NO_DATA) for master in work.masters.values()])
    if crop.x + crop.w > columns or crop.y + crop.h > rows:
        raise StepError(
            "output.crop",
            found=f"a box that ends at ({crop.x + crop.w}, {crop.y + crop.h})",
            expected=f"a box inside {columns} x {rows} pixels",
            advice="make it smaller",
        )
    return (crop.x, crop.y, crop.w, crop.h)


def turner(work: Work) -> Callable[[Array], Array]:
    """Return the function that turns an array (planes, rows, columns) of the grid upright for a picture, as a view."""
    rows = work.rgb.facts.rows
    up = work.recipe.output.up
    turns, mirror = 0, False
    if up == "north":
        turns, mirror = _north(work)
    elif up != "file":
        turns = int(up)

    def turn(pixels: Array) -> Array:
        picture = upright(pixels, rows)
        if mirror:
            picture = picture[:, :, ::-1]
        return np.rot90(picture, turns, axes=(1, 2))

    return turn


def _north(work: Work) -> tuple[int, bool]:
    """Return the quarter turns counter-clockwise, after any mirroring, that bring north nearest to up."""
    wcs = work.rgb.facts.wcs
    if wcs is None:
        raise StepError(
            "output.up",
            found="no celestial coordinates (WCS) in the reference's header",
            expected="a plate-solved reference",
            advice='use up = "file" or a number of quarter turns',
        )
    to_sky = np.asarray(wcs.celestial.pixel_scale_matrix, dtype=np.float64)
    north = np.linalg.solve(to_sky, [0.0, 1.0])
    east = np.linalg.solve(to_sky, [1.0, 0.0])
    flip = -1.0 if work.rgb.facts.rows == "top-down" else 1.0
    north, east = north * (1.0, flip), east * (1.0, flip)
    # Seen from below, east is to the left of north; with x right and y up that is a positive cross product.
    mirror = bool(north[0] * east[1] - north[1] * east[0] < 0)
    if mirror:
        north = north * (-1.0, 1.0)
    angle = np.degrees(np.arctan2(north[0], north[1]))
    return int(np.round(angle / 90.0)) % 4, mirror


def _cut(pixels: Array, box: tuple[int, int, int, int]) -> Array:
    x, y, width, height = box
    return pixels[..., y : y + height, x : x + width]


def _fits_jobs(work: Work, folder: WholeFolder, box: tuple[int, int, int, int], display: Array) -> list[Job]:
    assert work.linear is not None and work.star_mask is not None
    # One pixel is enough: what the header needs are the facts, their WCS moved along.
    facts = crop_master(work.rgb, (box[0], box[1], 1, 1)).facts
    jobs: list[Job] = []

    def add(name: str, pixels: Array, planes: tuple[str, ...], about: str) -> None:
        cards = {"CONTENT": about, "ROWORDER": facts.rows.upper()}
        path = folder.path_for(name)
        jobs.append(partial(write_fits, path, pixels, planes=planes, cards=cards, wcs=facts.wcs))

    add("result.fits", display, COLOUR, "display, sRGB code values 0 to 1")
    add("linear.fits", _cut(work.linear, box), COLOUR, "linear light, sky 0, balanced")
    layers = {name: line.emission for name, line in work.lines.items() if line.emission is not None}
    if layers:
        cut = [_cut(layer, box) for layer in layers.values()]
        stack = cut[0][None] if len(cut) == 1 else np.stack(cut)
        add("emission.fits", stack, tuple(layers), "line light without continuum")
    add("star-mask.fits", _cut(work.star_mask, box)[None], ("mask",), "1 on stars, 0 on sky")
    return jobs


def write_stage(work: Work, step: str, folder: WholeFolder) -> None:
    """Write the masters as they stand after ``step``, where contract names such a stage."""
    stage = STAGES.get(step)
    if stage is None:
        return
    for name, master in _stage_masters(work).items():
        write_fits(
            folder.path_for(f"stages/{name}-{stage}.fits"),
            master.pixels,
            planes=master.planes,
            cards={"CONTENT": f"{name} {stage}", "ROWORDER": master.facts.rows.upper()},
            wcs=master.facts.wcs,
        )


STAGES = {
    "calibrate": "calibrated",
    "register": "registered",
    "gradient": "flattened",
    "balance": "balanced",
}


def _stage_masters(work: Work) -> dict[str, Master]:
    if not work.sources:
        return dict(work.masters)
    found = {}
    for name, source in work.sources.items():
        if len(source.lights) == 1:
            found[name] = source.lights[0]
        else:
            found |= {f"{name}.{light.planes[0]}": light for light in source.lights}
    return found
