"""From the words of the user to values: recipe, target, and the masters in fractions of full scale."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import FaultList, InputError, RecipeError
from blend.base.master import Flag, Master, flags_of
from blend.base.rowblocks import map_row_blocks, map_together
from blend.files.cards import odd_card_note
from blend.files.catalogue import read_catalogue
from blend.files.reader import (
    coordinates_fault,
    header_text,
    is_picture,
    peek,
    read_picture,
    refuse_other_kind,
    scaled,
)
from blend.recipe.check import check_together
from blend.recipe.extend import extend
from blend.recipe.model import load_recipe
from blend.recipe.state import COLOUR, Source
from blend.recipe.tables import Recipe
from blend.recipe.target import (
    CALIBRATION,
    MasterFiles,
    Target,
    load_target,
    missing_files,
    refuse_outside,
    target_from_options,
)
from blend.recipe.toml import parse_setting, to_toml
from blend.science.sensor import Verdict, judge, refuse_faults

FrameReader = Callable[[Path], Master]

FLOAT_IN_FRACTIONS = 1.5
"""Floating-point data whose brightest pixel is below this are taken as fractions of full scale already."""


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
    path = _recipe_path(recipe)
    text = read_text(path)
    found = extend(text, where=os.path.normpath(path), read=_read_parent)
    return (to_toml(found.values) if len(found.files) > 1 else text), str(path)


def recipe_files(recipe: str) -> list[Path]:
    """Return the file of the recipe called or filed as ``recipe``, and those of its parents."""
    path = _recipe_path(recipe)
    return [
        Path(file) for file in extend(read_text(path), where=os.path.normpath(path), read=_read_parent).files
    ]


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
            raise RecipeError(
                recipe,
                found="no such recipe file, and no shipped recipe of that name",
                expected=f"a file, or one of: {', '.join(known)}",
                advice="check the path",
            )
        path = known[recipe]
    return path


def open_recipe(recipe: str, *, settings: Sequence[str] = (), target: Target | None = None) -> Recipe:
    """Return the recipe called or filed as ``recipe``, with the target's own settings and then ``settings``.

    Raises
    ------
    RecipeError
        Missing file, or every fault of the text at once.
    """
    text, where = recipe_text(recipe)
    changes: dict[str, Any] = target.settings() if target is not None else {}
    changes.update(parse_setting(text) for text in settings)
    opened = load_recipe(text, where=where, settings=changes)
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
        raise RecipeError(
            "TARGET",
            found="neither a target file nor -m options" if path is None else "a target file and -m options",
            expected="one of the two",
            advice="name a target file, or give -m rgb=FILE -m ha=FILE",
        )
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


class MissingFiles(InputError):
    """Files that a target names and that are not there, all of them."""

    def __init__(self, faults: list[InputError]) -> None:
        self.faults = tuple(faults)
        first = faults[0]
        super().__init__(first.where, found=first.found, expected=first.expected, advice=first.advice)

    def __str__(self) -> str:
        return "\n".join(fault.sentence() for fault in self.faults)


def read_text(path: Path) -> str:
    """Return the text of a recipe or target file, or raise ``RecipeError`` in plain words."""
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
    divisor, assumed = _shared_divisor(raw)
    warnings: list[tuple[str, str]] = []
    if assumed:
        warnings += [_no_full_scale(name, divisor) for name, pieces in raw.items() if _unscaled(pieces)]

    def source(name: str) -> tuple[Source, list[tuple[str, str]]]:
        # what was read is let go as soon as it is scaled: at 24 megapixels each plane is 96 MB
        return _source(name, target.masters[name], raw.pop(name), divisor)

    files = [path for pieces in raw.values() for path in pieces.paths]
    done = dict(zip(names, map_together(source, names), strict=True))
    sources = {name: found for name, (found, _) in done.items()}
    warnings += [warning for _, found in done.values() for warning in found]
    return Loaded(sources=sources, catalogue=catalogue, files=tuple(files), warnings=tuple(warnings))


def _unscaled(pieces: _Pieces) -> bool:
    return any(master.facts.full_scale is None for master in pieces.lights)


def _no_full_scale(name: str, divisor: float) -> tuple[str, str]:
    text = f"{name}: no full scale is stated; {divisor:.6g} is taken as full scale for the whole target"
    return ("assumed-full-scale", text)


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
        role: _plane_of(name, files, read_frame(path)) for role, path in files.paths() if role in CALIBRATION
    }
    if files.flat_calibrated is not None and "flat" in frames:
        frames["flat"] = frames["flat"].with_facts(offset_out=files.flat_calibrated)
    paths = tuple((f"{name}.{role}", path) for role, path in files.paths())
    return _Pieces(lights=read_lights(name, files), frames=frames, paths=paths)


def read_lights(name: str, files: MasterFiles) -> tuple[Master, ...]:
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
        picture = read_picture(path)
        if not plane:
            picture = _named(name, files, picture, path)
        elif len(picture.planes) != 1:
            raise _wrong_planes(path, picture, "one plane, since this file is one plane of a colour master")
        else:
            picture = picture.with_(planes=(plane,))
        lights.append(picture.with_facts(**files.facts.given()))
    return tuple(lights)


def _named(name: str, files: MasterFiles, light: Master, path: Path) -> Master:
    if name == "rgb" and len(light.planes) != 3:
        raise _wrong_planes(path, light, "three planes: red, green, blue")
    return _plane_of(name, files, light)


def _plane_of(name: str, files: MasterFiles, picture: Master) -> Master:
    """Return a line master's one plane, or a colour master's frame as it is."""
    count = picture.pixels.shape[0]
    if name == "rgb":
        return picture.with_(planes=COLOUR if count == 3 else ("grey",))
    index = COLOUR.index(files.plane) if count == 3 else 0
    picture = picture.with_facts(file_planes=count)
    if count == 1:
        return picture.with_(planes=(name,))
    # a copy, so that the other two planes are let go
    pixels = picture.pixels[index : index + 1].copy()
    return picture.with_(pixels=pixels, flags=flags_of(pixels), planes=(name,))


def _wrong_planes(path: Path, light: Master, expected: str) -> InputError:
    count = light.pixels.shape[0]
    return InputError(
        str(path),
        found=f"{count} plane{'s' if count > 1 else ''}",
        expected=expected,
        advice="use the stacked colour master, or name one file a plane: light = {red=, green=, blue=}",
    )


def _shared_divisor(raw: Mapping[str, _Pieces]) -> tuple[float, bool]:
    """Return what counts as full scale where a file does not say, and whether it is a guess worth telling.

    Floating-point data up to 1.5 are fractions already. Larger ones take the full scale that another light of the
    target states; where none does, the brightest pixel of all lights is full scale: one number for the whole target,
    so that its masters keep their proportions.
    """
    lights = [light for pieces in raw.values() for light in pieces.lights]
    unknown = [light for light in lights if light.facts.full_scale is None]
    if not unknown:
        return 1.0, False
    top = max(brightest(light) for light in unknown)
    if top <= FLOAT_IN_FRACTIONS:
        return 1.0, False
    known = [light.facts.full_scale for light in lights if light.facts.full_scale is not None]
    return (max(known) if known else top), True


def brightest(light: Master) -> float:
    """Return the brightest pixel of a master; 0 where none is a number."""

    def measure_rows(block: slice) -> float:
        return float(np.fmax.reduce(light.pixels[:, block], axis=None))

    top = float(np.fmax.reduce(map_row_blocks(measure_rows, light.shape[0])))
    return 0.0 if np.isnan(top) else top


def _in_fractions(master: Master, divisor: float) -> Master:
    """Return a master divided by its own full scale, or by the target's."""
    own = master.facts.full_scale
    if own is None:
        own = 1.0 if brightest(master) <= FLOAT_IN_FRACTIONS else divisor
    done = scaled(master, own) if own != 1.0 else master
    stated = {plane: master.facts.noise.get(plane, master.facts.noise.get("")) for plane in master.planes}
    noise = {p: {size: sigma / own for size, sigma in known.items()} for p, known in stated.items() if known}
    full = master.facts.saturation
    levels = {p: full.get(p, full.get("")) for p in master.planes}
    saturation = {p: level / own for p, level in levels.items() if level is not None}
    return done.with_facts(full_scale=own, noise=noise, saturation=saturation)


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
        whole, verdict = _judged(_in_fractions(light, divisor), files, path)
        lights.append(whole)
        warnings += [(finding.code, f"{path.name}: {finding.text}") for finding in verdict.findings]
        if text := coordinates_fault(path, light):
            warnings.append(("coordinates-unusable", f"{path.name}: {text}"))
    for role, path in pieces.paths[len(pieces.lights) :]:
        kind = role.partition(".")[2]
        if kind in pieces.frames:
            warnings += odd_card_note(pieces.frames[kind].facts, path.name)
    frames = {kind: _in_fractions(pieces.frames.pop(kind), divisor) for kind in tuple(pieces.frames)}
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


def _judged(light: Master, files: MasterFiles, path: Path) -> tuple[Master, Verdict]:
    """Return a light with its borders masked and its saturation known, or refuse what the job cannot use."""
    verdict = judge(light.pixels, light.planes, header=header_text(path), invalid=light.has(Flag.NO_DATA))
    if files.domain != "display" or verdict.find("stretched") is None:
        refuse_faults(verdict, str(path))
    mosaic = verdict.find("mosaic")
    if mosaic is not None:
        raise InputError(
            str(path),
            found=mosaic.text,
            expected="a stack in colour, or of one line",
            advice="take the mosaic apart before stacking",
        )
    pixels, flags = light.pixels, light.flags
    if verdict.border.any():
        pixels, flags = pixels.copy(), flags.copy()
        pixels[:, verdict.border] = np.nan
        flags[verdict.border] |= np.uint8(Flag.NO_DATA)
    # a flat spreads the level at which a sensor clips: what the stack states of it is no pile of equal pixels
    measured = {plane: level for plane, level in verdict.saturation.items() if level is not None}
    levels = {**measured, **light.facts.saturation}
    done = light.with_(pixels=pixels, flags=flags, domain=files.domain)
    return done.with_facts(saturation=levels), verdict
