"""What a run leaves on the disk: pictures upright, FITS results on the reference's own grid."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextvars import copy_context
from functools import partial
from pathlib import Path
from threading import Event
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from blend.app.run.preview import without_lines
from blend.base.errors import StepError
from blend.base.formats import FORMATS
from blend.base.master import Flag, Master
from blend.base.rowblocks import thread_count
from blend.files.fits import write_fits
from blend.files.png import LONG_EDGE, thumbnail, write_jpeg, write_png
from blend.files.reader import upright
from blend.files.record import sha256_of
from blend.files.tiff import write_tiff
from blend.files.whole import WholeFolder, flush_result
from blend.pages.sheet import draw_sheet
from blend.recipe.state import COLOUR, Work
from blend.recipe.steps.holes import coverage_box, holes_of
from blend.recipe.steps.register import facts_from
from blend.recipe.tables import Recipe
from blend.recipe.target import Target

Array = NDArray[np.float32]
Value = TypeVar("Value")
Write = Callable[[Path], str | None]
"""Writes a file, and may return its SHA-256."""
Box = tuple[int, int, int, int]
PRINT_DPI = 300
FLUSHERS, FLUSH_EVERY_S = 4, 0.1
"""Files that may wait for the disk at a time, as where a folder is put in place; and how often one in the making does:
a disk takes some 50 MB meanwhile, a fifth of a large file."""
COMPARE_EDGE = 1200
"""Long edge of each picture of a pair, px."""
TARGET_MARGIN = 0.1
RESIDUAL_SPAN = np.float32(0.12)
"""Code values from black to white: three times the brightest noise that a stretch allows a sky, to either side."""
WRITERS: dict[str, Callable[..., str | None]] = {
    "png": write_png,
    "jpeg": write_jpeg,
    "tiff": write_tiff,
    "print": partial(write_tiff, resolution_dpi=PRINT_DPI),
    "png16": partial(write_png, long_edge=None, bits=16),
    "p3": partial(write_tiff, wide=True),
}
"""What writes the upright picture in a format of `FORMATS`; FITS has the reference's own grid instead."""

EMISSION_FILES = {
    "light": ("emission.fits", "line light without continuum, signed"),
    "sigma": ("emission-sigma.fits", "standard error of a pixel of emission.fits"),
    "weight": ("emission-weight.fits", "what of emission.fits a blend lets through, 0 to 1"),
}
"""What is written of a line's light: each part with its file and the words of its header."""


class InlineExecutor(Executor):
    """Does work at once, on the thread that hands it over: two jobs of one thread must not keep four cores busy."""

    def submit(self, task: Callable[..., Value], /, *values: Any, **named: Any) -> Future[Value]:
        """Return the work's outcome, known already; an interrupt is raised."""
        done: Future[Value] = Future()
        try:
            done.set_result(task(*values, **named))
        except Exception as fault:  # noqa: BLE001 - raised to whoever asks for the outcome, as in a pool
            done.set_exception(fault)
        return done


def pool_beside() -> Executor:
    """Return where a run does what can be done beside its steps: on two threads at most, and on none of one."""
    threads = thread_count()
    return ThreadPoolExecutor(max_workers=2) if threads > 1 else InlineExecutor()


class Results:
    """Writes a run's files beside the work, each as soon as its pixels are known: linear light before the pictures.

    Parameters
    ----------
    folder : WholeFolder
        Entered already.
    pool : Executor
        Where files are written, flushed and hashed.
    """

    def __init__(self, folder: WholeFolder, pool: Executor) -> None:
        self._folder = folder
        self._pool = pool
        self._begun: dict[str, Future[str]] = {}
        self._written: dict[str, Event] = {}
        self._flusher = ThreadPoolExecutor(max_workers=FLUSHERS)
        self._flushed: dict[str, Future[None]] = {}

    def begin(self, name: str, write: Write) -> None:
        """Have ``write(path)`` called for the file ``name`` of the folder, and its bytes flushed and hashed."""
        path = self._folder.path_for(name)

        held, done = [write], self._written.setdefault(name, Event())

        def whole() -> str:
            # the folder flushes all of them once more, together: to wait here would keep the only thread idle
            if not isinstance(self._pool, InlineExecutor):
                self._flushed[name] = self._flusher.submit(_flush_along, path, done)
            try:
                digest = held.pop()(path)  # whose pixels are free once they are written
            finally:
                done.set()
            return digest or sha256_of(path)

        self._begun[name] = self._pool.submit(copy_context().run, whole)

    def wait_for(self, name: str) -> None:
        """Wait until a file that was begun, if it was, has its bytes: then its pixels may be written over."""
        if name in self._written:
            self._written[name].wait()

    def also(self, task: Callable[..., Value], *values: Any) -> Future[Value]:
        """Do other work beside the run: what the page needs, for one."""
        return self._pool.submit(copy_context().run, task, *values)

    @property
    def names(self) -> list[str]:
        """The files begun so far."""
        return list(self._begun)

    def digests(self) -> list[dict[str, str]]:
        """Return path and SHA-256 of every file, in the order they were begun, or raise what befell one of them."""
        found = {name: job.result() for name, job in self._begun.items()}
        for flush in self._flushed.values():
            flush.result()
        for name, digest in found.items():
            self._folder.know(name, digest)
        return [{"path": name, "sha256": digest} for name, digest in found.items()]


def _flush_along(path: Path, written: Event) -> None:
    """Flush a file while it is being written, and once it is, so that the disk works beside the run."""
    while not written.wait(FLUSH_EVERY_S):
        if path.exists():
            flush_result(path)
    flush_result(path)


def result_names(recipe: Recipe, target: Target, *, stages: bool) -> list[str]:
    """Return the names of all files that a run may write, known before anything is read."""
    formats = [FORMATS[kind] for kind in recipe.output.formats]
    names = [name for entry in formats for name in (entry.file, *entry.beside)]
    if not target.lines:
        data = [file for file, _ in EMISSION_FILES.values()]
        names = [name for name in names if name not in data]
    roles = [(name, role) for name, files in target.masters.items() for role, _ in files.paths()]
    lights = [f"{name}{role.removeprefix('light')}" for name, role in roles if role.startswith("light")]
    for stage in STAGES.values() if stages else ():
        names += [f"stages/{name}-{stage}.fits" for name in dict.fromkeys([*lights, *target.masters])]
    return [*names, "report.html", "record.json"]


def begin_fits(work: Work, results: Results, box: Box) -> None:
    """Begin the FITS results that stand once the picture is balanced, or blended, cut to ``box``."""
    if "fits" not in work.recipe.output.formats:
        return
    write = _fits_writer(work, box)
    if work.linear is not None:
        blended = [b.master for b in work.recipe.blends("linear").values() if b.amount != 0]
        linear = _measured(work.linear, holes_of(work, "rgb", *blended))
        results.begin("linear.fits", write(linear, COLOUR, "linear light, sky 0, balanced"))
        return
    assert work.star_mask is not None
    layers = {name: line.measured for name, line in work.lines.items() if line.measured is not None}
    for part, (file, about) in EMISSION_FILES.items():
        found = [
            _measured(getattr(layer, part), holes_of(work, "rgb", name)) for name, layer in layers.items()
        ]
        if found:
            stack = found[0][None] if len(found) == 1 else np.stack(found)
            results.begin(file, write(stack, tuple(layers), about))
    results.begin("star-mask.fits", write(work.star_mask[None], ("mask",), "1 on stars, 0 on sky"))


def _measured(pixels: Array, holes: NDArray[np.bool_] | None) -> Array:
    """Return pixels (..., rows, columns) as data, without what fills holes for the eye."""
    if holes is None:
        return pixels
    data = pixels.copy()
    data[..., holes] = np.nan
    return data


def without_wanted(recipe: Recipe) -> bool:
    """Return whether the picture without lines is asked for, by itself or beside the other."""
    return not {"without", "compare"}.isdisjoint(recipe.output.formats)


def begin_pictures(
    work: Work, results: Results, box: Box, *, balanced: Work | None = None
) -> tuple[Array | None, Future[Array]]:
    """Begin every picture that the recipe asks for, cut to ``box``: upright, but for the FITS one.

    ``balanced`` is the state after the balance step, where `without_wanted`: then the picture without lines is
    returned, upright and cut. The other answer is the picture at a preview's size.
    """
    assert work.display is not None
    turn = turner(work)
    small: Future[Any] = results.also(thumbnail, turn(_cut(work.display, box)), LONG_EDGE)
    bare = None if balanced is None else without_lines(balanced)
    for name, entry in FORMATS.items():
        if name not in work.recipe.output.formats:
            continue
        if name == "without":
            assert bare is not None
            write: Write = partial(WRITERS["png16"], display=turn(_cut(bare, box)))
        elif name == "residual":
            write = partial(_write_residual, residual=turn(_cut(_residual(work)[None], box)))
        elif name == "compare":
            assert bare is not None
            part = target_part(work, box)
            pair = [turn(_cut(pixels, part)) for pixels in (bare, work.display)]
            write = partial(_write_pair, pair=pair, title=work.target.name, words=_lines_told(work))
        elif name in ("png", "jpeg"):
            write = partial(_write_small, writer=WRITERS[name], small=small)
        else:
            write = picture_writer(work, box, name)
        results.begin(entry.file, write)
    return None if bare is None else turn(_cut(bare, box)), small


def _write_small(path: Path, *, writer: Callable[..., str | None], small: Future[Array]) -> str | None:
    return writer(path, small.result())


def _residual(work: Work) -> Array:
    """Return what noise reduction took out of luma; zeros where it is off."""
    return np.zeros(work.rgb.shape, np.float32) if work.residual is None else work.residual


def _write_residual(path: Path, *, residual: Array) -> None:
    """Write the residual, grey for nothing: where it shows arms or rings, light was taken for noise."""
    codes = np.broadcast_to(residual / RESIDUAL_SPAN + np.float32(0.5), (3, *residual.shape[1:]))
    write_png(path, np.clip(codes, 0.0, 1.0), long_edge=None)


def picture_writer(work: Work, box: Box, form: str) -> Write:
    """Return what writes the picture in a format of `FORMATS`, cut to ``box``."""
    assert work.display is not None
    if form == "fits":
        return _fits_writer(work, box)(work.display, COLOUR, "display, sRGB code values 0 to 1")
    return partial(WRITERS[form], display=turner(work)(_cut(work.display, box)))


def target_part(work: Work, box: Box) -> Box:
    """Return the part of a box that shows the target with a margin around it; all of it where no target is known."""
    found = work.target_light.box if work.target_light is not None else None
    if found is None:
        return box
    x, y, width, height = found
    margin = max(8, int(TARGET_MARGIN * max(width, height)))
    left, top = max(box[0], x - margin), max(box[1], y - margin)
    right, bottom = min(box[0] + box[2], x + width + margin), min(box[1] + box[3], y + height + margin)
    return (left, top, right - left, bottom - top) if right - left > 8 and bottom - top > 8 else box


def _lines_told(work: Work) -> str:
    """Return which lines came in, in a caption's words."""
    told = [
        f"{entry['from']} into {entry['into']} by {entry['formula']}, amount {entry['amount']:.3g}"
        for entry in work.recorded.get("blend", {}).values()
        if entry["amount"]
    ]
    return "with " + "; ".join(told) if told else "no line takes part"


def _write_pair(path: Path, *, pair: list[Array], title: str, words: str) -> None:
    tiles = [thumbnail(picture, COMPARE_EDGE) for picture in pair]
    heading = f"{title}: one stretch and one finish, without and with the lines"
    sheet = draw_sheet(tiles, ["without lines", words], columns=2, title=heading)
    write_png(path, sheet, long_edge=None)


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
    """Return the box (x, y, width, height) of the reference's grid that results show.

    Raises
    ------
    StepError
        A box that leaves the frame.
    """
    crop = work.recipe.output.crop
    rows, columns = work.rgb.shape
    if crop == "none":
        return (0, 0, columns, rows)
    if crop == "full-coverage":
        return coverage_box(work)
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


def _fits_writer(work: Work, box: Box) -> Callable[[Array, tuple[str, ...], str], Write]:
    """Return what makes, of pixels on the grid, their planes and a word about them, the writing of their box."""
    facts = facts_from(work.rgb.facts, box[0], box[1])

    def write(pixels: Array, planes: tuple[str, ...], about: str) -> Write:
        cards = {"CONTENT": about, "ROWORDER": facts.rows.upper()}
        return partial(write_fits, pixels=_cut(pixels, box), planes=planes, cards=cards, wcs=facts.wcs)

    return write


def begin_stage(work: Work, step: str, results: Results) -> None:
    """Begin the masters as they stand after ``step``, where contract names such a stage."""
    stage = STAGES.get(step)
    if stage is None:
        return
    for name, master in _stage_masters(work).items():
        cards = {"CONTENT": f"{name} {stage}", "ROWORDER": master.facts.rows.upper()}
        holes = master.has(Flag.HOLE) if step == "balance" else None
        pixels = _measured(master.pixels, holes)
        write = partial(write_fits, pixels=pixels, planes=master.planes, cards=cards, wcs=master.facts.wcs)
        results.begin(f"stages/{name}-{stage}.fits", write)


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
