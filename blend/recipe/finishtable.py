"""The tables of what blends leave as it is, and of what is done to the picture last."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from blend.recipe.fields import Share, Table, is_number, wrong
from blend.science.picture import FULL, LEAST_FIRST_SLOPE, LEAST_SIZE, MOST_SIGMA, PIVOT, kept_noise

MOST_POINTS = 16  # chosen: more than a curve drawn by hand needs; not measured


class Protect(Table):
    """What blends leave as it is."""

    stars: Share = Field(
        default=1.0,
        description="how far blends are taken back over stars: what they add there is taken from around the star, and "
        "saturated cores get the colour of their wings; chroma reduction spares them too; 0 protects nothing",
    )


def _check_points(value: Any) -> Any:
    given = value if isinstance(value, list | tuple) else [value]
    points = [tuple(point) if isinstance(point, list | tuple) else () for point in given]
    if len(points) <= MOST_POINTS and all(len(point) == 2 and all(map(is_number, point)) for point in points):
        flat = [(0.0, 0.0), *((float(x), float(y)) for x, y in points), (1.0, 1.0)]
        rising = all(a[0] < b[0] and a[1] < b[1] for a, b in pairwise(flat))
        if rising and flat[1][1] >= LEAST_FIRST_SLOPE * flat[1][0]:
            return tuple(flat[1:-1])
    raise wrong(
        f"at most {MOST_POINTS} points [x, y] that rise in both between 0 (the sky) and 1 (white)",
        "the first y is at least a third of its x",
    )


_StarFactor = Annotated[float, Field(ge=LEAST_SIZE, le=1)]


class Finish(Table):
    """What is done last, in the order: luminance noise, green, colour noise, contrast and curve, saturation, stars."""

    contrast: float = Field(
        default=0.0,
        ge=-1,
        le=1,
        description="of the luminance over the sky: darker below 0.3 of the way to white, brighter above; 0 changes "
        "nothing; the sky stays",
    )
    curve: Annotated[
        tuple[tuple[float, float], ...],
        BeforeValidator(_check_points),
        WithJsonSchema({"type": "array", "items": {"type": "array", "items": {"type": "number"}}}),
    ] = Field(
        default=(),
        description="of the luminance, points [x, y] from 0 (the sky) to 1 (white), joined by a monotone cubic; none "
        "changes nothing",
    )
    saturation: float = Field(
        default=1.0,
        ge=0,
        le=3,
        description="factor of the colourfulness; 1 changes nothing; above 1 less where colour may be noise or is "
        "strong already",
    )
    noise_sigma: float = Field(
        default=0.0,
        ge=0,
        le=MOST_SIGMA,
        description="luminance noise of 1 to 64 px: what stands so many sigma of it from its surroundings loses half, "
        "what stands less loses more, 4 sigma next to nothing; 0 takes none",
    )
    chroma_reduction: Share = Field(
        default=0.0, description="share of the colour noise of 4 to 64 px that is taken out; 0 takes none"
    )
    green_limit: Share = Field(
        default=0.0,
        description="share of the green above both red and blue that is taken out where the picture is dark; "
        "leave it at 0 where [O III] shines green",
    )
    star_size: _StarFactor = Field(
        default=1.0,
        description="factor of the width of stars, each by its own profile; their colour stays; 1 changes nothing",
    )
    star_brightness: _StarFactor = Field(
        default=1.0,
        description="factor of the light of stars over what lies behind them, as shown; 1 changes nothing",
    )

    @property
    def shapes(self) -> bool:
        """Whether the luminance is changed."""
        return self.contrast != 0 or len(self.curve) > 0

    @property
    def words(self) -> tuple[str, ...]:
        """What is done, in sentences; none where nothing is."""
        told = []
        if self.noise_sigma > 0:
            told.append(
                f"Luminance noise of 1 to 64 px is taken out, by starlet bands: what stands {self.noise_sigma:g} sigma "
                "of its band from its surroundings, in this band and the next, loses half, 4 sigma hardly anything; "
                f"at most {kept_noise(self.noise_sigma):.0%} of white noise is left, the less the wider stars are. "
                "Source: Starck & Murtagh (1998), from memory, for the bands; the weight is derived here."
            )
        if self.green_limit > 0:
            told.append(
                f"Where the picture is dark, {self.green_limit:g} of the green above both red and blue is taken out; "
                "what noise alone makes of it is given back, so that a neutral sky stays neutral."
            )
        if self.chroma_reduction > 0:
            told.append(
                f"{self.chroma_reduction:g} of the colour noise of 4 to 64 px is taken out of OKLab's a and b, by "
                "starlet bands; colour that goes with the light, significant colour and protected stars keep theirs; "
                "lightness is kept. Sources: Starck & Murtagh (1998) for the bands, He, Sun & Tang (2010) for what "
                "goes with the light, both from memory."
            )
        if self.contrast != 0:
            told.append(
                f"Contrast of the luminance, u from 0 at the sky to 1 at white: u + {self.contrast:g} * {FULL:g} * u^2 "
                f"* (u - {PIVOT:g}) * (1 - u)^2; colour and sky are kept. Derived here."
            )
        if self.curve:
            points = ", ".join(f"({x:g}, {y:g})" for x, y in self.curve)
            told.append(
                f"The luminance, from 0 at the sky to 1 at white, goes through {points} by a monotone cubic; colour "
                "and sky are kept. Source: Fritsch & Carlson (1980), SIAM J. Numer. Anal. 17, 238."
            )
        if self.saturation != 1:
            text = f"Colourfulness (chroma of OKLab, Ottosson 2020) times {self.saturation:g}"
            if self.saturation > 1:
                text += "; colour that may be noise gets none of it, strong colour less"
            told.append(f"{text}.")
        if min(self.star_size, self.star_brightness) < 1:
            told.append(
                f"Stars are shown {self.star_size:g} times as wide and {self.star_brightness:g} times as bright, each "
                "by its own profile over what lies behind it; colours are kept. Derived here."
            )
        return tuple(told)
