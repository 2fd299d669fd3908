"""The commands that try variants of a recipe and keep one: `blend try` and `blend keep`."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from blend.app.cli.helptext import Grouped
from blend.app.cli.words import PATH, Number, one_target, overwrite_option, quiet_option, threads_option


@click.command("try", cls=Grouped)
@click.argument("recipe")
@click.argument("target", nargs=-1, required=True, type=PATH, callback=one_target)
@click.option("--vary", multiple=True, metavar="KEY=V1,V2,..|START:STOP:STEP", help="A recipe value to vary.")
@click.option(
    "--scale", default="preview", show_default=True, help="preview (1.5 megapixels), full, or a block edge."
)
@click.option("--crop", default="", help="x,y,w,h, or target, brightest-emission, corner.")
@click.option(
    "--set", "settings", multiple=True, metavar="KEY=VALUE", help="Change one recipe value for all tiles."
)
@click.option("--out", type=PATH, help="Folder for the trial; default ./NAME-trial.")
@click.option("--no-store", is_flag=True, help="Keep nothing for the next trial, and use nothing kept.")
@click.option(
    "--store", type=PATH, help="Where to keep it; default BLEND_STORE, else the user's cache folder."
)
@click.option("--store-gib", type=Number(min=0), default=8.0, show_default=True, help="Its largest size.")
@click.option("--open", "show", is_flag=True, help="Open the page, or else the contact sheet, when done.")
@click.option("--json", "as_json", is_flag=True, help="Print trial.json instead of the table.")
@quiet_option
@threads_option
@click.option("--root", type=PATH, help="A folder above the target file, in all of which it may read.")
@overwrite_option
def try_(recipe: str, target: Path, **options: Any) -> None:
    """Make TARGET's picture under variants of RECIPE, side by side, with numbers to choose by."""
    from blend.app.run import Progress, open_target, recipe_files, recipe_text
    from blend.app.trial import Question, parse_variation, parse_view, try_variants
    from blend.base.rowblocks import limit_threads
    from blend.files.record import record_text
    from blend.files.store import DiskStore, store_folder
    from blend.recipe.toml import parse_setting

    text, where = recipe_text(recipe)
    chosen = open_target(target, root=options["root"])
    question = Question(
        recipe_text=text,
        recipe_name=where,
        recipe_word=recipe,
        parents=recipe_files(recipe)[1:],
        variations=[parse_variation(words) for words in options["vary"]],
        target=chosen,
        target_path=str(target),
        view=parse_view(options["scale"], options["crop"]),
        settings=dict(parse_setting(words) for words in options["settings"]),
        root=str(options["root"] or ""),
    )
    out = options["out"] or Path(f"{chosen.folder}-trial")
    folder = options["store"] or store_folder()
    store = None if options["no_store"] else DiskStore(folder, most_bytes=int(options["store_gib"] * 2**30))
    with limit_threads(options["threads"]), Progress(quiet=options["quiet"]) as progress:
        trial = try_variants(
            question, out=out, store=store, listener=progress.show, overwrite=options["overwrite"]
        )
    click.echo(record_text(trial).rstrip() if options["as_json"] else table(trial, out))
    for warning in trial["warnings"]:
        click.echo(f"Note: {warning['text']}", err=True)
    if options["show"]:
        page = out / "explore.html"
        click.launch(str(page if page.is_file() else out / "sheet.png"))


@click.command(cls=Grouped)
@click.argument("trial")
@click.argument("tile", type=int, required=False)
@click.option("--out", type=PATH, help="The recipe file; default kept-TILE.toml in the trial's folder.")
@click.option("--reason", default="", help="Why this one; default its numbers.")
@overwrite_option
def keep(trial: str, tile: int | None, out: Path | None, reason: str, overwrite: bool) -> None:
    """Write the recipe of TILE, as numbered on the contact sheet of TRIAL.

    Without TILE, TRIAL is the address of the trial's page, which holds what is set there, or a recipe saved on it.
    """
    from blend.app.trial import keep_address, keep_file, keep_tile

    if tile is not None:
        path, words = keep_tile(Path(trial), tile, out=out, reason=reason, overwrite=overwrite)
    elif trial.endswith(".toml"):
        path, words = keep_file(Path(trial), out=out, reason=reason, overwrite=overwrite)
    elif "#" in trial or trial.endswith(".html"):
        path, words = keep_address(trial, out=out, reason=reason, overwrite=overwrite)
    else:
        raise click.UsageError("TILE is missing: its number on the contact sheet, or give the page's address")
    click.echo(f"{path}\nthe picture at full size: blend run {shlex.join(words)}")


def table(trial: Mapping[str, Any], out: Path) -> str:
    """Return the numbers of every tile, a line each."""
    from blend.app.run import aligned
    from blend.app.trial import value_text

    keys = [item["key"] for item in trial["vary"]]
    head = ["tile", *keys, "emission", "gain", "sky noise", "star shift", "95 %", "white", "gamut"]
    rows = [head]
    for tile in trial["tiles"]:
        numbers = tile["numbers"]
        shift = numbers["star_shift"]
        rows.append(
            [
                str(tile["tile"]),
                *(value_text(tile["values"][key]) for key in keys),
                *(
                    _number(numbers[name], ".3f")
                    for name in ("emission_contrast", "emission_gain", "sky_noise")
                ),
                *(_number(shift[name], ".2f") for name in ("median", "p95")),
                _number(numbers["clipped"]["white"], ".3%"),
                _number(numbers["out_of_gamut"], ".3%"),
            ]
        )
    lines = aligned(rows, right=True)
    box, factor = trial["box"], trial["scale"]
    size = f"{box['w'] // factor} x {box['h'] // factor} pixels, averaged over {factor} x {factor}"
    places = [out / name for name in ("sheet.png", trial["page"]["file"]) if (out / name).is_file()]
    shown = "  " + "   ".join(map(str, places))
    return "\n".join([*lines, f"{len(trial['tiles'])} tiles of {size}; look at", shown])


def _number(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
