"""The target file, which pictures: TOML text, or words of the command line, to paths and facts."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from blend.base.errors import FaultList, InputError, RecipeError
from blend.base.master import Domain
from blend.base.registry import suggestion
from blend.recipe.fields import PLANES, MasterName, Table, Title, folder_name, is_number, wrong
from blend.recipe.model import STEPS
from blend.recipe.tables import Plane, Recipe
from blend.recipe.toml import faults_of, flatten, read_toml, toml_names
from blend.science.line import Shape

CALIBRATION = ("dark", "flat", "bias", "flat_dark")
FILE_KEYS = ("light", *CALIBRATION, "catalogue")
"""The keys of a master that name files."""
RED_WIDTH_NM = 100.0
"""Taken where a target says nothing: a colour camera's red band (common practice, 90 to 110 nm)."""
WIDTH_NM = 7.0
"""Taken where a target says nothing: an H-alpha filter of the middle sort (common practice, 3 to 12 nm)."""


def _check_path(value: Any, info: ValidationInfo) -> Path:
    folder = (info.context or {}).get("folder", Path())
    if isinstance(value, Path):
        value = str(value)
    if not isinstance(value, str) or not value.strip() or "\0" in value:
        raise wrong("the path of a file, from the folder of the target file")
    # abspath takes ".." out by the text alone, so that what is checked later is what is opened.
    return Path(os.path.abspath(folder / value))  # noqa: PTH100


FilePath = Annotated[Path, BeforeValidator(_check_path), WithJsonSchema({"type": "string"})]


def _check_offset(value: Any, info: ValidationInfo) -> Path | float:
    if not is_number(value):
        if not isinstance(value, str | Path):
            raise wrong("the path of a master bias, or its level in counts of the light's file")
        return _check_path(value, info)
    if not 0 <= value <= 1e9:
        raise wrong("a level in counts of the light's file, 0 or more")
    return float(value)


FileOrCounts = Annotated[
    Path | float,
    BeforeValidator(_check_offset),
    WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "number", "minimum": 0}]}),
]


class PlaneFiles(Table):
    """One file a plane."""

    red: FilePath = Field(description="the picture through the red filter")
    green: FilePath = Field(description="the picture through the green filter")
    blue: FilePath = Field(description="the picture through the blue filter")


def _light_kind(value: Any) -> str:
    return "<planes>" if isinstance(value, Mapping | PlaneFiles) else "<path>"


Light = Annotated[
    Annotated[FilePath, Tag("<path>")] | Annotated[PlaneFiles, Tag("<planes>")], Discriminator(_light_kind)
]


def _check_date(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return value.isoformat()
    try:
        dt.datetime.fromisoformat(value)
    except (TypeError, ValueError):
        raise wrong("a date and time in UTC, like 2024-03-22T23:10:00") from None
    return value


def _check_site(value: Any) -> Any:
    if isinstance(value, list | tuple) and len(value) == 3 and all(map(is_number, value)):
        latitude, longitude, height = map(float, value)
        if abs(latitude) <= 90 and abs(longitude) <= 360 and -500 <= height <= 10_000:
            return (latitude, longitude, height)
    raise wrong("[latitude, longitude, height_m]: degrees north from -90 to 90, degrees east, metres")


TARGET_FACTS = ("velocity_km_s", "redshift", "nii_ratio")
"""Facts of the target, which no master's header has."""


class FactOverrides(Table):
    """What is known better than the file's header says; what is not given is read from the header."""

    exposure_s: float | None = Field(
        default=None, gt=0, le=1e7, description="of one exposure of the stack, s"
    )
    frames: int | None = Field(default=None, ge=1, le=1_000_000, description="exposures in the stack")
    temperature_c: float | None = Field(
        default=None, ge=-273, le=100, description="of the sensor, degrees Celsius"
    )
    iso: float | None = Field(default=None, gt=0, le=1e7, description="the camera's ISO setting")
    gain_e: float | None = Field(
        default=None, gt=0, le=1e6, description="electrons a step of the raw numbers"
    )
    full_scale: float | None = Field(
        default=None, gt=0, le=1e12, description="the pixel value that counts as 1"
    )
    date_obs: Annotated[
        str | None, BeforeValidator(_check_date), WithJsonSchema({"type": "string", "format": "date-time"})
    ] = Field(default=None, description="begin of the first exposure, UTC")
    filter: str | None = Field(default=None, description="the filter's name")
    site: Annotated[
        tuple[float, float, float] | None,
        BeforeValidator(_check_site),
        WithJsonSchema({"type": "array", "items": {"type": "number"}, "minItems": 3, "maxItems": 3}),
    ] = Field(default=None, description="latitude and longitude (degrees, north and east) and height (m)")
    rows: Literal["bottom-up", "top-down"] | None = Field(default=None, description="which way the rows run")
    velocity_km_s: float | None = Field(
        default=None,
        ge=-3000,
        le=150_000,
        description="of the target, receding, c z as catalogues have it; with center_nm it tells whether the filter "
        "passes the line; of rgb: for every line",
    )
    redshift: float | None = Field(
        default=None, ge=-0.01, le=10, description="of the target, where velocity_km_s is not given"
    )
    nii_ratio: float | None = Field(
        default=None,
        ge=0,
        le=10,
        description="both lines of [N II] by H-alpha, to tell them apart in numbers; 0 where absent, H II regions have "
        "0.1 to 0.5",
    )

    @model_validator(mode="after")
    def _one_velocity(self) -> Self:
        if self.velocity_km_s is not None and self.redshift is not None:
            raise wrong("velocity_km_s or redshift, not both", "leave one of them out")
        return self

    def given(self) -> dict[str, Any]:
        """Return the facts that are stated and that a header may state too, by name."""
        return {key: value for key, value in self if value is not None and key not in TARGET_FACTS}


class MasterFiles(Table):
    """The files of one master, and what its filter is."""

    light: Light = Field(description="the stack; or one stack a plane, {red=, green=, blue=}")
    dark: FilePath | None = Field(default=None, description="the master dark, as exposed as the light")
    flat: FilePath | None = Field(default=None, description="the master flat")
    bias: FileOrCounts | None = Field(
        default=None,
        description="the master bias; or its level as a number, in counts of the light's file, where no frame exists",
    )
    flat_dark: FilePath | None = Field(default=None, description="the master dark of the flats")
    flat_calibrated: bool | None = Field(
        default=None,
        description="true: bias or dark was taken off the flats before they were stacked, so that nothing is taken off "
        "the master flat; false: it was not. Without it header and pixels tell",
    )
    catalogue: FilePath | None = Field(
        default=None,
        description='stars of known colour for balance.white = "b_v=NUMBER": a CSV with the columns ra, dec (degrees, '
        "ICRS) and b_v; the reference's header must hold world coordinates",
    )
    red_width_nm: float | None = Field(default=None, gt=0, le=1000, description="width of rgb's red band, nm")
    line_nm: float | None = Field(default=None, ge=100, le=3000, description="wavelength of the line, nm")
    width_nm: float | None = Field(default=None, gt=0, le=200, description="width of the line's filter, nm")
    center_nm: float | None = Field(
        default=None, ge=100, le=3000, description="centre of the line's filter in a parallel beam, nm"
    )
    passband: Shape | None = Field(
        default=None, description="shape of the filter's throughput; where absent, both are told"
    )
    f_ratio: float | None = Field(
        default=None,
        ge=0.5,
        le=100,
        description="of the beam at the filter: a fast one shifts the passband to the blue",
    )
    plane: Plane = Field(default="red", description="which plane of a colour master holds the line")
    domain: Domain = Field(default="linear", description="display: already stretched, to be taken as it is")
    facts: FactOverrides = Field(default_factory=FactOverrides)

    def paths(self) -> Iterator[tuple[str, Path]]:
        """Give every file with its role: ``light`` or ``light.red``, ``dark``, ``catalogue`` and so on."""
        if isinstance(self.light, PlaneFiles):
            for plane in PLANES:
                yield f"light.{plane}", getattr(self.light, plane)
        else:
            yield "light", self.light
        for role in FILE_KEYS[1:]:
            path = getattr(self, role)
            if isinstance(path, Path):
                yield role, path

    def described(self, *, exclude_defaults: bool = False) -> dict[str, Any]:
        """Return as plain values what is said of the master beside its files: filter, planes, facts, bias level."""
        files = {key for key in FILE_KEYS if not isinstance(getattr(self, key), float)}
        return self.model_dump(mode="json", exclude=files, exclude_defaults=exclude_defaults)


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

    Parameters
    ----------
    masters : sequence of str
        ``rgb=FILE``, ``ha=FILE``, or ``rgb.red=FILE`` and so on for one file a plane.
    calibration : mapping of str to sequence of str, optional
        For ``dark``, ``flat``, ``bias`` and ``flat_dark``: ``ha=FILE``; for ``catalogue``: ``rgb=FILE``.
    name : str, optional
        Of the target.
    folder : Path, optional
        What relative paths start from; the working folder when absent.

    Raises
    ------
    FaultList
        With every fault of the words.

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
    """Return the files that lie outside a folder, links followed, each with its place in the target.

    Parameters
    ----------
    target : Target
        From a file.
    folder : Path
        Where the file lies.
    root : Path, optional
        A folder above it in which files may lie too.
    """
    within = (root or folder).resolve()
    return [(place, path) for place, path in target.paths() if not _lies_in(path, within)]


def refuse_outside(target: Target, folder: Path, root: Path | None = None) -> None:
    """Raise `FaultList` where `outside_paths` finds files, or ``root`` is not above ``folder``."""
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
    faults = faults + (_role_faults(masters) if isinstance(masters, dict) else [])
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


def _role_faults(masters: dict[str, Any]) -> list[RecipeError]:
    """Return what is wrong with a master for being, or not being, the colour master."""
    faults = []
    if "rgb" not in masters:
        found = f"there is no master called rgb among: {', '.join(masters) or 'none'}"
        faults.append(RecipeError("masters", found=found, advice="name the colour master rgb"))
    steps = {key: step for step in STEPS for key in toml_names(type(Recipe(version=1).step(step)))}
    for name, table in masters.items():
        where = f"masters.{name}"
        if name in steps:
            found = f"the name is a key of [{steps[name]}] in a recipe"
            faults.append(RecipeError(where, found=found, advice="give the master another name"))
        keys = table if isinstance(table, dict) else {}
        for key, advice in (_LINE_ONLY if name == "rgb" else _RGB_ONLY).items():
            if key in keys:
                found = f"{key} has no meaning for {name}"
                faults.append(RecipeError(f"{where}.{key}", found=found, advice=advice))
        if keys.get("flat_calibrated") is not None:
            faults += _flat_faults(where, keys)
        if name != "rgb" and isinstance(keys.get("light"), dict):
            found, advice = "one file a plane, for a line", "give one file; plane says which plane to take"
            faults.append(RecipeError(f"{where}.light", found=found, advice=advice))
    return faults


def _flat_faults(where: str, keys: dict[str, Any]) -> list[RecipeError]:
    if "flat" not in keys:
        found, advice = "there is no flat that it could speak of", "name the flat, or take this out"
    elif keys["flat_calibrated"] is True and "flat_dark" in keys:
        found, advice = (
            "true, but flat_dark is given too",
            "leave flat_dark out: nothing is taken off such a flat",
        )
    else:
        return []
    return [RecipeError(f"{where}.flat_calibrated", found=found, advice=advice)]


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
