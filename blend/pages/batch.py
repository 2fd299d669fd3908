"""The page of a batch: what needs a look first, a card a target with picture and numbers, two side by side."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from blend.pages.fill_template import template
from blend.pages.numbers import Column, shown_columns

MEANINGS = {
    "failed": "no picture was made",
    "look": "a warning, or a number beyond its limit",
    "fine": "no warning, every number within its limit",
}
"""The words for a target, most urgent first, and what they say."""


def batch_page(
    recipe: str, cards: Sequence[Mapping[str, Any]], counts: Mapping[str, int], *, log: str = ""
) -> str:
    """Return the page as HTML; every text in it is escaped.

    Parameters
    ----------
    recipe : str
        As named on the command line.
    cards : sequence of mapping
        ``name label state reason reasons seconds values thumbnail report record``: ``label`` is a key of `MEANINGS`,
        ``values`` are numbers by the keys of `numbers.COLUMNS`, the last three links relative to the page, or empty.
    counts : mapping
        Targets ``done``, ``skipped`` and ``failed``.
    log : str
        A link to the log of events, or empty.
    """
    urgent = list(MEANINGS)
    columns = shown_columns([card["values"] for card in cards])
    drawn = [_drawn(card, at, columns) for at, card in enumerate(cards)]
    drawn.sort(key=lambda card: urgent.index(card["label"]))
    page: str = template("batch.html").render(
        recipe=recipe,
        cards=drawn,
        counts=counts,
        labels={label: sum(card["label"] == label for card in drawn) for label in MEANINGS},
        meanings=MEANINGS,
        columns=columns,
        log=log,
    )
    return page


def _drawn(card: Mapping[str, Any], number: int, columns: Sequence[Column]) -> dict[str, Any]:
    values = card["values"]
    numbers = [(c.what, c.text(values.get(c.key))) for c in columns if values]
    told = json.dumps({**values, "seconds": card["seconds"] or None})
    return {**card, "number": number, "numbers": numbers, "values": told}
