"""The numbers that runs are held against one another by, read from their records: of a batch, and of two runs."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

Record = Mapping[str, Any]


@dataclass(frozen=True)
class Column:
    """One number of a batch: ``key`` in its CSV and JSON, ``what`` on its page."""

    key: str
    what: str
    unit: str
    digits: int
    read: Callable[[Record], float | None]

    def text(self, value: float | None) -> str:
        """Return a value with its unit, a limit where its digits would all be 0, a dash where there is none."""
        if value is None:
            return "-"
        least = 10.0**-self.digits
        return f"< {least:g} {self.unit}" if 0.0 <= value < least else f"{value:.{self.digits}f} {self.unit}"


@dataclass(frozen=True)
class Number:
    """One number of a run with its standard error, where it has one; ``group`` is what it belongs to."""

    group: str
    what: str
    value: float
    error: float | None = None
    unit: str = ""


def number_at(record: Any, *keys: str) -> float | None:
    """Return the finite number at a place of a record, or None where there is none; a record may hold anything.

    Examples
    --------
    >>> number_at({"a": {"b": 2}}, "a", "b"), number_at({"a": [1]}, "a", "b"), number_at({"a": "x"}, "a")
    (2.0, None, None)
    """
    for key in keys:
        record = record.get(key) if isinstance(record, Mapping) else None
    if isinstance(record, bool) or not isinstance(record, (int, float)):
        return None
    return float(record) if math.isfinite(record) else None


def table_at(record: Any, *keys: str) -> dict[str, Any]:
    """Return the table at a place of a record, or an empty one."""
    for key in keys:
        record = record.get(key) if isinstance(record, Mapping) else None
    return dict(record) if isinstance(record, Mapping) else {}


def _most(values: Iterator[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)


def _alignment(record: Record) -> float | None:
    fits = table_at(record, "register").values()
    return _most(number_at(fit, "rms_px") for fit in fits if number_at(fit, "matched"))


def _gradient(record: Record) -> float | None:
    skies = table_at(record, "gradient").values()
    return _most(number_at(sky, plane, "slope_left_sigma") for sky in skies for plane in table_at(sky))


def _worth(record: Record) -> float | None:
    return _most(number_at(entry, "exposure_factor") for entry in table_at(record, "worth").values())


def _contrast(record: Record) -> float | None:
    return _most(number_at(entry, "line_contrast") for entry in table_at(record, "blend").values())


COLUMNS = (
    Column("alignment_px", "alignment", "px rms", 2, _alignment),
    Column("residual_gradient_sigma", "residual gradient", "sigma", 2, _gradient),
    Column(
        "residual_gradient_lab",
        "residual gradient",
        "CIELAB",
        1,
        lambda record: number_at(record, "picture", "sky", "gradient"),
    ),
    Column("exposure_factor", "exposure gained", "x", 1, _worth),
    Column("line_contrast", "line contrast", "x", 2, _contrast),
    Column(
        "star_colour_shift",
        "star colour shift",
        "CIEDE2000",
        2,
        lambda record: number_at(record, "star_tint", "median"),
    ),
)
"""Of a batch. The first two are the worst of all masters and planes, worth and contrast the best of all lines."""
FINER = {"residual_gradient_lab": "residual_gradient_sigma", "exposure_factor": "line_contrast"}
"""What says the same nearer to the picture, and what of the columns it stands for where it was measured."""


def shown_columns(runs: Sequence[Mapping[str, float | None]]) -> list[Column]:
    """Return the four columns to show of some runs."""
    known = {key for key in FINER if any(numbers.get(key) is not None for numbers in runs)}
    hidden = {worse if better in known else better for better, worse in FINER.items()}
    return [column for column in COLUMNS if column.key not in hidden]


def batch_numbers(record: Record) -> dict[str, float | None]:
    """Return the columns of a run, None where it has not measured one."""
    return {column.key: column.read(record) for column in COLUMNS}


def run_numbers(record: Record) -> list[Number]:
    """Return all numbers of a run that two runs can be compared by, what the picture shows first."""
    return [number for number in _all(record) if math.isfinite(number.value)]


def _all(record: Record) -> Iterator[Number]:
    yield from _of_the_picture(record)
    yield from _worth_and_fits(record)
    for name, master in table_at(record, "masters").items():
        yield _one(name, "star width", master, ("fwhm_px",), "px", error=("fwhm_error_px",))
        for plane in table_at(master, "planes"):
            label = name if plane == name else f"{name}.{plane}"
            yield _one(label, "sky", master, ("planes", plane, "sky"), "of full scale")
            yield _one(label, "noise of a pixel", master, ("planes", plane, "noise", "1"), "of full scale")
    for name, planes in table_at(record, "gradient").items():
        for plane in table_at(planes):
            label = name if plane == name else f"{name}.{plane}"
            yield _one(label, "sky gradient", planes, (plane, "amplitude"), "of full scale")
            yield _one(label, "residual gradient", planes, (plane, "slope_left_sigma"), "sigma of a pixel")
    for name, entry in table_at(record, "continuum").items():
        yield _one(name, "scale to the colour plane", entry, ("scale",), error=("error",))
    white = table_at(record, "balance")
    for plane in table_at(white, "gains"):
        yield _one(plane, "gain of the white balance", white, ("gains", plane), error=("errors", plane))


def _worth_and_fits(record: Record) -> Iterator[Number]:
    for name, entry in table_at(record, "worth").items():
        gained = _one(name, "exposure gained", entry, ("exposure_factor",), "x", error=("error",))
        yield gained if gained.error is None else replace(gained, error=gained.value * gained.error)
    for name, fit in table_at(record, "register").items():
        if number_at(fit, "matched"):
            yield _one(name, "alignment, rms", fit, ("rms_px",), "px")
            yield _one(name, "stars matched", fit, ("matched",))


def _of_the_picture(record: Record) -> Iterator[Number]:
    for name, entry in table_at(record, "blend").items():
        yield _one(f"blend.{name}", "amount", entry, ("amount",))
        yield _one(f"blend.{name}", "line contrast", entry, ("line_contrast",), "x")
    yield _one("picture", "white", record, ("stretch", "rgb", "white"), "of full scale")
    yield _one("picture", "target's light over its noise", record, ("target_light", "signal_to_noise"))
    sky, tint = table_at(record, "picture", "sky"), table_at(record, "star_tint")
    yield _one(
        "picture", "residual gradient as seen", sky, ("gradient",), "CIELAB", error=("gradient_error",)
    )
    yield _one("picture", "star colour shift", tint, ("median",), "CIEDE2000", error=("error",))
    for end in ("black", "white"):
        clipped = _one("picture", f"clipped to {end}", record, ("clipped", end), "%")
        yield replace(clipped, value=100.0 * clipped.value)


def _one(
    group: str, what: str, table: Record, place: Sequence[str], unit: str = "", *, error: Sequence[str] = ()
) -> Number:
    """Return the number at a place of a table, with the error at another; NaN where there is none."""
    value = number_at(table, *place)
    # an error of 0 belongs to what was fixed, not measured, as the gain that the others are held against
    return Number(group, what, math.nan if value is None else value, number_at(table, *error) or None, unit)
