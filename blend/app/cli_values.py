"""Numbers of the command line: finite ones only, which the ranges of click let pass."""

from __future__ import annotations

import math
from typing import Any

import click


class Number(click.FloatRange):
    """A finite number within a range; "nan" and "inf" are numbers to Python, and pass every comparison or none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number, or end with click's own fault and exit code 2."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is no finite number.", param, ctx)
        return number
