"""Trying: one target under many variants of a recipe, to compare and to keep one of."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blend.app.run import shipped_recipes
from blend.app.trial.layers import View
from blend.app.trial.step_cache import StepCache
from blend.app.trial.tiles import PAGE, make_tiles
from blend.app.trial.variants import Variant, Variation, changed_text, make_variants, value_text
from blend.base.errors import BlendError, InputError
from blend.files.claim import Claim
from blend.files.png import write_png
from blend.files.record import read_json, record_text, seal_of, sha256_of, versions
from blend.files.store import DiskStore
from blend.files.whole import WholeFolder, put_bytes
from blend.pages.explore import Origin
from blend.pages.plain import drawn_or_why
from blend.pages.sheet import Picture, draw_sheet, tile_edge
from blend.recipe.model import load_recipe, resolved
from blend.recipe.state import Listener
from blend.recipe.target import Target

TRIAL = "trial.json"
SHEET = "sheet.png"
VERSION = 1
"""Of the trial file's layout, as `summaries.VERSION`."""


@dataclass(frozen=True, kw_only=True)
class Question:
    """What is tried: a recipe's text, the values that vary, the target and how to look at it.

    ``recipe_name`` is the path of its file, for faults; ``recipe_word`` is what the user called it, for commands.
    """

    recipe_text: str
    recipe_name: str
    variations: Sequence[Variation]
    target: Target
    target_path: str
    view: View
    settings: Mapping[str, Any]
    root: str = ""
    recipe_word: str = ""
    parents: Sequence[Path] = ()

    def files(self) -> list[Path]:
        """Return every file that is read for the answer."""
        pictures = [path for _, path in self.target.paths()]
        return [Path(self.recipe_name), *self.parents, Path(self.target_path), *pictures]


def try_variants(
    question: Question,
    *,
    out: Path,
    store: DiskStore | None,
    listener: Listener | None = None,
    overwrite: bool = False,
) -> dict[str, Any]:
    """Make a tile of every variant, a contact sheet and ``trial.json`` in ``out``, all of them or none.

    Parameters
    ----------
    question : Question
    out : Path
        Made if missing. Tiles of an earlier trial go once this one has succeeded.
    store : DiskStore or None
        Where what the tiles share is kept for the next trial.
    listener : callable, optional
    overwrite : bool
        Files in the way may be lost that no trial has left, but for those the command reads.

    Returns
    -------
    dict
        The contents of ``trial.json``.

    Raises
    ------
    BlendError
        As a run does; then ``out`` is as it was.
    """
    variants = make_variants(
        question.recipe_text,
        question.variations,
        where=question.recipe_name,
        target=question.target,
        settings=question.settings,
    )
    names = [*(f"tiles/{number}.png" for number in range(1, len(variants) + 1)), SHEET, PAGE, TRIAL]
    claim = Claim(out, record=TRIAL, reads=question.files(), overwrite=overwrite)
    claim.check(names)
    cache = StepCache(question.target, question.view, store=store, listener=listener)
    own = _own_place(question, variants)
    shown = own or 0
    page = {
        "command": _run_command(question, variants[shown]),
        "origin": _origin(question, variants[shown]),
        "tiles": [{"tile": n, "values": dict(v.values)} for n, v in enumerate(variants, start=1)],
    }
    edge = tile_edge(_columns(question.variations))
    with WholeFolder(out, record=TRIAL, guard=claim) as folder:
        try:
            made = make_tiles(cache, variants, folder, page_of=shown, page=page, edge=edge, listener=listener)
        finally:
            cache.close()
        notes = [*made.warnings, *cache.notes]
        pages = [PAGE]
        sheet, why = drawn_or_why(lambda: _sheet(question.variations, made.tiles, made.thumbnails, own))
        if sheet is None:
            notes.append(("report-failed", f"{SHEET} could not be drawn: {why}; the tiles are whole"))
        else:
            write_png(folder.path_for(SHEET), sheet, long_edge=None)
            pages.insert(0, SHEET)
        trial = _asked_and_seen(question, cache) | {
            "tiles": made.tiles,
            "page": {"file": PAGE, "command": page["command"], "tile": shown + 1},
            "warnings": [{"code": code, "text": text} for code, text in notes],
            "outputs": [{"path": name, "sha256": sha256_of(folder.path_for(name))} for name in pages],
        }
        trial["seal"] = seal_of(trial)
        put_bytes(folder.path_for(TRIAL), record_text(trial).encode())
    return dict(trial)


def _asked_and_seen(question: Question, cache: StepCache) -> dict[str, Any]:
    """Return what a trial's record says of the question and of the layers that answered it."""
    found = cache.found or ("not used" if cache.store is None else "nothing found")
    return {
        "version": VERSION,
        "recipe": changed_text(question.recipe_text, question.settings, where=question.recipe_name),
        "recipe_name": question.recipe_name,
        "target": question.target_path,
        "root": question.root,
        "vary": [{"key": item.key, "values": list(item.values)} for item in question.variations],
        "scale": cache.factor,
        "box": dict(zip("xywh", cache.box, strict=True)),
        "store": found,
        "seconds": {key: round(value, 3) for key, value in cache.seconds.items()},
        "versions": versions(),
    }


def read_trial(place: Path) -> dict[str, Any]:
    """Return a trial from its folder or its ``trial.json``.

    Raises
    ------
    InputError
        There is none, or it is not one.
    """
    path = place / TRIAL if place.is_dir() else place
    expected = "the folder of a trial, or its trial.json"
    trial = read_json(path, "a trial", expected=expected)
    if not _is_trial(trial):
        raise InputError(str(path), found="it is no trial of this version", expected=expected)
    return dict(trial)


def _is_trial(value: Any) -> bool:
    kinds = {"version": int, "recipe": str, "target": str, "vary": list, "tiles": list}
    if not isinstance(value, dict) or any(
        not isinstance(value.get(key), kind) for key, kind in kinds.items()
    ):
        return False
    of_tile = {"tile": int, "file": str, "values": dict, "numbers": dict}
    return value["version"] == VERSION and all(
        isinstance(tile, dict) and all(isinstance(tile.get(key), kind) for key, kind in of_tile.items())
        for tile in value["tiles"]
    )


def _own_place(question: Question, variants: Sequence[Variant]) -> int | None:
    """Return the place of the tile that leaves the recipe as it is; None where no tile does."""
    settings = {**question.target.settings(), **question.settings}
    try:
        own = resolved(load_recipe(question.recipe_text, where=question.recipe_name, settings=settings))
    except BlendError:  # a recipe that only the varied values make whole
        return None
    return next((place for place, variant in enumerate(variants) if resolved(variant.recipe) == own), None)


def _origin(question: Question, variant: Variant) -> Origin:
    """Return what a recipe saved on the page builds on: a shipped recipe by its name, another by its whole path."""
    shipped = {file.resolve(): name for name, file in shipped_recipes().items()}
    file = Path(question.recipe_name).resolve()
    return Origin(extends=shipped.get(file, str(file)), given={**question.settings, **dict(variant.values)})


def _run_command(question: Question, variant: Variant) -> str:
    """Return the command that makes a tile at full size, ready for a shell."""
    values = {**question.settings, **dict(variant.values)}
    words = ["blend", "run", question.recipe_word or question.recipe_name, question.target_path]
    words += ["--root", question.root] if question.root else []
    for key, value in values.items():
        words += ["--set", f"{key}={value_text(value)}"]
    return shlex.join(words)


def _columns(variations: Sequence[Variation]) -> int:
    """Return the tiles side by side: the last key's values, or a near square where there is one key."""
    count = len(variations[-1].values)
    return count if len(variations) > 1 or count <= 4 else -(-count // round(count**0.5))


def _sheet(
    variations: Sequence[Variation],
    tiles: Sequence[dict[str, Any]],
    pictures: Sequence[Picture],
    own: int | None,
) -> Picture:
    columns, last, grid = _columns(variations), variations[-1], len(variations) > 1
    names = [item.key.split(".")[-1] for item in variations]
    # Where two blends are varied, "amount" alone would not tell which.
    if len(set(names)) < len(names):
        names = [item.key.removeprefix("blend.") for item in variations]
    inside = []
    for place, tile in enumerate(tiles):
        head = f"{tile['tile']}   the recipe's own" if place == own else str(tile["tile"])
        values = [
            f"{name} {value_text(tile['values'][v.key])}" for name, v in zip(names, variations, strict=True)
        ]
        inside.append("\n".join([head, *values]))
    down = ", ".join(item.key for item in variations[:-1])
    title = f"down: {down}   across: {last.key}" if grid else last.key
    labels = [_label(tile["numbers"]) for tile in tiles]
    return draw_sheet(pictures, labels, columns=columns, title=title, inside=inside, own=own)


def _label(numbers: Mapping[str, Any]) -> str:
    """Return the two numbers of a tile that a choice is made by."""
    parts = (("emission {:.2f}", numbers["emission_contrast"]), ("sky noise x {:.2f}", numbers["sky_noise"]))
    return "   ".join(words.format(value) for words, value in parts if value is not None)
