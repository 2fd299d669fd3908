"""The table of a blend: which line goes where, by which formula and how much."""

from __future__ import annotations

import re
from typing import Annotated, Literal

import numpy as np
from pydantic import AfterValidator, Field, Tag, ValidationInfo, field_validator

from blend.recipe.fields import KEBAB, PLANES, VALUE_OR_TABLE, Share, Table, exactly, word_or_number, wrong
from blend.science.line import hydrogen_share
from blend.science.picture import FORMULAS, MOST_AMOUNT, linear_to_lab

_SOURCE = re.compile(r"([a-z][a-z0-9-]*)(\.emission)?")


def _check_source(text: str) -> str:
    source = _SOURCE.fullmatch(text)
    if source and source[1] not in ("rgb", "luminance", *PLANES):
        return text
    raise wrong('a line\'s master, like "ha", or its emission, "ha.emission"', "name a master of [masters]")


_OtherWord = Literal["none", "hydrogen"]


class OtherTable(Table):
    """How much of the light added to red goes into the other planes, count for count."""

    blue: Share = Field(default=0.0, description="into blue, of each count added to red")
    green: Share = Field(default=0.0, description="into green, of each count added to red")


OtherPlanes = Annotated[
    Annotated[_OtherWord, exactly(_OtherWord, ", or a table {blue, green}"), Tag("<value>")]
    | Annotated[OtherTable, Tag("<table>")],
    VALUE_OR_TABLE,
]


class Blend(Table):
    """One line into one channel by one formula."""

    into: Literal["red", "green", "blue", "luminance"] = Field(description="the channel that changes")
    from_: Annotated[str, AfterValidator(_check_source)] = Field(
        alias="from",
        description="ha: the line's master, scaled so that stars match; ha.emission: without continuum",
    )
    formula: str = Field(
        description="a formula of the table, or one of [formulas]",
        json_schema_extra={
            "anyOf": [
                {"enum": list(FORMULAS), "description": "a formula of the table"},
                {"pattern": f"^{KEBAB}$", "description": "one of this recipe's own, in [formulas]"},
            ]
        },
    )
    amount: Annotated[
        Literal["auto"] | Annotated[float, Field(ge=0, le=MOST_AMOUNT)],
        word_or_number(
            ["auto"], f"a number from 0 to {MOST_AMOUNT}, or auto", lambda n: 0 <= n <= MOST_AMOUNT
        ),
    ] = Field(
        default=1.0,
        description="opacity; 0 leaves the channel as it is, to the bit; auto: of added light 1.5, or less where "
        "noise_budget allows less; into luminance what shows the signal of optimise_for best",
    )
    noise_budget: float = Field(
        default=1.2,
        ge=1,
        le=10,
        description="for amount = auto of added light: the plane's noise at 4 px may become this many times the old",
    )
    optimise_for: Literal["faint", "bright"] = Field(
        default="faint",
        description="for amount = auto into luminance: the signal to show best, the fainter half of the emission "
        "that is sure at 16 px, or its brightest tenth",
    )
    method: Literal["ratio", "cielab", "oklab"] = Field(
        default="ratio", description="how a new luminance is put back into the colour"
    )
    params: dict[str, float] = Field(default_factory=dict, description="the formula's own parameters")
    into_other_planes: OtherPlanes = Field(
        default="none",
        description="the line's colour, a model: what is added to red also goes, times these factors, into blue and "
        "green; 0.15 of blue makes pink, none orange red; hydrogen: the factors of its Balmer lines, H-beta to H-delta",
    )
    extinction_a_v: float = Field(
        default=0.0,
        ge=0,
        le=10,
        description='for into_other_planes = "hydrogen": extinction by the dust before the gas, A(V) in magnitudes',
    )

    @field_validator("extinction_a_v")
    @classmethod
    def _dust_reddens_hydrogen(cls, a_v: float, info: ValidationInfo) -> float:
        if a_v > 0 and info.data.get("into_other_planes", "hydrogen") != "hydrogen":
            raise wrong(
                '0, or into_other_planes = "hydrogen"', "given factors have their dust in them already"
            )
        return a_v

    @property
    def plane_factors(self) -> dict[Literal["red", "green", "blue"], float]:
        """What of each count added to red goes into another plane; empty where nothing does."""
        if self.into_other_planes == "none":
            return {}
        if self.into_other_planes == "hydrogen":
            a_v = self.extinction_a_v
            return {plane: hydrogen_share(plane, extinction_a_v=a_v) for plane in ("blue", "green")}
        return {"blue": self.into_other_planes.blue, "green": self.into_other_planes.green}

    @property
    def plane_words(self) -> str:
        """What those factors are, in a sentence that calls it a model; empty where there is none."""
        factors = self.plane_factors
        if not factors:
            return ""
        parts = " and ".join(f"{factor:.3g} into {plane}" for plane, factor in factors.items())
        origin = "factors given in the recipe"
        if self.into_other_planes == "hydrogen":
            origin = (
                f"Balmer lines H-beta to H-delta of ionised hydrogen (case B, 10 000 K; Osterbrock & Ferland "
                f"2006) behind dust of A(V) = {self.extinction_a_v:g} (Cardelli, Clayton & Mathis 1989), seen by a "
                f"typical colour camera"
            )
        hue = f"What is added is of hue {self.hue_deg:.0f} degrees (CIELAB; 0 is pink, 40 orange red)"
        return f"Model, not measured: of each count added to red, {parts}; {origin}. {hue}"

    @property
    def hue_deg(self) -> float:
        """The CIELAB hue of what is added, in degrees; the base light beneath is kept, and a sum of both is seen."""
        factors = self.plane_factors
        light = np.array([1.0, factors.get("green", 0.0), factors.get("blue", 0.0)]) * 0.3
        lab = linear_to_lab(light)
        return float(np.degrees(np.arctan2(lab[2], lab[1])))

    @property
    def master(self) -> str:
        """The name of the master that ``from`` speaks of."""
        return self.from_.partition(".")[0]

    @property
    def weight(self) -> float:
        """The amount as a number, once an automatic one has been chosen.

        Raises
        ------
        ValueError
            An automatic amount has not been chosen yet.
        """
        if self.amount == "auto":
            raise ValueError("an amount was used before it was chosen")
        return self.amount

    @property
    def emission(self) -> bool:
        """Whether ``from`` asks for the emission alone."""
        return self.from_.endswith(".emission")
