"""Help by task: commands and options under headings, every text whole, and only what a kind of frame needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

COMMANDS: Mapping[str, tuple[str, ...]] = {
    "From frames to masters": ("stack", "gain", "inspect"),
    "Make pictures": ("run", "batch", "plan", "demo"),
    "Try and choose": ("try", "keep", "compare", "formulas", "explain"),
    "Plan a night, judge one": ("moon", "worth"),
    "Check and repeat": ("check", "replay", "schema"),
}
OPTIONS: Mapping[str, Sequence[str]] = {
    heading: names.split()
    for heading, names in {
        "Masters": "masters darks flats biases flat_darks catalogues name root folders",
        "Recipe": "settings vary scale crop reason",
        "Frames": "pattern mixed group gain_e read_noise_e filter_",
        "Calibration": "dark flat bias dark_scaling",
        "Rejection": "method clip_sigma rejected",
        "Grid and colour": "line demosaic reference",
        "Where and when": "ra dec when site extinction zenith width_nm against band_nm",
        "Results": "out stages verbose as_json csv_file plot show dry_run no_resume overwrite inject size seed",
        "Running": "quiet threads jobs memory temp log cluster no_store store store_gib",
    }.items()
}
"""Headings with the names of the parameters under them, the same in every command; what is in none stands last."""
LIGHTS = ("line", "demosaic", "reference", "flat")
CALIBRATED = ("dark", "bias", "dark_scaling", "filter_")
NOT_FOR: Mapping[str, tuple[str, ...]] = {
    "light": (),
    "flat": LIGHTS,
    "dark": (*LIGHTS, *CALIBRATED),
    "bias": (*LIGHTS, *CALIBRATED),
}
"""Options of `blend stack` that a kind of frame has no use for."""
MANY = 6
"""Options from which headings help to find one."""


class Grouped(click.Command):
    """A command whose options stand under headings; where its first word is a kind of frame, only those for it."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Note the kind of frame before an option such as --help ends the command."""
        if any(isinstance(one.type, click.Choice) and one.name == "kind" for one in self.params):
            ctx.meta["kind"] = next((word for word in args if word in NOT_FOR), None)
        return super().parse_args(ctx, args)

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the options under their headings."""
        unused = NOT_FOR.get(ctx.meta.get("kind") or "", ())
        told = {
            one.name: record
            for one in self.get_params(ctx)
            if isinstance(one, click.Option)
            and one.name not in unused
            and (record := one.get_help_record(ctx)) is not None
        }
        headings = OPTIONS if len(told) > MANY else {}
        for heading, names in headings.items():
            _write(formatter, heading, [told.pop(name) for name in names if name in told])
        _write(formatter, "Other" if headings else "Options", list(told.values()))


class Tasks(click.Group):
    """The group of commands, by task."""

    command_class = Grouped

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write every command with the whole first sentence of its help."""
        left = {name: self.commands[name] for name in self.list_commands(ctx)}
        for heading, names in COMMANDS.items():
            rows = [(name, _first(left.pop(name))) for name in names if name in left]
            _write(formatter, heading, rows)
        _write(formatter, "Commands", [(name, _first(command)) for name, command in left.items()])


def _first(command: click.Command) -> str:
    return command.get_short_help_str(limit=10_000)


def _write(formatter: click.HelpFormatter, heading: str, rows: Sequence[Any]) -> None:
    if rows:
        with formatter.section(heading):
            formatter.write_dl(rows)
