"""What the tables of recipe and target file are made of: strict frozen values and the checks they share."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from typing import Annotated, Any, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from blend.base.registry import suggestion

LONGEST_TITLE = 100
"""Characters that fit over a report's page in one line or two."""
LONGEST_NAME = 64
"""Characters of a name in a recipe: it becomes a part of keys and of file names, which end at 255 bytes."""
LONGEST_FOLDER = 60
"""Characters; of four bytes each they stay below the 255 bytes of common file systems."""

_RESERVED = re.compile(r"con|prn|aux|nul|(com|lpt)[0-9]")
"""Names of devices in Windows, which no file or folder may have (Microsoft, "Naming Files, Paths, and Namespaces")."""

PLANES = ("red", "green", "blue")
KEBAB = "[a-z0-9]+(-[a-z0-9]+)*"
"""How a name looks, as a regular expression that JSON Schema knows too."""


class Table(BaseModel):
    """A table of a TOML file: no key but those listed, no value of another type, no NaN, no change."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


VALUE_OR_TABLE = Discriminator(lambda v: "<table>" if isinstance(v, Mapping | Table) else "<value>")
"""Tells a key's one value from its table by these tags, so that faults are of the one that was written."""
Share = Annotated[float, Field(ge=0, le=1)]
"""A number from 0 to 1."""


def wrong(expected: str, advice: str = "") -> PydanticCustomError:
    """Return the error of a check of our own; `blend.recipe.toml.faults_of` turns it into a fault."""
    return PydanticCustomError("blend", "wrong value", {"expected": expected, "advice": advice})


def exactly(literal: Any, also: str = "") -> BeforeValidator:
    """Return a check that a value is one of a ``Literal``'s, of the same type.

    pydantic compares by equality, so that ``true`` and ``1.0`` would pass for 1.
    """
    choices = get_args(literal)
    expected = f"one of: {', '.join(map(str, choices))}{also}"

    def check(value: Any) -> Any:
        if any(type(value) is type(choice) and value == choice for choice in choices):
            return value
        raise wrong(expected, suggestion(str(value), [str(choice) for choice in choices]))

    return BeforeValidator(check)


def word_or_number(words: Sequence[str], expected: str, fits: Callable[[float], bool]) -> BeforeValidator:
    """Return a check that a value is one of some words, or a number that fits."""

    def check(value: Any) -> Any:
        if isinstance(value, str) and value in words:
            return value
        if is_number(value) and fits(value):
            return float(value)
        raise wrong(expected, suggestion(str(value), list(words)))

    return BeforeValidator(check)


def one_of(names: Mapping[str, Any]) -> AfterValidator:
    """Return a check that a text is a name in a table."""

    def check(name: str) -> str:
        if name in names:
            return name
        raise wrong(f"one of: {', '.join(names)}", suggestion(name, list(names)))

    return AfterValidator(check)


def is_number(value: Any) -> bool:
    """Return whether a TOML value is a finite number; ``true`` is none."""
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < float("inf")


def _check_kebab(text: str) -> str:
    if len(text) <= LONGEST_NAME and re.fullmatch(KEBAB, text):
        return text
    near = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:LONGEST_NAME].strip("-")
    advice = f"write {near!r}" if near else ""
    raise wrong("small letters, digits and single hyphens between them, at most 64", advice)


def _check_title(text: str) -> str:
    if text.strip() and len(text) <= LONGEST_TITLE and text.isprintable():
        return text
    raise wrong(f"a name of one line, of at most {LONGEST_TITLE} characters")


def folder_name(title: str) -> str:
    """Return a name for a folder that every system takes, made of a title's letters and digits.

    Examples
    --------
    >>> folder_name("lantern-spiral"), folder_name("M 51"), folder_name("../NGC 891 (west)"), folder_name("Con.")
    ('lantern-spiral', 'm-51', 'ngc-891-west', 'con-target')
    """
    plain = unicodedata.normalize("NFKC", title).casefold()
    words = "".join(letter if letter.isalnum() else " " for letter in plain).split()
    name = "-".join(words)[:LONGEST_FOLDER].rstrip("-")
    if not name:
        return "target"
    return f"{name}-target" if _RESERVED.fullmatch(name) else name


def _check_master(text: str) -> str:
    if text in (*PLANES, "luminance"):
        raise wrong(
            "a name of its own", f"{text!r} already names a plane; call the master by its line, like ha"
        )
    if not text[:1].isalpha():
        raise wrong("a name that begins with a letter")
    return _check_kebab(text)


def _check_line(text: str) -> str:
    if text == "rgb":
        raise wrong("the name of a line's master, like ha", "the colour master takes part by its planes")
    return _check_master(text)


Title = Annotated[str, AfterValidator(_check_title), WithJsonSchema({"type": "string", "minLength": 1})]
Kebab = Annotated[str, AfterValidator(_check_kebab)]
MasterName = Annotated[str, AfterValidator(_check_master)]
LineName = Annotated[str, AfterValidator(_check_line)]
