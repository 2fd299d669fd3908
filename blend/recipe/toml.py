"""TOML text to plain values and back, settings by dotted key, and every fault of a table in one list."""

from __future__ import annotations

import copy
import json
import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, get_args, get_origin

from blend.base.errors import MOST_TOLD, FaultList, RecipeError
from blend.base.registry import suggestion

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError
    from pydantic.fields import FieldInfo

LONGEST_TEXT = 1_000_000
"""Characters; a recipe is a page of text, and anything longer is another kind of file."""

MEND = "mend the line: a text stands in quotes, a key may be given once"
MOST_PARTS = 30
"""Parts of a dotted key, and tables in one another; a recipe has four."""
LONGEST_WORD = 200
"""Characters of a key without quotes, or of a number."""
BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_PART = re.compile(r"""[A-Za-z0-9_+-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'""")
_WORDS = re.compile(
    r"#[^\n]*+|\"{3}(?:[^\\]|\\.)*?\"{3}|'{3}.*?'{3}"
    rf"|(?P<chain>(?:{_PART.pattern})(?:[ \t]*+\.[ \t]*+(?:{_PART.pattern}))*+)",
    re.DOTALL,
)
"""Comments and texts of several lines, or words that dots join: keys and numbers, and texts in quotes."""
_SPOT = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


def read_toml(text: str, *, where: str) -> dict[str, Any]:
    """Return the values of a TOML text.

    Raises
    ------
    FaultList
        With the line of the first thing that is not TOML, or is a key that was given before.

    Examples
    --------
    >>> read_toml("a = 1\\na = 2", where="r.toml")
    Traceback (most recent call last):
    ...
    blend.base.errors.FaultList: r.toml, line 2: not TOML: Cannot overwrite a value. Do this: \
mend the line: a text stands in quotes, a key may be given once.
    """
    if len(text) > LONGEST_TEXT:
        raise FaultList([RecipeError(where, found=f"{len(text)} characters", expected="a page of TOML")])
    try:
        return _loads(text.removeprefix("\ufeff"))
    except _TooLarge as large:
        fault = RecipeError(f"{where}, line {large.line}", found=large.found, expected=large.expected)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        spot = _SPOT.search(message)
        line = spot[1] if spot and spot[1] else len(text.rstrip().splitlines())
        found = f"not TOML: {_SPOT.sub('', message)}"
        fault = RecipeError(f"{where}, line {line}", found=found, advice=MEND)
    except RecursionError:
        fault = RecipeError(where, found="arrays or tables nested too deep", expected="a page of TOML")
    raise FaultList([fault])


class _TooLarge(ValueError):
    def __init__(self, found: str, expected: str, *, line: int) -> None:
        super().__init__(found)
        self.found, self.expected, self.line = found, expected, line


def _loads(text: str) -> dict[str, Any]:
    """Parse TOML; what the parser would take minutes for, or what no later step could print, is refused before.

    The parser's time goes with the square of the parts of a dotted key, and Python turns no integer of more than 4300
    digits into text or back.
    """
    for match in _WORDS.finditer(text):
        words = match["chain"]
        if not words:
            continue
        longest = max((len(part) for part in _PART.findall(words) if part[0] not in "\"'"), default=0)
        if longest > LONGEST_WORD:
            found, expected = f"a word or number of {longest} characters", f"at most {LONGEST_WORD}"
        elif len(words) > 2 * MOST_PARTS and _PART.sub("", words).count(".") >= MOST_PARTS:
            found, expected = f"a key of more than {MOST_PARTS} parts", "section.key"
        else:
            continue
        raise _TooLarge(found, expected, line=text.count("\n", 0, match.start()) + 1)
    values = tomllib.loads(text)
    _refuse_depth(values)
    return values


def _refuse_depth(value: Any) -> None:
    """Raise RecursionError where tables and lists lie in one another deeper than `MOST_PARTS`."""
    here = [value]
    for _ in range(MOST_PARTS + 1):
        inner = [item for item in here if isinstance(item, dict | list)]
        here = [x for item in inner for x in (item.values() if isinstance(item, dict) else item)]
        if not here:
            return
    raise RecursionError


def toml_value(value: Any) -> str:
    """Return one value as TOML text; a table becomes an inline one.

    Examples
    --------
    >>> toml_value({"shape": "box", "x": 1.0, "on": True, "of": [1, 2]})
    '{shape = "box", x = 1.0, on = true, of = [1, 2]}'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for DEL, which TOML wants escaped too.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else str(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(k)} = {toml_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def to_toml(values: Mapping[str, Any]) -> str:
    """Return nested tables as TOML text; `read_toml` of it gives the same values back, in the same order.

    Examples
    --------
    >>> print(to_toml({"title": "Spiral", "stretch": {"curve": "asinh", "ha": {"sky_level": 0.1}}}), end="")
    title = "Spiral"
    <BLANKLINE>
    [stretch]
    curve = "asinh"
    <BLANKLINE>
    [stretch.ha]
    sky_level = 0.1
    """
    return "\n\n".join(_tables(values, ())).lstrip("\n") + "\n"


def _tables(values: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[str]:
    plain = [f"{_key(k)} = {toml_value(v)}" for k, v in values.items() if not isinstance(v, Mapping)]
    inner = {k: v for k, v in values.items() if isinstance(v, Mapping)}
    head = [f"[{'.'.join(map(_key, path))}]"] if path else []
    if plain or not inner:
        yield "\n".join(head + plain)
    for key, table in inner.items():
        yield from _tables(table, (*path, key))


def _key(key: str) -> str:
    return key if BARE_KEY.fullmatch(key) else toml_value(key)


def parse_setting(text: str) -> tuple[str, Any]:
    """Return the key and the value of ``KEY=VALUE``: a TOML value, else a bare word.

    Raises
    ------
    RecipeError
        Where there is no ``=``, no key or no value, or an opened quote or bracket is not closed.

    Examples
    --------
    >>> parse_setting("blend.red.amount=0.8"), parse_setting("stretch.curve=log")
    (('blend.red.amount', 0.8), ('stretch.curve', 'log'))
    """
    key, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not key or not value:
        raise RecipeError(
            text, found="not a setting", expected="KEY=VALUE", advice="for example blend.red.amount=0.8"
        )
    return key, parse_value(value, where=key)


def parse_value(text: str, *, where: str) -> Any:
    """Return a TOML value, else the text itself as a bare word.

    Raises
    ------
    RecipeError
        Where the text begins like a TOML value (a quote, a bracket) but is none.
    """
    word = text.strip()
    try:
        values = _loads(f"value = {word}")
    except _TooLarge as large:
        raise RecipeError(where, found=large.found, expected=large.expected) from None
    except (tomllib.TOMLDecodeError, RecursionError):
        values = {}
    if len(values) == 1:
        return values["value"]
    if not word or word[0] in "\"'[{" or len(word.splitlines()) > 1:
        advice = "close what is opened, and mind the shell's own quotes"
        raise RecipeError(where, found=f"{word!r} is not a value", expected="a TOML value", advice=advice)
    return word


def flatten(values: Mapping[str, Any], path: str = "") -> dict[str, Any]:
    """Return a table of settings with dotted keys; ``a.b = 1`` means the same with and without quotes.

    Examples
    --------
    >>> flatten({"blend.red.amount": 0.8, "stretch": {"sky_level": 0.1}})
    {'blend.red.amount': 0.8, 'stretch.sky_level': 0.1}
    """
    flat: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, Mapping) and value and "." not in key:
            flat |= flatten(value, f"{path}{key}.")
        else:
            flat[path + key] = value
    return flat


def apply_settings(
    values: Mapping[str, Any], settings: Mapping[str, Any]
) -> tuple[dict[str, Any], list[RecipeError]]:
    """Return the values with dotted keys set, and the settings that are no dotted keys as faults.

    A key whose last part is new is set all the same: whether it may be there is for the model to say.
    """
    result: dict[str, Any] = copy.deepcopy(dict(values))
    faults: list[RecipeError] = []
    for key, value in settings.items():
        parts = key.split(".")
        if len(parts) > MOST_PARTS or not all(BARE_KEY.fullmatch(part) for part in parts):
            key = _cut(key)
            faults.append(RecipeError(key, found="not a dotted key", expected="section.key"))
            continue
        table = result
        for part in parts[:-1]:
            if not isinstance(table.get(part), dict):
                table[part] = {}
            table = table[part]
        table[parts[-1]] = copy.deepcopy(value)
    return result, faults


def faults_of(error: ValidationError, model: type[BaseModel]) -> list[RecipeError]:
    """Return what pydantic found in a table as faults that name the key, the value and what is allowed."""
    found = error.errors(include_url=False)
    # near misses are looked for at each fault, which takes its time
    faults = [_fault(dict(item), model) for item in found[:MOST_TOLD]]
    if len(found) > MOST_TOLD:
        faults.append(RecipeError("and further", found=f"{len(found) - MOST_TOLD} more such faults"))
    return faults


def dotted(place: tuple[str | int, ...]) -> str:
    """Return a place in nested tables as the user writes it; parts in angle brackets are the model's own."""
    text = ""
    for part in place:
        if isinstance(part, int):
            text += f"[{part}]"
        elif part != "[key]" and not part.startswith("<"):
            text += f".{part}" if text else part
    return text


def toml_names(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the fields of a model by the names they have in TOML."""
    names = {info.alias or name: info for name, info in model.model_fields.items()}
    return {name: info for name, info in names.items() if not name.startswith("<")}


def _fault(item: dict[str, Any], model: type[BaseModel]) -> RecipeError:
    place, kind, context = item["loc"], item["type"], item.get("ctx", {})
    where = dotted(place)
    while isinstance(place[-1], str) and place[-1].startswith("<"):
        place = place[:-1]
    table = _model_at(model, place[:-1])
    keys = toml_names(table) if table else {}
    if kind == "extra_forbidden":
        known = sorted(keys)
        advice = _place_meant(str(place[-1]), known, model) or "take the key out"
        found = f"there is no key {str(place[-1])!r} here"
        return RecipeError(where, found=found, expected=f"one of: {', '.join(known)}", advice=advice)
    field = keys.get(str(place[-1])) if place else None
    if kind == "missing":
        meaning = (field.description or "") if field else ""
        return RecipeError(where, found="the key is missing", expected=meaning, advice="add it")
    value = item["input"]
    found = "found a table" if isinstance(value, Mapping) else f"found {_cut(toml_value(value))}"
    if kind == "blend":
        return RecipeError(where, found=found, expected=context["expected"], advice=context["advice"])
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", context["expected"])
        expected, advice = f"one of: {', '.join(choices)}", suggestion(str(value), choices)
    else:
        expected, advice = _range(field) or _PLAIN.get(kind) or str(item["msg"]), ""
    return RecipeError(where, found=found, expected=expected, advice=advice)


def _place_meant(key: str, known: list[str], model: type[BaseModel]) -> str:
    """Return what to write for a key that is not ``known`` in its table: its place elsewhere, or one like it."""
    places: dict[str, list[str]] = {}
    for place in _places(model):
        places.setdefault(place.rpartition(".")[2], []).append(place)
    if key not in places and (near := suggestion(key, known)):
        return near
    names = [key] if key in places else get_close_matches(key, list(places), n=1, cutoff=0.75)
    return "".join(f"write {' or '.join(places[name])}" for name in names)


def _places(model: type[BaseModel], path: str = "") -> Iterator[str]:
    """Give every key of a model with dots; a name that is the user's choice is NAME."""
    from pydantic import BaseModel

    for key, field in toml_names(model).items():
        yield path + key
        kind = field.annotation
        inner, below = (_inside(kind), ".NAME") if get_origin(kind) is dict else (kind, "")
        if isinstance(inner, type) and issubclass(inner, BaseModel):
            yield from _places(inner, f"{path}{key}{below}.")


_PLAIN = {
    **dict.fromkeys(("model_type", "model_attributes_type", "dict_type"), "a table"),
    **dict.fromkeys(("list_type", "tuple_type"), "a list"),
    "string_type": "a text",
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "bool_type": "true or false",
}


def _cut(text: str) -> str:
    """Return a text as long as a line of a message can hold beside other words."""
    return text if len(text) <= 60 else f"{text[:57]}..."


def _range(field: FieldInfo | None) -> str:
    """Return which numbers a field takes, from its bounds; empty for a field without."""
    bounds = {
        name: getattr(limit, name)
        for limit in (field.metadata if field else ())
        for name in ("ge", "gt", "le", "lt")
        if getattr(limit, name, None) is not None
    }
    if field is None or not bounds:
        return ""
    words = {"ge": "at least {}", "gt": "above {}", "le": "at most {}", "lt": "below {}"}
    number = "whole number" if int in (field.annotation, *get_args(field.annotation)) else "number"
    if set(bounds) == {"ge", "le"}:
        return f"a {number} from {bounds['ge']:g} to {bounds['le']:g}"
    return f"a {number} " + " and ".join(words[name].format(f"{limit:g}") for name, limit in bounds.items())


def _model_at(model: type[BaseModel], place: tuple[str | int, ...]) -> type[BaseModel] | None:
    """Return the model of the table at a place, or None where the place holds no table of fixed keys."""
    from pydantic import BaseModel

    here: Any = model
    for part in place:
        if isinstance(here, type) and issubclass(here, BaseModel):
            if str(part).startswith("<by"):
                here = {"": here}
                continue
            field = toml_names(here).get(str(part))
            here = field.annotation if field else None
        elif isinstance(here, dict):
            here = here[""]
        elif isinstance(part, str) and part.startswith("<"):
            here = _inside(next((kind for kind in get_args(here) if _tag(kind) == part), None))
        else:
            here = _inside(here)
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _inside(kind: Any) -> Any:
    """Return the type of what a dict or a list holds; of another type, what it annotates."""
    arguments = get_args(kind)
    return arguments[1 if get_origin(kind) is dict else 0] if arguments else None


def _tag(kind: Any) -> str | None:
    return next((extra.tag for extra in getattr(kind, "__metadata__", ()) if hasattr(extra, "tag")), None)
