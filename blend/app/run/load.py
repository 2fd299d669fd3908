"""From the words of the user to values: recipe, target, and the masters in fractions of full scale."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import FaultList, Faults, InputError, RecipeError
from blend.base.master import Master
from blend.base.rowblocks import map_together
from blend.files.cards import odd_card_note
from blend.files.catalogue import read_catalogue
from blend.files.reader import (
    coordinates_fault,
    header_text,
    is_picture,
    peek,
    read_picture,
    refuse_other_kind,
)
from blend.recipe.check import check_together
from blend.recipe.extend import Extended, extend
from blend.recipe.lights import guess_words, in_fractions, judged, plane_of, shared_divisor
from blend.recipe.mastertable import CALIBRATION, MasterFiles
from blend.recipe.model import load_recipe
from blend.recipe.state import Source
from blend.recipe.tables import Recipe
from blend.recipe.target import Target, load_target, missing_files, refuse_outside, target_from_options
from blend.recipe.toml import parse_setting, to_toml

FrameReader = Callable[[Path], Master]


def shipped_recipes() -> dict[str, Path]:
    """Return the recipes that come with the package, by name."""
    package = Path(__file__).parent.parent.parent / "recipes"
    folder = package if package.is_dir() else package.parent.parent / "recipes"
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def recipe_text(recipe: str) -> tuple[str, str]:
    """Return the text of the recipe called or filed as ``recipe``, its parents in it, and the path of its file.

    Raises
    ------
    RecipeError, FaultList
        Missing file, or no text; a parent that cannot be had.
    """
    text, path, _ = _whole_recipe(recipe)
    return text, path


def recipe_files(recipe: str) -> list[Path]:
    """Return the file of the recipe called or filed as ``recipe``, and those of its parents."""
    return [Path(file) for file in _whole_recipe(recipe)[2].files]


def _whole_recipe(recipe: str) -> tuple[str, str, Extended]:
    path = _recipe_path(recipe)
    text = read_text(path)
    found = extend(text, where=os.path.normpath(path), read=_read_parent)
    as_written = len(found.files) == 1 and not found.renamed
    return (text if as_written else to_toml(found.values)), str(path), found


def _read_parent(name: str, of: str) -> tuple[str, str]:
    """Return the text and the file of a parent: a shipped recipe, or a file as seen from the recipe's own folder."""
    try:
        path = _recipe_path(name, Path(of).parent)
        return read_text(path), os.path.normpath(path)
    except RecipeError as fault:
        raise RecipeError(
            "extends", found=f"in {of}: {fault.found}: {name}", expected=fault.expected
        ) from None


def _recipe_path(recipe: str, folder: Path = Path()) -> Path:
    path = folder / recipe
    if path.suffix != ".toml" and not path.is_file():
        known = shipped_recipes()
        if recipe not in known:
            found = "no such recipe file, and no shipped recipe of that name"
            expected = f"a file, or one of: {', '.join(known)}"
            raise RecipeError(recipe, found=found, expected=expected, advice="check the path")
        path = known[recipe]
    return path


def open_recipe(
    recipe: str, *, settings: Sequence[str] | Mapping[str, Any] = (), target: Target | None = None
) -> Recipe:
    """Return the recipe called or filed as ``recipe``, with the target's own settings and then ``settings``.

    These are words as after ``--set``, or values by dotted key.

    Raises
    ------
    RecipeError
        Missing file, or every fault of the text at once.
    """
    text, where, found = _whole_recipe(recipe)
    changes: dict[str, Any] = target.settings() if target is not None else {}
    changes.update(settings if isinstance(settings, Mapping) else map(parse_setting, settings))
    opened = load_recipe(text, where=where, settings=changes)
    opened = opened.model_copy(update={"renamed": (*found.renamed, *opened.renamed)})
    if target is not None:
        faults = check_together(opened, target)
        if faults:
            raise FaultList(faults)
    return opened


def open_target(
    path: Path | None,
    *,
    masters: Sequence[str] = (),
    frames: Mapping[str, Sequence[str]] | None = None,
    name: str = "blend",
    root: Path | None = None,
) -> Target:
    """Return the target of a file, or of the masters named on the command line.

    Raises
    ------
    RecipeError
        Faults of the file, both or neither given, paths that leave the file's folder, missing files.
    """
    if (path is None) == (not masters):
        found = "neither a target file nor -m options" if path is None else "a target file and -m options"
        advice = "name a target file, or give -m rgb=FILE -m ha=FILE"
        raise RecipeError("TARGET", found=found, expected="one of the two", advice=advice)
    if path is None:
        target = target_from_options(masters, calibration=frames or {}, name=name)
    else:
        folder = path.resolve().parent
        target = load_target(read_text(path), where=str(path), folder=folder)
        refuse_outside(target, folder, root)
    faults = missing_files(target, options=path is None)
    if faults:
        raise MissingFiles(faults)
    return target


class MissingFiles(Faults, InputError):
    """Files that a target names and that are not there, all of them."""


def read_text(path: Path) -> str:
    """Return the text of a recipe or target file, or raise ``RecipeError`` in plain words.

    Raises
    ------
    RecipeError
        No file, no text, a picture, or more than 1 MB.
    """
    if is_picture(path):
        advice = "name pictures with -m rgb=FILE -m ha=FILE, or in a target file"
        raise RecipeError(str(path), found="this is a picture", expected="a TOML text", advice=advice)
    try:
        with path.open("rb") as file:
            raw = file.read(1_000_001)  # a device says that it holds nothing, and never ends
        if len(raw) > 1_000_000:
            raise RecipeError(str(path), found="more than 1 MB", expected="a short TOML text")
        return raw.decode("utf-8")
    except OSError as fault:
        reason = fault.strerror or type(fault).__name__
        raise RecipeError(str(path), found=reason.lower(), advice="check the path") from None
    except UnicodeDecodeError:
        raise RecipeError(str(path), found="not UTF-8 text", expected="a TOML text") from None


@dataclass(frozen=True, kw_only=True, eq=False)
class Loaded:
    """Everything read for one target."""

    sources: Mapping[str, Source]
    catalogue: NDArray[np.float64] | None
    files: tuple[tuple[str, Path], ...]
    warnings: tuple[tuple[str, str], ...]


def load_sources(target: Target, *, read_frame: FrameReader = read_picture) -> Loaded:
    """Read every file of a target into fractions of full scale, and refuse what is not what it should be.

    Raises
    ------
    InputError
        A file is missing, unreadable, of the wrong kind, empty of data or already stretched.
    """
    stars = target.masters["rgb"].catalogue
    catalogue = None if stars is None else read_catalogue(stars)
    names = tuple(target.masters)
    pieces_of = map_together(lambda name: _read_master(name, target.masters[name], read_frame), names)
    raw = dict(zip(names, pieces_of, strict=True))
    del pieces_of
    divisor, assumed = shared_divisor([light for pieces in raw.values() for light in pieces.lights])
    warnings: list[tuple[str, str]] = []
    if assumed:
        for name, pieces in raw.items():
            warnings += guess_words(name, pieces.lights, divisor)

    def source(name: str) -> tuple[Source, list[tuple[str, str]]]:
        # what was read is let go as soon as it is scaled: at 24 megapixels each plane is 96 MB
        return _source(name, target.masters[name], raw.pop(name), divisor)

    files = [path for pieces in raw.values() for path in pieces.paths]
    done = dict(zip(names, map_together(source, names), strict=True))
    sources = {name: found for name, (found, _) in done.items()}
    warnings += [warning for _, found in done.values() for warning in found]
    return Loaded(sources=sources, catalogue=catalogue, files=tuple(files), warnings=tuple(warnings))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Pieces:
    lights: tuple[Master, ...]
    frames: dict[str, Master]
    paths: tuple[tuple[str, Path], ...]


def _read_master(name: str, files: MasterFiles, read_frame: FrameReader) -> _Pieces:
    for role, path in files.paths():
        if role != "catalogue":
            refuse_other_kind(path, role.partition(".")[0])
    frames = {
        role: plane_of(name, files, read_frame(path)) for role, path in files.paths() if role in CALIBRATION
    }
    if files.flat_calibrated is not None and "flat" in frames:
        frames["flat"] = frames["flat"].with_facts(offset_out=files.flat_calibrated)
    paths = tuple((f"{name}.{role}", path) for role, path in files.paths())
    return _Pieces(lights=read_lights(name, files, read=read_frame), frames=frames, paths=paths)


def read_lights(name: str, files: MasterFiles, *, read: FrameReader = read_picture) -> tuple[Master, ...]:
    """Return the light of a master in the units of its files: one master, or one a plane, facts as overridden.

    Raises
    ------
    InputError
        A file cannot be read or has the wrong number of planes.
    """
    lights = []
    for role, path in files.paths():
        kind, _, plane = role.partition(".")
        if kind != "light":
            continue
        picture = read(path)
        if plane and len(picture.planes) != 1:
            raise _wrong_planes(path, picture, "one plane, since this file is one plane of a colour master")
        if not plane and name == "rgb" and len(picture.planes) != 3:
            raise _wrong_planes(path, picture, "three planes: red, green, blue")
        picture = picture.with_(planes=(plane,)) if plane else plane_of(name, files, picture)
        lights.append(picture.with_facts(**files.facts.given()))
    return tuple(lights)


def _wrong_planes(path: Path, light: Master, expected: str) -> InputError:
    count = light.pixels.shape[0]
    found = f"{count} plane{'s' if count > 1 else ''}"
    advice = "use the stacked colour master, or name one file a plane: light = {red=, green=, blue=}"
    return InputError(str(path), found=found, expected=expected, advice=advice)


def _source(
    name: str, files: MasterFiles, pieces: _Pieces, divisor: float
) -> tuple[Source, list[tuple[str, str]]]:
    warnings: list[tuple[str, str]] = []
    path = pieces.paths[0][1]
    if name != "rgb" and len(peek(path).planes) == 3:
        text = (
            f"{path.name}: three planes; the {files.plane} one is taken as the line, the others are left out"
        )
        warnings.append(("line-in-colour", text))
    lights = []
    for light, (_, path) in zip(pieces.lights, pieces.paths, strict=False):
        warnings += odd_card_note(light.facts, path.name)
        whole, verdict = judged(
            in_fractions(light, divisor), files, where=str(path), header=header_text(path)
        )
        lights.append(whole)
        warnings += [(finding.code, f"{path.name}: {finding.text}") for finding in verdict.findings]
        if text := coordinates_fault(path, light):
            warnings.append(("coordinates-unusable", f"{path.name}: {text}"))
    for role, path in pieces.paths[len(pieces.lights) :]:
        kind = role.partition(".")[2]
        if kind in pieces.frames:
            warnings += odd_card_note(pieces.frames[kind].facts, path.name)
    frames = {kind: in_fractions(pieces.frames.pop(kind), divisor) for kind in tuple(pieces.frames)}
    return Source(lights=tuple(lights), **frames, bias_level=_bias_level(name, files, lights)), warnings


def _bias_level(name: str, files: MasterFiles, lights: Sequence[Master]) -> float | None:
    """Return a bias that is stated as a number of counts as a fraction of the lights' full scale."""
    if not isinstance(files.bias, float):
        return None
    full = min(light.facts.full_scale or 1.0 for light in lights)
    if not files.bias < full:
        raise InputError(
            f"masters.{name}.bias",
            found=f"{files.bias:g} counts, where full scale is {full:g}",
            expected="a level below full scale, in counts of the light's file",
            advice="give it in the unit of the file's pixels",
        )
    return files.bias / full
