"""Stretch curves: equations that map linear light to display values, each with one parameter to solve."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.equation import Equation, parse
from blend.base.registry import Registry


@dataclass(frozen=True)
class Curve:
    """A stretch curve that fixes 0 and 1."""

    name: str
    equation: str  # y in terms of ``x`` and the parameter
    parameter: str  # the parameter's name; empty for a curve without one
    about: str
    source: str
    # closed form of the parameter in terms of the sky ``m`` before and ``t`` after; empty where a root is sought
    solution: str = ""
    # (float, float); range of the parameter in which the root is sought, on a logarithmic scale
    bracket: tuple[float, float] = (0.0, 0.0)
    example: tuple[float, float, float] = (0.5, 0.0, 0.5)  # (x, parameter, y); A worked number
    # the same for float32 pixels, x in [0, 1], where the library computes ``equation`` slowly; empty for none
    quick: str = ""
    # (float, float); parameters for which ``quick`` differs from ``equation`` by less than float32's own rounding
    quick_range: tuple[float, float] = (math.inf, -math.inf)

    @cached_property
    def parsed(self) -> Equation:
        """The equation, checked."""
        names = ("x", self.parameter) if self.parameter else ("x",)
        return parse(self.equation, names, where=f"curve {self.name}")

    @cached_property
    def parsed_quick(self) -> Equation:
        """The quick form of the equation, checked."""
        return parse(self.quick, ("x", self.parameter), where=f"curve {self.name}")

    @cached_property
    def parsed_solution(self) -> Equation:
        """The parameter's closed form, checked."""
        return parse(self.solution, ("m", "t"), where=f"curve {self.name}")

    def value(self, x: float | NDArray[Any], parameter: float) -> NDArray[np.float64]:
        """Return y at ``x`` in [0, 1], in float64."""
        return self.parsed.evaluate({"x": x, self.parameter: parameter}, dtype="float64")


CURVES: Registry[Curve] = Registry(
    "curve",
    [
        Curve(
            "asinh",
            equation="asinh(x / beta) / asinh(1 / beta)",
            parameter="beta",
            bracket=(1e-30, 1e4),
            about="Linear for what is fainter than beta, logarithmic above: faint light lifted, noise not.",
            source="Lupton, Gunn & Szalay (1999), AJ 118, 1406; normalised as astropy's AsinhStretch",
            example=(0.01, 0.0046006946, 0.25),
            # asinh(z) = log(z + sqrt(z^2 + 1)); seven times as fast here. Near-linear curves would lose digits to the
            # logarithm of nearly 1, and beyond the range squares leave float32.
            quick="log((x + sqrt(x ** 2 + beta ** 2)) / beta) / asinh(1 / beta)",
            quick_range=(1e-15, 0.1),
        ),
        Curve(
            "power",
            # x ** gamma with a solved gamma; this form is also exact at 0, where log gives minus infinity.
            equation="exp(gamma * log(x))",
            parameter="gamma",
            solution="log(t) / log(m)",
            about="x to the power gamma. Steepest at black.",
            source="power law; common practice",
            example=(0.01, 0.30103, 0.25),
        ),
        Curve(
            "log",
            equation="log(1 + a * x) / log(1 + a)",
            parameter="a",
            bracket=(1e-4, 1e30),
            about="Logarithm with a linear foot below 1 / a.",
            source="as astropy's LogStretch",
            example=(0.01, 324.8773, 0.25),
        ),
        Curve(
            "rational",
            equation="k * x / (1 + (k - 1) * x)",
            parameter="k",
            solution="t * (1 - m) / (m * (1 - t))",
            about="Multiplies the odds x / (1 - x) by k; brightens the middle most, amplifies noise most.",
            source="Schlick (1994), Graphics Gems IV, VI.3, bias with k = a / (1 - a)",
            example=(0.01, 33.0, 0.25),
        ),
        Curve(
            "linear",
            equation="x",
            parameter="",
            about="Black and white only; the sky lands where they put it.",
            source="no parameter",
        ),
    ],
)
