"""Keeping one tile of a trial, or what its page shows: the recipe as a file, with a title and the reason."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from blend.app.run import recipe_files, recipe_text, shipped_recipes
from blend.app.trial.tiles import PAGE
from blend.app.trial.trial import TRIAL, read_trial
from blend.app.trial.variants import changed_text, value_text
from blend.base.errors import BlendError, InputError, RecipeError
from blend.files.claim import refuse_paths
from blend.files.seal import is_sealed, sealed
from blend.files.whole import write_whole
from blend.recipe.extend import EXTENDS, MOST_PARENTS, difference
from blend.recipe.model import load_recipe
from blend.recipe.toml import parse_value, read_toml, to_toml

LONGEST_TITLE = 200
"""Characters: a recipe's own title and the words of a variant."""


PAGE_KEYS = re.compile(r"(stretch|finish|blend)\.[a-z0-9_.-]+")
"""What an address of the page may set: values of the picture, by recipe key."""


@dataclass(frozen=True)
class Kept:
    """What is written of a trial: recipe values by dotted key, the words for a title, and why."""

    values: Mapping[str, Any]
    words: str
    why: str


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
    found, words = _tile(trial, tile, where=str(trial_place))
    try:
        reason = reason or f"Reason: {_number_words(found['numbers'])}."
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _damaged(str(trial_place), tile) from None
    kept = Kept(found["values"], words, f"Kept from tile {tile} of a trial: {words}.\n{reason}")
    return _keep(
        trial, trial_place, kept, out=out or _folder(trial_place) / f"kept-{tile}.toml", overwrite=overwrite
    )


def keep_address(
    address: str, *, out: Path | None, reason: str = "", overwrite: bool = False
) -> tuple[Path, list[str]]:
    """Write the recipe that the address of a trial's page tells, as `keep_tile` does that of a tile.

    Parameters
    ----------
    address : str
        A ``file:`` address or a path of the trial's page, with what is set there behind a ``#``.
    out, reason, overwrite
        As `keep_tile`; the file is ``kept.toml`` beside the trial when ``out`` is absent.

    Raises
    ------
    BlendError
        No trial beside the page, a value that no recipe takes, or the file cannot be written.
    """
    place, _, query = address.partition("#")
    path = Path(url2pathname(urlsplit(place).path)) if place.startswith("file:") else Path(place)
    trial_place = path.parent if path.name == PAGE else path
    trial = read_trial(trial_place)
    own, _ = _tile(trial, trial.get("page", {}).get("tile", 1), where=str(trial_place))
    set_there = {}
    for part in filter(None, query.split("&")):
        key, _, text = part.partition("=")
        if len(key) == 1:  # a look kept in one of the page's places, not what is on screen
            continue
        if not PAGE_KEYS.fullmatch(key):
            raise RecipeError(
                "address", found=f"{key!r}", expected="recipe keys behind its #", advice="copy it anew"
            )
        set_there[key] = parse_value(unquote(text), where=key)
    words = ", ".join(f"{key} = {value_text(value)}" for key, value in set_there.items()) or "as it opened"
    why = f"Kept from the page of a trial: {words}.\n{reason}".rstrip()
    kept = Kept({**own["values"], **set_there}, words, why)
    return _keep(trial, trial_place, kept, out=out or _folder(trial_place) / "kept.toml", overwrite=overwrite)


def keep_file(
    saved: Path, *, out: Path | None, reason: str = "", overwrite: bool = False
) -> tuple[Path, list[str]]:
    """Check a recipe that the page has saved and write it under a name of its own, its parent found from there.

    Parameters
    ----------
    saved : Path
    out, reason, overwrite
        As `keep_tile`; the file is ``kept.toml`` in the current folder when ``out`` is absent.

    Raises
    ------
    BlendError
        It is no recipe, or the file cannot be written.
    """
    text, _ = recipe_text(str(saved))
    load_recipe(text, where=str(saved))
    path, own = out or Path("kept.toml"), read_toml(saved.read_text(encoding="utf-8"), where=str(saved))
    parents, base = recipe_files(str(saved))[1:], str(own.get(EXTENDS, ""))
    short = to_toml(own)
    if parents and base not in shipped_recipes():
        short, parents = _short_text(text, parents[0], path)
    why = f"Kept on the page of a trial.\n{reason}".rstrip()
    reads = [*parents, *([saved] if saved.resolve() != path.resolve() else [])]
    _write(path, why, short, reads=reads, overwrite=overwrite)
    return path, [str(path), "TARGET"]


def _tile(trial: Mapping[str, Any], tile: Any, *, where: str) -> tuple[dict[str, Any], str]:
    """Return a tile of a trial, and its values in words."""
    found = next((item for item in trial["tiles"] if item.get("tile") == tile), None)
    if found is None:
        expected = f"1 to {len(trial['tiles'])}"
        raise RecipeError("TILE", found=f"the trial has no tile {tile}", expected=expected)
    try:
        return found, ", ".join(f"{key} = {value_text(value)}" for key, value in found["values"].items())
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _damaged(where, tile) from None


def _damaged(where: str, tile: Any) -> InputError:
    return InputError(
        where, found=f"what it says of tile {tile} is damaged", expected="a trial as it was written"
    )


def _folder(trial_place: Path) -> Path:
    return trial_place if trial_place.is_dir() else trial_place.parent


def _write(path: Path, why: str, text: str, *, reads: Sequence[Path], overwrite: bool) -> None:
    """Write a recipe's text behind the reason, as comments."""
    refuse_paths([(path, is_sealed)], reads=reads, overwrite=overwrite)
    lines = ["".join(c if c.isprintable() else " " for c in line) for line in why.splitlines()]
    text = "".join(f"# {line}\n" for line in lines) + text
    write_whole(path, sealed(text.encode(), kind="toml"))


def _keep(
    trial: Mapping[str, Any], trial_place: Path, kept: Kept, *, out: Path, overwrite: bool
) -> tuple[Path, list[str]]:
    where = str(trial_place)
    title = read_toml(trial["recipe"], where=where).get("title") or "Picture"
    changes = {"title": f"{title} ({kept.words})"[:LONGEST_TITLE], **kept.values}
    text = changed_text(trial["recipe"], changes, where=where)
    load_recipe(text, where=where)
    short, parents = _short_text(text, Path(str(trial.get("recipe_name", ""))), out)
    record = trial_place / TRIAL if trial_place.is_dir() else trial_place
    _write(out, kept.why, short, reads=[record, Path(trial["target"]), *parents], overwrite=overwrite)
    root = str(trial.get("root") or "")
    return out, [str(out), str(trial["target"]), *(["--root", root] if root else [])]


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


def _number_words(numbers: Mapping[str, Any]) -> str:
    """Return the numbers of a tile in a sentence."""
    shift = numbers["star_shift"]
    parts = [
        ("emission contrast {:.2f}", numbers["emission_contrast"]),
        ("{:.2f} times that without blends", numbers["emission_gain"]),
        ("sky noise {:.2f} times", numbers["sky_noise"]),
        ("star colour shift {:.2f} CIEDE2000 (median)", shift["median"]),
        ("clipped to white {:.3%}", numbers["clipped"]["white"]),
        ("out of gamut {:.3%}", numbers["out_of_gamut"]),
    ]
    return ", ".join(words.format(value) for words, value in parts if value is not None)
