"""The commands that begin with a camera's frames: `blend stack` and `blend gain`."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any

import click

from blend.app.cli.helptext import Grouped
from blend.app.cli.words import PATH, Number, overwrite_option, quiet_option, threads_option

CLIP = Number(min=2.0)
"""Clipped over and over at less than sqrt(3) sigma, noise loses all its values; at 2 it keeps 0.73 of its scatter."""


class PathOrCounts(click.ParamType[Path | float]):
    """A file, or a number of counts; a file whose name is a number is named with its folder."""

    name = "file or counts"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path | float:
        """Return a number where the word is one, else a path."""
        try:
            return float(value)
        except ValueError:
            return Path(value)


@click.command(cls=Grouped)
@click.argument("kind", type=click.Choice(["light", "dark", "flat", "bias"]))
@click.argument("frames", nargs=-1, required=True, type=PATH)
@click.option("--out", type=PATH, required=True, help="The master, a FITS file.")
@click.option(
    "--memory", default="2GiB", show_default=True, help="Most memory, whatever the number of frames."
)
@click.option("--temp", type=PATH, help="Where temporary files go; default the system's place.")
@click.option(
    "--method",
    type=click.Choice(["mean", "median", "clip", "winsorised"]),
    help="Default: clip from seven frames on, median below.",
)
@click.option(
    "--clip-sigma",
    type=CLIP,
    default=3.0,
    show_default=True,
    help="Limit of the clipping, in sigma.",
)
@click.option("--kappa", type=CLIP, hidden=True, help="The older word for --clip-sigma.")
@click.option("--dark", type=PATH, help="Master dark, for lights and flats.")
@click.option("--flat", type=PATH, help="Master flat, for lights.")
@click.option(
    "--bias",
    type=PathOrCounts(),
    help="Master bias, for lights and flats; or the offset as a number of counts.",
)
@click.option("--dark-scaling", type=click.Choice(["none", "exposure"]), default="none", show_default=True)
@click.option(
    "--line", metavar="NAME", help="Lights through a line filter: red photosites alone, one pixel for 2 x 2."
)
@click.option(
    "--demosaic", type=click.Choice(["gradient", "bilinear", "half"]), default="gradient", show_default=True
)
@click.option("--reference", type=PATH, help="The light whose grid the master has; default the best.")
@click.option(
    "--pattern", type=click.Choice(["RGGB", "BGGR", "GRBG", "GBRG"]), help="Of FITS files that do not say."
)
@click.option("--mixed", is_flag=True, help="Stack frames of different exposure, ISO or temperature.")
@click.option("--group", type=click.IntRange(min=1), help="Stack only this group of such frames.")
@click.option("--gain", "gain_e", type=Number(min=0.0, min_open=True), help="Gain in e-/count.")
@click.option("--filter", "filter_", metavar="NAME", help="Written into the master.")
@click.option("--rejected", type=PATH, help="Write how many values were rejected at each pixel.")
@click.option("--csv", "csv_file", type=PATH, help="Write the table of frames as CSV.")
@click.option("--json", "as_json", is_flag=True, help="Print the table as JSON.")
@quiet_option
@threads_option
@overwrite_option
def stack(kind: str, frames: tuple[Path, ...], out: Path, **options: Any) -> None:
    """Make a master of a camera's FRAMES (raws, FITS mosaics, folders of them): light, dark, flat or bias."""
    from blend.app.frames import StackOptions, parse_memory, stack_frames
    from blend.app.run import Progress
    from blend.base.rowblocks import limit_threads

    if options["kappa"] is not None:
        options["clip_sigma"] = options["kappa"]
    options |= {"filter": options["filter_"], "csv": options["csv_file"]}
    options["memory_bytes"] = parse_memory(options["memory"])
    chosen = StackOptions(**{item.name: options[item.name] for item in fields(StackOptions)})
    with limit_threads(options["threads"]), Progress(quiet=options["quiet"]) as progress:
        done = stack_frames(kind, frames, out=out, options=chosen, listener=progress.show)  # type: ignore[arg-type]
    click.echo(done.json() if options["as_json"] else done.text())
    for note in done.notes:
        click.echo(f"Note: {note}", err=True)


@click.command(cls=Grouped)
@click.argument("flat1", type=PATH)
@click.argument("flat2", type=PATH)
@click.argument("bias1", type=PATH)
@click.argument("bias2", type=PATH)
@click.option(
    "--pattern", type=click.Choice(["RGGB", "BGGR", "GRBG", "GBRG"]), help="Of FITS files that do not say."
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
def gain(flat1: Path, flat2: Path, bias1: Path, bias2: Path, pattern: str | None, as_json: bool) -> None:
    """Measure gain (e-/count) and read noise from two flats and two bias frames of one camera and ISO."""
    from blend.app.frames import measure_gain

    found = measure_gain((flat1, flat2), (bias1, bias2), pattern=pattern)
    click.echo(found.json() if as_json else found.text())
    for note in found.notes:
        click.echo(f"Note: {note}", err=True)
