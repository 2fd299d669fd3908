"""The commands over many targets: `blend batch`, `blend plan` and `blend replay`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from blend.app.cli.helptext import Grouped
from blend.app.cli.words import PATH, overwrite_option, quiet_option, threads_option
from blend.base.errors import printable


@click.command(cls=Grouped)
@click.argument("recipe")
@click.argument("targets", nargs=-1, required=True, type=PATH)
@click.option("--out", type=PATH, default=Path("batch"), show_default=True, help="A folder a target inside.")
@click.option(
    "--jobs",
    type=click.IntRange(min=0),
    default=0,
    help="Worker processes, one per core at most; 0: one per core.",
)
@click.option(
    "--threads", type=click.IntRange(min=0), default=0, help="Of a worker; 0: what the cores allow."
)
@click.option("--no-resume", is_flag=True, help="Do all again, also what is done and unchanged.")
@click.option("--dry-run", is_flag=True, help="Print the plan with estimated time and memory, do nothing.")
@click.option("--memory", metavar="SIZE", help="What all workers may need together, such as 6GiB.")
@click.option("--root", type=PATH, help="A folder that target files may read in beside their own.")
@click.option("--cluster", metavar="ADDRESS", help="A running Dask scheduler that does the work.")
@click.option("--log", type=PATH, help="Append one line of JSON an event.")
@click.option("--json", "as_json", is_flag=True, help="Print batch.json instead of the table.")
@quiet_option
@overwrite_option
def batch(recipe: str, targets: tuple[Path, ...], **options: Any) -> None:
    """Apply RECIPE to every target file of TARGETS (files, or folders searched for *.target.toml).

    Exit code 0 when all targets succeeded, 4 when some failed; the others are done all the same.
    """
    from blend.app.batch import (
        BatchOptions,
        BatchView,
        claim_batch,
        plan_batch,
        plan_table,
        run_batch,
        shares,
        verdict_table,
    )
    from blend.app.frames import parse_memory
    from blend.files.eventlog import EventLog

    chosen = BatchOptions(
        jobs=options["jobs"],
        threads=options["threads"],
        resume=not options["no_resume"],
        memory_bytes=None if options["memory"] is None else parse_memory(options["memory"]),
        root=options["root"],
        cluster=options["cluster"],
        overwrite=options["overwrite"],
    )
    out = options["out"]
    workers, threads = shares(chosen)
    if options["jobs"] > workers and not (options["cluster"] or options["quiet"]):
        click.echo(f"{workers} workers, not {options['jobs']}: so many cores are here", err=True)
    if options["dry_run"]:
        limit = None if chosen.memory_bytes is None else chosen.memory_bytes / 2**20
        plan = plan_batch(recipe, targets, out=out, options=chosen)
        claim_batch(plan, recipe, out=out, overwrite=chosen.overwrite)
        click.echo(plan_table(plan, workers=workers, threads=threads, memory_mib=limit))
        return
    log = EventLog(options["log"])
    with BatchView(quiet=options["quiet"]) as view:
        verdicts = run_batch(recipe, targets, out=out, options=chosen, watcher=view, log=log)
    if options["as_json"]:
        click.echo((out / "batch.json").read_text(encoding="utf-8"), nl=False)
    else:
        click.echo(verdict_table(verdicts))
        click.echo(f"look at {out / 'index.html'}")
    if any(verdict.state == "failed" for verdict in verdicts):
        raise SystemExit(4)


@click.command(cls=Grouped)
@click.argument("record", type=PATH)
@click.option("--find", "folders", multiple=True, type=PATH, help="Look here for inputs that have moved.")
@click.option("--out", type=PATH, help="Keep the new results here; else they are compared and thrown away.")
@threads_option
@quiet_option
@overwrite_option
def replay(record: Path, **options: Any) -> None:
    """Run again from RECORD, a record.json, and say of each output whether its bytes are the same."""
    from blend.app.run import Progress, replay_record
    from blend.base.rowblocks import limit_threads

    with limit_threads(options["threads"]), Progress(quiet=options["quiet"]) as progress:
        done = replay_record(
            record,
            folders=options["folders"],
            out=options["out"],
            listener=progress.show,
            overwrite=options["overwrite"],
        )
    click.echo(printable(done.text()))
    if not done.same:
        raise SystemExit(4)


@click.command(cls=Grouped)
@click.argument("folder", type=PATH)
@click.option("--out", type=PATH, help="Where target files are written; default FOLDER.")
@click.option("--dry-run", is_flag=True, help="Say what would be done, write nothing.")
@overwrite_option
def plan(folder: Path, out: Path | None, dry_run: bool, overwrite: bool) -> None:
    """Read the headers of all masters in FOLDER, pair them, and write target files to look at and edit."""
    from blend.app.batch import plan_folder, write_plan

    found = plan_folder(folder, out=out or folder)
    click.echo(printable(found.text()))
    if not dry_run:
        for path in write_plan(found, overwrite=overwrite):
            click.echo(printable(f"wrote {path}"))
