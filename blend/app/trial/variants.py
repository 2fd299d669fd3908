"""What is varied: words of the command line to values, and the recipes they make."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from blend.base.errors import FaultList, RecipeError
from blend.recipe.check import check_together
from blend.recipe.model import load_recipe
from blend.recipe.old_keys import new_key, new_names, new_settings
from blend.recipe.tables import Recipe
from blend.recipe.target import Target
from blend.recipe.toml import apply_settings, parse_value, read_toml, to_toml, toml_value

MOST_VARIANTS = 200
"""More tiles than this no eye compares, and a step mistyped makes thousands."""

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?"
_RANGE = re.compile(rf"\s*({_NUMBER})\s*:\s*({_NUMBER})\s*:\s*({_NUMBER})\s*")
_COLONS = re.compile(r"[\d.eE+\-\s]*(:[\d.eE+\-\s]*)+")
_NO_PICTURE = ("output", "title", "version")
_ADVICE = "for example blend.red.amount=0,0.5,1 or blend.red.amount=0:1:0.25"


@dataclass(frozen=True)
class Variation:
    """One recipe value and what it takes in turn."""

    key: str
    values: tuple[Any, ...]


def parse_variation(text: str) -> Variation:
    """Return the variation of ``KEY=V1,V2,..`` or ``KEY=START:STOP:STEP``, STOP included.

    Raises
    ------
    RecipeError
        No key, no values, a step of 0 or away from STOP, too many values, a value twice.

    Examples
    --------
    >>> parse_variation("blend.red.amount=0:1:0.25").values
    (0.0, 0.25, 0.5, 0.75, 1.0)
    >>> parse_variation("blend.red.formula=screen,maximum").values
    ('screen', 'maximum')
    """
    key, equals, words = (part.strip() for part in text.partition("="))
    if not equals or not key or not words:
        raise RecipeError(
            f"--vary {text}", found="no key or no values", expected="KEY=VALUES", advice=_ADVICE
        )
    if key.partition(".")[0] in _NO_PICTURE:
        found = "a value that changes no pixel of the picture"
        raise RecipeError(f"--vary {key}", found=found, expected="a value of a step or a blend")
    span = _RANGE.fullmatch(words)
    if span is None and _COLONS.fullmatch(words):
        raise RecipeError(
            f"--vary {key}",
            found=f"{words!r}, with {'no step' if words.count(':') == 1 else 'colons that part no three numbers'}",
            expected="START:STOP:STEP",
            advice=_ADVICE,
        )
    if span:
        values = _values_between(key, *span.groups())
    else:
        values = tuple(parse_value(word, where=f"--vary {key}") for word in _split(key, words))
    if any(value in values[:index] for index, value in enumerate(values)):
        raise RecipeError(f"--vary {key}", found="a value given twice", expected="each value once")
    renamed = [new_settings({key: value}) for value in values]
    return Variation(new_key(key), tuple(next(iter(one.values())) for one in renamed))


def _values_between(key: str, *words: str) -> tuple[float | int, ...]:
    # Decimal: 0:1:0.1 is to end at 1 and to hold 0.3, not 0.30000000000000004.
    start, stop, step = (Decimal(word) for word in words)
    if step == 0 or (stop - start) * step < 0:
        found = f"from {start} to {stop} by steps of {step}"
        raise RecipeError(
            f"--vary {key}", found=found, expected="a step, not 0, that leads from START to STOP"
        )
    count = int((stop - start) / step) + 1
    _refuse_many(f"--vary {key}", count)
    numbers = [start + index * step for index in range(count)]
    whole = all(re.fullmatch(r"[+-]?\d+", word) for word in words)
    return tuple(int(number) if whole else float(number) for number in numbers)


def _split(key: str, words: str) -> list[str]:
    """Return the parts between commas that stand in no bracket and in no quotes."""
    parts, depth, quote = [""], 0, ""
    for sign in words:
        if quote:
            quote = "" if sign == quote else quote
        elif sign in "\"'":
            quote = sign
        elif sign in "[{":
            depth += 1
        elif sign in "]}":
            depth -= 1
        if sign == "," and depth == 0 and not quote:
            parts.append("")
        else:
            parts[-1] += sign
    if any(not part.strip() for part in parts):
        raise RecipeError(
            f"--vary {key}", found="a value is missing between commas", expected="V1,V2,..", advice=_ADVICE
        )
    return parts


def _refuse_many(where: str, count: int) -> None:
    if count > MOST_VARIANTS:
        expected = f"at most {MOST_VARIANTS}"
        advice = "take larger steps, or vary fewer values at a time"
        raise RecipeError(where, found=f"{count} variants", expected=expected, advice=advice)


@dataclass(frozen=True, kw_only=True, eq=False)
class Variant:
    """One tile: what was set, and the recipe that makes it."""

    values: Mapping[str, Any]
    recipe: Recipe


def make_variants(
    text: str,
    variations: Sequence[Variation],
    *,
    where: str,
    target: Target,
    settings: Mapping[str, Any],
) -> list[Variant]:
    """Return every combination of the varied values, the last key changing fastest.

    Raises
    ------
    RecipeError, FaultList
        Too many variants, a key varied twice, and every fault of the first recipe that has any.
    """
    keys = [variation.key for variation in variations]
    if not keys:
        raise RecipeError("--vary", found="nothing to vary", expected="KEY=VALUES", advice=_ADVICE)
    for key in keys:
        if keys.count(key) > 1:
            raise RecipeError(f"--vary {key}", found="the key is varied twice", expected="each key once")
    own = target.settings()
    for key in (*keys, *settings):
        clash = next((k for k in own if k == key or k.startswith(f"{key}.") or key.startswith(f"{k}.")), None)
        if clash:
            found = f"the target file sets {clash} itself, and would do so for the kept recipe too"
            advice = "take it out of [set] in the target file"
            raise RecipeError(key, found=found, expected="a value that the recipe decides", advice=advice)
    _refuse_many("--vary", math.prod(len(variation.values) for variation in variations))
    made = []
    for combination in itertools.product(*(variation.values for variation in variations)):
        values = dict(zip(keys, combination, strict=True))
        recipe = load_recipe(text, where=where, settings={**own, **settings, **values})
        faults = check_together(recipe, target)
        if faults:
            raise FaultList(faults)
        made.append(Variant(values=values, recipe=recipe))
    return made


def changed_text(text: str, changes: Mapping[str, Any], *, where: str) -> str:
    """Return a recipe's text with values set; comments are not kept.

    Raises
    ------
    FaultList
        A key that is no dotted key.
    """
    values, faults = apply_settings(new_names(read_toml(text, where=where)), new_settings(changes))
    if faults:
        raise FaultList(faults)
    return to_toml(values)


def value_text(value: Any) -> str:
    """Return a value as a person writes it on the command line."""
    if isinstance(value, str):
        return value
    return f"{value:g}" if isinstance(value, float) else toml_value(value)
