"""The command line; the only code that knows click, terminals and exit codes."""

from __future__ import annotations

import errno
import gc
import os
import shlex
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from blend.app.cli.batch import batch, plan, replay
from blend.app.cli.compare import compare
from blend.app.cli.frames import gain, stack
from blend.app.cli.helptext import Tasks
from blend.app.cli.trial import keep, try_
from blend.app.cli.words import PATH, Number, one_target, overwrite_option, quiet_option, threads_option
from blend.base.errors import BlendError, printable, shortened
from blend.base.quiet import silence_process
from blend.base.system import is_terminal, keep_freed_memory, put_null_device, send_nowhere


@click.group(cls=Tasks, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="narrowband-blend", message="blend %(version)s")
def blend() -> None:
    """Blend a stacked H-alpha master into a moonlit colour master, by a recipe.

    Results go to standard output, progress and messages to standard error. Exit codes: 0 done; 2 usage, recipe or
    target file; 3 an input file; 4 a step could not do its work; 5 output could not be written; 130 interrupted.
    """


@blend.command()
@click.option("--out", type=PATH, default=Path("demo"), show_default=True, help="Folder for everything.")
@click.option("--size", type=click.Choice(["small", "full"]), default="small", show_default=True)
@click.option("--seed", type=click.IntRange(min=0), default=7, show_default=True, help="Another sky.")
@threads_option
@overwrite_option
def demo(out: Path, size: str, seed: int, threads: int, overwrite: bool) -> None:
    """Draw a simulated moonlit night, run the shipped recipe on it, and compare with the truth."""
    from blend.app.cli.warmup import start_loading
    from blend.app.demo import run_demo
    from blend.app.run import Progress
    from blend.base.rowblocks import limit_threads

    start_loading()
    with limit_threads(threads), Progress(quiet=False) as progress:
        lines, passed = run_demo(out, size=size, seed=seed, listener=progress.show, overwrite=overwrite)
    click.echo("\n".join(lines))
    if not passed:
        raise SystemExit(4)


@blend.command()
@click.argument("recipe")
@click.argument("target", nargs=-1, type=PATH, callback=one_target)
@click.option("-m", "--master", "masters", multiple=True, metavar="NAME=FILE", help="rgb=, ha=, rgb.red= ...")
@click.option("--dark", "darks", multiple=True, metavar="NAME=FILE", help="Master dark of a master.")
@click.option("--flat", "flats", multiple=True, metavar="NAME=FILE", help="Master flat of a master.")
@click.option("--bias", "biases", multiple=True, metavar="NAME=FILE", help="Master bias of a master.")
@click.option("--flat-dark", "flat_darks", multiple=True, metavar="NAME=FILE", help="The flat's own dark.")
@click.option(
    "--catalogue", "catalogues", multiple=True, metavar="rgb=FILE", help="Stars of known colour, CSV."
)
@click.option("--name", default="blend", show_default=True, help="Name of the target when -m is used.")
@click.option("--out", type=PATH, help="Folder for the results; default ./NAME.")
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change one recipe value.")
@click.option("--stages", is_flag=True, help="Keep the masters after each linear step too.")
@click.option("--verbose", is_flag=True, help="Print everything that was measured, and all notes.")
@click.option("--json", "as_json", is_flag=True, help="Print the record instead.")
@quiet_option
@threads_option
@click.option("--root", type=PATH, help="A folder above the target file, in all of which it may read.")
@click.option("--log", type=PATH, help="Append one line of JSON an event.")
@overwrite_option
def run(recipe: str, target: Path | None, **options: Any) -> None:
    """Make one picture: RECIPE (a file or a shipped recipe's name) applied to TARGET (a target file or -m options)."""
    from blend.app.cli.warmup import start_loading
    from blend.app.run import (
        Progress,
        claim_results,
        details,
        notes,
        open_recipe,
        open_target,
        recipe_files,
        run_target,
        summary,
    )
    from blend.base.rowblocks import limit_threads
    from blend.files.eventlog import EventLog
    from blend.recipe.state import Event

    start_loading()
    chosen = open_target(
        target,
        masters=options["masters"],
        frames={k: options[v] for k, v in FILE_OPTIONS.items()},
        name=options["name"],
        root=options["root"],
    )
    opened = open_recipe(recipe, settings=options["settings"], target=chosen)
    out = options["out"] or Path(chosen.folder)
    log = EventLog(options["log"])
    reads = [*recipe_files(recipe), *([] if target is None else [target]), *log.files]
    claim = claim_results(
        opened, chosen, out=out, stages=options["stages"], reads=reads, overwrite=options["overwrite"]
    )
    log.begin(claim.reads)

    def told(event: Event) -> None:
        progress.show(event)
        log.step(chosen.name, event.step, event.share)

    with (
        limit_threads(options["threads"]),
        Progress(quiet=options["quiet"]) as progress,
        log.run(chosen.name),
    ):
        outcome = run_target(
            opened,
            chosen,
            out=out,
            stages=options["stages"],
            listener=told,
            command=shlex.join(["blend", *sys.argv[1:]]),
            claim=claim,
        )
    log.warnings(chosen.name, [text for _, text in outcome.warnings])
    if options["as_json"]:
        click.echo(outcome.record_text)
    else:
        if options["verbose"]:
            click.echo(details(outcome.record) + "\n")
        click.echo(summary(outcome.record, out))
    for text, heavy in notes(outcome.record, few=is_terminal(sys.stderr) and not options["verbose"]):
        click.echo(click.style(text, fg="yellow", bold=heavy), err=True)


FILE_OPTIONS = {
    **{"dark": "darks", "flat": "flats", "bias": "biases", "flat_dark": "flat_darks"},
    "catalogue": "catalogues",
}


@blend.command()
@click.argument("recipe")
@click.argument("target", nargs=-1, type=PATH, callback=one_target)
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change one recipe value.")
@click.option("--root", type=PATH, help="A folder above the target file, in all of which it may read.")
def check(recipe: str, target: Path | None, settings: tuple[str, ...], root: Path | None) -> None:
    """Read RECIPE and TARGET, no pixels, and list every fault in one go."""
    from blend.app.run import check_files

    click.echo("\n".join(check_files(recipe, target, settings=settings, root=root)))


@blend.command()
@click.argument("recipe")
@click.argument("target", nargs=-1, type=PATH, callback=one_target)
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change one recipe value.")
def explain(recipe: str, target: Path | None, settings: tuple[str, ...]) -> None:
    """Say in plain words, step by step, what RECIPE will do, with its equations and their sources."""
    from blend.app.run import open_recipe, open_target
    from blend.recipe.explain import explain as words

    chosen = open_target(target) if target is not None else None
    click.echo(words(open_recipe(recipe, settings=settings, target=chosen), chosen))


@blend.command()
@click.argument("which", type=click.Choice(["recipe", "target"]))
def schema(which: str) -> None:
    """Print the JSON Schema of recipes or of target files."""
    import json

    if which == "recipe":
        from blend.recipe.model import recipe_schema as made
    else:
        from blend.recipe.target import target_schema as made
    click.echo(json.dumps(made(), indent=2))


@blend.command()
@click.argument("name", required=False)
def formulas(name: str | None) -> None:
    """List the blend formulas, or print the one called NAME with its facts."""
    from blend.app.inspect import formula_page, formula_table

    click.echo(formula_page(name) if name else formula_table())


@blend.command()
@click.argument("files", nargs=-1, required=True, type=PATH)
@click.option("--json", "as_json", is_flag=True, help="Print the measurements as JSON.")
@click.option(
    "--gain",
    "gain_e",
    type=Number(min=0, min_open=True),
    help="Single frames: e-/count, as blend gain measures it.",
)
@click.option("--read-noise", "read_noise_e", type=Number(min=0), help="Single frames: electrons.")
@click.option(
    "--inject",
    metavar="RECIPE",
    help="FILE is a target: inject H II regions into its lines and report what is recovered.",
)
@click.option("--plant", metavar="RECIPE", hidden=True, help="The older word for --inject.")
@click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help="With --inject: change one recipe value."
)
@click.option(
    "--sky",
    "picture",
    type=PATH,
    help="FILE is a picture: draw what degree 2 and a spline leave of its sky, .png.",
)
@click.option(
    "--overwrite", is_flag=True, help="With --sky: replace a file in the way that blend did not write."
)
def inspect(
    files: tuple[Path, ...], inject: str | None, plant: str | None, settings: tuple[str, ...], **options: Any
) -> None:
    """Say what each of FILES is: shape, facts, sky, noise, stars, and what looks wrong; of a raw, how it is exposed;
    of a target file, whether its filters pass its lines.
    """
    from blend.app.inspect import inspect_files

    if recipe := inject or plant:
        from blend.app.inspect import inspect_injected

        words = {"as_json": options["as_json"], "old_words": inject is None}
        click.echo(inspect_injected(recipe, files, settings=settings, **words))
        return
    picture, overwrite = options.pop("picture"), options.pop("overwrite")
    if picture is not None:
        from blend.app.inspect import inspect_sky

        if len(files) != 1:
            raise click.UsageError(f"--sky draws the sky of one FILE, not of {len(files)}.")
        click.echo(inspect_sky(files[0], picture, overwrite=overwrite))
        return
    told = inspect_files(files, **options)
    click.echo(told.text, nl=bool(told.text))
    if told.faults:
        raise told.faults


@blend.command()
@click.argument("target", required=False, type=PATH)
@click.option("--ra", help="Right ascension: degrees, or 13:29:52 as hours.")
@click.option("--dec", help="Declination: degrees, or +47:11:43.")
@click.option("--time", "when", help="UTC, like 2026-11-25T22:00.")
@click.option("--site", help="LATITUDE,LONGITUDE[,HEIGHT_M]: degrees north and east, metres.")
@click.option(
    "--extinction", type=Number(), default=0.25, show_default=True, help="Magnitudes per airmass, V."
)
@click.option(
    "--zenith", type=Number(), default=21.0, show_default=True, help="Moonless zenith, mag/arcsec2, V."
)
@click.option("--width-nm", type=Number(), default=7.0, show_default=True, help="Width of the line filter.")
@click.option("--plot", type=PATH, help="Write the night as a .png or .svg plot.")
@overwrite_option
@click.option(
    "--against", type=PATH, help="Compare the sky of TARGET with that of another picture or record.json."
)
@click.option("--bias", type=Number(), default=0.0, help="With --against: the sensor's offset in counts.")
@click.option(
    "--band-nm", type=Number(min=350.0, max=1000.0), help="With --against: middle of a mono picture's filter."
)
def moon(target: Path | None, **options: Any) -> None:
    """Predict the moonlit sky for a target and a night: from the headers of TARGET, a picture or a target file, from
    options, or from both; options go before headers.
    """
    from blend.app.inspect import moon_command

    sky: dict[str, Any] = {
        name: options[name] for name in ("extinction", "zenith", "width_nm", "plot", "overwrite")
    }
    place: dict[str, Any] = {name: _number_or_text(options[name]) for name in ("ra", "dec") if options[name]}
    if options["when"]:
        place["time"] = options["when"]
    if options["site"]:
        place["site"] = _site(options["site"])
    if target is not None:
        compared = {name: options[name] for name in ("against", "bias", "band_nm")}
        click.echo(moon_command(target, **place, **compared, **sky))
        return
    if options["against"] is not None:
        raise click.UsageError("--against compares the sky of TARGET: give a picture or a target file.")
    if missing := [f"--{name}" for name in ("ra", "dec", "site", "time") if name not in place]:
        raise click.UsageError(f"Without a target file, give {', '.join(missing)}.")
    click.echo(moon_command(**place, **sky))


def _number_or_text(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _site(text: str) -> tuple[float, float, float]:
    try:
        latitude, longitude, height = (float(part) for part in [*text.split(","), "0"][:3])
    except ValueError:
        raise click.UsageError(f"--site is {text!r}; expected LATITUDE,LONGITUDE[,HEIGHT_M].") from None
    return latitude, longitude, height


@blend.command()
@click.argument("records", nargs=-1, required=True, type=PATH)
def worth(records: tuple[Path, ...]) -> None:
    """Say what the line masters of runs brought, as exposure of colour, and what the Moon cost, from their records."""
    from blend.app.inspect import worth_report

    click.echo(worth_report(records))


for command in (stack, gain, batch, plan, replay, compare, try_, keep):
    blend.add_command(command)


def main() -> None:
    """Run the command line and end the process."""
    silence_process()
    keep_freed_memory()
    # A run makes few cycles and many objects that stay: a search of all of them each 700 costs it half a second.
    gc.set_threshold(50_000, 1_000, 20)
    # A thread that sums pixels asks for the interpreter after each line; 5 ms behind one that imports is too long.
    sys.setswitchinterval(0.0002)
    code = _finish(_run()) if _hold_streams() else 5
    # Python would take libraries and arrays apart piece by piece, a second after a large run; the system needs a tenth.
    os._exit(code)


def _hold_streams() -> bool:
    """Put the null device where a standard stream is closed, so that no file is opened in its place.

    Results that nobody can get are refused before the work is done; without standard error it is done in silence.
    """
    was_open = True
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        try:
            os.fstat(number)
        except OSError:
            put_null_device(number)
            setattr(sys, name, open(number, "r" if number == 0 else "w", closefd=False))  # noqa: SIM115
            was_open = was_open and number != 1
    if not was_open:
        _told(f"standard output: it is closed; expected a place for results. {TO_A_FILE}", 5)
    return was_open


def _finish(code: int) -> int:
    """Send what was printed on its way, and return the exit code: that of the run, or that of a full disk."""
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        pass
    except OSError as fault:
        return _told(f"standard output: it could not be written ({fault.strerror}). {TO_A_FILE}", code or 5)
    with suppress(OSError):
        sys.stderr.flush()
    return code


TO_A_FILE = "Do this: send it to a file with room, or to /dev/null."


def _run() -> int:
    """Run the command line and return its exit code: the one place where faults become messages and codes."""
    try:
        blend.main(standalone_mode=False)
    except click.exceptions.Abort:
        return _told("interrupted", 130)
    except KeyboardInterrupt:
        return _told("interrupted; nothing half-written is left", 130)
    except click.ClickException as fault:
        fault.show()
        return 2
    except BlendError as fault:
        return _told(str(fault), fault.exit_code)
    except SystemExit as end:
        # 1 is what click makes of a reader that has had enough, such as head; no command ends so
        if end.code != 1:
            return end.code if isinstance(end.code, int) else 0
        send_nowhere(sys.stdout)
    except BrokenPipeError:
        send_nowhere(sys.stdout)
    except OSError as fault:
        if fault.errno in (errno.ENOENT, errno.ESTALE) and _folder_is_gone():
            return _told(
                "the working folder is gone; expected one that is there. Do this: cd into another.", 2
            )
        if fault.filename is None and fault.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO):
            return _told(f"output could not be written ({fault.strerror}). {TO_A_FILE}", 5)
        if fault.errno in (errno.ENAMETOOLONG, errno.ELOOP):
            return _told(f"{shortened(str(fault.filename), 300)}: it names no file ({fault.strerror}).", 3)
        if os.environ.get("BLEND_TRACEBACK"):
            raise
        return _unexpected(fault)
    except MemoryError:
        return _told("not enough memory for masters of this size", 4)
    except Exception as fault:
        if isinstance(fault, RuntimeError) and str(fault).startswith(
            "Symlink loop"
        ):  # of pathlib, until 3.12
            return _told(f"{shortened(str(fault), 300)}: it names no file.", 3)
        if os.environ.get("BLEND_TRACEBACK"):
            raise
        return _unexpected(fault)
    return 0


def _unexpected(fault: Exception) -> int:
    return _told(
        f"unexpected fault: {type(fault).__name__}: {fault}. "
        "Please report it; BLEND_TRACEBACK=1 shows where it happened.",
        1,
    )


def _folder_is_gone() -> bool:
    try:
        Path.cwd()
    except OSError:
        return True
    return False


def _told(message: str, code: int) -> int:
    click.echo(printable(message), err=True)
    return code
