"""What a target file says of one master: the tables of its files, its filter and its facts."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, Tag, ValidationInfo, WithJsonSchema, model_validator

from blend.base.master import Domain
from blend.recipe.fields import PLANES, VALUE_OR_TABLE, Table, is_number, wrong
from blend.recipe.tables import Plane
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


Light = Annotated[Annotated[FilePath, Tag("<value>")] | Annotated[PlaneFiles, Tag("<table>")], VALUE_OR_TABLE]


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
        description="of the target, receding, c z as catalogues have it; with center_nm it decides whether the "
        "filter passes the line; of rgb: for every line",
    )
    redshift: float | None = Field(
        default=None, ge=-0.01, le=10, description="of the target, where velocity_km_s is not given"
    )
    nii_ratio: float | None = Field(
        default=None,
        ge=0,
        le=10,
        description="both lines of [N II] by H-alpha, to part them in numbers; 0 where absent, H II regions have "
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
        "the master flat; false: it was not. Without it header and pixels decide",
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
        default=None, description="shape of the filter's throughput; where absent, both are reported"
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
