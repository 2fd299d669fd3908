"""Words of the command line that several commands read alike: options, finite numbers, and one target file."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import click

from blend.base.errors import RecipeError

PATH = click.Path(path_type=Path)

overwrite_option = click.option(
    "--overwrite", is_flag=True, help="Replace files in the way that blend did not write."
)
quiet_option = click.option("--quiet", is_flag=True, help="No progress.")
threads_option = click.option("--threads", type=click.IntRange(min=0), default=0, help="0: one per core.")


class Number(click.FloatRange):
    """A finite number within a range; "nan" and "inf" are numbers to Python, and pass every comparison or none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number, or end with click's own fault and exit code 2."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is no finite number.", param, ctx)
        return number


def one_target(context: click.Context, parameter: click.Parameter, paths: tuple[Path, ...]) -> Path | None:
    """Return the one target file among the words of a command, or None where there is none.

    Raises
    ------
    RecipeError
        More than one.
    """
    if len(paths) > 1:
        raise RecipeError(
            "TARGET",
            found=f"{len(paths)} files: {', '.join(map(str, paths[:3]))}{', ...' * (len(paths) > 3)}",
            expected="one target file, which names the masters",
            advice="give pictures to blend run as -m rgb=FILE -m ha=FILE, several target files to blend batch",
        )
    return paths[0] if paths else None
