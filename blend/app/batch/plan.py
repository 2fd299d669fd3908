"""What a batch will do: its targets, which of them are done already, and what each will need."""

from __future__ import annotations

import json
import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from blend.app.batch.job import Job, explain_fault
from blend.app.batch.summaries import SUMMARIES
from blend.app.run import open_recipe, open_target, read_text, recipe_files, result_names, setup_of
from blend.base.errors import BlendError, InputError, RecipeError, StepError
from blend.base.system import cores
from blend.files.claim import Claim, refuse_paths
from blend.files.reader import peek
from blend.files.record import code_digest, read_record, record_text, sha256_of, versions
from blend.recipe.fields import folder_name
from blend.recipe.model import resolved
from blend.recipe.tables import Recipe
from blend.recipe.target import Target, load_target

PEAKS = ((280.0, 56.0), (600.0, 22.4))
"""MiB, and MiB a megapixel and plane of the lights: the lower of the two lines is taken.

Fitted to ``peak_mib`` of single runs, rgb and one line: 291 at 200 x 300, 612 at 1000 x 1500 (611 without calibration
files), and the largest of eleven runs at 4000 x 6000, 2747 (the least was 2065).
"""
BASE_SECONDS, LIGHT_SECONDS, FRAME_SECONDS = 2.5, 0.4, 0.08
"""Processor seconds of a target, and a megapixel and plane of its lights and of its darks, flats and biases.

Rough: a busy machine took 4.1 s at 0.375 megapixels (3.5 foretold) and 7.4 to 8.6 at 1.5 (6.3), with all frames.
"""
START_SECONDS = 4.0
"""Processor seconds until a worker has loaded what it needs; the first run of all compiles, which takes a minute."""


@dataclass(frozen=True, kw_only=True)
class BatchOptions:
    """How a batch is run.

    Attributes
    ----------
    jobs : int
        Worker processes, one a core at most; 0 is one a core. Workers times threads are never more than the cores.
    threads : int
        Of each worker; 0 is as many as the cores allow.
    resume : bool
        Leave out targets whose results are there and vouched for.
    memory_bytes : int or None
        What the targets that run at one time may need together; one that needs more by itself is refused.
    root : Path or None
        A folder that target files may read in beside their own.
    cluster : str or None
        Address of a running Dask scheduler that does the jobs instead.
    overwrite : bool
        Files in the way may be lost that no batch has left, but for those that any target reads.
    """

    jobs: int = 1
    threads: int = 0
    resume: bool = True
    memory_bytes: int | None = None
    root: Path | None = None
    cluster: str | None = None
    overwrite: bool = False


@dataclass(frozen=True, kw_only=True)
class Planned:
    """One target of a batch: its job, what it is expected to need, and what is known of it before it starts."""

    job: Job
    mib: float = 0.0
    seconds: float = 0.0
    done: bool = False
    fault: tuple[int, str] | None = None
    reads: tuple[Path, ...] = ()
    writes: tuple[str, ...] = ()
    """Names of results, in the job's folder."""


def find_targets(paths: Sequence[Path]) -> list[Path]:
    """Return the target files meant by files and folders, each once; a folder means all below it.

    Raises
    ------
    RecipeError
        A folder without target files, or nothing at that path.
    """
    found: dict[Path, None] = {}
    for path in paths:
        inside = sorted(path.rglob("*.target.toml")) if path.is_dir() else [path]
        inside = [p for p in inside if not any(part.startswith(".") for part in p.relative_to(path).parts)]
        if not inside:
            raise RecipeError(
                str(path),
                found="the folder holds no target files",
                expected="files called NAME.target.toml",
                advice="write them with blend plan, or check the path",
            )
        found |= dict.fromkeys(inside)
    return list(found)


def plan_batch(recipe: str, targets: Sequence[Path], *, out: Path, options: BatchOptions) -> list[Planned]:
    """Return what `batch.run_batch` would do, a target a row; nothing is written.

    Raises
    ------
    BlendError
        The recipe is at fault, or no target file is found. Faults of one target are in its row.
    """
    (_, threads), root = shares(options), options.root
    # a cluster's memory is not this machine's
    memory = None if options.memory_bytes is None or options.cluster else options.memory_bytes / 2**20
    files = find_targets(targets)
    open_recipe(recipe)
    taken: dict[str, Path] = {}
    plan = []
    for file in files:
        name = _name_of(file)
        folder = folder_name(name)
        command = ["blend", "run", recipe, str(file), "--out", str(out / folder)]
        job = Job(
            name=name,
            recipe=recipe,
            target=str(file),
            out=str(out / folder),
            root=None if root is None else str(root),
            threads=threads,
            command=shlex.join(command if root is None else [*command, "--root", str(root)]),
            overwrite=options.overwrite,
        )
        if folder in taken:
            fault = RecipeError(
                str(file),
                found=f"the name {name!r} asks for the folder {folder!r}, which is taken by {taken[folder]}",
                expected="a folder a target",
                advice="change name in one of the two files",
            )
            plan.append(Planned(job=job, fault=(fault.exit_code, str(fault))))
            continue
        taken[folder] = file
        plan.append(refuse_too_large(_plan_one(job, file, root=root, resume=options.resume), memory))
    return plan


def shares(options: BatchOptions) -> tuple[int, int]:
    """Return the workers and the threads of each, whose product is at most the cores.

    Examples
    --------
    >>> workers, threads = shares(BatchOptions(jobs=1, threads=1))
    >>> workers, threads
    (1, 1)
    """
    workers = min(options.jobs or cores(), cores())
    most = max(1, cores() // workers)
    return workers, min(options.threads, most) if options.threads else most


def _plan_one(job: Job, file: Path, *, root: Path | None, resume: bool) -> Planned:
    try:
        target = open_target(file, root=root)
        recipe = open_recipe(job.recipe, target=target)
        mib, seconds = estimate(target)
    except (BlendError, OSError) as fault:
        return Planned(job=job, fault=explain_fault(fault))
    done = resume and is_done(recipe, target, Path(job.out))
    reads = (file, *(path for _, path in target.paths()))
    writes = tuple(result_names(recipe, target, stages=False))
    return Planned(job=job, mib=mib, seconds=seconds, done=done, reads=reads, writes=writes)


def claim_batch(
    plan: Sequence[Planned], recipe: str, *, out: Path, overwrite: bool, logs: Iterable[Path] = ()
) -> Claim:
    """Return the claim of a batch on its folder, or refuse all of it before anything is written.

    Raises
    ------
    FaultList
        A result of one target, or a summary, would replace a file that any target reads, or one that no batch has
        left there.
    """
    reads = [*recipe_files(recipe), *logs]
    reads += [path for planned in plan for path in (Path(planned.job.target), *planned.reads)]
    claim = Claim(out, record="batch.json", reads=reads, overwrite=overwrite)
    wanted = claim.wanted(SUMMARIES)
    for planned in plan:
        if not planned.done and planned.fault is None:
            wanted += Claim(Path(planned.job.out), record="record.json").wanted(planned.writes)
    refuse_paths(wanted, reads=reads, overwrite=overwrite)
    return claim


def estimate(target: Target) -> tuple[float, float]:
    """Return the memory (MiB) and the processor time (s) that a target is expected to need, from headers alone."""
    lights = frames = 0.0
    for place, path in target.paths():
        kind = place.split(".")[2]
        if kind != "catalogue":
            head = peek(path)
            size = head.shape[0] * head.shape[1] * len(head.planes) / 1e6
            lights, frames = (lights + size, frames) if kind == "light" else (lights, frames + size)
    mib = min(base + slope * lights for base, slope in PEAKS)
    return mib, BASE_SECONDS + LIGHT_SECONDS * lights + FRAME_SECONDS * frames


def refuse_too_large(planned: Planned, memory_mib: float | None) -> Planned:
    """Return the row with a fault where a target to be done needs more than all targets together may take."""
    if memory_mib is None or planned.done or planned.fault is not None or planned.mib <= memory_mib:
        return planned
    fault = StepError(
        planned.job.target,
        found=f"the target needs about {planned.mib:.0f} MiB",
        expected=f"at most {memory_mib:.0f} MiB, as --memory says",
        advice="allow more --memory, or run it on a larger machine",
    )
    return replace(planned, fault=(fault.exit_code, str(fault)))


def is_done(recipe: Recipe, target: Target, out: Path) -> bool:
    """Return whether the record in ``out`` vouches for this very job: recipe, target, inputs, code and outputs."""
    try:
        record = read_record(out / "record.json")
        wanted = {"recipe": resolved(recipe), "setup": setup_of(target)}
        now = json.loads(record_text(wanted))
        same = (
            all(record.get(key) == now[key] for key in wanted)
            and record.get("target") == target.name
            and record.get("code") == code_digest()
            and record.get("versions") == versions()
        )
        return same and _same_inputs(record["inputs"], target) and _same_outputs(record["outputs"], out)
    except (InputError, OSError):
        return False


def _same_inputs(told: list[dict[str, str]], target: Target) -> bool:
    files = {f"{name}.{role}": path for name, m in target.masters.items() for role, path in m.paths()}
    if sorted(entry["role"] for entry in told) != sorted(files):
        return False
    return all(sha256_of(files[entry["role"]]) == entry["sha256"] for entry in told)


def _same_outputs(told: list[dict[str, str]], out: Path) -> bool:
    inside = out.resolve()
    paths = [(out / entry["path"], entry["sha256"]) for entry in told]
    return bool(paths) and all(
        path.resolve().is_relative_to(inside) and sha256_of(path) == digest for path, digest in paths
    )


def _name_of(file: Path) -> str:
    """Return the name a target file gives, or one made of its own where it cannot be read."""
    try:
        return load_target(read_text(file), where=str(file), folder=file.resolve().parent).name
    except BlendError:
        return folder_name(file.name.removesuffix(".target.toml").removesuffix(".toml"))
