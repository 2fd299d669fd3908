"""The target file, which pictures: TOML text, or words of the command line, to paths and facts."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import Field, ValidationError

from blend.base.errors import FaultList, InputError, RecipeError
from blend.base.registry import suggestion
from blend.recipe.fields import PLANES, MasterName, Table, Title, folder_name
from blend.recipe.mastertable import MasterFiles
from blend.recipe.model import STEPS
from blend.recipe.tables import Recipe
from blend.recipe.toml import faults_of, flatten, read_toml, toml_names


class Target(Table):
    """Which pictures are blended."""

    name: Title = Field(description="of the target; results go into a folder called after it")
    masters: dict[MasterName, MasterFiles] = Field(description="rgb, and one for each line")
    set: dict[str, Any] = Field(default_factory=dict, description="recipe values for this target alone")

    @property
    def folder(self) -> str:
        """The name of the folder for results where none is given: `folder_name` of the target's name."""
        return folder_name(self.name)

    @property
    def lines(self) -> tuple[str, ...]:
        """The names of the lines' masters, in the order of the file."""
        return tuple(name for name in self.masters if name != "rgb")

    def paths(self) -> Iterator[tuple[str, Path]]:
        """Give every file with its place: ``masters.ha.dark`` and the like."""
        for name, files in self.masters.items():
            for role, path in files.paths():
                yield f"masters.{name}.{role}", path

    def settings(self) -> dict[str, Any]:
        """Return ``[set]`` with dotted keys, for `blend.recipe.model.load_recipe`."""
        return flatten(self.set)


def load_target(text: str, *, where: str, folder: Path) -> Target:
    """Return the target of a TOML text.

    Parameters
    ----------
    text : str
        The target file.
    where : str
        Its name, for faults of the TOML itself.
    folder : Path
        Where it lies; its paths are relative to this folder, and absolute in what is returned.

    Raises
    ------
    FaultList
        With every fault of the file. No other file is looked at: see `missing_files`, `outside_paths`.

    Examples
    --------
    >>> text = 'name = "spiral"\\n[masters.rgb]\\nlight = "rgb.fits"'
    >>> load_target(text, where="t.toml", folder=Path("/data")).masters["rgb"].light.as_posix()
    '/data/rgb.fits'
    """
    return _target(read_toml(text, where=where), folder, [])


def target_from_options(
    masters: Sequence[str],
    *,
    calibration: Mapping[str, Sequence[str]] = MappingProxyType({}),
    name: str = "picture",
    folder: Path | None = None,
) -> Target:
    """Return the target that words of the command line describe.

    Examples
    --------
    >>> target = target_from_options(["rgb=a.fits", "ha=b.fits"], calibration={"dark": ["ha=d.fits"]})
    >>> target.lines, target.masters["ha"].dark.name
    (('ha',), 'd.fits')
    """
    faults: list[RecipeError] = []
    tables: dict[str, dict[str, Any]] = {}
    for word in masters:
        master, plane, path = _split_word("-m", word, faults)
        table = tables.setdefault(master, {}) if master else {}
        known = table.setdefault("light", {} if plane else path)
        if plane and isinstance(known, dict) and plane not in known:
            known[plane] = path
        elif known is not path:
            advice = "give one file, or one for each plane"
            faults.append(RecipeError(f"-m {word}", found=f"{master} has a picture already", advice=advice))
    for role, words in calibration.items():
        for word in words:
            option = f"--{role.replace('_', '-')}"
            master, plane, path = _split_word(option, word, faults)
            table = tables.get(master, {})
            if master and (plane or "light" not in table):
                advice = suggestion(master, list(tables)) or f"give -m {master}=FILE too"
                found = f"no master called {master + '.' * bool(plane) + plane!r} is given"
                faults.append(RecipeError(f"{option} {word}", found=found, advice=advice))
            elif table.setdefault(role, level := _level_or_path(role, path)) is not level:
                faults.append(RecipeError(f"{option} {word}", found=f"{master} has a {role} already"))
    return _target({"name": name, "masters": tables}, folder or Path.cwd(), faults)


def outside_paths(target: Target, folder: Path, root: Path | None = None) -> list[tuple[str, Path]]:
    """Return the files that lie outside a folder, links followed, each with its place in the target."""
    within = (root or folder).resolve()
    return [(place, path) for place, path in target.paths() if not _lies_in(path, within)]


def refuse_outside(target: Target, folder: Path, root: Path | None = None) -> None:
    """Raise `FaultList` where `outside_paths` finds files, or ``root`` is not above ``folder``.

    Raises
    ------
    FaultList
        Every file that lies outside, or a root that does not hold the target file.
    """
    if root is not None and not _lies_in(folder, root.resolve()):
        found = f"{root} is not a folder above {folder}"
        raise FaultList([RecipeError("--root", found=found, advice="name a folder that holds both")])
    faults = [
        RecipeError(
            place,
            found=f"{path} lies outside the target file's folder",
            expected=f"a file in {root or folder}",
            advice="name a folder above both with --root, if the file may be read",
        )
        for place, path in outside_paths(target, folder, root)
    ]
    if faults:
        raise FaultList(faults)


def missing_files(target: Target, *, options: bool = False) -> list[InputError]:
    """Return the files that are not there, as faults; nothing is opened. ``options``: from the command line's words."""
    return [
        InputError(
            str(path),
            found="this is a folder" if os.path.isdir(path) else "there is no such file",  # noqa: PTH112
            expected=f"the {role} of {master}",
            advice=f"mend {_option(master, role) if options else f'{place} in the target file'}, or put the file there",
        )
        for place, path in target.paths()
        for _, master, role in [place.split(".", 2)]
        # unlike the methods of Path these take a name that is too long for an answer of no
        if not os.path.isfile(path)  # noqa: PTH113
    ]


def _option(master: str, role: str) -> str:
    """Return the option of the command line that names a file."""
    kind, _, plane = role.partition(".")
    if kind == "light":
        return f"-m {master}{'.' * bool(plane)}{plane}=FILE"
    return f"--{kind.replace('_', '-')} {master}=FILE"


def target_schema() -> dict[str, Any]:
    """Return the JSON Schema of a target file, for editors that check while one types."""
    schema = Target.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _target(values: dict[str, Any], folder: Path, faults: list[RecipeError]) -> Target:
    target = None
    try:
        target = Target.model_validate(values, context={"folder": folder})
    except ValidationError as error:
        faults = faults + faults_of(error, Target)
    masters = values.get("masters")
    faults = faults + (list(_role_faults(masters)) if isinstance(masters, dict) else [])
    if faults or target is None:
        raise FaultList(faults)
    return target


_RGB_ONLY = {
    "red_width_nm": "give the line's own filter as width_nm",
    "catalogue": "name it in [masters.rgb]: star colours make the colour master's white",
}
_LINE_ONLY = {
    "line_nm": "it belongs to the master of a line",
    "width_nm": "the width of the red band is red_width_nm",
    **dict.fromkeys(("center_nm", "passband", "f_ratio", "plane"), "it belongs to the master of a line"),
}


def _role_faults(masters: dict[str, Any]) -> Iterator[RecipeError]:
    """Give what is wrong with a master for being, or not being, the colour master."""
    if "rgb" not in masters:
        found = f"there is no master called rgb among: {', '.join(masters) or 'none'}"
        yield RecipeError("masters", found=found, advice="name the colour master rgb")
    steps = {key: step for step in STEPS for key in toml_names(type(Recipe(version=1).step(step)))}
    for name, table in masters.items():
        where = f"masters.{name}"
        if name in steps:
            found = f"the name is a key of [{steps[name]}] in a recipe"
            yield RecipeError(where, found=found, advice="give the master another name")
        keys = table if isinstance(table, dict) else {}
        for key, advice in (_LINE_ONLY if name == "rgb" else _RGB_ONLY).items():
            if key in keys:
                found = f"{key} has no meaning for {name}"
                yield RecipeError(f"{where}.{key}", found=found, advice=advice)
        if keys.get("flat_calibrated") is not None:
            yield from _flat_faults(f"{where}.flat_calibrated", keys)
        if name != "rgb" and isinstance(keys.get("light"), dict):
            found, advice = "one file a plane, for a line", "give one file; plane says which plane to take"
            yield RecipeError(f"{where}.light", found=found, advice=advice)


def _flat_faults(where: str, keys: dict[str, Any]) -> Iterator[RecipeError]:
    if "flat" not in keys:
        found, advice = "there is no flat that it could speak of", "name the flat, or take this out"
        yield RecipeError(where, found=found, advice=advice)
    elif keys["flat_calibrated"] is True and "flat_dark" in keys:
        advice = "leave flat_dark out: nothing is taken off such a flat"
        yield RecipeError(where, found="true, but flat_dark is given too", advice=advice)


def _split_word(option: str, word: str, faults: list[RecipeError]) -> tuple[str, str, str]:
    """Return master, plane and file of ``ha=FILE`` or ``rgb.red=FILE``; empty, with a fault, if neither."""
    name, equals, path = word.partition("=")
    master, dot, plane = name.partition(".")
    if equals and master and path and (plane in PLANES if dot else True):
        return master, plane, path
    advice = "" if equals else f"for example {option} rgb={word}"
    fault = RecipeError(
        f"{option} {word}", found="not a master and a file", expected="NAME=FILE", advice=advice
    )
    faults.append(fault)
    return "", "", ""


def _level_or_path(role: str, word: str) -> str | float:
    """Return the number that ``--bias ha=671`` gives; a file whose name is a number is named with its folder."""
    try:
        return float(word) if role == "bias" else word
    except ValueError:
        return word


def _lies_in(path: Path, folder: Path) -> bool:
    try:
        whole = path.resolve(strict=True)
    except (FileNotFoundError, NotADirectoryError):
        whole = path.resolve()
    except (OSError, RuntimeError):  # a loop of links, which Python 3.13 tells of here alone
        return False
    return whole.is_relative_to(folder)
