"""Keeping one tile of a trial: its recipe as a file, with a title and the reason."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from blend.app.run import recipe_files, recipe_text, shipped_recipes
from blend.app.trial.trial import TRIAL, read_trial
from blend.app.trial.variants import changed_text, value_text
from blend.base.errors import BlendError, InputError, RecipeError
from blend.files.claim import refuse_paths
from blend.files.seal import is_sealed, sealed
from blend.files.whole import write_whole
from blend.recipe.extend import EXTENDS, MOST_PARENTS, difference
from blend.recipe.model import load_recipe
from blend.recipe.toml import read_toml, to_toml

LONGEST_TITLE = 200
"""Characters: a recipe's own title and the words of a variant."""


def keep_tile(
    trial_place: Path, tile: int, *, out: Path | None, reason: str = "", overwrite: bool = False
) -> tuple[Path, list[str]]:
    """Write the recipe of one tile, and return its path and the words of a run of it on the target it was tried on.

    Parameters
    ----------
    trial_place : Path
        A trial's folder or its ``trial.json``.
    tile : int
        As numbered on the sheet, from 1.
    out : Path, optional
        ``kept-TILE.toml`` beside the trial when absent.
    reason : str, optional
        Why this one; the tile's numbers when absent.
    overwrite : bool
        A file in the way may be lost that ``keep`` has not written, or that was edited since.

    Raises
    ------
    BlendError
        No such trial or tile, or the file cannot be written.
    """
    trial = read_trial(trial_place)
    found = next((item for item in trial["tiles"] if item.get("tile") == tile), None)
    if found is None:
        raise RecipeError(
            "TILE", found=f"the trial has no tile {tile}", expected=f"1 to {len(trial['tiles'])}"
        )
    where = str(trial_place)
    try:
        words = ", ".join(f"{key} = {value_text(value)}" for key, value in found["values"].items())
        reason = reason or _numbers(found["numbers"])
    except (KeyError, TypeError, ValueError, AttributeError):
        raise InputError(
            where, found=f"what it says of tile {tile} is damaged", expected="a trial as it was written"
        ) from None
    title = read_toml(trial["recipe"], where=where).get("title") or "Picture"
    changes = {"title": f"{title} ({words})"[:LONGEST_TITLE], **found["values"]}
    text = changed_text(trial["recipe"], changes, where=where)
    load_recipe(text, where=where)
    folder = trial_place if trial_place.is_dir() else trial_place.parent
    path = out or folder / f"kept-{tile}.toml"
    short, parents = _short_text(text, Path(str(trial.get("recipe_name", ""))), path)
    why = [
        f"Kept from tile {tile} of a trial: {words}.",
        *reason.splitlines(),
    ]
    note = "".join(f"# {''.join(c if c.isprintable() else ' ' for c in line)}\n" for line in why)
    trial_file = trial_place / TRIAL if trial_place.is_dir() else trial_place
    reads = [trial_file, Path(trial["target"]), *parents]
    refuse_paths([(path, is_sealed)], reads=reads, overwrite=overwrite)
    write_whole(path, sealed((note + short).encode(), kind="toml"))
    root = str(trial.get("root") or "")
    return path, [str(path), str(trial["target"]), *(["--root", root] if root else [])]


def _short_text(text: str, base: Path, path: Path) -> tuple[str, list[Path]]:
    """Return the recipe as what differs from the one that was tried, and that one's files.

    The whole text, and no file, where that recipe is gone or holds what cannot be taken out of a parent.
    """
    shipped = {file.resolve(): name for name, file in shipped_recipes().items()}
    try:
        name = shipped.get(base.resolve()) or os.path.relpath(base, path.parent)
        parent = read_toml(recipe_text(str(base))[0], where=str(base))
        files = recipe_files(str(base))
    except (BlendError, OSError, ValueError):  # gone or changed; on another drive
        return text, []
    told = difference(parent, read_toml(text, where=str(base)))
    # One parent more than is allowed, or the file itself in its parent's place.
    if told is None or len(files) > MOST_PARENTS or path.resolve() in (file.resolve() for file in files):
        return text, []
    return to_toml({"version": 1, EXTENDS: name, **told}), files


def _numbers(numbers: Mapping[str, Any]) -> str:
    return "Reason: " + number_words(numbers) + "."


def number_words(numbers: Mapping[str, Any]) -> str:
    """Return the numbers of a tile in a sentence."""
    shift = numbers["star_shift"]
    parts = [
        ("emission contrast {:.2f}", numbers["emission_contrast"]),
        ("{:.2f} times that without blends", numbers["emission_gain"]),
        ("sky noise {:.2f} times", numbers["sky_noise"]),
        ("stars moved by {:.2f} CIEDE2000 (median)", shift["median"]),
        ("clipped to white {:.3%}", numbers["clipped"]["white"]),
        ("out of gamut {:.3%}", numbers["out_of_gamut"]),
    ]
    return ", ".join(words.format(value) for words, value in parts if value is not None)
