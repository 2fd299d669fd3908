"""One target, from files to files."""

from __future__ import annotations

import time
from collections.abc import Iterable, Mapping
from concurrent.futures import Future, wait
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from blend.app.run.load import Loaded, load_sources
from blend.app.run.outputs import (
    Results,
    begin_fits,
    begin_pictures,
    begin_stage,
    check_output,
    crop_box,
    pool_beside,
    result_names,
    target_part,
    turner,
    without_wanted,
)
from blend.app.run.preview import (
    LONG_EDGE,
    Preview,
    picture_of,
    preview_layers,
    settled,
    star_colours,
    star_tint,
    without_lines,
)
from blend.app.run.seen import clear_squares, picture_facts
from blend.app.run.worth import taken_of, worth_of
from blend.base.rowblocks import limit_threads
from blend.base.system import peak_mib
from blend.files.claim import Claim
from blend.files.reader import open_picture
from blend.files.record import VERSION, code_digest, record_text, seal_of, sha256_of, versions
from blend.files.source import Marks
from blend.files.whole import WholeFolder, put_bytes
from blend.pages.plain import page_or_plain
from blend.pages.report import DRAWN_AFTER, LightViews, report_page
from blend.pages.viewer import Frame, Pictures
from blend.recipe.check import assumptions
from blend.recipe.model import resolved
from blend.recipe.pipeline import STEPS, run_steps
from blend.recipe.state import Listener, Work, frozen, say
from blend.recipe.steps.holes import crop_cost
from blend.recipe.tables import Recipe
from blend.recipe.target import Target

SECTIONS = (
    *("masters", "register", "gradient", "continuum", "balance", "target_light"),
    *("stretch", "protect", "blend", "finish", "clipped"),
)
"""What a record has, if empty; a step's further sections are added."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Outcome:
    """What a run came to: its record, as a value and as the text on disk, and its warnings."""

    record: Mapping[str, Any]
    record_text: str
    warnings: tuple[tuple[str, str], ...]


# One thread for linear algebra, whoever calls: its last digits go by their number.
@limit_threads(None)
def run_target(
    recipe: Recipe,
    target: Target,
    *,
    out: Path,
    stages: bool = False,
    listener: Listener | None = None,
    command: str = "",
    claim: Claim | None = None,
) -> Outcome:
    """Apply a recipe to a target and leave the results in ``out``, all of them or none.

    Parameters
    ----------
    recipe, target
        As opened by `blend.app.run.load`.
    out : Path
        Folder; made if missing. Files of an earlier run are replaced only when this run has succeeded.
    stages : bool
        Keep the masters after calibration, registration, flattening and balance too.
    listener : callable, optional
        Called with an `Event` before each step.
    command : str, optional
        How to do the same again; told in the report.
    claim : Claim, optional
        Of `claim_results`, which is asked here where it is not given.

    Raises
    ------
    RecipeError
        A result would replace a file of the target, or one that no run has left there.
    BlendError
        With the exit code of what went wrong; then ``out`` is as it was.
    """
    start = time.perf_counter()
    claim = claim or claim_results(recipe, target, out=out, stages=stages)
    say(listener, "read", f"{len(target.masters)} masters", 0.0)
    marks = Marks(path for _, path in target.paths())
    loaded, hashes = _read(target)
    files = loaded.files
    # The folder is entered first: what a fault leaves in the pool still finds it there.
    with WholeFolder(out, guard=claim) as folder, pool_beside() as pool:
        # Nothing here may hold the masters as read: at 24 megapixels they are more than a gigabyte.
        begin = [_first_state(recipe, target, loaded, seconds=time.perf_counter() - start)]
        del loaded
        results = Results(folder, pool)
        work, seen, balanced = _through_steps(begin, results, stages=stages, listener=listener)
        box = seen.frame.crop
        start = time.perf_counter()
        say(listener, "write", f"results into {out}", 0.95)
        work = work.warn(*seen.cost)
        record = _record(work, files, hashes)
        marks.refuse_changes()
        record["crop"] = dict(zip("xywh", box, strict=True))
        assert work.display is not None
        record["picture"] = picture_facts(work.display, seen.clear, seen.layers, box, factor=seen.factor)
        shown = begin_pictures(work, results, box, balanced=balanced)
        del balanced
        # The page is drawn while the files are written: neither needs the other.
        page, reason = page_or_plain(
            lambda: _report(work, record, seen, command, shown, [*results.names, "record.json"]),
            title=f"report of {work.target.name}",
            beside="the pictures and the record",
        )
        if reason:
            work = work.warn(("report-failed", f"report.html could not be drawn: {reason}"))
            record["warnings"] = _warnings(work)
            record.setdefault("star_tint", None)
        results.begin("report.html", lambda path: put_bytes(path, page.encode()))
        record["outputs"] = results.digests()
        record["seconds"]["write"] = round(time.perf_counter() - start, 3)
        record["peak_mib"] = peak_mib()
        record["seal"] = seal_of(record)
        text = record_text(record)
        put_bytes(folder.path_for("record.json"), text.encode())
    say(listener, "write", "done", 1.0)
    return Outcome(record=record, record_text=text, warnings=work.warnings)


def claim_results(
    recipe: Recipe,
    target: Target,
    *,
    out: Path,
    stages: bool = False,
    reads: Iterable[Path] = (),
    overwrite: bool = False,
) -> Claim:
    """Return the claim of a run on its folder, or refuse it before anything is read.

    Parameters
    ----------
    recipe, target, out, stages
        As for `run_target`.
    reads : iterable of Path
        What the command uses beside the files of the target, which count anyway.
    overwrite : bool
        Files in the way may be lost that no run has left, but for those the command reads.

    Raises
    ------
    FaultList
        A result would replace a file that is read, or one that no run has left there.
    """
    files = (*reads, *(path for _, path in target.paths()))
    claim = Claim(out, record="record.json", reads=files, overwrite=overwrite)
    claim.check(result_names(recipe, target, stages=stages))
    return claim


def _read(target: Target) -> tuple[Loaded, list[str]]:
    """Return what the target's files hold, and their hashes in the order they were read."""
    # Hashing needs no interpreter, and the libraries that load meanwhile need nothing else.
    with pool_beside() as pool:
        begun = {
            path: pool.submit(sha256_of, path) for path in dict.fromkeys(path for _, path in target.paths())
        }
        try:
            loaded = load_sources(target, read_frame=open_picture)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)  # nobody waits for hashes of what cannot be used
            raise
        return loaded, [begun[path].result() for _, path in loaded.files]


@dataclass(kw_only=True, eq=False)
class _Seen:
    """What the page shows of states that are gone when it is written."""

    layers: Work  # balanced, averaged over ``factor`` pixels
    factor: int
    frame: Frame  # what is shown of the grid
    clear: Any  # of `clear_squares`
    cost: list[tuple[str, str]]  # what is to be said of the crop
    blended: Any = None  # one in 256 of the pixels of the blended light
    views: Future[LightViews]
    plots: Mapping[str, Future[Any]]
    bare: Future[Any] = field(default_factory=Future)  # the small picture without lines
    small: Future[Any] | None = None  # with them, where it is not the result's own


def _see(work: Work, results: Results, plots: Mapping[str, Future[Any]]) -> _Seen:
    """Return what is seen of balanced work, and begin the files that show it."""
    box, crop = crop_box(work), work.recipe.output.crop
    frame = Frame(turner(work), work.rgb.shape, box, target_part(work, box))
    views = results.also(LightViews.of, work, frame)
    begin_fits(work, results, box)
    layers, factor = preview_layers(work)
    clear = clear_squares(work, box)
    cost = crop_cost(work, box, f'output.crop = "{crop}"') if crop == "full-coverage" else []
    wait([views])
    return _Seen(layers=layers, factor=factor, frame=frame, clear=clear, cost=cost, views=views, plots=plots)


def _report(
    work: Work,
    record: dict[str, Any],
    seen: _Seen,
    command: str,
    shown: tuple[Any, Future[Any]],
    files: Iterable[str],
) -> str:
    """Return the page of a run, of whose pictures ``shown`` is known, and tell the record what blends did to stars."""
    assert work.display is not None
    whole = work.display if seen.small is None else seen.small.result()
    preview = Preview(whole, seen.bare.result(), seen.factor)
    colours = star_colours(seen.layers, preview)
    record["star_tint"] = star_tint(colours)
    turn = seen.frame.turn
    x, y, width, height = seen.frame.crop
    pictures = Pictures(
        delivered=turn(work.display[:, y : y + height, x : x + width]),
        bare=shown[0],
        small=shown[1].result(),
        with_lines=turn(preview.with_lines),
        without_lines=turn(preview.without_lines),
        factor=preview.factor,
        frame=seen.frame,
    )
    drawn = {step: plot.result() for step, plot in seen.plots.items()}
    views = replace(seen.views.result(), blended=seen.blended)
    return report_page(
        work, record, pictures, views, command=command, drawn=drawn, star_colours=colours, files=files
    )


def _first_state(recipe: Recipe, target: Target, loaded: Loaded, *, seconds: float) -> Work:
    work = Work(recipe=recipe, target=target, sources=loaded.sources, catalogue=loaded.catalogue)
    work = work.warn(*loaded.warnings, *assumptions(recipe, target))
    return work.tell("seconds", "read", round(seconds, 3))


def _through_steps(
    begin: list[Work], results: Results, *, stages: bool, listener: Listener | None
) -> tuple[Work, _Seen, Work | None]:
    """Take the first state out of ``begin`` through all steps.

    Returns the last state, what is seen of those before, and the balanced state where a picture without lines is asked
    for.
    """
    plots, balanced = {}, None
    chosen = any(blend.amount == "auto" for blend in begin[0].recipe.blend.values())
    for name, work in run_steps(begin.pop(), listener=listener, lighten=partial(_lightened, stages=stages)):
        if name == "register":
            check_output(work)
        if stages:
            begin_stage(work, name, results)
        if name in DRAWN_AFTER:
            plots[name] = results.also(DRAWN_AFTER[name], work)
        if name == "continuum":
            wait([plots[name]])  # before the next step writes over what it shows
        if name == "balance":
            seen = _see(work, results, plots)
            balanced = work if without_wanted(work.recipe) else None
        if name == "display-blends" and chosen:
            # Not before: amounts are chosen at full size.
            seen.layers = seen.layers.with_(recipe=settled(seen.layers.recipe, work))
            _render_small(seen, results)
        if name == "linear-blends":
            begin_fits(work, results, seen.frame.crop)
            if not chosen:
                _render_small(seen, results)
            if work.alone:
                results.wait_for("linear.fits")  # the stretch writes over it
            seen.blended = None if work.linear is None else work.linear[:, ::16, ::16].copy()
        if name == STEPS[-1].name:
            end = work
        del work  # the next step has the only hold on it
    return end, seen, balanced


def _render_small(seen: _Seen, results: Results) -> None:
    """Begin the small pictures without and with lines, beside what is done at full size."""
    seen.bare = results.also(without_lines, seen.layers)
    if seen.factor > 1:
        seen.small = results.also(picture_of, seen.layers)


def _lightened(step: str, work: Work, *, stages: bool) -> Work:
    """Let go of what is written and needed no more; tell a state that its pixels are nobody else's.

    They are where masters of later steps are kept, or layers of a small picture that are its preview's, too.
    """
    if step == "register":
        small = max(work.rgb.shape) <= LONG_EDGE
        return work.with_(alone=not (stages or small or without_wanted(work.recipe)))
    if step == "balance":
        lines = {name: replace(line, measured=None) for name, line in work.lines.items()}
        return work.with_(lines=frozen(lines))
    if step == "linear-blends" and work.alone:
        masters = {name: m.spent() if m.domain == "linear" else m for name, m in work.masters.items()}
        return work.with_(masters=frozen(masters), objects=None)
    if step == "display-blends" and work.alone:
        lines = {name: replace(line, emission=None) for name, line in work.lines.items()}
        work = work.with_(lines=frozen(lines))
    chosen = any(blend.amount == "auto" for blend in work.recipe.blends("display").values())
    return work.with_(linear=None) if step == ("display-blends" if chosen else "stretch") else work


def _record(work: Work, files: tuple[tuple[str, Path], ...], hashes: list[str]) -> dict[str, Any]:
    told = work.recorded
    return {
        "version": VERSION,
        "target": work.target.name,
        "recipe": resolved(work.recipe),
        "setup": setup_of(work.target),
        "taken": taken_of(work),
        "worth": worth_of(work),
        "code": code_digest(),
        "inputs": [
            {"role": role, "path": str(path), "sha256": digest, "bytes": path.stat().st_size}
            for (role, path), digest in zip(files, hashes, strict=True)
        ],
        **{section: {} for section in SECTIONS},
        **told,
        "warnings": _warnings(work),
        "seconds": dict(told.get("seconds", {})),
        "versions": versions(),
    }


def _warnings(work: Work) -> list[dict[str, str]]:
    return [{"code": code, "text": text} for code, text in work.warnings]


def setup_of(target: Target) -> dict[str, Any]:
    """Return what a target file says of its masters beside their files: filters, planes and facts."""
    return {name: files.described(exclude_defaults=True) for name, files in target.masters.items()}
