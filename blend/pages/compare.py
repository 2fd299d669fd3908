"""The page of two runs: a wipe between their pictures, and what recipes, files, numbers and warnings differ in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from blend.pages.fill_template import template
from blend.pages.measured import small

LEAST_PERCENT, SHOWN_PERCENT = 0.05, 1000.0
"""Changes in percent that are told: less is 0.0, more says that the number before was next to zero."""

SAME = "none"
"""The change of a number that is the same in both runs, as of the same frames."""


def compare_page(told: Mapping[str, Any], pictures: Sequence[str]) -> str:
    """Return the page as HTML, self-contained; every text in it is escaped.

    Parameters
    ----------
    told : mapping
        As ``compare.json`` has it.
    pictures : sequence of str
        Data URLs of A and B, or none.
    """
    rows = number_rows(told["numbers"])
    page: str = template("compare.html").render(
        told=told,
        pictures=pictures,
        rows=[row for row in rows if row["change"] != SAME],
        same=[row for row in rows if row["change"] == SAME],
        title=compare_title(told),
    )
    return page


def compare_title(told: Mapping[str, Any]) -> str:
    """Return what is compared: the target, or both where they differ."""
    a, b = told["a"]["target"], told["b"]["target"]
    return f"{a}: two runs" if a == b else f"{a} and {b}"


def number_rows(numbers: Sequence[Mapping[str, Any]]) -> list[dict[str, str]]:
    """Return rows ``what a b change mark`` of text; ``mark`` is "differs" where a change is beyond its error."""
    return [
        {
            "what": f"{row['of']}: {row['what']}" + (f", {row['unit']}" if row["unit"] else ""),
            "a": small(row["a"], row["a_error"]),
            "b": small(row["b"], row["b_error"]),
            "change": _change(row),
            "mark": {True: "differs", False: "within its error", None: ""}[row["beyond_error"]],
        }
        for row in numbers
    ]


def _change(row: Mapping[str, Any]) -> str:
    if row["difference"] is None:
        return "-"
    if row["difference"] == 0:
        return SAME
    text = f"{row['difference']:+.3g}"
    if row["difference_error"] is not None:
        text += f" +- {row['difference_error']:.2g}"
    percent = row["percent"]
    shown = percent is not None and LEAST_PERCENT <= abs(percent) < SHOWN_PERCENT
    return f"{text} ({percent:+.1f} %)" if shown else text
