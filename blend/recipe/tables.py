"""The tables of a recipe as frozen values; the text beside a field is its help and its schema."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, Tag, WithJsonSchema, model_validator

from blend.base.formats import FORMATS
from blend.base.master import Domain
from blend.base.registry import suggestion
from blend.recipe.blendtable import Blend
from blend.recipe.fields import (
    VALUE_OR_TABLE,
    Kebab,
    LineName,
    MasterName,
    Table,
    exactly,
    is_number,
    one_of,
    word_or_number,
    wrong,
)
from blend.recipe.finishtable import Finish, Protect
from blend.recipe.toml import toml_names
from blend.science.picture import CURVES, FORMULAS, Formula, define_formula

Plane = Literal["red", "green", "blue"]
StepName = Literal["calibrate", "register", "gradient", "stretch"]
_Degree = Literal["auto", 0, 1, 2, 3, 4]
_Up = Literal["file", "north", 1, 2, 3]
_CropWord = Literal["full-coverage", "none"]


class Step(Table):
    """A step that may be overridden for one master: ``[gradient.ha]`` beside ``[gradient]``."""

    by_master: dict[MasterName, Self] = Field(default_factory=dict, alias="<by master>")

    @model_validator(mode="before")
    @classmethod
    def _gather(cls, values: Any) -> Any:
        """Put the sub-tables, each named after a master, into one field."""
        if not isinstance(values, dict):
            return values
        keys = toml_names(cls)
        tables = {k: v for k, v in values.items() if k not in keys and isinstance(v, dict)}
        return {k: v for k, v in values.items() if k not in tables} | {"<by master>": tables}

    def for_master(self, master: str) -> Self:
        """Return the step as it is done to one master, without tables for others."""
        own = self.by_master.get(master)
        changes = {key: getattr(own, key) for key in own.model_fields_set - {"by_master"}} if own else {}
        return self.model_copy(update={**changes, "by_master": {}})


class Calibrate(Step):
    """Dark, bias and flat out of each master, and hot pixels repaired."""

    dark_scaling: Literal["none", "exposure"] = Field(
        default="none", description="none: the dark as it is; exposure: scaled by the ratio of the exposures"
    )
    hot_sigma: float = Field(
        default=8.0,
        ge=0,
        le=100,
        description="a pixel this many sigma above its neighbours is hot; 0 repairs none",
    )
    allow_shifted_dark: bool = Field(
        default=False, description="go on with a dark whose hot pixels do not lie where the light's do"
    )


class Register(Step):
    """Every master onto one grid."""

    reference: MasterName = Field(default="rgb", description="the master whose grid the result has")
    method: Literal["stars", "structure"] = Field(
        default="stars",
        description="stars: matched stars; structure: the shift that brings the edges of a nebula together, for "
        "frames of one scale and direction with too few stars",
    )
    transform: Literal["auto", "similarity", "affine", "projective", "radial", "polynomial", "none"] = Field(
        default="auto",
        description="how a master may lie to the reference; radial and polynomial follow the distortion of "
        "other optics; none: on one grid already",
    )
    kernel: Literal["lanczos3"] = Field(default="lanczos3", description="the resampling kernel")
    canvas: Literal["reference", "common"] = Field(
        default="reference", description="the reference's whole frame, or only the overlap of all masters"
    )

    @model_validator(mode="after")
    def _structure_shifts(self) -> Self:
        if self.method == "structure" and self.transform not in ("auto", "none"):
            raise wrong(
                'transform = "auto": structure finds a shift alone',
                'take out transform, or set method = "stars"',
            )
        return self


class RegionTable(Table):
    """A region of a master's own frame; the fields are those of `blend.science.sky.objects.Region`."""

    shape: Literal["box", "ellipse"] = Field(
        default="box", description="inside x, y, w, h before it is turned"
    )
    unit: Literal["px", "fraction"] = Field(
        default="px", description="pixels, or fractions of the frame's sides"
    )
    x: float = Field(description="left edge")
    y: float = Field(description="first row's edge, rows in the order of the file")
    w: float = Field(gt=0, description="width")
    h: float = Field(gt=0, description="height")
    angle_deg: float = Field(default=0.0, ge=-360, le=360, description="turn about the centre, from x to y")

    @model_validator(mode="after")
    def _fits_its_unit(self) -> Self:
        if self.unit == "fraction" and max(abs(self.x), abs(self.y), self.w, self.h) > 2:
            raise wrong("fractions of the frame, 0 to 1", 'write unit = "px" for pixels')
        return self


class Gradient(Step):
    """The sky, with the moonlight in it, out of each plane."""

    model: Literal["polynomial", "moonlight", "spline", "none"] = Field(
        default="polynomial",
        description="polynomial: a surface fitted to the sky; moonlight: the Moon's own shape, from date, site and "
        "world coordinates, of which only level and strength are fitted; spline: bends as it must, for street "
        "light and reflections, and can eat wide faint objects",
    )
    degree: Annotated[_Degree, exactly(_Degree)] = Field(
        default="auto",
        description="of the polynomial; auto chooses from 0 to 2, which is enough for moonlight",
    )
    guide: Literal["none", "line"] = Field(
        default="none",
        description="line: for a nebula that fills the frame, the line's master gives how much of each block is "
        "emission; none: objects are masked",
    )
    brightens_towards_deg: Annotated[
        Literal["predict"] | float,
        word_or_number(["predict"], "predict, or degrees from -360 to 360", lambda angle: abs(angle) <= 360),
    ] = Field(
        default="predict",
        description="for model = moonlight: where the sky gets brighter, from the columns' direction towards the "
        "rows' in the order of the file; predict: from date, site and world coordinates",
    )
    flat_fault: Literal["report", "correct"] = Field(
        default="report",
        description="a centred bowl or ring, which no Moon makes: reported only, or divided out as well where star "
        "fluxes against another master show it too",
    )
    object_boxes: tuple[RegionTable, ...] = Field(
        default=(), strict=False, description="regions to leave out of the fit, besides the objects found"
    )
    sky_boxes: tuple[RegionTable, ...] = Field(
        default=(), strict=False, description="where given, the fit sees nothing outside these regions"
    )


class Continuum(Table):
    """The stars' light out of a line's master, so that its emission remains."""

    from_: Plane = Field(default="red", alias="from", description="the plane of rgb that holds the continuum")
    scale: Annotated[
        Literal["stars"] | float,
        word_or_number(["stars"], "stars, or a number above 0", lambda scale: scale > 0),
    ] = Field(
        default="stars",
        description="line over plane for a source without line: from the stars, or this number",
    )
    line_in_band: bool = Field(default=True, description="whether the plane's band holds the line too")
    throughput_ratio: float = Field(
        default=1.0, gt=0, le=5, description="throughput at the line: the line's filter over the plane's"
    )
    weight_sigma: float = Field(
        default=3.0,
        ge=0,
        le=20,
        description="a region's peak must pass 1.6 of this many sigma, and 4.8; a pixel in it passes whole from 0.8; "
        "0 keeps all",
    )


_B_V = re.compile(r"b_v=(-?\d+(?:\.\d+)?)")
_WHITE = 'stars, none, "b_v=NUMBER" from -0.4 to 2, or three gains [r, g, b] above 0 and at most 100'


def _check_white(value: Any) -> Any:
    if isinstance(value, list | tuple):
        if len(value) == 3 and all(is_number(gain) and 0 < gain <= 100 for gain in value):
            return tuple(float(gain) for gain in value)
    elif isinstance(value, str):
        colour = _B_V.fullmatch(value)
        if value in ("stars", "none") or (colour and -0.4 <= float(colour[1]) <= 2.0):
            return value
    raise wrong(_WHITE, suggestion(str(value), ["stars", "none"]))


class Balance(Table):
    """The gains of red, green and blue."""

    white: Annotated[
        str | tuple[float, float, float],
        BeforeValidator(_check_white),
        WithJsonSchema({"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "number"}}]}),
    ] = Field(
        default="stars",
        description="stars: the typical star is white; none: gains of 1; b_v=NUMBER: the typical star has "
        "this colour index, and the black-body colour that belongs to it, or, where the target names a catalogue, "
        "a star of this colour index is white; [r, g, b]: these gains",
    )

    @property
    def b_v(self) -> float | None:
        """The colour index B - V of the typical star, where ``white`` names one."""
        colour = _B_V.fullmatch(self.white) if isinstance(self.white, str) else None
        return float(colour[1]) if colour else None


class Stretch(Step):
    """Light to display values: one curve, solved so that the sky lands where it should."""

    curve: Annotated[str, one_of(CURVES)] = Field(
        default="asinh", description="the stretch curve", json_schema_extra={"enum": list(CURVES)}
    )
    sky_level: float = Field(default=0.10, ge=0.01, le=0.5, description="display value of the sky")
    colour: Literal["preserve", "planes"] = Field(
        default="preserve", description="one gain for the three planes of a pixel, or each plane by itself"
    )
    white: Annotated[
        Literal["saturation", "target"] | float,
        word_or_number(
            ["saturation", "target"],
            "saturation, target, or a linear level above 0 and at most 100",
            lambda level: 0 < level <= 100,
        ),
    ] = Field(
        default="saturation",
        description="what becomes white: saturation: the level at which the sensor saturates; target: solved so that "
        "the brightest part of the target lands at white_level, unless the sky's noise would show; a number: this "
        "level over the sky, in fractions of full scale after balance",
    )
    white_level: float = Field(
        default=0.85,
        ge=0.3,
        le=0.99,
        description="for white = target: display value of the 99.9th percentile of the target's own pixels",
    )
    black_sigma: float = Field(
        default=3.1, gt=0, le=20, description="black lies this many sigma of the noisiest plane below the sky"
    )


class CropBox(Table):
    """A rectangle of the result's grid, in pixels."""

    x: int = Field(ge=0, description="first column")
    y: int = Field(ge=0, description="first row")
    w: int = Field(ge=1, description="columns")
    h: int = Field(ge=1, description="rows")


Crop = Annotated[
    Annotated[_CropWord, exactly(_CropWord, ", or a table {x, y, w, h}"), Tag("<value>")]
    | Annotated[CropBox, Tag("<table>")],
    VALUE_OR_TABLE,
]


_Format = Annotated[
    str,
    one_of(FORMATS),
    WithJsonSchema({"type": "string", "enum": list(FORMATS)}),
]


def _check_formats(formats: tuple[str, ...]) -> tuple[str, ...]:
    if formats and len(set(formats)) == len(formats):
        return formats
    raise wrong("at least one format, each once")


class Output(Table):
    """What is written."""

    formats: Annotated[tuple[_Format, ...], AfterValidator(_check_formats)] = Field(
        default=("fits", "tiff", "png"), strict=False, description="of the result"
    )
    crop: Crop = Field(
        default="full-coverage",
        description="the largest rectangle in which all masters overlap, none, or a box",
    )
    up: Annotated[_Up, exactly(_Up)] = Field(
        default="file", description="as in the file, north, or this many quarter turns counter-clockwise"
    )


class OwnFormula(Table):
    """A formula of the recipe's own."""

    domain: Domain = Field(description="linear: before the stretch; display: after it")
    equation: str = Field(description="of base and line, for example 'max(base, line)'")
    neutral: str = Field(description="the value of line that leaves a sky pixel unchanged: 0, sky, 0.5")
    params: dict[str, float] = Field(default_factory=dict, description="names of its own, with defaults")
    about: str = Field(default="", description="what it is for")

    def define(self, name: str) -> Formula:
        """Return the formula, its equation parsed; `RecipeError` where it is not an equation."""
        return define_formula(
            name=name,
            domain=self.domain,
            equation=self.equation,
            neutral=self.neutral,
            params=self.params,
            about=self.about,
        )


_Version = Literal[1]


class Recipe(Table):
    """How a picture is made. The order of work is fixed by physics, whatever the order of the tables."""

    version: Annotated[_Version, exactly(_Version)] = Field(description="of this format")
    title: str = Field(default="", max_length=200, description="one line for the report")
    calibrate: Calibrate = Field(default_factory=Calibrate)
    register_: Register = Field(default_factory=Register, alias="register")
    gradient: Gradient = Field(default_factory=Gradient)
    continuum: dict[LineName, Continuum] = Field(default_factory=dict)
    balance: Balance = Field(default_factory=Balance)
    stretch: Stretch = Field(default_factory=Stretch)
    blend: dict[Kebab, Blend] = Field(default_factory=dict, description="in the order of the file")
    protect: Protect = Field(default_factory=Protect)
    finish: Finish = Field(default_factory=Finish)
    output: Output = Field(default_factory=Output)
    formulas: dict[Kebab, OwnFormula] = Field(default_factory=dict)
    renamed: tuple[str, ...] = Field(default=(), alias="<renamed>", exclude=True)

    def step(self, name: StepName) -> Step:
        """Return the table of a step, with the tables of single masters in ``by_master``."""
        table: Step = getattr(self, name)
        return table

    @property
    def register(self) -> Register:  # a field of this name would hide a method that every such class has
        """The table of the step that brings every master onto one grid."""
        return self.register_

    def continuum_for(self, line: str) -> Continuum:
        """Return the table of a line's continuum, or the defaults where it has none."""
        return self.continuum.get(line, Continuum())

    def formula(self, name: str) -> Formula:
        """Return a formula by its name: one of the recipe's own, or of the table."""
        own = self.formulas.get(name)
        return own.define(name) if own else FORMULAS[name]

    def blends(self, domain: Domain) -> dict[str, Blend]:
        """Return the blends of one domain, in the order of the file."""
        return {label: blend for label, blend in self.blend.items() if self.domain_of(blend) == domain}

    def domain_of(self, blend: Blend) -> Domain:
        """Return the domain of a blend, which is that of its formula."""
        own = self.formulas.get(blend.formula)
        return own.domain if own else FORMULAS[blend.formula].domain
