"""Write the reference of recipes and target files, docs/recipe-reference.md, from their schemas.

python docs/reference.py
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from blend.recipe.model import recipe_schema
from blend.recipe.target import target_schema

PLACE = Path(__file__).parent / "recipe-reference.md"
HEAD = """# Every key of recipes and target files

Written by `python docs/reference.py` from the same tables that read the files; `blend schema recipe` and
`blend schema target` print them as JSON Schema.
"""


def table_rows(schema: dict[str, Any], path: str, defs: dict[str, Any]) -> list[str]:
    """Return a section a table: its heading and a row a key, and those of the tables in it."""
    rows = [
        f"| `{key}` | {value_words(part, defs)} | {default_words(part)} | {cell(part.get('description', ''))} |"
        for key, part in schema.get("properties", {}).items()
        if not inner(part, defs)
    ]
    text = [f"\n## `[{path}]`\n" if path else "\n## Outside every table\n"]
    if schema.get("description"):
        text.append(cell(schema["description"]) + "\n")
    if rows:
        text += ["| key | value | default | meaning |", "|---|---|---|---|", *rows]
    for key, part in schema.get("properties", {}).items():
        found = inner(part, defs)
        if found:
            name, table = found
            text += table_rows(table, f"{path}.{key}".lstrip(".") + (".NAME" if name else ""), defs)
    return text if rows or path == "" or len(text) > 2 else []


def inner(part: dict[str, Any], defs: dict[str, Any]) -> tuple[bool, dict[str, Any]] | None:
    """Return the table that a key holds, and whether it holds one for each name; None where it holds a value."""
    if "$ref" in part:
        table = defs[part["$ref"].rsplit("/", 1)[1]]
        return (False, table) if table.get("type") == "object" else None
    more = part.get("additionalProperties")
    if isinstance(more, dict) and "$ref" in more:
        return True, defs[more["$ref"].rsplit("/", 1)[1]]
    return None


def value_words(part: dict[str, Any], defs: dict[str, Any]) -> str:
    """Return what a key may hold."""
    if "$ref" in part:
        part = {**defs[part["$ref"].rsplit("/", 1)[1]], **{k: v for k, v in part.items() if k != "$ref"}}
    if "enum" in part:
        return ", ".join(f"`{value}`" for value in part["enum"])
    if "const" in part:
        return f"`{part['const']}`"
    if "anyOf" in part:
        words = [value_words(each, defs) for each in part["anyOf"] if each.get("type") != "null"]
        return " or ".join(dict.fromkeys(words))
    kind = {
        "number": "number",
        "integer": "whole number",
        "string": "text",
        "boolean": "true or false",
        "array": "list",
        "object": "table",
    }.get(str(part.get("type")), "value")
    low = part.get("minimum", part.get("exclusiveMinimum"))
    high = part.get("maximum", part.get("exclusiveMaximum"))
    if low is not None and high is not None:
        return f"{kind}, {low:g} to {high:g}"
    if low is not None:
        return f"{kind}, {'above' if 'exclusiveMinimum' in part else 'at least'} {low:g}"
    return kind


def default_words(part: dict[str, Any]) -> str:
    """Return the default as TOML would have it."""
    if part.get("default") is None:
        return ""
    return f"`{json.dumps(part['default'])}`"


def cell(text: str) -> str:
    """Return a text for a cell of a table."""
    return " ".join(text.split()).replace("|", "\\|")


def reference() -> str:
    """Return the whole page."""
    text = [HEAD]
    for title, schema in (("Recipes", recipe_schema()), ("Target files", target_schema())):
        text += [f"\n# {title}\n", *table_rows(schema, "", schema.get("$defs", {}))]
    return "\n".join(text).replace("\n\n\n", "\n\n").rstrip() + "\n"


if __name__ == "__main__":
    PLACE.write_text(reference(), encoding="utf-8")
