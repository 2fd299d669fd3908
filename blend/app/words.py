"""Words of the command line that several commands read alike."""

from __future__ import annotations

from pathlib import Path

import click

from blend.base.errors import RecipeError


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
