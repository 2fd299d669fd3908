"""Recipe keys that have better names now: the old ones mean the same, and a run says what to write instead."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

RENAMED = {
    "blend": {"share": "into_other_planes", "dust_a_v": "extinction_a_v", "for": "optimise_for"},
    "continuum": {"fade_sigma": "weight_sigma"},
}
"""Old and new keys of the tables ``[blend.NAME]`` and ``[continuum.NAME]``."""
OLD_JSON = {"regions": "knots", "injected": "planted"}
"""New and old keys of what `blend inspect --inject` and its older word print."""
_OLD_VALUES = {("for", "knots"): "bright"}


def new_key(key: str) -> str:
    """Return a dotted key with today's names.

    Examples
    --------
    >>> new_key("blend.red.share.blue"), new_key("stretch.curve")
    ('blend.red.into_other_planes.blue', 'stretch.curve')
    """
    parts = key.split(".")
    if len(parts) > 2:
        parts[2] = RENAMED.get(parts[0], {}).get(parts[2], parts[2])
    return ".".join(parts)


def new_settings(settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return settings by dotted key with today's names of keys and values."""
    return {new_key(key): _new_value(key.rpartition(".")[2], value) for key, value in settings.items()}


def old_keys(values: Mapping[str, Any]) -> Iterator[str]:
    """Yield the dotted keys of a recipe's values that have another name today, but for those beside the new one."""
    for section, renamed in RENAMED.items():
        for label, table in _tables(values, section):
            for old, new in renamed.items():
                if old in table and new not in table:
                    yield f"{section}.{label}.{old}"


def new_names(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return a recipe's values with today's names of keys and values, in their order."""
    found = set(old_keys(values))
    made = dict(values)
    for section in {key.split(".")[0] for key in found}:
        made[section] = dict(values[section])
        for label, table in _tables(values, section):
            made[section][label] = {
                RENAMED[section][key] if f"{section}.{label}.{key}" in found else key: _new_value(key, value)
                for key, value in table.items()
            }
    return made


def renamed_words(keys: tuple[str, ...]) -> list[tuple[str, str]]:
    """Return the warning for keys with old names, as (code, text); none where there is none."""
    if not keys:
        return []
    keys = tuple(dict.fromkeys(keys))
    told = ", ".join(f"{key} is called {new_key(key).split('.')[2]} now" for key in keys)
    return [("key-renamed", f"{told}; the old {'names still work' if len(keys) > 1 else 'name still works'}")]


def _tables(values: Mapping[str, Any], section: str) -> list[tuple[str, Mapping[str, Any]]]:
    tables = values.get(section)
    named = tables.items() if isinstance(tables, Mapping) else ()
    return [(label, table) for label, table in named if isinstance(table, Mapping)]


def _new_value(key: str, value: Any) -> Any:
    return _OLD_VALUES.get((key, value), value) if isinstance(value, str) else value
